//! What people who watch read: a moment as labelled texts, in the order in which they matter.
//!
//! Every number gets its digits from [`crate::format`] and stands with its unit, in the units that people chose. Decides
//! nothing and draws nothing: the page and the terminal show what is here. What is not known now has no value.

mod lines;
mod road;
#[cfg(test)]
pub(in crate::live) mod tests;

use serde::{Deserialize, Serialize};

pub use road::{Road, RoadPlace};

use super::moment::Moment;
use crate::ledger::Phase;
use crate::plan::{Picture, State};

/// Less is no drive, m.
const PARKING_M: f64 = 200.0;

/// What the page and the terminal say beside the figures, each a sentence or two.
pub const CAUTIONS: [&str; 5] = [
    "The driver drives; a passenger works the computer.",
    "Never let a car stop in traffic: keep the reserve that local law and your own judgement ask for, and know the shoulder, \
     the recovery number and the weather.",
    "Speed limits and local rules come before any test plan.",
    "High voltage is for trained people only; nothing here needs more than the diagnostic socket.",
    "What hangs on that socket must not hang near the pedals.",
];

/// A moment for people.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Board {
    /// The car's name in the data set.
    pub vehicle: String,
    /// When, by the computer's clock, ISO 8601.
    pub utc: String,
    /// An invented car is being driven.
    pub rehearsal: bool,
    /// Distances are in miles.
    pub in_miles: bool,
    /// Nothing has been driven yet: the readiness list matters most.
    pub pulling_away: bool,
    /// What must be done at once.
    pub loud: Option<Loud>,
    /// Everything else, in the order in which it matters.
    pub lines: Vec<Line>,
    /// The course as a strip.
    pub road: Option<Road>,
    /// What is wrong now, the worst first.
    pub alarms: Vec<BoardAlarm>,
    /// Go or no-go before pulling away.
    pub ready: Vec<Readiness>,
}

/// What must be done at once.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Loud {
    /// What to do.
    pub what: String,
    /// Why.
    pub why: String,
}

/// A labelled text.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Line {
    /// Stable name.
    pub key: String,
    /// What it belongs to.
    pub group: Group,
    /// What it is, for people.
    pub label: String,
    /// The value with its unit; `None` where it is not known now.
    pub value: Option<String>,
    /// What goes with it, smaller; may be empty.
    pub beside: String,
    /// How it is to be taken.
    pub tone: Tone,
}

/// What a line belongs to.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Group {
    /// Where to turn and what is left there.
    Plan,
    /// What the car holds.
    Car,
    /// How it is driven.
    Drive,
    /// How it is recorded.
    Recording,
    /// Whether the test is worth finishing.
    Worth,
}

/// How a line is to be taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tone {
    /// As it is.
    #[default]
    Plain,
    /// Worth a look.
    Heed,
    /// Something is wrong.
    Wrong,
}

/// Something that is wrong now.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct BoardAlarm {
    /// Stable name, by which it is acknowledged.
    pub key: String,
    /// What is wrong, and what to do.
    pub text: String,
    /// For how long, `h:mm:ss` or seconds.
    pub since: String,
    /// A person has seen it.
    pub acknowledged: bool,
}

/// A check before pulling away.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Readiness {
    /// What is checked.
    pub name: String,
    /// It is as it should be.
    pub go: bool,
    /// How it is.
    pub found: String,
    /// What to do where it is not; else empty.
    pub remedy: String,
}

impl Board {
    /// The line of this key.
    pub fn line(&self, key: &str) -> Option<&Line> {
        self.lines.iter().find(|line| line.key == key)
    }
}

/// A moment for people.
pub fn board(moment: &Moment) -> Board {
    let alarm = |alarm: &super::Alarm| BoardAlarm {
        key: alarm.key.clone(),
        text: alarm.text.clone(),
        since: crate::format::time(alarm.since.seconds()),
        acknowledged: alarm.acknowledged,
    };
    let check = |check: &super::Check| Readiness {
        name: check.name.clone(),
        go: check.go,
        found: check.found.clone(),
        remedy: check.remedy.clone(),
    };
    Board {
        vehicle: moment.vehicle.clone(),
        utc: moment.utc.second(),
        rehearsal: moment.rehearsal,
        in_miles: moment.units.in_miles(),
        pulling_away: pulling_away(&moment.picture),
        loud: moment.picture.advice.as_ref().and_then(|advice| loud(advice.state)),
        lines: lines::lines(moment),
        road: road::road(moment),
        alarms: moment.alarms.iter().map(alarm).collect(),
        ready: moment.ready.iter().map(check).collect(),
    }
}

/// Standing, and nothing of the test driven yet but the way out of a parking place.
fn pulling_away(picture: &Picture) -> bool {
    picture.phase != Some(Phase::Drive) && picture.driven.distance.is_none_or(|metres| metres < PARKING_M)
}

/// What must be done at once in a state, if anything.
fn loud(state: State) -> Option<Loud> {
    let (what, why) = match state {
        State::Safe => return None,
        State::GoNow => ("Go to the charger now", "No longer way is within the limits."),
        State::NoSpare => {
            ("Go to the charger now", "If it is taken, what is left does not do for another charger or a safe stop.")
        }
        State::TooLate => {
            ("Too late for the limits: go the shortest way, and slower", "Look for a safe place to leave the road.")
        }
        State::NoWay => (
            "No charger can be reached from here on this course",
            "Leave the road at a safe place while the car still drives.",
        ),
    };
    Some(Loud { what: what.into(), why: why.into() })
}
