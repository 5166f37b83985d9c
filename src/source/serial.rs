//! A serial port: opened raw (8 data bits, no parity, 1 stop bit, no flow control) and alone, read in chunks, written with a
//! time-out; every failure by name.
//!
//! Knows no protocol, starts no thread, and never waits longer than it is told to, whatever hangs at the other end.

use std::io::{ErrorKind, Read, Write};
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serialport::{ClearBuffer, SerialPort, TTYPort};

use super::live::Failure;
use crate::time::Span;

/// How long [`Port::read`] waits for the first byte, until [`Port::set_wait`] says otherwise.
pub const READ_WAIT: Span = Span::of_millis(50);
/// How long [`Port::write`] tries, in waits of [`WRITE_WAIT`]: far more than a command needs at the slowest rate.
const WRITE_WAITS: u32 = 10;
const WRITE_WAIT: Span = Span::of_millis(50);

/// An open serial port, or a pseudo-terminal; closed when dropped.
#[derive(Debug)]
pub struct Port {
    port: TTYPort,
    path: PathBuf,
    wait: Span,
}

impl Port {
    /// Opens a port for this process alone at a rate in bit/s; what came before is forgotten.
    ///
    /// # Errors
    /// If it is missing, may not be opened, is open elsewhere or is no serial port, each with its remedy.
    pub fn open(path: &Path, rate: u32) -> Result<Self, Failure> {
        let name = path.to_str().ok_or_else(|| failure(path, "a port's path must be UTF-8"))?;
        let builder = serialport::new(name, rate).timeout(duration(READ_WAIT)).exclusive(true);
        let port = TTYPort::open(&builder).map_err(|error| failure(path, &cannot_open(path, &error)))?;
        // What waits was sent at an unknown rate, to an unknown reader.
        port.clear(ClearBuffer::Input).map_err(|error| failure(path, &cannot_open(path, &error)))?;
        // SAFETY: fcntl with F_GETFL and F_SETFL takes no pointer and touches no memory of ours; the descriptor is open
        // and owned by `port`, which outlives both calls.
        let set = unsafe {
            let flags = libc::fcntl(port.as_raw_fd(), libc::F_GETFL);
            flags != -1 && libc::fcntl(port.as_raw_fd(), libc::F_SETFL, flags | libc::O_NONBLOCK) != -1
        };
        // Else a write to a port whose other end takes nothing could wait for ever.
        if !set {
            return Err(failure(path, &std::io::Error::last_os_error().to_string()));
        }
        Ok(Self { port, path: path.to_owned(), wait: READ_WAIT })
    }

    /// Its path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// How long a read waits for the first byte from now on.
    ///
    /// # Errors
    /// None on Linux, where only a number is kept.
    pub fn set_wait(&mut self, wait: Span) -> Result<(), Failure> {
        if wait != self.wait {
            self.port.set_timeout(duration(wait)).map_err(|error| failure(&self.path, &error.to_string()))?;
            self.wait = wait;
        }
        Ok(())
    }

    /// Reads what is there, waiting for the first byte; 0 if nothing came in that time.
    ///
    /// # Errors
    /// If the port is gone.
    pub fn read(&mut self, buffer: &mut [u8]) -> Result<usize, Failure> {
        match self.port.read(buffer) {
            // The end of a terminal is that nothing is behind it any more.
            Ok(0) if !buffer.is_empty() => Err(self.gone("no more to read")),
            Ok(count) => Ok(count),
            Err(error) if is_nothing_yet(&error) => Ok(0),
            Err(error) => Err(self.gone(&error.to_string())),
        }
    }

    /// Writes all of it, within half a second. The system takes it; it may still be on its way when this returns.
    ///
    /// # Errors
    /// If the port is gone, or takes nothing.
    pub fn write(&mut self, mut bytes: &[u8]) -> Result<(), Failure> {
        let wait = self.wait;
        self.set_wait(WRITE_WAIT)?;
        let mut waits = 0;
        while !bytes.is_empty() {
            match self.port.write(bytes) {
                Ok(count) => bytes = bytes.get(count..).unwrap_or_default(),
                Err(error) if is_nothing_yet(&error) => waits += 1,
                Err(error) => return Err(self.gone(&error.to_string())),
            }
            if waits >= WRITE_WAITS {
                return Err(failure(&self.path, "it takes nothing that is written; unplug it and plug it in again"));
            }
        }
        self.set_wait(wait)
    }

    fn gone(&self, why: &str) -> Failure {
        failure(&self.path, &format!("the port is gone ({why}); is it plugged in?"))
    }
}

/// A failure that names the port.
fn failure(path: &Path, what: &str) -> Failure {
    Failure(format!("{}: {what}", path.display()))
}

fn is_nothing_yet(error: &std::io::Error) -> bool {
    matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted)
}

fn cannot_open(path: &Path, error: &serialport::Error) -> String {
    use serialport::ErrorKind as Kind;
    match error.kind() {
        Kind::Io(ErrorKind::NotFound) => {
            "there is no such port; plug the device in, or correct the path (ls -l /dev/serial/by-id)".into()
        }
        Kind::Io(ErrorKind::PermissionDenied) => {
            "no permission; add the user to the group dialout (adduser USER dialout) and log in anew".into()
        }
        // The library's word for a port that another program has locked.
        Kind::NoDevice => {
            format!("another program has it open; end that one (fuser {} names it)", path.display())
        }
        _ => format!("it can't be opened as a serial port: {error}; is it one?"),
    }
}

fn duration(span: Span) -> Duration {
    Duration::from_micros(u64::try_from(span.0).unwrap_or(0))
}

#[cfg(test)]
pub(crate) mod test_support;
#[cfg(test)]
mod tests;
