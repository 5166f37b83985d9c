//! An slcan adapter as a live source: frames with the best time that can be had, troubles of its bus, requests where it asks.
//!
//! The adapter listens only. It becomes a member of the bus (acknowledges, may send) when the first request may leave, which is
//! after 2 s of sound listening, and it is put back to listening by whatever closes the gate. Nothing is sent but
//! [`super::Command`]s. Reads no line itself; [`super::line`] does.

use std::path::PathBuf;

use super::channel::{Channel, Mode};
use super::clock::{AdapterClock, Told};
use super::command::BitRate;
use super::line::{ERRORS, Event, SlcanFrame, State, Unreadable};
use crate::diag::gate::BusEvent;
use crate::observation::{Batch, Bus, CanId, Frame, FrameFlags};
use crate::source::asking::Asking;
use crate::source::live::{Failure, Live, Outlet};
use crate::source::serial::Port;
use crate::time::{Span, Steady};

/// How long a read waits when nothing is asked, and when something may be.
const WAIT: Span = Span::of_millis(50);
const ASKING_WAIT: Span = Span::of_millis(10);
/// How often it is reported how polls fare.
const REPORT_PERIOD: Span = Span::of_seconds(1);
/// A state that comes back sooner than this is counted and not named again.
const STATE_REST: Span = Span::of_seconds(10);
/// So many lines in a row that can't be read, and no frame between them, are named.
const UNREADABLE_MAX: u32 = 20;

/// Where the adapter is and how it is set.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The serial port's path.
    pub port: PathBuf,
    /// The serial line's rate, bit/s; adapters that are USB devices themselves ignore it.
    pub serial_rate: u32,
    /// The bus's bit rate.
    pub bit_rate: BitRate,
}

/// A live slcan adapter.
pub struct SlcanAdapter {
    settings: Settings,
    bus: Bus,
    asking: Option<Asking>,
    /// Whether it was said that the adapter acknowledges nothing.
    silence_said: bool,
}

impl SlcanAdapter {
    /// An adapter on this bus; it only listens, unless there is something to be asked.
    pub fn new(settings: Settings, bus: Bus, asking: Option<Asking>) -> Self {
        Self { settings, bus, asking, silence_said: false }
    }

    /// Reads and asks until told to stop.
    fn go_on(&mut self, channel: &mut Channel, outlet: &Outlet) -> Result<(), Failure> {
        let mut hearing = Hearing::new(self.bus, self.settings.serial_rate);
        let mut reported = outlet.now();
        let wait = if self.asking.is_some() { ASKING_WAIT } else { WAIT };
        while !outlet.stopping() {
            channel.read(wait, outlet)?;
            let mut closes_gate = false;
            while let Some((arrival, event)) = channel.take() {
                closes_gate |= hearing.take(outlet, arrival, event, self.asking.as_mut());
            }
            if closes_gate && channel.mode() == Mode::Member {
                channel.back_to_listening(outlet)?;
            }
            self.ask(channel, outlet, &mut hearing.batch)?;
            if outlet.now() - reported >= REPORT_PERIOD {
                reported = outlet.now();
                self.asking.iter().for_each(|asking| asking.report(outlet));
            }
            outlet.send(&mut hearing.batch);
        }
        Ok(())
    }

    /// Sends what may be sent now.
    fn ask(&mut self, channel: &mut Channel, outlet: &Outlet, batch: &mut Batch) -> Result<(), Failure> {
        let Some(asking) = &mut self.asking else { return Ok(()) };
        while let Some(frame) = asking.next(outlet, batch) {
            if channel.mode() == Mode::Listening && !channel.join(outlet)? {
                outlet.trouble("the adapter refuses to open ('O'), so nothing is asked and it only listens");
                asking.down();
                asking.report(outlet);
                self.asking = None;
                return channel.back_to_listening(outlet);
            }
            // The gate has not seen it yet. The session takes the frame for one that did not leave.
            if channel.shows_errors() {
                return Ok(());
            }
            channel.send(frame)?;
            asking.left(outlet.now());
        }
        Ok(())
    }
}

impl Live for SlcanAdapter {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let port = Port::open(&self.settings.port, self.settings.serial_rate)?;
        let mut channel = Channel::listen(port, self.settings.bit_rate, outlet)?;
        if channel.is_silent() && !std::mem::replace(&mut self.silence_said, true) {
            outlet.trouble("the adapter acknowledges no command; it is read all the same");
        }
        outlet.reading();
        if let Some(asking) = &mut self.asking {
            asking.up(outlet.now());
        }
        let ended = self.go_on(&mut channel, outlet);
        if let Some(asking) = &mut self.asking {
            asking.down();
            asking.report(outlet);
        }
        // Where the port is gone there is nothing to be closed.
        let closed = channel.close();
        ended.and(if outlet.stopping() { Ok(()) } else { closed })
    }
}

/// What is remembered of an open channel.
struct Hearing {
    bus: Bus,
    serial_rate: u32,
    clock: AdapterClock,
    state: State,
    /// When each state was last named.
    states_named: [Option<Steady>; 4],
    /// The errors that were named since the state changed.
    errors_named: u16,
    /// Unreadable lines since the last frame.
    unreadable: u32,
    batch: Batch,
}

impl Hearing {
    fn new(bus: Bus, serial_rate: u32) -> Self {
        let clock = AdapterClock::default();
        let (state, states_named, batch) = (State::Active, [None; 4], Batch::default());
        Self { bus, serial_rate, clock, state, states_named, errors_named: 0, unreadable: 0, batch }
    }

    /// Takes what came; returns whether it closes the gate of the bus.
    fn take(&mut self, outlet: &Outlet, arrival: Steady, event: Event, asking: Option<&mut Asking>) -> bool {
        let heard = event.bus_event().filter(|heard| *heard != BusEvent::Sound);
        match event {
            Event::Frame(frame) => return self.frame(outlet, arrival, &frame, asking),
            Event::State { state, receive_errors, transmit_errors } => {
                self.state(outlet, arrival, state, (receive_errors, transmit_errors));
            }
            Event::Errors(set) => self.errors(outlet, set),
            Event::Unreadable(why) => self.unreadable(outlet, why),
            Event::Refused => outlet.count("commands that the adapter refused", 1),
            Event::Done | Event::About => {}
        }
        if let (Some(heard), Some(asking)) = (heard, asking) {
            asking.note(arrival, heard);
        }
        heard.is_some()
    }

    fn frame(&mut self, outlet: &Outlet, arrival: Steady, heard: &SlcanFrame, asking: Option<&mut Asking>) -> bool {
        self.unreadable = 0;
        let (at, told) = self.clock.place(heard.stamp_ms, arrival);
        match told {
            Told::Sound => {}
            Told::Anew => outlet.count("time stamps that jumped", 1),
            Told::Slow => outlet.count("time stamps that ran slow", 1),
            Told::Unusable => outlet.trouble("its time stamps don't start anew each 60 s; arrival counts instead"),
        }
        let (id, wide) = match heard.id {
            CanId::Standard(id) => (u32::from(id), 0),
            CanId::Extended(id) => (id, FrameFlags::EXTENDED),
        };
        let flags = FrameFlags(wide | if heard.remote { FrameFlags::REMOTE } else { 0 });
        let frame = Frame { at, id, bus: self.bus, flags, len: heard.len, data: heard.data };
        let payload = if heard.remote { &[] } else { heard.data.get(..usize::from(heard.len)).unwrap_or_default() };
        self.batch.push_frame(&frame, payload);
        if let Some(asking) = asking {
            asking.frame(outlet, &frame, payload, &mut self.batch);
        }
        false
    }

    fn state(&mut self, outlet: &Outlet, arrival: Steady, state: State, (receive, transmit): (u16, u16)) {
        if state == self.state {
            return;
        }
        self.state = state;
        self.errors_named = 0;
        let name = name(state);
        outlet.count(&format!("state of the controller: {name}"), 1);
        let Some(named) = self.states_named.get_mut(state as usize) else { return };
        if named.is_none_or(|named| arrival - named >= STATE_REST) {
            *named = Some(arrival);
            outlet.trouble(format!("the controller is {name} ({receive} receive errors, {transmit} transmit errors)"));
        }
    }

    fn errors(&mut self, outlet: &Outlet, set: u16) {
        for (place, (_, name)) in ERRORS.iter().enumerate() {
            let bit = 1 << place;
            if set & bit == 0 {
                continue;
            }
            outlet.count(&format!("on the bus: {name}"), 1);
            if self.errors_named & bit == 0 {
                outlet.trouble(format!("on the bus: {name}"));
            }
        }
        self.errors_named |= set;
    }

    fn unreadable(&mut self, outlet: &Outlet, why: Unreadable) {
        outlet.count(&format!("unreadable lines: {why}"), 1);
        self.unreadable = self.unreadable.saturating_add(1);
        if self.unreadable == UNREADABLE_MAX {
            let rate = self.serial_rate;
            outlet.trouble(format!("nothing that it sends can be read; is it an slcan adapter, at {rate} bit/s?"));
        }
    }
}

fn name(state: State) -> &'static str {
    match state {
        State::Active => "error-active",
        State::Warning => "at the error warning level",
        State::Passive => "error-passive",
        State::BusOff => "off the bus",
    }
}

#[cfg(test)]
mod tests;
