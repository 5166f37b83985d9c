//! Which poll is due: periods and priorities, stretched to what the link carries.
//!
//! The link carries one request at a time. Every poll costs link time (its measured round trip over its period); priorities
//! are served in order, and the polls of the first priority that does not fit share what is left at longer periods, so the most
//! important stay on time and every poll still comes round. What fails is asked less often, up to a ceiling. Sends nothing;
//! the session (or the driver of a serial adapter) does.

use std::cmp::Reverse;
use std::collections::VecDeque;

use super::permission::Permission;
use super::refusal::NegativeCode;
use super::request::Request;
use super::target::Target;
use crate::time::{Span, Steady};

/// The shortest period: no bus needs more (common practice, no source).
pub const PERIOD_MIN: Span = Span::of_millis(10);
/// The longest that a poll without answers is put off for, unless its own period is longer.
pub const BACK_OFF_MAX: Span = Span::of_seconds(60);
/// How rarely a poll is asked that an ECU said it does not know, unless its own period is longer.
pub const UNSUPPORTED_PERIOD: Span = Span::of_seconds(300);
/// Failures in a row before a poll is asked less often.
const PATIENCE: u32 = 3;
/// The share of link time that is planned; the rest is for late replies.
const PLANNED: f64 = 0.95;
/// The share of link time left to a priority that no longer fits, so that it still comes round.
const LEAST_SHARE: f64 = 0.02;
/// What a round trip is taken to cost before it is measured: the time an ECU has to answer (P2 of ISO 15765-4).
const FIRST_COST: Span = Span::of_millis(50);
/// Replies from which the achieved rate is formed.
const RECENT: usize = 16;

/// A question to be asked again and again.
#[derive(Clone, PartialEq, Debug)]
pub struct Poll {
    /// Its name, for reports.
    pub name: String,
    /// What is asked.
    pub request: Request,
    /// Whom.
    pub target: Target,
    /// How often it is wanted; at least [`PERIOD_MIN`].
    pub period: Span,
    /// 0 is the most important.
    pub priority: u8,
}

/// How a request ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ending {
    /// A positive reply.
    Answered,
    /// A negative one.
    Refused(NegativeCode),
    /// None, or none that could be read.
    Silent,
}

/// How a poll fares.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PollState {
    /// At its own period.
    OnTime,
    /// Less often than wanted: the link does not carry more.
    Stretched,
    /// Less often: no answers.
    BackedOff,
    /// Rarely: the ECU says that it does not know the question.
    Unsupported,
    /// Never in this run: its identifier may not be asked.
    Barred,
}

/// What became of a poll, for the run's record and for people.
#[derive(Clone, PartialEq, Debug)]
pub struct PollReport {
    /// Its name.
    pub name: String,
    /// How it fares.
    pub state: PollState,
    /// The period wanted.
    pub wanted: Span,
    /// The period that it is asked at now.
    pub planned: Span,
    /// The mean period of its last replies; `None` with fewer than two.
    pub achieved: Option<Span>,
    /// The measured round trip, smoothed; `None` before the first.
    pub round_trip: Option<Span>,
    /// Requests, and how they ended.
    pub asked: u64,
    /// See `asked`.
    pub answered: u64,
    /// See `asked`.
    pub refused: u64,
    /// See `asked`.
    pub silent: u64,
}

/// The polls of one link.
#[derive(Clone, Debug)]
pub struct Schedule {
    entries: Vec<Entry>,
}

#[derive(Clone, Debug)]
struct Entry {
    poll: Poll,
    due: Option<Steady>,
    asked_at: Option<Steady>,
    planned: Span,
    cost: Option<Span>,
    /// Silences in a row.
    silences: u32,
    /// Refusals in a row that asking again will not change.
    refusals: u32,
    barred: bool,
    replies: VecDeque<Steady>,
    asked: u64,
    answered: u64,
    refused: u64,
    silent: u64,
}

impl Schedule {
    /// A schedule in which every poll is due at once, the most important first.
    pub fn new(polls: Vec<Poll>) -> Self {
        let mut schedule = Self { entries: polls.into_iter().map(Entry::new).collect() };
        schedule.plan();
        schedule
    }

    /// The poll of an index that [`Self::pick`] gave.
    pub fn poll(&self, index: usize) -> Option<&Poll> {
        self.entries.get(index).map(|entry| &entry.poll)
    }

    /// Every poll, in the order given.
    pub fn polls(&self) -> impl Iterator<Item = &Poll> {
        self.entries.iter().map(|entry| &entry.poll)
    }

    /// The poll to ask now, if one is due and allowed: of the most important, the one that waited longest.
    ///
    /// It counts as asked. Tell how it ended with [`Self::ended`] before picking again.
    pub fn pick(&mut self, now: Steady, permission: Permission) -> Option<usize> {
        let least = match permission {
            Permission::Full => Span(0),
            Permission::Slow(period) => period,
            Permission::Denied(_) => return None,
        };
        let ready = self.entries.iter().enumerate().filter(|(_, entry)| entry.is_ready(now, least));
        let (index, _) =
            ready.min_by_key(|(index, entry)| (entry.poll.priority, Reverse(entry.lateness(now)), *index))?;
        let entry = self.entries.get_mut(index)?;
        entry.asked += 1;
        entry.asked_at = Some(now);
        // On its grid while it keeps up; from now when it fell behind, so that missed turns are not made up in a burst.
        let on_grid = entry.due.map(|due| due + entry.planned).filter(|next| *next > now);
        entry.due = Some(on_grid.unwrap_or(now + entry.planned));
        Some(index)
    }

    /// The request of a poll, asked at `asked`, ended at `now`.
    pub fn ended(&mut self, index: usize, asked: Steady, now: Steady, ending: Ending) {
        let Some(entry) = self.entries.get_mut(index) else { return };
        let took = Span((now - asked).0.max(0));
        entry.cost = Some(entry.cost.map_or(took, |cost| Span(cost.0 + (took - cost).0 / 8)));
        let was = entry.planned;
        match ending {
            Ending::Answered => {
                entry.answered += 1;
                (entry.silences, entry.refusals) = (0, 0);
                if entry.replies.len() == RECENT {
                    entry.replies.pop_front();
                }
                entry.replies.push_back(now);
            }
            Ending::Refused(code) => {
                entry.refused += 1;
                entry.silences = 0;
                entry.refusals = if code.is_final() { entry.refusals.saturating_add(1) } else { 0 };
            }
            Ending::Silent => {
                entry.silent += 1;
                entry.silences = entry.silences.saturating_add(1);
            }
        }
        self.plan();
        if let Some(entry) = self.entries.get_mut(index)
            && entry.planned != was
        {
            entry.due = entry.asked_at.map(|at| at + entry.planned);
        }
    }

    /// Its ECU says that it does not know the question: asked once, then rarely, until it is answered after all.
    pub fn unsupported(&mut self, index: usize) {
        if let Some(entry) = self.entries.get_mut(index) {
            entry.refusals = entry.refusals.max(PATIENCE);
        }
        self.plan();
    }

    /// Never asks a poll again in this run.
    pub fn bar(&mut self, index: usize) {
        if let Some(entry) = self.entries.get_mut(index) {
            entry.barred = true;
        }
        self.plan();
    }

    /// How every poll fares, in the order given.
    pub fn report(&self, now: Steady) -> Vec<PollReport> {
        self.entries.iter().map(|entry| entry.report(now)).collect()
    }

    /// Shares the link's time out, the most important priority first.
    fn plan(&mut self) {
        let mut priorities: Vec<u8> = self.entries.iter().map(|entry| entry.poll.priority).collect();
        priorities.sort_unstable();
        priorities.dedup();
        let mut left = PLANNED;
        for priority in priorities {
            let of_priority = |entry: &&mut Entry| entry.poll.priority == priority && !entry.barred;
            let wanted: f64 = self.entries.iter_mut().filter(of_priority).map(|entry| entry.share()).sum();
            let given = left.max(LEAST_SHARE);
            let stretch = (wanted / given).max(1.0);
            for entry in self.entries.iter_mut().filter(of_priority) {
                entry.planned = Span::from_seconds(entry.patient_period().seconds() * stretch);
            }
            left = (left - wanted).max(0.0);
        }
    }
}

impl Entry {
    fn new(poll: Poll) -> Self {
        let poll = Poll { period: poll.period.max(PERIOD_MIN), ..poll };
        Self {
            planned: poll.period,
            poll,
            due: None,
            asked_at: None,
            cost: None,
            silences: 0,
            refusals: 0,
            barred: false,
            replies: VecDeque::with_capacity(RECENT),
            asked: 0,
            answered: 0,
            refused: 0,
            silent: 0,
        }
    }

    fn is_ready(&self, now: Steady, least: Span) -> bool {
        !self.barred && self.due.is_none_or(|due| due <= now) && self.asked_at.is_none_or(|asked| now - asked >= least)
    }

    /// How long it has been due, in parts of its period, so that a slow poll is not always behind a fast one.
    fn lateness(&self, now: Steady) -> i64 {
        self.due.map_or(i64::MAX, |due| (now - due).0.saturating_mul(1_000) / self.planned.0.max(1))
    }

    /// The period wanted, lengthened by failures.
    fn patient_period(&self) -> Span {
        let wanted = self.poll.period;
        if self.refusals >= PATIENCE {
            return wanted.max(UNSUPPORTED_PERIOD);
        }
        let doublings = self.silences.saturating_sub(PATIENCE - 1).min(16);
        Span(wanted.0.saturating_mul(1 << doublings)).min(wanted.max(BACK_OFF_MAX))
    }

    /// The share of link time that it takes unstretched.
    fn share(&self) -> f64 {
        self.cost.unwrap_or(FIRST_COST).seconds() / self.patient_period().seconds()
    }

    fn state(&self) -> PollState {
        let patient = self.patient_period();
        if self.barred {
            PollState::Barred
        } else if self.refusals >= PATIENCE {
            PollState::Unsupported
        } else if patient > self.poll.period {
            PollState::BackedOff
        } else if self.planned > patient {
            PollState::Stretched
        } else {
            PollState::OnTime
        }
    }

    fn report(&self, now: Steady) -> PollReport {
        PollReport {
            name: self.poll.name.clone(),
            state: self.state(),
            wanted: self.poll.period,
            planned: self.planned,
            achieved: self.achieved(now),
            round_trip: self.cost,
            asked: self.asked,
            answered: self.answered,
            refused: self.refused,
            silent: self.silent,
        }
    }

    /// The mean period of the last replies; once the next is overdue, the wait counts too, so that a dead poll shows.
    fn achieved(&self, now: Steady) -> Option<Span> {
        let (first, last) = (*self.replies.front()?, *self.replies.back()?);
        let intervals = self.replies.len() as i64 - 1;
        if intervals < 1 {
            return None;
        }
        let mean = Span((last - first).0 / intervals);
        let waiting = now - last;
        Some(if waiting > mean { Span((now - first).0 / (intervals + 1)).max(mean) } else { mean })
    }
}

#[cfg(test)]
mod tests;
