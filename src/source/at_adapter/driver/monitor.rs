//! Monitored lines as frames, and when monitoring must be started again.
//!
//! Asks nothing: what is monitored is heard in silence.

use super::super::command::Protocol;
use super::super::messages::{self, LineFault};
use super::super::reply::{AdapterError, Line};
use super::Out;
use crate::observation::{Bus, CanId, FrameFlags};
use crate::time::{Span, Steady};

/// How long the bus is silent before monitoring is interrupted for the supply voltage: while frames come, none is missed.
pub(super) const SILENCE: Span = Span::of_seconds(10);
/// How often it is then interrupted.
pub(super) const SUPPLY_EVERY: Span = Span::of_seconds(60);
/// How long the prompt may take after the adapter said that monitoring ended.
const PROMPT_WAIT: Span = Span::of_seconds(1);
/// Lines without identifier, and none with, after which the adapter is believed not to show them.
const WITHOUT_MAX: u32 = 20;

/// What is to be done after a line.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum After {
    /// Nothing.
    Nothing,
    /// It can't be done with this adapter: why.
    Impossible(String),
}

/// Monitoring under way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Monitor {
    bus: Bus,
    wide: bool,
    /// The last frame, or the start.
    heard: Steady,
    /// When the supply voltage was last asked for, or monitoring began.
    asked: Steady,
    /// The adapter's word that it ended.
    ended: Option<Steady>,
    /// Whether all that ended it is known: its buffer was full, or it was stopped by us.
    explained: bool,
    sound: bool,
    without: u32,
}

impl Monitor {
    pub fn new(bus: Bus, protocol: Protocol, now: Steady) -> Self {
        let wide = protocol.is_29_bits();
        Self { bus, wide, heard: now, asked: now, ended: None, explained: false, sound: false, without: 0 }
    }

    /// It is started again.
    pub fn again(&mut self, now: Steady) {
        (self.heard, self.ended, self.explained) = (now, None, false);
    }

    /// We stop it.
    pub fn stopped(&mut self) {
        self.explained = true;
    }

    /// Whether it ended as it may, so that only silence need be confirmed to start it again.
    pub fn is_explained(&self) -> bool {
        self.explained
    }

    /// Whether to read the supply voltage while it is stopped.
    pub fn wants_supply(&self, now: Steady) -> bool {
        now - self.heard >= SILENCE && now - self.asked >= SUPPLY_EVERY
    }

    /// The same, now that it is stopped; if so, it will be read.
    pub fn takes_supply(&mut self, now: Steady) -> bool {
        let wants = self.wants_supply(now);
        if wants {
            self.asked = now;
        }
        wants
    }

    /// Whether the prompt after its end is lost.
    pub fn is_stuck(&self, now: Steady) -> bool {
        self.ended.is_some_and(|ended| now - ended >= PROMPT_WAIT)
    }

    /// Takes a line.
    pub fn line(&mut self, now: Steady, line: &Line, out: &mut Out) -> After {
        match line {
            Line::Data(data) => return self.data(now, data, out),
            Line::Error(AdapterError::BufferFull) => {
                (self.ended, self.explained) = (Some(now), true);
                out.count("gaps while monitoring: the adapter's buffer was full", 1);
            }
            Line::Error(AdapterError::Stopped) => self.ended = Some(now),
            Line::Error(_) => {}
            Line::Words(_) | Line::Done | Line::Searching => out.count("monitored lines that are no frames", 1),
        }
        After::Nothing
    }

    fn data(&mut self, now: Steady, data: &str, out: &mut Out) -> After {
        match messages::frame(data, self.wide) {
            Ok((id, bytes)) => {
                self.heard = now;
                self.sound = true;
                let (number, flags) = match id {
                    CanId::Standard(id) => (u32::from(id), 0),
                    CanId::Extended(id) => (id, FrameFlags::EXTENDED),
                };
                out.batch.push(now, self.bus, number, FrameFlags(flags), &bytes);
            }
            Err(fault) => {
                out.count(&format!("monitored lines: {fault}"), 1);
                if fault == LineFault::NoIdentifier && !self.sound {
                    self.without += 1;
                }
            }
        }
        if self.without < WITHOUT_MAX {
            return After::Nothing;
        }
        let why = "the adapter took the setting to show identifiers and does not, so it can't be listened to; \
                   use another adapter, or a CAN interface";
        After::Impossible(why.to_owned())
    }
}
