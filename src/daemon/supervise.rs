//! Each live source on a thread of its own: run, watched, and run again after a while when it can't go on.
//!
//! A source that fails or panics never stops another, nor the recording. What is wrong is said once, not at every try.
//! Knows no source's kind.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use super::told::panic_text;
use crate::document::Fault;
use crate::source::live::{Condition, Live, Outlet, Shared, State};
use crate::time::{Span, Steady};

/// How long it takes to the first new try.
const FIRST_WAIT: Span = Span::of_millis(250);
/// The longest between two tries.
const LONGEST_WAIT: Span = Span::of_seconds(2);
/// A source that could be read for this long is well: the next trouble is a new one.
const WELL: Span = Span::of_seconds(5);

/// How long sources are waited for when all is to stop: several times what they may be deaf for.
const STOP_PATIENCE: Duration = Duration::from_millis(400);

/// The live sources of the daemon, each on its thread.
pub struct Supervised {
    sources: Vec<(Outlet, Option<JoinHandle<()>>)>,
    shared: Arc<Shared>,
}

impl Supervised {
    /// Starts sources by name.
    ///
    /// # Errors
    /// If the machine gives no thread.
    pub fn start(sources: Vec<(String, Box<dyn Live>)>, shared: &Arc<Shared>) -> Result<Self, Fault> {
        let mut supervised = Self { sources: Vec::new(), shared: Arc::clone(shared) };
        for (name, source) in sources {
            let outlet = Outlet::new(&name, shared);
            let mut watch = Watch { source, outlet: outlet.clone(), said: None, wait: FIRST_WAIT };
            let thread = Builder::new().name(name.chars().take(15).collect()).spawn(move || watch.keep());
            let thread = thread.map_err(|error| Fault::whole(&name, format!("no thread to read it on: {error}")))?;
            supervised.sources.push((outlet, Some(thread)));
        }
        Ok(supervised)
    }

    /// How each source fares, in the order given.
    pub fn states(&self) -> impl Iterator<Item = (&str, State)> {
        self.sources.iter().map(|(outlet, _)| (outlet.name(), outlet.state()))
    }

    /// Tells every source to stop and waits until all have, but not for one that hangs; what they handed on until then is in
    /// the queue.
    pub fn stop(&mut self) {
        self.shared.stop();
        let until = Instant::now() + STOP_PATIENCE;
        for (outlet, thread) in &mut self.sources {
            while thread.as_ref().is_some_and(|thread| !thread.is_finished()) && Instant::now() < until {
                std::thread::sleep(Duration::from_millis(5));
            }
            if thread.as_ref().is_some_and(|thread| !thread.is_finished()) {
                tracing::warn!("{}: does not stop; it is left behind", outlet.name());
            } else if thread.take().is_some_and(|thread| thread.join().is_err()) {
                tracing::error!("{}: its thread ended in a panic", outlet.name());
            }
        }
    }
}

/// What watches one source.
struct Watch {
    source: Box<dyn Live>,
    outlet: Outlet,
    /// What was last said to be wrong.
    said: Option<String>,
    wait: Span,
}

impl Watch {
    fn keep(&mut self) {
        while !self.outlet.stopping() {
            let began = self.outlet.now();
            if let Err(why) = self.run() {
                self.ended(began, why);
                self.outlet.pause(self.wait);
                self.wait = (self.wait + self.wait).min(LONGEST_WAIT);
            }
        }
        self.outlet.update(|state| state.condition = Condition::Stopped);
    }

    /// One run of the source; a panic is a failure like any other.
    fn run(&mut self) -> Result<(), String> {
        let (source, outlet) = (&mut self.source, &self.outlet);
        // What the panic left half done is the source's own, which opens everything anew when it runs again; what it shares
        // with others is changed under locks by whole values.
        match catch_unwind(AssertUnwindSafe(|| source.run(outlet))) {
            Ok(Ok(())) => Ok(()),
            Ok(Err(failure)) => Err(failure.to_string()),
            Err(panic) => {
                Err(format!("a fault of this program stopped it ({}); please report it", panic_text(&*panic)))
            }
        }
    }

    fn ended(&mut self, began: Steady, why: String) {
        let mut was_reading = false;
        self.outlet.update(|state| {
            was_reading = state.condition == Condition::Reading;
            state.condition = Condition::Waiting(why.clone());
            state.lost += u64::from(was_reading);
        });
        if was_reading && self.outlet.now() - began >= WELL {
            (self.said, self.wait) = (None, FIRST_WAIT);
        }
        if self.said.as_ref() != Some(&why) {
            self.outlet.trouble(&why);
            self.said = Some(why);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU64, Ordering};

    use super::*;
    use crate::observation::{Batch, Item, Stamped};
    use crate::source::{Clock, Failure};
    use crate::time::WallClock;

    /// A clock that runs only while it is waited on, so that a test takes no time.
    #[derive(Default)]
    struct Waited(AtomicU64);

    impl Clock for Waited {
        fn now(&self) -> Steady {
            Steady(self.0.load(Ordering::SeqCst) as i64)
        }
        fn wall(&self) -> WallClock {
            WallClock(0)
        }
        fn wait(&self, span: Span) {
            self.0.fetch_add(span.0 as u64, Ordering::SeqCst);
            std::thread::yield_now();
        }
    }

    type Step = fn(&Outlet) -> Result<(), Failure>;

    /// Fails by script, one step a run, then reads until stopped.
    struct Scripted(Vec<Step>);

    impl Live for Scripted {
        fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
            if let Some(step) = self.0.pop() {
                return step(outlet);
            }
            outlet.reading();
            let item = Item::Supply(12.5);
            outlet.send(&mut Batch { rest: vec![Stamped { at: outlet.now(), item }], ..Batch::default() });
            while !outlet.stopping() {
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
            Ok(())
        }
    }

    #[test]
    fn a_source_that_fails_is_said_once_and_stops_no_other() {
        let shared = Arc::new(Shared::new(Arc::new(Waited::default())));
        let missing: Step = |_| Err(Failure("no such interface".into()));
        let panics: Step = |_| panic!("as the test wants");
        let unplugged: Step = |outlet| {
            outlet.reading();
            outlet.pause(WELL);
            Err(Failure("unplugged".into()))
        };
        // The last comes first.
        let ill = Scripted(vec![missing, unplugged, panics, missing, missing, missing, missing]);
        let sources: Vec<(String, Box<dyn Live>)> =
            vec![("ill".into(), Box::new(ill)), ("well".into(), Box::new(Scripted(vec![])))];
        let mut supervised = Supervised::start(sources, &shared).unwrap();
        let both_read = |supervised: &Supervised| supervised.states().all(|(_, state)| state.items > 0);
        for _ in 0..5_000 {
            if both_read(&supervised) {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(2));
        }
        assert!(both_read(&supervised));
        let states: Vec<(String, State)> = supervised.states().map(|(name, state)| (name.into(), state)).collect();
        assert_eq!((states[0].1.lost, states[1].1.lost), (1, 0));
        assert!(states.iter().all(|(_, state)| state.condition == Condition::Reading));
        supervised.stop();
        let mut all = Batch::default();
        shared.queue.take(&mut all);
        let said: Vec<&str> = all
            .rest
            .iter()
            .filter_map(|stamped| if let Item::Trouble(text) = &stamped.item { Some(&**text) } else { None })
            .collect();
        assert_eq!(
            said,
            [
                "ill: no such interface",
                "ill: a fault of this program stopped it (as the test wants); please report it",
                "ill: unplugged",
                "ill: no such interface",
            ]
        );
        // 4 + panic: 0.25, 0.5, 1, 2, 2 s; then 5 s of reading; then 0.25, 0.5 s.
        let waited = shared.clock.now();
        assert!(waited >= Steady(11_500_000), "{waited:?}");
    }
}
