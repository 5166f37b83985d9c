//! A receiver on a serial port as a live source: fixes, satellite time, and what is wrong with the line by name.
//!
//! Sends the receiver nothing: it is taken as it is set. Reads no sentence itself; [`super::protocol`] does.

use std::path::PathBuf;

use super::protocol::{Event, Reader};
use crate::source::live::{Failure, Live, Outlet};
use crate::source::receiver::{Defect, Receiver};
use crate::source::serial::Port;
use crate::time::Steady;

/// Where the receiver is.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The serial port's path.
    pub port: PathBuf,
    /// Its rate, bit/s; NMEA 0183's own is 4800.
    pub serial_rate: u32,
}

/// A live receiver.
pub struct NmeaReceiver {
    settings: Settings,
    receiver: Receiver,
}

impl NmeaReceiver {
    /// The receiver at this port.
    pub fn new(settings: Settings) -> Self {
        Self { settings, receiver: Receiver::default() }
    }
}

impl Live for NmeaReceiver {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let Self { settings, receiver } = self;
        let mut port = Port::open(&settings.port, settings.serial_rate)?;
        outlet.reading();
        receiver.opened(outlet.now());
        let (mut reader, mut buffer) = (Reader::default(), [0; 1_024]);
        while !outlet.stopping() {
            let count = port.read(&mut buffer)?;
            let now = outlet.now();
            let read = buffer.get(..count).unwrap_or_default();
            reader.push(now, read, |event| take(receiver, outlet, now, event));
            reader.tick(now, |event| take(receiver, outlet, now, event));
            receiver.pass(outlet, now, || format!("does it speak NMEA 0183, at {} bit/s?", settings.serial_rate));
        }
        Ok(())
    }
}

fn take(receiver: &mut Receiver, outlet: &Outlet, now: Steady, event: Event) {
    if let Event::Unreadable(why) = event {
        return outlet.count(&format!("unreadable lines: {why}"), 1);
    }
    receiver.heard(outlet, now);
    match event {
        Event::Fix(fix) => receiver.fix(now, fix),
        Event::Clock(wall) => receiver.clock(now, wall),
        Event::Stale => receiver.defect(outlet, Defect::Stale),
        Event::ClockBackwards => receiver.defect(outlet, Defect::ClockBackwards),
        Event::Odd => receiver.defect(outlet, Defect::Odd),
        Event::Other | Event::Unreadable(_) => {}
    }
}

#[cfg(test)]
mod tests;
