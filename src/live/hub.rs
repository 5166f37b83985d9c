//! Where the daemon's loop and those who watch meet: one puts the newest moment there, the others read it and leave what
//! people ask for.
//!
//! Neither ever waits for the other. Knows no protocol.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::watch;

use super::moment::Moment;
use crate::observation::Mark;
use crate::time::Steady;

/// What people may have asked for and the loop has not taken yet, at most.
const ASKS_MAX: usize = 64;

/// What a person asks for.
#[derive(Clone, PartialEq, Debug)]
pub enum Ask {
    /// Note this.
    Mark(Mark),
    /// This alarm has been seen.
    Acknowledge(String),
    /// The charger of this place is taken or dead; none of them is.
    Taken(Option<String>),
}

/// The meeting place.
#[derive(Debug)]
pub struct Hub {
    moment: watch::Sender<Option<Arc<Moment>>>,
    asks: Mutex<VecDeque<(Steady, Ask)>>,
}

impl Default for Hub {
    fn default() -> Self {
        Self { moment: watch::Sender::new(None), asks: Mutex::default() }
    }
}

impl Hub {
    /// Shows a moment to all who watch.
    pub fn show(&self, moment: Moment) {
        self.moment.send_replace(Some(Arc::new(moment)));
    }

    /// The newest moment.
    pub fn newest(&self) -> Option<Arc<Moment>> {
        self.moment.borrow().clone()
    }

    /// To wait for the next ones; whoever is slow misses some and gets the newest.
    pub fn watch(&self) -> watch::Receiver<Option<Arc<Moment>>> {
        self.moment.subscribe()
    }

    /// Leaves what a person asked for at a moment of the clock; `false` where too much is left already.
    pub fn ask(&self, at: Steady, ask: Ask) -> bool {
        let mut asks = self.asks.lock().unwrap_or_else(PoisonError::into_inner);
        let room = asks.len() < ASKS_MAX;
        if room {
            asks.push_back((at, ask));
        }
        room
    }

    /// Takes what people asked for.
    pub fn take_asks(&self) -> Vec<(Steady, Ask)> {
        self.asks.lock().unwrap_or_else(PoisonError::into_inner).drain(..).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::MarkKind;

    #[test]
    fn asks_are_bounded_and_taken_once() {
        let hub = Hub::default();
        let mark = || Ask::Mark(Mark { kind: MarkKind::Turned, value: None, text: String::new() });
        let taken = (0..ASKS_MAX + 3).filter(|at| hub.ask(Steady(*at as i64), mark())).count();
        assert_eq!(taken, ASKS_MAX);
        let asks = hub.take_asks();
        assert_eq!((asks.len(), asks[0].0), (ASKS_MAX, Steady(0)));
        assert!(hub.take_asks().is_empty() && hub.ask(Steady(9), mark()) && hub.newest().is_none());
    }
}
