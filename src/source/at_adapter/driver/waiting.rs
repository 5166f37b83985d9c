//! How long the adapter waits for replies: adapting by itself first, then from measured gaps, then patiently for slow ECUs.
//!
//! The adapter waits anew after every line it receives, and gives its prompt when nothing more came: waiting too short loses
//! replies, waiting too long costs link time. Knows polls by their index; sends nothing.

use std::collections::{BTreeMap, VecDeque};

use super::super::command::{Command, Fixed};
use crate::time::{Span, Steady};

/// The adapter's own waiting time after a reset (32 hex in its unit; from memory).
const FIRST: Span = Span::of_millis(200);
/// The least: an ECU has 50 ms to answer (P2, ISO 15765-4).
const LEAST: Span = Span::of_millis(60);
/// The most that the adapter can be told.
pub(super) const MOST: Span = Span::of_millis(1_020);
/// Gaps that are remembered, and how many new ones make a new waiting time.
const RECENT: usize = 16;
/// Silences in a row after which a poll is asked patiently.
const PATIENCE: u8 = 2;

/// Whether a poll needs patience.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Need {
    /// Not known: silences in a row.
    Unknown(u8),
    /// The next time it is asked patiently.
    Trying,
    /// Patience brought an answer, with this wait.
    Helps(Span),
    /// Patience brought nothing: it is not worth its time in this run.
    Useless,
}

/// What the adapter was told, and what it should be told.
#[derive(Clone, Debug)]
pub(super) struct Waiting {
    normal: Span,
    gaps: VecDeque<Span>,
    fresh: usize,
    needs: BTreeMap<usize, Need>,
    /// What the adapter confirmed; `None`: not known.
    adaptive: Option<bool>,
    wait: Option<Command>,
    /// What it refused since it was set up.
    refused: Vec<Command>,
}

impl Default for Waiting {
    fn default() -> Self {
        Self {
            normal: FIRST,
            gaps: VecDeque::with_capacity(RECENT),
            fresh: 0,
            needs: BTreeMap::new(),
            adaptive: None,
            wait: None,
            refused: Vec::new(),
        }
    }
}

impl Waiting {
    /// The adapter was set up anew; `adaptive`: it confirmed adapting waits.
    pub fn set_up(&mut self, adaptive: bool) {
        self.adaptive = adaptive.then_some(true);
        self.wait = None;
        self.refused.clear();
        if !adaptive {
            self.refused.push(Command::fixed(Fixed::AdaptiveTiming));
        }
    }

    /// A new run: what was useless may be worth its time again.
    pub fn new_run(&mut self) {
        self.needs.clear();
    }

    /// The command that the adapter should be given before this poll is asked, if any.
    pub fn command(&self, poll: usize) -> Option<Command> {
        let patient = match self.needs.get(&poll) {
            Some(Need::Trying) => Some(MOST),
            Some(Need::Helps(wait)) => Some(*wait),
            _ => None,
        };
        let adaptive = Command::fixed(if patient.is_some() { Fixed::AdaptiveTimingOff } else { Fixed::AdaptiveTiming });
        let wait = Command::wait(patient.unwrap_or(self.normal));
        if self.adaptive != Some(patient.is_none()) && !self.refused.contains(&adaptive) {
            return Some(adaptive);
        }
        (self.wait != Some(wait) && !self.refused.contains(&wait)).then_some(wait)
    }

    /// Whether a command is one of these settings; if so, notes whether the adapter took it.
    pub fn answered_setting(&mut self, command: Command, taken: bool) -> bool {
        let adaptive = match command.as_fixed() {
            Some(Fixed::AdaptiveTiming) => Some(true),
            Some(Fixed::AdaptiveTimingOff) => Some(false),
            _ => None,
        };
        if adaptive.is_none() && !command.is_wait() {
            return false;
        }
        match (taken, adaptive) {
            (false, _) => self.refused.push(command),
            (true, Some(adaptive)) => self.adaptive = Some(adaptive),
            (true, None) => self.wait = Some(command),
        }
        true
    }

    /// A poll was answered: `asked`, and the moments at which the reply's lines came.
    pub fn answered(&mut self, poll: usize, asked: Steady, lines: impl Iterator<Item = Steady>) {
        let mut gap = Span(0);
        let mut last = asked;
        for at in lines {
            gap = gap.max(at - last);
            last = at;
        }
        let wanted = Span((gap.0.saturating_mul(2)).saturating_add(20_000)).max(LEAST).min(MOST);
        match self.needs.get_mut(&poll) {
            Some(need @ (Need::Trying | Need::Helps(_))) => *need = Need::Helps(wanted.max(FIRST)),
            Some(need) => *need = Need::Unknown(0),
            None => {
                self.needs.insert(poll, Need::Unknown(0));
            }
        }
        if matches!(self.needs.get(&poll), Some(Need::Helps(_))) {
            return;
        }
        if self.gaps.len() == RECENT {
            self.gaps.pop_front();
        }
        self.gaps.push_back(wanted);
        self.fresh += 1;
        if self.fresh >= RECENT {
            self.fresh = 0;
            let longest = self.gaps.iter().copied().max().unwrap_or(FIRST);
            // Small changes are not worth a command.
            if (longest - self.normal).0.abs() > self.normal.0 / 4 {
                self.normal = longest;
            }
        }
    }

    /// A poll was not answered.
    pub fn silent(&mut self, poll: usize) {
        let need = self.needs.entry(poll).or_insert(Need::Unknown(0));
        let next = match *need {
            Need::Unknown(silences) if silences + 1 >= PATIENCE => Need::Trying,
            Need::Unknown(silences) => Need::Unknown(silences + 1),
            Need::Trying => Need::Useless,
            Need::Helps(_) => Need::Trying,
            Need::Useless => Need::Useless,
        };
        *need = next;
        // It may have been cut too short.
        if self.normal > FIRST || self.normal < FIRST && next == Need::Trying {
            self.normal = self.normal.max(FIRST);
            self.gaps.clear();
            self.fresh = 0;
        }
    }

    /// An ECU asked for time.
    pub fn pleaded(&mut self, poll: usize) {
        self.needs.insert(poll, Need::Helps(MOST));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT: Steady = Steady(1_000_000);

    fn settle(waiting: &mut Waiting, poll: usize) -> Vec<String> {
        let mut sent = Vec::new();
        while let Some(command) = waiting.command(poll) {
            assert!(waiting.answered_setting(command, true));
            sent.push(command.to_string());
        }
        sent
    }

    #[test]
    fn adapts_first_then_follows_the_measured_gaps() {
        let mut waiting = Waiting::default();
        waiting.set_up(true);
        assert_eq!(settle(&mut waiting, 0), ["ATST32"]);
        for _ in 0..RECENT {
            waiting.answered(0, AT, [AT + Span::of_millis(40)].into_iter());
        }
        // Twice the longest gap and 20 ms: 100 ms, 25 units of 4 ms.
        assert_eq!(settle(&mut waiting, 0), ["ATST19"]);
        for _ in 0..RECENT {
            waiting.answered(0, AT, [AT + Span::of_millis(45)].into_iter());
        }
        assert_eq!(settle(&mut waiting, 0), [""; 0]);
    }

    #[test]
    fn silence_brings_patience_once_and_only_for_the_poll() {
        let mut waiting = Waiting::default();
        waiting.set_up(true);
        settle(&mut waiting, 0);
        waiting.silent(0);
        assert_eq!(waiting.command(0), None);
        waiting.silent(0);
        assert_eq!(settle(&mut waiting, 0), ["ATAT0", "ATSTFF"]);
        assert_eq!(settle(&mut waiting, 1), ["ATAT1", "ATST32"]);
        // It helped: 400 ms, so twice that and 20 ms from now on.
        settle(&mut waiting, 0);
        waiting.answered(0, AT, [AT + Span::of_millis(400)].into_iter());
        assert_eq!(settle(&mut waiting, 0), ["ATSTCD"]);
        // A poll that nothing helps is asked normally again.
        for _ in 0..3 {
            waiting.silent(1);
        }
        assert_eq!(settle(&mut waiting, 1), ["ATAT1", "ATST32"]);
        waiting.silent(1);
        assert_eq!(waiting.command(1), None);
    }

    #[test]
    fn what_the_adapter_refuses_is_not_sent_again() {
        let mut waiting = Waiting::default();
        waiting.set_up(false);
        let wait = waiting.command(0).unwrap();
        assert_eq!(wait.to_string(), "ATST32");
        assert!(waiting.answered_setting(wait, false));
        assert_eq!(waiting.command(0), None);
        assert!(!waiting.answered_setting(Command::fixed(Fixed::EchoOff), true));
    }
}
