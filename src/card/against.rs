//! The card held against its runs: times that contradict them are named and taken off the card.
//!
//! Knows of a run its name and when it was; reads no file and forms no figure.

use super::{Bound, Card};
use crate::time::{Span, WallClock};

/// A run and when it was.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RunSpan {
    /// Its first observation, if any clock said so.
    pub start: WallClock,
    /// Its last.
    pub end: WallClock,
}

/// A key of the card that the runs contradict.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Contradiction {
    /// The key.
    pub key: &'static str,
    /// What is wrong and what is done about it, without a full stop.
    pub what: String,
}

impl std::fmt::Display for Contradiction {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the card's {} {}", self.key, self.what)
    }
}

/// Clocks of the car, the tester and the recorder may differ by this much, and no one says so.
const SLACK: Span = Span::of_seconds(60);
/// A charge that lies further from its test is a slip of the date (common practice, no source).
const FAR: Span = Span::of_seconds(60 * 86_400);

/// The card without what the runs contradict, and what that was. Runs without a clock contradict nothing.
pub fn contradictions(card: &Card, runs: &[RunSpan]) -> (Card, Vec<Contradiction>) {
    let mut card = card.clone();
    let mut found = Vec::new();
    let (Some(start), Some(end)) = (runs.iter().map(|run| run.start).min(), runs.iter().map(|run| run.end).max())
    else {
        return (card, found);
    };
    let mut say = |key: &'static str, what: String| found.push(Contradiction { key, what });
    bounds(&mut card, start, end, &mut say);
    charges(&mut card, start, end, &mut say);
    card.leave_out.retain(|stretch| {
        let inside = runs.iter().any(|run| stretch.from < run.end && run.start < stretch.to);
        if !inside {
            let (from, to) = (stretch.from.second(), stretch.to.second());
            say("leave_out", format!("names {from} to {to}, which is in no run; it is not used"));
        }
        inside
    });
    (card, found)
}

fn bounds(card: &mut Card, start: WallClock, end: WallClock, say: &mut impl FnMut(&'static str, String)) {
    if let Bound::At(at) = card.counting.start {
        if at >= end {
            let text = format!("is {}, after the last run ended at {}; it is not used", at.second(), end.second());
            say("counting.start", text);
            card.counting.start = Bound::Run;
        } else if at < start - SLACK {
            let first = start.second();
            say(
                "counting.start",
                format!("is {}, but the first run begins at {first}; counted from there", at.second()),
            );
            card.counting.start = Bound::Run;
        }
    }
    if let Bound::At(at) = card.counting.end {
        if at <= start {
            let text = format!("is {}, before the first run began at {}; it is not used", at.second(), start.second());
            say("counting.end", text);
            card.counting.end = Bound::Run;
        } else if at > end + SLACK {
            let last = end.second();
            say("counting.end", format!("is {}, but the last run ends at {last}; counted until then", at.second()));
            card.counting.end = Bound::Run;
        }
    }
}

fn charges(card: &mut Card, start: WallClock, end: WallClock, say: &mut impl FnMut(&'static str, String)) {
    if let Some(at) = card.charge.end {
        if at >= end {
            say(
                "charge.end",
                format!("is {}, after the last run ended at {}; it is not used", at.second(), end.second()),
            );
            card.charge.end = None;
        } else if at < start - FAR {
            let days = ((start - at).seconds() / 86_400.0).floor();
            say("charge.end", format!("is {}, {days} days before the first run; it is not used", at.second()));
            card.charge.end = None;
        }
    }
    if let Some(at) = card.recharge.start {
        if at < start {
            let text = format!("is {}, before the first run began at {}; it is not used", at.second(), start.second());
            say("recharge.start", text);
            card.recharge.start = None;
        } else if at > end + FAR {
            let days = ((at - end).seconds() / 86_400.0).floor();
            say("recharge.start", format!("is {}, {days} days after the last run; it is not used", at.second()));
            card.recharge.start = None;
        }
    }
}
