//! How long the adapter waits for replies: adapting by itself first, then from measured gaps, then patiently for slow ECUs.
//!
//! The adapter waits anew after every line it receives, and gives its prompt when nothing more came: waiting too short loses
//! replies; waiting too long costs link time, little while the adapter adapts (it then waits less after a line than for the
//! first), much when it does not. Knows polls by their index; sends nothing.

use std::collections::BTreeMap;

use super::super::command::{Command, Fixed};
use crate::time::{Span, Steady};

/// The adapter's own waiting time after a reset (32 hex in its unit; from memory).
const FIRST: Span = Span::of_millis(200);
/// The least: an ECU has 50 ms to answer (P2, ISO 15765-4).
const LEAST: Span = Span::of_millis(60);
/// The most that the adapter can be told.
const MOST: Span = Span::of_millis(1_020);
/// Silences in a row after which a poll is asked with more patience.
const PATIENCE: u8 = 2;

/// How much patience a poll needs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Need {
    /// Not more than the measured gaps say, for all that is known: silences in a row.
    Usual(u8),
    /// The next time it is asked with the longest wait.
    Long,
    /// That was in vain: the next time the adapter must not adapt either.
    Fixed,
    /// Not adapting brought an answer.
    FixedHelps,
    /// No patience brought an answer: it is not worth its time in this run.
    Useless,
}

/// What is known of one poll.
#[derive(Clone, Copy, Debug)]
struct Known {
    need: Need,
    /// The wait that its measured gaps ask for; `None` before the first reply.
    wanted: Option<Span>,
}

/// What the adapter was told, and what it should be told.
#[derive(Clone, Debug, Default)]
pub(super) struct Waiting {
    polls: BTreeMap<usize, Known>,
    /// What the adapter confirmed; `None`: not known.
    adaptive: Option<bool>,
    wait: Option<Span>,
    /// What it refused since it was set up.
    refused: Vec<Command>,
}

impl Waiting {
    /// The adapter was set up anew; `adaptive`: it confirmed adapting waits.
    pub fn set_up(&mut self, adaptive: bool) {
        (self.adaptive, self.wait) = (adaptive.then_some(true), None);
        self.refused.clear();
        if !adaptive {
            self.refused.push(Command::fixed(Fixed::AdaptiveTiming));
        }
    }

    /// A new run: what was useless may be worth its time again.
    pub fn new_run(&mut self) {
        self.polls.clear();
    }

    /// The command that the adapter should be given before this poll is asked, if any.
    pub fn command(&self, poll: usize) -> Option<Command> {
        let need = self.polls.get(&poll).map_or(Need::Usual(0), |known| known.need);
        let adapt = !matches!(need, Need::Fixed | Need::FixedHelps);
        let adaptive = Command::fixed(if adapt { Fixed::AdaptiveTiming } else { Fixed::AdaptiveTimingOff });
        if self.adaptive != Some(adapt) && !self.refused.contains(&adaptive) {
            return Some(adaptive);
        }
        let target = self.target(poll, need);
        // A little more than needed is not worth a command.
        let fits = |set: Span| set == target || set > target && target < MOST && set.0 <= target.0 / 2 * 3;
        let wait = Command::wait(target);
        (!self.wait.is_some_and(fits) && !self.refused.contains(&wait)).then_some(wait)
    }

    /// The wait for a poll.
    fn target(&self, poll: usize, need: Need) -> Span {
        let own = self.polls.get(&poll).and_then(|known| known.wanted);
        let target = match need {
            Need::Long | Need::Fixed => MOST,
            Need::Usual(_) | Need::Useless if self.adaptive == Some(true) => {
                // One wait for all, so that it need not be set again and again.
                let all = self.polls.values().filter_map(|known| known.wanted).max();
                all.unwrap_or(FIRST).max(own.unwrap_or(FIRST))
            }
            _ => own.unwrap_or(FIRST),
        };
        target.max(LEAST).min(MOST)
    }

    /// Whether a command is one of these settings; if so, notes whether the adapter took it. `poll`: it was given for.
    pub fn answered_setting(&mut self, poll: usize, command: Command, taken: bool) -> bool {
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
            (true, None) => {
                let need = self.polls.get(&poll).map_or(Need::Usual(0), |known| known.need);
                self.wait = Some(self.target(poll, need));
            }
        }
        true
    }

    /// A poll was answered: when it was asked, and the moments at which the reply's lines came.
    pub fn answered(&mut self, poll: usize, asked: Steady, lines: impl Iterator<Item = Steady>) {
        let mut gap = Span(0);
        let mut last = asked;
        for at in lines {
            gap = gap.max(at - last);
            last = at;
        }
        let now = Span(gap.0.saturating_mul(2).saturating_add(20_000)).max(LEAST).min(MOST);
        let known = self.known(poll);
        known.need = match known.need {
            Need::Fixed | Need::FixedHelps => Need::FixedHelps,
            _ => Need::Usual(0),
        };
        // Up at once, down slowly.
        known.wanted = Some(known.wanted.map_or(now, |wanted| now.max(Span(wanted.0 - (wanted.0 - now.0) / 8))));
    }

    /// A poll was not answered.
    pub fn silent(&mut self, poll: usize) {
        let known = self.known(poll);
        known.need = match known.need {
            Need::Usual(silences) if silences + 1 >= PATIENCE => Need::Long,
            Need::Usual(silences) => Need::Usual(silences + 1),
            Need::Long | Need::FixedHelps => Need::Fixed,
            Need::Fixed | Need::Useless => Need::Useless,
        };
    }

    /// An ECU asked for time.
    pub fn pleaded(&mut self, poll: usize) {
        *self.known(poll) = Known { need: Need::FixedHelps, wanted: Some(MOST) };
    }

    fn known(&mut self, poll: usize) -> &mut Known {
        self.polls.entry(poll).or_insert(Known { need: Need::Usual(0), wanted: None })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT: Steady = Steady(1_000_000);

    fn settle(waiting: &mut Waiting, poll: usize) -> Vec<String> {
        let mut sent = Vec::new();
        while let Some(command) = waiting.command(poll) {
            assert!(waiting.answered_setting(poll, command, true));
            sent.push(command.to_string());
        }
        sent
    }

    fn answered(waiting: &mut Waiting, poll: usize, millis: i64) {
        waiting.answered(poll, AT, [AT + Span::of_millis(millis)].into_iter());
    }

    #[test]
    fn adapts_first_then_follows_the_measured_gaps() {
        let mut waiting = Waiting::default();
        waiting.set_up(true);
        assert_eq!(settle(&mut waiting, 0), ["ATST32"]);
        // Twice the longest gap and 20 ms: 100 ms, 25 units of 4 ms.
        answered(&mut waiting, 0, 40);
        assert_eq!(settle(&mut waiting, 0), ["ATST19"]);
        answered(&mut waiting, 0, 35);
        assert_eq!(settle(&mut waiting, 0), [""; 0]);
        // The slowest sets the wait for all.
        settle(&mut waiting, 1);
        answered(&mut waiting, 1, 90);
        assert_eq!(settle(&mut waiting, 1), [""; 0]);
        assert_eq!(settle(&mut waiting, 0), [""; 0]);
    }

    #[test]
    fn silence_brings_patience_step_by_step() {
        let mut waiting = Waiting::default();
        waiting.set_up(true);
        settle(&mut waiting, 0);
        waiting.silent(0);
        assert_eq!(waiting.command(0), None);
        waiting.silent(0);
        assert_eq!(settle(&mut waiting, 0), ["ATSTFF"]);
        // It helped: 400 ms, so twice that and 20 ms, for the others too.
        answered(&mut waiting, 0, 400);
        assert_eq!(settle(&mut waiting, 0), [""; 0]);
        assert_eq!(settle(&mut waiting, 1), [""; 0]);
        // Nothing but a fixed wait helps another.
        for _ in 0..3 {
            waiting.silent(2);
        }
        assert_eq!(settle(&mut waiting, 2), ["ATAT0"]);
        answered(&mut waiting, 2, 100);
        assert_eq!(settle(&mut waiting, 2), ["ATST37"]);
        assert_eq!(settle(&mut waiting, 0)[0], "ATAT1");
        // And nothing at all a third.
        for _ in 0..4 {
            waiting.silent(3);
        }
        settle(&mut waiting, 0);
        assert_eq!(waiting.command(3), None);
    }

    #[test]
    fn without_adapting_every_poll_has_its_own_wait() {
        let mut waiting = Waiting::default();
        waiting.set_up(false);
        assert_eq!(settle(&mut waiting, 0), ["ATST32"]);
        answered(&mut waiting, 0, 40);
        answered(&mut waiting, 1, 400);
        assert_eq!(settle(&mut waiting, 0), ["ATST19"]);
        assert_eq!(settle(&mut waiting, 1), ["ATSTCD"]);
    }

    #[test]
    fn what_the_adapter_refuses_is_not_sent_again() {
        let mut waiting = Waiting::default();
        waiting.set_up(false);
        let wait = waiting.command(0).unwrap();
        assert!(waiting.answered_setting(0, wait, false));
        assert_eq!(waiting.command(0), None);
        assert!(!waiting.answered_setting(0, Command::fixed(Fixed::EchoOff), true));
    }
}
