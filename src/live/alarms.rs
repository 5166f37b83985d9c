//! What is wrong while the car drives, as alarms: each begins once its cause has lasted, and ends once the cause has been gone.
//!
//! Takes values and returns values; makes no sound and reads no clock. An alarm that a person has seen stays in the list, told
//! as seen, until its cause is gone; if that comes back, the alarm is a new one.

use std::collections::BTreeMap;

use super::moment::{Alarm, Recording};
use crate::ledger::{Phase, TraceRow};
use crate::plan::readiness::{Need, Room};
use crate::plan::{Picture, State};
use crate::time::{Span, Steady};

/// What the alarms look at.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// Now, on the clock that never jumps.
    pub now: Steady,
    /// The bus has said something by itself within the last seconds.
    pub awake: bool,
    /// The latest row of the run, however old.
    pub row: Option<&'a TraceRow>,
    /// It is older than a row may be.
    pub stale: bool,
    /// What of the needs is to be had.
    pub to_be_had: &'a [Need],
    /// How the recording goes.
    pub recording: &'a Recording,
    /// Room on the disk.
    pub room: Room,
    /// What is known now and what to do; `None` once it can't be told for a fault of this program.
    pub picture: Option<&'a Picture>,
}

/// How long a cause lasts before its alarm begins, and is gone before it ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Patience {
    begin: Span,
    end: Span,
}

/// A value that the drive can't be measured without may be missing for this long.
const MISSING: Patience = Patience { begin: Span::of_seconds(10), end: Span::of_seconds(2) };
/// A source is tried again within 2 s.
const SOURCE: Patience = Patience { begin: Span::of_seconds(5), end: Span::of_seconds(3) };
/// Nothing recorded is said almost at once.
const RECORDING: Patience = Patience { begin: Span::of_seconds(3), end: Span::of_seconds(2) };
/// What the plan says may swing for a moment at its limit.
const PLAN: Patience = Patience { begin: Span::of_seconds(3), end: Span::of_seconds(10) };
/// Voltage sags and recovers with every hill.
const CLIFF: Patience = Patience { begin: Span::of_seconds(5), end: Span::of_seconds(30) };
/// Room on the disk does not hurry.
const DISK: Patience = Patience { begin: Span(0), end: Span::of_seconds(60) };
/// Room for less recording than this, h, is almost none ...
const ALMOST_FULL_H: f64 = 2.0;
/// ... until there is room for this much more, in parts.
const MORE_ROOM: f64 = 1.2;

/// A cause that is there now: its stable key, and what is wrong and what to do.
struct Cause {
    key: String,
    text: String,
    patience: Patience,
}

/// What is remembered of a cause.
#[derive(Clone, Debug)]
struct Held {
    text: String,
    patience: Patience,
    /// Place in the order in which causes are told, the worst first.
    rank: usize,
    /// Since when it has been there.
    since: Steady,
    /// Since when it has been gone; `None` while it is there.
    gone: Option<Steady>,
    /// The alarm has begun.
    begun: bool,
    acknowledged: bool,
}

/// The alarms of a drive.
#[derive(Clone, Debug, Default)]
pub struct Alarms {
    held: BTreeMap<String, Held>,
    /// The room on the disk was told as almost none.
    almost_full: bool,
}

impl Alarms {
    /// The alarms at a moment, those that nobody has seen first, of these the worst first.
    pub fn see(&mut self, facts: &Facts) -> Vec<Alarm> {
        let causes = self.causes(facts);
        for (key, held) in &mut self.held {
            if held.gone.is_none() && !causes.iter().any(|cause| cause.key == *key) {
                held.gone = Some(facts.now);
            }
        }
        // One that has not begun is forgotten at once.
        self.held.retain(|_, held| held.gone.is_none_or(|gone| held.begun && facts.now - gone < held.patience.end));
        for (rank, cause) in causes.into_iter().enumerate() {
            let Cause { key, text, patience } = cause;
            let fresh = || Held {
                text: String::new(),
                patience,
                rank,
                since: facts.now,
                gone: None,
                begun: false,
                acknowledged: false,
            };
            let held = self.held.entry(key).or_insert_with(fresh);
            (held.text, held.rank, held.gone) = (text, rank, None);
            held.begun |= facts.now - held.since >= patience.begin;
        }
        let mut told: Vec<(&String, &Held)> = self.held.iter().filter(|(_, held)| held.begun).collect();
        told.sort_by_key(|(_, held)| (held.acknowledged, held.rank));
        let alarm = |(key, held): (&String, &Held)| Alarm {
            key: key.clone(),
            text: held.text.clone(),
            since: facts.now - held.since,
            acknowledged: held.acknowledged,
        };
        told.into_iter().map(alarm).collect()
    }

    /// A person has seen an alarm; `false` if there is none of this key.
    pub fn acknowledge(&mut self, key: &str) -> bool {
        match self.held.get_mut(key).filter(|held| held.begun) {
            Some(held) => {
                held.acknowledged = true;
                true
            }
            None => false,
        }
    }

    /// What is wrong at this very moment, the worst first.
    fn causes(&mut self, facts: &Facts) -> Vec<Cause> {
        let cause = |key: &str, patience, text: String| Cause { key: key.into(), text, patience };
        let mut causes: Vec<Cause> = facts.picture.and_then(plan).into_iter().collect();
        causes.extend(not_recorded(facts));
        if facts.picture.and_then(|picture| picture.cliff).is_some_and(|cliff| cliff.counts) {
            let text = "The pack's voltage ends sooner than the display says: the voltage counts";
            causes.push(cause("cliff", CLIFF, text.into()));
        }
        for need in Need::ALL.into_iter().filter(|need| is_missing(facts, *need)) {
            let name = need.name();
            let text = format!("No {name}: check the adapter, its cable, and `drawdown status`");
            causes.push(cause(&format!("missing.{}", name.replace(' ', "_")), MISSING, text));
        }
        for source in facts.recording.sources.iter().filter(|source| !source.reads) {
            let why = if source.trouble.is_empty() { "not read" } else { &source.trouble };
            causes.push(cause(&format!("source.{}", source.name), SOURCE, format!("{}: {why}", source.name)));
        }
        if let Some(text) = self.little_room(&facts.room) {
            causes.push(cause("disk", DISK, text));
        }
        if facts.picture.is_none() {
            let text = "What remains and where to turn is not told: a fault of this program; the recording goes on";
            causes.push(cause("plan.fault", RECORDING, text.into()));
        }
        causes
    }

    fn little_room(&mut self, room: &Room) -> Option<String> {
        let free = room.free?;
        let least = room.floor as f64 + ALMOST_FULL_H * room.per_hour;
        self.almost_full = (free as f64) < if self.almost_full { MORE_ROOM * least } else { least };
        let mb = crate::format::count(free / 1_000_000);
        self.almost_full.then(|| format!("The disk is almost full, {mb} MB free: move finished runs elsewhere"))
    }
}

/// What the plan says that can't wait.
fn plan(picture: &Picture) -> Option<Cause> {
    let (key, text) = match picture.advice.as_ref()?.state {
        State::Safe => return None,
        State::GoNow => ("plan.go_now", "Go to the charger now: no longer way is within the limits"),
        State::NoSpare => (
            "plan.go_now",
            "Go to the charger now: if it is taken, what is left does not do for another or a safe stop",
        ),
        State::TooLate => ("plan.too_late", "Too late for the limits: go the shortest way, and slower"),
        State::NoWay => {
            ("plan.no_way", "From here no charger can be reached on this course: leave the road at a safe place")
        }
    };
    Some(Cause { key: key.into(), text: text.into(), patience: PLAN })
}

/// Whether the car drove when it was last heard.
fn drove(facts: &Facts) -> bool {
    facts.row.is_some_and(|row| row.phase == Phase::Drive)
}

/// Nothing is recorded though the car is awake, or was driving when its bus went silent.
fn not_recorded(facts: &Facts) -> Option<Cause> {
    let recording = facts.recording;
    let text = match (&recording.waits, &recording.run) {
        (Some(why), _) => format!("Nothing is recorded: {why}"),
        (None, None) if facts.awake => "Nothing is recorded though the car is awake: see `drawdown status`".into(),
        // Without a speed a car that is parked counts as driving too.
        (None, _) if !facts.awake && drove(facts) && facts.to_be_had.contains(&Need::Speed) => {
            "The bus went silent while the car was driving: check the adapter and its cable".into()
        }
        _ => return None,
    };
    Some(Cause { key: "recording".into(), text, patience: RECORDING })
}

fn is_missing(facts: &Facts, need: Need) -> bool {
    let listening = facts.recording.run.is_some() && (facts.awake || drove(facts));
    listening && facts.to_be_had.contains(&need) && (facts.stale || !facts.row.is_some_and(|row| need.is_in(row)))
}

#[cfg(test)]
mod tests;
