//! Error frames of an interface (linux/can/error.h) as names: the controller's state where it changes, all else counted.
//!
//! Judges nothing about asking; that is [`crate::diag::gate`]'s. Pure.

use crate::time::{Span, Steady};

/// The states of a CAN controller (ISO 11898-1: error-active, error-passive, bus-off; the warning is common practice).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum State {
    #[default]
    Active,
    Warning,
    Passive,
    Off,
}

// linux/can/error.h: classes in the identifier.
const CONTROLLER: u32 = 0x04;
const PROTOCOL: u32 = 0x08;
const BUS_OFF: u32 = 0x40;
const RESTARTED: u32 = 0x100;
/// Classes that are counted under one name each.
const CLASSES: [(u32, &str); 6] = [
    (0x01, "error frames: transmission timed out"),
    (0x02, "error frames: arbitration lost"),
    (0x10, "error frames: transceiver"),
    (0x20, "error frames: no acknowledgement"),
    (0x80, "error frames: bus error"),
    (RESTARTED, "error frames: controller restarted"),
];
/// What byte 1 says of the controller, apart from its state.
const OVERFLOWS: [(u8, &str); 2] =
    [(0x01, RECEIVE_OVERFLOW), (0x02, "error frames: the controller's transmit buffer overflowed")];
/// Frames were lost in the controller, before the kernel saw them.
pub const RECEIVE_OVERFLOW: &str = "error frames: the controller's receive buffer overflowed";
/// What byte 2 says of a violation of the protocol.
const VIOLATIONS: [(u8, &str); 7] = [
    (0x01, "error frames: single bit"),
    (0x02, "error frames: form"),
    (0x04, "error frames: bit stuffing"),
    (0x08, "error frames: dominant bit not sent"),
    (0x10, "error frames: recessive bit not sent"),
    (0x20, "error frames: bus overload"),
    (0x80, "error frames: on transmission"),
];
const WARNING: u8 = 0x04 | 0x08;
const PASSIVE: u8 = 0x10 | 0x20;
const ACTIVE: u8 = 0x40;

/// The state of the controller as its error frames tell it.
#[derive(Clone, Debug, Default)]
pub struct BusState {
    state: State,
    said: u32,
}

/// Changes of state that are said in one opening of the interface; a loose plug may flap for hours.
const SAID_MAX: u32 = 100;

impl BusState {
    /// Takes an error frame: its class bits and its payload. Counts by name through `count`; returns what is to be said where
    /// the state changed.
    pub fn take(&mut self, class: u32, payload: &[u8], mut count: impl FnMut(&'static str)) -> Option<&'static str> {
        let byte = |at: usize| payload.get(at).copied().unwrap_or(0);
        for (_, name) in CLASSES.iter().filter(|(bit, _)| class & bit != 0) {
            count(name);
        }
        if class & CONTROLLER != 0 {
            OVERFLOWS.iter().filter(|(bit, _)| byte(1) & bit != 0).for_each(|(_, name)| count(name));
        }
        if class & PROTOCOL != 0 {
            VIOLATIONS.iter().filter(|(bit, _)| byte(2) & bit != 0).for_each(|(_, name)| count(name));
        }
        let state = Self::told(class, byte(1))?;
        let before = std::mem::replace(&mut self.state, state);
        if before == state {
            return None;
        }
        count(match state {
            State::Active => "changes of state: error-active",
            State::Warning => "changes of state: error warning",
            State::Passive => "changes of state: error-passive",
            State::Off => "changes of state: bus-off",
        });
        self.said += 1;
        (self.said <= SAID_MAX).then_some(match (before, state) {
            (State::Off, State::Active) if class & RESTARTED != 0 => "restarted after bus-off",
            (_, State::Active) => "back to error-active",
            (_, State::Warning) => "error warning: many frames are faulty; look at bit rate, wiring and termination",
            (_, State::Passive) => "error-passive: most frames are faulty; look at bit rate, wiring and termination",
            (_, State::Off) => {
                "bus-off: the controller has left the bus; look at bit rate, wiring and termination, then restart it"
            }
        })
    }

    /// The state that an error frame tells, if it tells any; the worst of several.
    fn told(class: u32, controller: u8) -> Option<State> {
        if class & BUS_OFF != 0 {
            Some(State::Off)
        } else if class & RESTARTED != 0 {
            Some(State::Active)
        } else if class & CONTROLLER == 0 {
            None
        } else if controller & PASSIVE != 0 {
            Some(State::Passive)
        } else if controller & WARNING != 0 {
            Some(State::Warning)
        } else {
            (controller & ACTIVE != 0).then_some(State::Active)
        }
    }
}

/// Says a thing that comes in bursts once a burst: again only after it did not happen for a while.
#[derive(Clone, Copy, Debug, Default)]
pub struct Burst(Option<Steady>);

impl Burst {
    /// How long it must not have happened.
    const APART: Span = Span::of_seconds(10);

    /// It happened now; whether that is to be said.
    pub fn is_new(&mut self, now: Steady) -> bool {
        self.0.replace(now).is_none_or(|last| now - last > Self::APART)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    /// A controller's life as error frames: class, byte 1, byte 2.
    fn live(frames: &[(u32, u8, u8)]) -> (Vec<&'static str>, BTreeMap<&'static str, u32>) {
        let (mut state, mut said, mut counts) = (BusState::default(), Vec::new(), BTreeMap::new());
        for (class, controller, protocol) in frames {
            let payload = [0, *controller, *protocol, 0, 0, 0, 0, 0];
            said.extend(state.take(*class, &payload, |name| *counts.entry(name).or_default() += 1));
        }
        (said, counts)
    }

    #[test]
    fn each_change_of_state_is_said_once() {
        let (said, counts) = live(&[
            (0x04, 0x08, 0),
            (0x04, 0x08, 0),
            (0x04, 0x20, 0),
            (0x04 | 0x08, 0x30, 0x04),
            (0x40, 0, 0),
            (0x40, 0, 0),
            (0x100, 0, 0),
            (0x04, 0x40, 0),
            (0x04, 0x10, 0),
            (0x04, 0x40, 0),
        ]);
        let begins: Vec<&str> = said.iter().map(|text| text.split(':').next().unwrap_or_default()).collect();
        assert_eq!(
            begins,
            [
                "error warning",
                "error-passive",
                "bus-off",
                "restarted after bus-off",
                "error-passive",
                "back to error-active"
            ]
        );
        assert_eq!(counts["changes of state: error-passive"], 2);
        assert_eq!((counts["error frames: bit stuffing"], counts["error frames: controller restarted"]), (1, 1));
    }

    #[test]
    fn all_else_is_counted_by_name_and_not_said() {
        let (said, counts) =
            live(&[(0x01 | 0x02 | 0x10 | 0x20 | 0x80, 0, 0), (0x04, 0x03, 0), (0x08, 0, 0xBF), (0x200, 0, 0)]);
        assert!(said.is_empty());
        assert_eq!((counts.len(), counts[RECEIVE_OVERFLOW]), (14, 1));
        // A frame without a payload is taken too.
        assert_eq!(BusState::default().take(0x04, &[], |name| panic!("{name}")), None);
    }

    #[test]
    fn a_flapping_state_is_not_said_for_ever() {
        let frames: Vec<_> = (0..1_000).map(|n| (0x04, if n % 2 == 0 { 0x10 } else { 0x40 }, 0)).collect();
        let (said, counts) = live(&frames);
        assert_eq!((said.len() as u32, counts["changes of state: error-passive"]), (SAID_MAX, 500));
    }

    #[test]
    fn a_burst_is_said_once() {
        let mut burst = Burst::default();
        let said = [0, 1, 9, 18, 29].map(|at| burst.is_new(Steady(0) + Span::of_seconds(at)));
        assert_eq!(said, [true, false, false, false, true]);
    }
}
