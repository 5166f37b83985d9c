//! An AT adapter as a live source: the driver on a serial port, on the outlet's clock.
//!
//! Decides nothing: [`super::driver`] does. Reads no clock of its own.

use std::path::Path;

use super::command::Parked;
use super::driver::{Driver, Out, Settings};
use super::search::{Found, Search};
use crate::diag::schedule::Poll;
use crate::observation::Bus;
use crate::source::clock::Clock;
use crate::source::live::{Failure, Live, Outlet};
use crate::source::serial::Port;
use crate::time::{Span, Steady};

/// How long a read waits for a byte, and so how late a request may be.
const WAIT: Span = Span::of_millis(10);
/// How often the state is told.
const REPORT_EVERY: Span = Span::of_seconds(1);
/// How long an adapter has to let go of the bus when told to stop.
const LETTING_GO_MAX: Span = Span::of_millis(2_500);
/// Bytes read at a time: what 115 200 bit/s brings in 0.3 s.
const CHUNK: usize = 4_096;

/// An AT adapter on a serial port.
#[derive(Debug)]
pub struct AtAdapter {
    settings: Settings,
    driver: Driver,
    out: Out,
}

impl AtAdapter {
    /// An adapter that is asked these polls on a bus, or listens, as the settings say. (Listening takes no polls.)
    pub fn new(settings: Settings, bus: Bus, polls: Vec<Poll>) -> Self {
        let driver = Driver::new(&settings, bus, polls);
        Self { settings, driver, out: Out::default() }
    }

    /// The same adapter, by which a run opens with what the ECUs know, and with the vehicle number if that is wanted: personal
    /// data, only where the configuration asks for it.
    pub fn opening(self, vehicle_number: bool) -> Self {
        Self { driver: self.driver.opening(vehicle_number), ..self }
    }

    /// Sends, and hands on, what came of bytes and time.
    fn hand_on(&mut self, port: &mut Port, outlet: &Outlet) -> Result<(), Failure> {
        outlet.send(&mut self.out.batch);
        for (what, times) in self.out.counts.drain(..) {
            outlet.count(&what, times);
        }
        for trouble in self.out.troubles.drain(..) {
            outlet.trouble(trouble);
        }
        let sent = std::mem::take(&mut self.out.send);
        match self.out.failed.take() {
            Some(why) => Err(Failure(format!("{}: {why}", self.settings.port.display()))),
            None if sent.is_empty() => Ok(()),
            None => port.write(&sent),
        }
    }

    fn report(&self, outlet: &Outlet) {
        let (polls, closed) = self.driver.report(outlet.now());
        outlet.update(|state| {
            state.polls = polls;
            state.closed = closed;
        });
    }
}

impl Live for AtAdapter {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let mut port = open(&self.settings.port, self.settings.serial_rate)?;
        self.driver.opened(outlet.now());
        self.out.send.clear();
        outlet.reading();
        let mut buffer = [0; CHUNK];
        let mut reported = outlet.now();
        let mut stopped: Option<Steady> = None;
        loop {
            let count = port.read(&mut buffer)?;
            self.driver.receive(outlet.now(), buffer.get(..count).unwrap_or_default(), &mut self.out);
            self.driver.tick(outlet.now(), outlet.car(), &mut self.out);
            self.hand_on(&mut port, outlet)?;
            let now = outlet.now();
            if now - reported >= REPORT_EVERY {
                reported = now;
                self.report(outlet);
            }
            if outlet.stopping() {
                let since = *stopped.get_or_insert(now);
                self.driver.let_go();
                if self.driver.has_let_go() || now - since >= LETTING_GO_MAX {
                    self.report(outlet);
                    return Ok(());
                }
            }
        }
    }
}

fn open(path: &Path, rate: u32) -> Result<Port, Failure> {
    let mut port = Port::open(path, rate)?;
    port.set_wait(WAIT)?;
    Ok(port)
}

/// Lets the adapter on a port search for the protocol of a parked car's bus. Takes up to a minute.
///
/// # Errors
/// If the port can't be opened or goes, or if no adapter answers.
pub fn search(path: &Path, rate: u32, parked: Parked, clock: &dyn Clock) -> Result<Found, Failure> {
    let mut port = open(path, rate)?;
    let mut search = Search::new(parked);
    let mut buffer = [0; CHUNK];
    loop {
        let count = port.read(&mut buffer)?;
        search.receive(clock.now(), buffer.get(..count).unwrap_or_default());
        let bytes = search.tick(clock.now());
        if !bytes.is_empty() {
            port.write(&bytes)?;
        }
        match search.result() {
            None => {}
            Some(Ok(found)) => return Ok(found.clone()),
            Some(Err(why)) => return Err(Failure(format!("{}: {why}", path.display()))),
        }
    }
}
