//! When an interface may transmit at all: after 2 s of listening without an error frame, and never again in a run once the
//! controller was error-passive or bus-off.
//!
//! So that a wrong bit rate, a loose plug or a bus that is not ours never disturbs a moving car. Judges the bus alone;
//! whether the car is awake is [`super::permission`]'s. One gate serves one interface for one run.

use crate::observation::{Frame, FrameFlags};
use crate::time::{Span, Steady};

/// How long an interface listens before it transmits, and again after every error frame.
pub const LISTENING: Span = Span::of_seconds(2);

/// What an interface reports about its bus.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BusEvent {
    /// A frame that was received whole.
    Sound,
    /// An error frame of any other kind, or a loss of frames.
    Error,
    /// The controller is error-passive.
    ErrorPassive,
    /// The controller is off the bus.
    BusOff,
}

// linux/can/error.h: classes in the identifier, the controller's state in byte 1.
const CONTROLLER: u32 = 0x04;
const BUS_OFF: u32 = 0x40;
const PASSIVE: u8 = 0x10 | 0x20;

impl BusEvent {
    /// What a frame from SocketCAN says about its bus; `payload` is the frame's.
    pub fn of(frame: &Frame, payload: &[u8]) -> Self {
        if !frame.flags.has(FrameFlags::ERROR) {
            Self::Sound
        } else if frame.id & BUS_OFF != 0 {
            Self::BusOff
        } else if frame.id & CONTROLLER != 0 && payload.get(1).is_some_and(|state| state & PASSIVE != 0) {
            Self::ErrorPassive
        } else {
            Self::Error
        }
    }
}

/// Why an interface does not transmit now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Closed {
    /// The interface is not up.
    #[error("the interface is not up")]
    Down,
    /// It has not listened for long enough.
    #[error("listening first, 2 s without an error frame")]
    Listening,
    /// Nothing is heard: the bit rate may be wrong.
    #[error("no frame heard yet, so the bit rate is not proven")]
    NothingHeard,
    /// Error-passive: no transmission until the next run.
    #[error("the controller was error-passive, no transmission in this run")]
    ErrorPassive,
    /// Bus-off: no transmission until the next run.
    #[error("the controller was bus-off, no transmission in this run")]
    BusOff,
    /// A serial adapter reported an error of the bus: no transmission until the next run.
    #[error("the adapter reported an error of the bus, no transmission in this run")]
    AdapterError,
}

impl Closed {
    /// Whether it lasts for the run.
    pub fn is_for_the_run(self) -> bool {
        matches!(self, Self::ErrorPassive | Self::BusOff | Self::AdapterError)
    }
}

/// Whether one interface may transmit, from what its bus shows.
#[derive(Clone, Debug)]
pub struct Gate {
    /// Whether the bus is silent until asked (behind a gateway), so that nothing need be heard first.
    gateway: bool,
    /// The start of the present stretch without an error; `None` while the interface is down.
    quiet_since: Option<Steady>,
    /// Whether a sound frame came in that stretch.
    heard: bool,
    /// Why it is closed for the run.
    ended: Option<Closed>,
}

impl Gate {
    /// A closed gate, for an interface that is not up yet. `gateway`: the bus shows no frame until asked.
    pub fn new(gateway: bool) -> Self {
        Self { gateway, quiet_since: None, heard: false, ended: None }
    }

    /// The interface is up, again or for the first time: listening begins.
    pub fn up(&mut self, at: Steady) {
        self.quiet_since = Some(at);
        self.heard = false;
    }

    /// The interface is down or gone.
    pub fn down(&mut self) {
        self.quiet_since = None;
        self.heard = false;
    }

    /// What the bus showed.
    pub fn note(&mut self, at: Steady, event: BusEvent) {
        match event {
            BusEvent::Sound => self.heard = true,
            BusEvent::Error => {}
            BusEvent::ErrorPassive => self.end(Closed::ErrorPassive),
            BusEvent::BusOff => self.end(Closed::BusOff),
        }
        if event != BusEvent::Sound
            && let Some(since) = self.quiet_since
        {
            // A frame may be stamped before the interface was said to be up; the wait is never shortened by it.
            self.up(at.max(since));
        }
    }

    /// A serial adapter named an error of the bus: no more requests in this run.
    pub fn adapter_error(&mut self) {
        self.end(Closed::AdapterError);
    }

    fn end(&mut self, why: Closed) {
        self.ended.get_or_insert(why);
    }

    /// Whether it may transmit now; if not, why.
    pub fn check(&self, now: Steady) -> Result<(), Closed> {
        match (self.ended, self.quiet_since) {
            (Some(why), _) => Err(why),
            (None, None) => Err(Closed::Down),
            (None, Some(since)) if now - since < LISTENING => Err(Closed::Listening),
            (None, Some(_)) if !self.heard && !self.gateway => Err(Closed::NothingHeard),
            (None, Some(_)) => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::Bus;

    fn error_frame(class: u32, state: u8) -> BusEvent {
        let data = [0, state, 0, 0, 0, 0, 0, 0];
        let flags = FrameFlags(FrameFlags::ERROR);
        let frame = Frame { at: Steady(0), id: class, bus: Bus(0), flags, len: 8, data };
        BusEvent::of(&frame, &data)
    }

    /// linux/can/error.h: CAN_ERR_CRTL 0x04 with RX_WARNING 0x04, RX_PASSIVE 0x10, TX_PASSIVE 0x20, ACTIVE 0x40;
    /// CAN_ERR_PROT 0x08, CAN_ERR_ACK 0x20, CAN_ERR_BUSOFF 0x40 (values from memory).
    #[test]
    fn error_frames_by_class() {
        assert_eq!(error_frame(0x04, 0x10), BusEvent::ErrorPassive);
        assert_eq!(error_frame(0x04, 0x20), BusEvent::ErrorPassive);
        assert_eq!(error_frame(0x2C, 0x30), BusEvent::ErrorPassive);
        assert_eq!(error_frame(0x04, 0x04), BusEvent::Error);
        assert_eq!(error_frame(0x08, 0x10), BusEvent::Error);
        assert_eq!(error_frame(0x20, 0), BusEvent::Error);
        assert_eq!(error_frame(0x44, 0x10), BusEvent::BusOff);
    }

    #[test]
    fn listens_first_and_again_after_every_error() {
        let s = |seconds: f64| Steady((seconds * 1e6) as i64);
        let mut gate = Gate::new(false);
        assert_eq!(gate.check(s(100.0)), Err(Closed::Down));
        gate.up(s(10.0));
        gate.note(s(10.1), BusEvent::Sound);
        assert_eq!(gate.check(s(11.999_999)), Err(Closed::Listening));
        assert_eq!(gate.check(s(12.0)), Ok(()));
        gate.note(s(12.5), BusEvent::Error);
        assert_eq!(gate.check(s(14.4)), Err(Closed::Listening));
        assert_eq!(gate.check(s(14.5)), Err(Closed::NothingHeard));
        gate.note(s(14.6), BusEvent::Sound);
        assert_eq!(gate.check(s(14.6)), Ok(()));
        gate.down();
        assert_eq!(gate.check(s(99.0)), Err(Closed::Down));
        gate.up(s(100.0));
        gate.note(s(99.0), BusEvent::Error);
        assert_eq!(gate.check(s(101.0)), Err(Closed::Listening));
    }

    #[test]
    fn error_passive_ends_it_for_the_run() {
        for (event, why) in [(BusEvent::ErrorPassive, Closed::ErrorPassive), (BusEvent::BusOff, Closed::BusOff)] {
            let mut gate = Gate::new(true);
            gate.up(Steady(0));
            assert_eq!(gate.check(Steady(0) + LISTENING), Ok(()));
            gate.note(Steady(3_000_000), event);
            gate.up(Steady(4_000_000));
            for at in (0..100).map(|s| Steady(s * 1_000_000)) {
                gate.note(at, BusEvent::Sound);
                assert_eq!(gate.check(at), Err(why));
            }
            assert!(why.is_for_the_run());
        }
    }
}
