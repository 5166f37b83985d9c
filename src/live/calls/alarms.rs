//! Of what is wrong: each said at once, again ever more seldom until it is over or a person has seen it, and once that it is over.
//!
//! One that comes and goes is one: its repeats wait as if it had stayed. Knows no alarm by name.

use crate::live::moment::Alarm;
use crate::time::{Span, Steady};

/// How long until the first repeat; each next takes twice as long, ...
const AGAIN_FIRST: Span = Span::of_seconds(30);
/// ... up to this.
const AGAIN_LONGEST: Span = Span::of_seconds(480);
/// One that was away for this long is a new one when it comes back.
const FORGOTTEN: Span = Span::of_seconds(600);
/// Away for this long it is over.
const OVER: Span = Span::of_seconds(5);
/// Those remembered, at most.
const KNOWN_MAX: usize = 64;

/// An alarm that is or was there.
#[derive(Clone, Debug)]
struct Known {
    key: String,
    text: String,
    acknowledged: bool,
    /// When it was last said, and how often; `None` before.
    said: Option<(Steady, u32)>,
    /// Since when it is away.
    away: Option<Steady>,
    over_said: bool,
}

/// What is wrong and what has been said of it.
#[derive(Clone, Debug, Default)]
pub struct Alarms {
    known: Vec<Known>,
}

impl Alarms {
    /// What is wrong now.
    pub fn see<'a>(&mut self, at: Steady, now: impl Iterator<Item = &'a Alarm> + Clone) {
        for known in &mut self.known {
            if !now.clone().any(|alarm| alarm.key == known.key) {
                known.away.get_or_insert(at);
            }
        }
        self.known.retain(|known| known.away.is_none_or(|away| at - away < FORGOTTEN));
        for alarm in now {
            match self.known.iter_mut().find(|known| known.key == alarm.key) {
                Some(known) => {
                    (known.away, known.acknowledged) = (None, alarm.acknowledged);
                    // It was said to be over: that it is back must not wait as long as one that never went.
                    if std::mem::take(&mut known.over_said) {
                        known.said = known.said.map(|(at, _)| (at, 1));
                    }
                    known.text.clone_from(&alarm.text);
                }
                None => {
                    if self.known.len() >= KNOWN_MAX {
                        self.known.remove(0);
                    }
                    self.known.push(Known {
                        key: alarm.key.clone(),
                        text: alarm.text.clone(),
                        acknowledged: alarm.acknowledged,
                        said: None,
                        away: None,
                        over_said: false,
                    });
                }
            }
        }
    }

    /// Those never said.
    pub fn take_new(&mut self, at: Steady) -> Vec<String> {
        let new = self.known.iter_mut().filter(|known| known.said.is_none() && !known.acknowledged);
        new.map(|known| known.say(at)).collect()
    }

    /// One that is still there and was not seen to, when its time has come.
    pub fn take_again(&mut self, at: Steady) -> Option<String> {
        let due = |known: &&mut Known| {
            let waited = |(said, times): (Steady, u32)| at - said >= wait(times);
            known.away.is_none() && !known.acknowledged && known.said.is_some_and(waited)
        };
        self.known.iter_mut().find(due).map(|known| known.say(at))
    }

    /// One that was said and is over.
    pub fn take_over(&mut self, at: Steady) -> Option<String> {
        let over = |known: &&mut Known| {
            known.away.is_some_and(|away| at - away >= OVER) && known.said.is_some() && !known.over_said
        };
        let known = self.known.iter_mut().find(over)?;
        known.over_said = true;
        // What it is, without what was to be done about it.
        let what = known.text.split(';').next().unwrap_or_default().trim_end_matches('.');
        Some(format!("No longer: {what}."))
    }
}

impl Known {
    fn say(&mut self, at: Steady) -> String {
        self.said = Some((at, self.said.map_or(1, |(_, times)| times.saturating_add(1))));
        self.over_said = false;
        self.text.clone()
    }
}

/// How long after having been said so often.
fn wait(times: u32) -> Span {
    Span(AGAIN_FIRST.0 << times.saturating_sub(1).min(8)).min(AGAIN_LONGEST)
}
