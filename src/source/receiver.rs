//! What every live source of position does with what its protocol gives: fixes and satellite time handed on, the rest counted,
//! silence named.
//!
//! Knows no protocol and opens nothing. Everything is stamped on arrival: how long a receiver takes from the moment of a fix to
//! its report is the receiver's own and not known here.

use crate::observation::{Batch, Fix, Item, Stamped};
use crate::source::live::Outlet;
use crate::time::{Span, Steady, WallClock};

/// How often satellite time is noted while it agrees with what was noted last.
const ANCHOR_PERIOD: Span = Span::of_seconds(10);
/// By how much it must differ to be noted at once.
const ANCHOR_STEP: Span = Span::of_millis(500);
/// How long a receiver may be silent before that is named.
pub const SILENCE: Span = Span::of_seconds(10);

/// What a receiver's protocol gives that is no fix.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Defect {
    /// A fix with the moment of the one before.
    Stale,
    /// The receiver's clock went backwards.
    ClockBackwards,
    /// A value that can't be, left out of a fix.
    Odd,
}

impl Defect {
    fn name(self) -> &'static str {
        match self {
            Self::Stale => "fixes that did not move on (left out)",
            Self::ClockBackwards => "times that the receiver's clock went backwards",
            Self::Odd => "fixes with a value that can't be (the value left out)",
        }
    }
}

/// What is remembered of a receiver, and what is about to be handed on.
#[derive(Default)]
pub struct Receiver {
    anchor: Option<(Steady, WallClock)>,
    /// When it last gave something that could be read, or was opened.
    heard: Steady,
    /// Whether its silence was named.
    silent: bool,
    batch: Batch,
}

impl Receiver {
    /// It was opened, or opened anew.
    pub fn opened(&mut self, now: Steady) {
        self.heard = now;
    }

    /// Takes a fix.
    pub fn fix(&mut self, at: Steady, fix: Fix) {
        self.batch.rest.push(Stamped { at, item: Item::Fix(fix) });
    }

    /// Takes what the satellites' clock says: noted now and then, and at once where it differs from what was noted.
    pub fn clock(&mut self, at: Steady, wall: WallClock) {
        let agrees = self.anchor.is_some_and(|(then, noted)| {
            let step = (wall - noted) - (at - then);
            at - then < ANCHOR_PERIOD && step.max(-step) <= ANCHOR_STEP
        });
        if !agrees {
            self.anchor = Some((at, wall));
            self.batch.rest.push(Stamped { at, item: Item::Anchor(wall) });
        }
    }

    /// Counts what is wrong with a fix.
    pub fn defect(&mut self, outlet: &Outlet, defect: Defect) {
        outlet.count(defect.name(), 1);
    }

    /// It gave something that could be read.
    pub fn heard(&mut self, outlet: &Outlet, now: Steady) {
        if std::mem::take(&mut self.silent) {
            outlet.trouble("it can be read again");
        }
        self.heard = now;
    }

    /// Hands on what there is; names silence once, with what to look at.
    pub fn pass(&mut self, outlet: &Outlet, now: Steady, look_at: impl FnOnce() -> String) {
        outlet.send(&mut self.batch);
        if now - self.heard >= SILENCE && !self.silent {
            self.silent = true;
            outlet.trouble(format!("nothing that can be read came for {} s; {}", SILENCE.seconds(), look_at()));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::source::clock::SystemClock;
    use crate::source::live::Shared;
    use crate::time::US_PER_S;

    fn s(seconds: f64) -> Steady {
        Steady((seconds * US_PER_S as f64) as i64)
    }

    #[test]
    fn satellite_time_is_noted_each_10_s_and_when_it_steps() {
        let mut receiver = Receiver::default();
        let start = WallClock::parse_iso("2027-03-14T06:15:00Z").unwrap();
        // Seconds here, seconds there, whether that is noted.
        let told = [
            (0.0, 0.0, true),
            (1.2, 1.0, false),
            (9.9, 9.5, false),
            (10.0, 10.0, true),
            (11.0, 11.51, true),
            (12.0, 12.01, false),
            (13.0, 12.9, true),
            (14.0, -3_600.0, true),
            (23.9, -3_590.1, false),
            (24.0, -3_590.0, true),
        ];
        for (here, there, noted) in told {
            receiver.clock(s(here), start + Span::from_seconds(there));
            let anchors = std::mem::take(&mut receiver.batch.rest);
            assert_eq!(anchors.len(), usize::from(noted), "{here}: {anchors:?}");
        }
    }

    #[test]
    fn silence_is_named_once_and_its_end() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let (outlet, mut receiver) = (Outlet::new("gps", &shared), Receiver::default());
        receiver.opened(s(100.0));
        for at in 100..125 {
            receiver.pass(&outlet, s(f64::from(at)), || "is it on?".into());
        }
        receiver.heard(&outlet, s(125.0));
        receiver.heard(&outlet, s(126.0));
        receiver.pass(&outlet, s(135.9), String::new);
        let mut batch = Batch::default();
        shared.queue.take(&mut batch);
        let said: Vec<Item> = batch.rest.into_iter().map(|stamped| stamped.item).collect();
        let expected = ["gps: nothing that can be read came for 10 s; is it on?", "gps: it can be read again"];
        assert_eq!(said, expected.map(|text| Item::Trouble(text.into())));
    }
}
