//! gpsd over TCP as a live source: fixes, satellite time, receivers lost and found, and what is wrong by name.
//!
//! Sends it one line, the request to be told; changes nothing there. Reads no line itself; [`super::protocol`] does.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

use super::protocol::{Event, Reader, WATCH};
use crate::source::live::{Failure, Live, Outlet};
use crate::source::receiver::{Defect, Receiver};
use crate::time::{Span, Steady};

/// How long a read waits.
const READ_WAIT: Duration = Duration::from_millis(50);
/// How long one address may take to be connected to, and how long finding and connecting may take in all.
const ADDRESS_WAIT: Duration = Duration::from_secs(2);
const CONNECT_WAIT: Span = Span::of_seconds(10);
/// How long a connection may be silent before it is made anew: a host that is gone says no farewell.
const QUIET_MAX: Span = Span::of_seconds(30);
/// Receivers told apart, and characters of a message of gpsd that are repeated.
const DEVICES_MAX: usize = 16;
const MESSAGE_MAX: usize = 200;

/// Where gpsd listens.
#[derive(Clone, Debug)]
pub struct Settings {
    /// A host name or address.
    pub host: String,
    /// The TCP port; 2947 is registered for it (IANA).
    pub port: u16,
}

/// A live gpsd.
pub struct Gpsd {
    settings: Settings,
    receiver: Receiver,
    /// Whether each of its receivers was there when last heard of.
    devices: BTreeMap<String, bool>,
    /// The last error that it reported.
    error: String,
}

impl Gpsd {
    /// The gpsd that listens there.
    pub fn new(settings: Settings) -> Self {
        Self { settings, receiver: Receiver::default(), devices: BTreeMap::new(), error: String::new() }
    }

    fn failure(&self, what: &str) -> Failure {
        Failure(format!("{}:{}: {what}", self.settings.host, self.settings.port))
    }

    /// A connection, asked to report. `None` if told to stop.
    fn connect(&self, outlet: &Outlet) -> Result<Option<TcpStream>, Failure> {
        let Settings { host, port } = self.settings.clone();
        // Finding a host can't be cut short, so it has a thread of its own, which ends when it has found it or not.
        let (give, take) = channel();
        std::thread::spawn(move || give.send(connect(&host, port)));
        let until = outlet.now() + CONNECT_WAIT;
        while !outlet.stopping() {
            match take.recv_timeout(READ_WAIT) {
                Ok(Ok(stream)) => return Ok(Some(stream)),
                Ok(Err(error)) => {
                    return Err(self.failure(&format!("{error}; is gpsd running, and is it told to listen there?")));
                }
                Err(RecvTimeoutError::Disconnected) => return Err(self.failure("it could not be connected to")),
                Err(RecvTimeoutError::Timeout) if outlet.now() >= until => {
                    return Err(self.failure("no connection within 10 s; is that the host, and is it on?"));
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
        Ok(None)
    }

    /// Reads until told to stop or the connection is silent for too long.
    fn read(&mut self, mut stream: TcpStream, outlet: &Outlet) -> Result<(), Failure> {
        let (mut reader, mut buffer) = (Reader::default(), [0; 4_096]);
        let mut last = outlet.now();
        while !outlet.stopping() {
            let count = match stream.read(&mut buffer) {
                Ok(0) => return Err(self.failure("gpsd closed the connection")),
                Ok(count) => count,
                Err(error) if is_nothing_yet(error.kind()) => 0,
                Err(error) => return Err(self.failure(&format!("the connection was lost ({error})"))),
            };
            let now = outlet.now();
            reader.push(buffer.get(..count).unwrap_or_default(), |event| self.take(outlet, now, event));
            let look_at = || "has gpsd a receiver (gpsmon shows it)?".to_owned();
            self.receiver.pass(outlet, now, look_at);
            if count > 0 {
                last = now;
            } else if now - last >= QUIET_MAX {
                return Ok(());
            }
        }
        Ok(())
    }

    fn take(&mut self, outlet: &Outlet, now: Steady, event: Event) {
        match event {
            // gpsd's own lines come without a receiver too: these alone say that one is read.
            Event::Fix(fix) => {
                self.receiver.heard(outlet, now);
                self.receiver.fix(now, fix);
            }
            Event::Stale => {
                self.receiver.heard(outlet, now);
                self.receiver.defect(outlet, Defect::Stale);
            }
            Event::Clock(wall) => self.receiver.clock(now, wall),
            Event::ClockBackwards => self.receiver.defect(outlet, Defect::ClockBackwards),
            Event::Odd => self.receiver.defect(outlet, Defect::Odd),
            Event::Unreadable => outlet.count("unreadable lines", 1),
            Event::Error(message) => self.error(outlet, message),
            Event::Device { path, active } => self.device(outlet, path, active),
            Event::Other => {}
        }
    }

    /// Counts what gpsd reports as an error, and names it where it is another than the last.
    fn error(&mut self, outlet: &Outlet, message: String) {
        outlet.count("errors that gpsd reported", 1);
        if message != self.error {
            let start: String = message.chars().take(MESSAGE_MAX).collect();
            outlet.trouble(format!("gpsd reports {start:?}"));
            self.error = message;
        }
    }

    /// Names a receiver that is lost, and one that is back.
    fn device(&mut self, outlet: &Outlet, path: String, active: bool) {
        let known = self.devices.get(&path).copied();
        // That one is there at first is as it should be.
        if known.unwrap_or(true) != active {
            let start: String = path.chars().take(MESSAGE_MAX).collect();
            outlet.trouble(format!("gpsd {} its receiver {start:?}", if active { "found" } else { "lost" }));
        }
        if known.is_some() || self.devices.len() < DEVICES_MAX {
            self.devices.insert(path, active);
        }
    }
}

impl Live for Gpsd {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        while !outlet.stopping() {
            let Some(stream) = self.connect(outlet)? else { return Ok(()) };
            outlet.reading();
            self.receiver.opened(outlet.now());
            self.read(stream, outlet)?;
        }
        Ok(())
    }
}

/// Connects and asks to be told; blocks.
fn connect(host: &str, port: u16) -> std::io::Result<TcpStream> {
    let mut failed = std::io::Error::new(ErrorKind::NotFound, "no such host");
    for address in (host, port).to_socket_addrs()? {
        match TcpStream::connect_timeout(&address, ADDRESS_WAIT) {
            Ok(mut stream) => {
                stream.set_read_timeout(Some(READ_WAIT))?;
                stream.set_write_timeout(Some(ADDRESS_WAIT))?;
                stream.write_all(WATCH)?;
                return Ok(stream);
            }
            Err(error) => failed = error,
        }
    }
    Err(failed)
}

fn is_nothing_yet(kind: ErrorKind) -> bool {
    matches!(kind, ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted)
}

#[cfg(test)]
mod tests;
