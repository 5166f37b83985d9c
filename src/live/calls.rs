//! What is said aloud while driving, and when: from the moments one after another to short sentences.
//!
//! At most one sentence in [`LIMIT`], but for what is wrong now and 'go to the charger', which wait for nothing. Nothing is said
//! of what has not changed. Pure: it is given moments and marks, in order of time, and hands back texts; who speaks them is not
//! known here. What is said when is in `docs/calls.md`.

mod alarms;
mod plan;
mod words;

use std::collections::VecDeque;

use super::moment::{Alarm, Moment};
use crate::ledger::Phase;
use crate::observation::Mark;
use crate::time::{Span, Steady};

use alarms::Alarms;
use plan::Plans;

/// The least time between two sentences, but for alarms.
pub const LIMIT: Span = Span::of_seconds(10);
/// Alarms that are said in words of their own here, with place and distance.
const IN_OWN_WORDS: [&str; 4] = ["plan.go_now", "plan.too_late", "plan.no_way", "cliff"];
/// A mark is confirmed while it is fresh, or not at all.
const MARK_FRESH: Span = Span::of_seconds(20);
/// Marks that wait to be confirmed, at most.
const MARKS_MAX: usize = 4;
/// How long the voltage must promise less than the display before that is said.
const CLIFF_SETTLES: Span = Span::of_seconds(10);
/// It is said again when it has grown by this share of the usable energy ...
const CLIFF_GROWS: f64 = 0.02;
/// ... and this long after the last time.
const CLIFF_AGAIN: Span = Span::of_seconds(120);

/// Something to be said aloud.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Call {
    /// The sentence.
    pub text: String,
    /// It must not be dropped for others, and goes before them.
    pub alarm: bool,
}

impl Call {
    fn alarm(text: String) -> Self {
        Self { text, alarm: true }
    }
}

/// Decides what is said.
#[derive(Clone, Debug, Default)]
pub struct Calls {
    alarms: Alarms,
    plans: Plans,
    cliff: Cliff,
    marks: VecDeque<(Steady, Mark)>,
    last_said: Option<Steady>,
}

/// What has been said of the end of the pack.
#[derive(Clone, Debug, Default)]
struct Cliff {
    counts_since: Option<Steady>,
    said: Option<(Steady, f64)>,
}

impl Calls {
    /// Nothing said yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// A person noted something: it is confirmed with one of the next moments.
    pub fn noted(&mut self, at: Steady, mark: &Mark) {
        if self.marks.len() == MARKS_MAX {
            self.marks.pop_front();
        }
        self.marks.push_back((at, mark.clone()));
    }

    /// Takes in the next moment, about one a second; what is to be said now, the most urgent first.
    pub fn hear(&mut self, moment: &Moment) -> Vec<Call> {
        let at = moment.at;
        let drives = moment.picture.phase == Some(Phase::Drive);
        let is_ours = |alarm: &&Alarm| !IN_OWN_WORDS.contains(&&*alarm.key);
        self.alarms.see(at, moment.alarms.iter().filter(is_ours));
        self.plans.see(moment);
        self.marks.retain(|(noted, _)| at - *noted <= MARK_FRESH);
        let mut calls: Vec<Call> = self.alarms.take_new(at).into_iter().map(Call::alarm).collect();
        if drives {
            calls.extend(self.plans.take_state(moment).map(Call::alarm));
        }
        let free = self.last_said.is_none_or(|said| at - said >= LIMIT);
        if calls.is_empty() && free {
            calls.extend(self.one(moment, drives));
        }
        if !calls.is_empty() {
            self.last_said = Some(at);
        }
        calls
    }

    /// The most urgent of what can wait.
    fn one(&mut self, moment: &Moment, drives: bool) -> Option<Call> {
        let can_wait = |text: String| Call { text, alarm: false };
        if drives && let Some(text) = self.plans.take_near(moment).or_else(|| self.plans.take_far(moment)) {
            return Some(can_wait(text));
        }
        if let Some((_, mark)) = self.marks.pop_front() {
            return Some(can_wait(words::noted(&mark, moment)));
        }
        if let Some(text) = self.alarms.take_again(moment.at) {
            return Some(Call::alarm(text));
        }
        // Close before a turn nobody needs to hear of anything else.
        if drives && self.plans.is_close(moment) {
            return None;
        }
        let cliff = if drives { self.take_cliff(moment) } else { None };
        cliff.or_else(|| self.alarms.take_over(moment.at)).map(can_wait)
    }

    fn take_cliff(&mut self, moment: &Moment) -> Option<String> {
        let at = moment.at;
        let Some(cliff) = moment.picture.cliff.filter(|cliff| cliff.counts) else {
            self.cliff.counts_since = None;
            return None;
        };
        let since = *self.cliff.counts_since.get_or_insert(at);
        let new = self
            .cliff
            .said
            .is_none_or(|(said, by)| at - said >= CLIFF_AGAIN && cliff.display_ahead_by >= by + CLIFF_GROWS);
        if at - since < CLIFF_SETTLES || !new {
            return None;
        }
        self.cliff.said = Some((at, cliff.display_ahead_by));
        Some(words::cliff(cliff.energy.mean, moment))
    }
}

#[cfg(test)]
mod tests;
