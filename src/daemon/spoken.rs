//! Listens to each moment and has said aloud what is to be said, as long as it is held.
//!
//! On a thread of its own that only looks: what is recorded waits for nothing here. Decides nothing about what is said
//! ([`Calls`]) and speaks nothing itself ([`Speaker`]).

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{Builder, JoinHandle};
use std::time::Duration;

use super::speaker::Speaker;
use super::{Config, invented};
use crate::live::{Calls, Hub};

/// How often it is looked whether there is a new moment; they come about once a second.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Has said what is to be said until it is dropped.
pub struct Spoken {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Spoken {
    /// Starts where a speech command is configured; in a rehearsal always, since what is said is logged too. `None` where there
    /// is nothing to do, or no thread, which is said.
    pub fn start(config: &Config, hub: &Arc<Hub>) -> Option<Self> {
        let command = config.speech.as_ref().map(|speech| speech.command.clone());
        if command.is_none() && invented::speed(config).is_none() {
            return None;
        }
        let started = command.map(Speaker::start).transpose();
        let speaker = started.unwrap_or_else(|fault| {
            tracing::error!("{fault}");
            None
        });
        let (stop, hub) = (Arc::new(AtomicBool::new(false)), Arc::clone(hub));
        let stopping = Arc::clone(&stop);
        let thread = Builder::new().name("calls".into()).spawn(move || listen(&hub, speaker.as_ref(), &stopping));
        match thread {
            Ok(thread) => Some(Self { stop, thread: Some(thread) }),
            Err(error) => {
                tracing::error!("no thread to call on: {error}; nothing is said aloud");
                None
            }
        }
    }
}

impl Drop for Spoken {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn listen(hub: &Hub, speaker: Option<&Speaker>, stop: &AtomicBool) {
    let (mut moments, mut calls) = (hub.watch(), Calls::new());
    while !stop.load(Ordering::Relaxed) {
        if moments.has_changed().unwrap_or(false) {
            let moment = moments.borrow_and_update().clone();
            hub.take_noted().iter().for_each(|(at, mark)| calls.noted(*at, mark));
            for call in moment.iter().flat_map(|moment| calls.hear(moment)) {
                tracing::info!("said: {}", call.text);
                if let Some(speaker) = speaker {
                    speaker.say(call);
                }
            }
        }
        std::thread::sleep(LOOK_EVERY);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::live::moment::{Alarm, Moment, Recording};
    use crate::observation::{Mark, MarkKind};
    use crate::time::{Span, Steady, WallClock};

    fn moment(second: i64, alarms: Vec<Alarm>) -> Moment {
        Moment {
            at: Steady(second * 1_000_000),
            utc: WallClock(0),
            vehicle: "heron".into(),
            picture: Default::default(),
            course: None,
            recording: Recording::default(),
            alarms,
            ready: Vec::new(),
            units: Default::default(),
            rehearsal: false,
        }
    }

    #[test]
    fn what_is_shown_is_said_by_the_configured_command() {
        let folder = tempfile::tempdir().expect("a folder");
        let heard = folder.path().join("heard");
        let config = |speech: &str| {
            let text = format!("vehicle = 'x'\ndata = 'D'\nmap = 'm'\n{speech}[[source]]\nkind = 'gpsd'\n");
            Config::from_document(&Document::from_text("car.toml", text), folder.path()).0.expect("a configuration")
        };
        let hub = Arc::new(Hub::default());
        assert!(Spoken::start(&config(""), &hub).is_none());
        let command = format!("[speech]\ncommand = ['sh', '-c', 'cat >>{}']\n", heard.display());
        let spoken = Spoken::start(&config(&command), &hub).expect("it is configured");
        let text = "can0 gives nothing; is it plugged in?";
        let alarm = Alarm { key: "can0".into(), text: text.into(), since: Span(0), acknowledged: false };
        hub.noted(Steady(4_000_000), Mark { kind: MarkKind::ShowsZero, value: None, text: String::new() });
        let expected = format!("{text}\nNoted: the display shows zero.\n");
        for second in 5..100 {
            hub.show(moment(second, vec![alarm.clone()]));
            std::thread::sleep(Duration::from_millis(200));
            if std::fs::read_to_string(&heard).is_ok_and(|heard| heard == expected) {
                break;
            }
        }
        drop(spoken);
        assert_eq!(std::fs::read_to_string(&heard).unwrap_or_default(), expected);
    }
}
