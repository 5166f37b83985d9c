//! One moment of a drive as those who watch are told it: the picture, the recording, the alarms.
//!
//! Plain data, SI. Rounds nothing and says nothing: the board does.

use std::sync::Arc;

use crate::course::Course;
use crate::plan::Picture;
pub use crate::plan::readiness::Check;
use crate::quantity::ConsumptionUnit;
use crate::time::{Span, Steady, WallClock};

/// One moment of a drive.
#[derive(Clone, PartialEq, Debug)]
pub struct Moment {
    /// When, on the clock that never jumps.
    pub at: Steady,
    /// When, by the computer's clock.
    pub utc: WallClock,
    /// The car's name in the data set.
    pub vehicle: String,
    /// What is known of the car and what to do.
    pub picture: Picture,
    /// The course that places are named by.
    pub course: Option<Arc<Course>>,
    /// How the recording goes.
    pub recording: Recording,
    /// What is wrong now, the worst first.
    pub alarms: Vec<Alarm>,
    /// Go or no-go before pulling away: every check.
    pub ready: Vec<Check>,
    /// Units that people chose.
    pub units: ConsumptionUnit,
    /// An invented car is being driven.
    pub rehearsal: bool,
}

/// How the recording goes.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Recording {
    /// The run being recorded; `None` while the car sleeps.
    pub run: Option<String>,
    /// How long it has gone on.
    pub duration: Span,
    /// Why nothing is recorded now; `None` while all is well.
    pub waits: Option<String>,
    /// Age of the last second that is on the disk.
    pub on_disk: Option<Span>,
    /// Free space on the data set's disk, bytes.
    pub free_bytes: Option<u64>,
    /// Each source.
    pub sources: Vec<SourceNow>,
}

/// A source now.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SourceNow {
    /// Its name, for people.
    pub name: String,
    /// It is open and read.
    pub reads: bool,
    /// Why it does not read, in words; else empty.
    pub trouble: String,
    /// Frames and other observations a second over the last seconds.
    pub per_second: f64,
    /// Since it last gave anything.
    pub quiet: Option<Span>,
}

/// Something that is wrong now.
#[derive(Clone, PartialEq, Debug)]
pub struct Alarm {
    /// Stable name, by which it is acknowledged.
    pub key: String,
    /// What is wrong, and what to do, in one sentence.
    pub text: String,
    /// For how long.
    pub since: Span,
    /// A person has seen it.
    pub acknowledged: bool,
}
