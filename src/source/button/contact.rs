//! The contact of a button: a key of an input device (evdev), or a line of a GPIO chip. Opened, waited on, its levels handed on.
//!
//! Judges no press. What is opened is read only; an input device is taken for itself alone only where that was asked for.

use std::path::PathBuf;
use std::str::FromStr;
use std::time::Duration;

use evdev::{Device, EventSummary, KeyCode};
use gpiocdev::Request;
use gpiocdev::line::{EdgeDetection, EdgeKind};
use rustix::event::{PollFd, PollFlags, Timespec, poll};

use crate::source::live::Failure;
use crate::time::Span;

/// A key's level is its device's own and needs little; a bare contact bounces for up to 20 ms (common practice, no source).
const KEY_SETTLES: Span = Span::of_millis(5);
/// Where the configuration says nothing else.
pub const LINE_SETTLES: Span = Span::of_millis(30);

/// Which contact.
#[derive(Clone, PartialEq, Debug)]
pub enum Settings {
    /// A key of an input device.
    Key {
        /// The device, like `/dev/input/by-id/...`.
        device: PathBuf,
        /// The key's name, like `KEY_VOLUMEUP`.
        key: String,
        /// Whether the device is taken for this program alone.
        grab: bool,
    },
    /// A line of a GPIO chip.
    Line {
        /// The chip, like `/dev/gpiochip0`.
        chip: PathBuf,
        /// The line's number on it.
        line: u32,
        /// Pressed is low.
        active_low: bool,
        /// How long a level must stand to count.
        debounce: Span,
    },
}

/// A contact that is open.
pub trait Contact: Send {
    /// Waits for changes, at most for so long, and appends the levels it changed to: `true` pressed.
    ///
    /// # Errors
    /// If it can't be read any more.
    fn wait(&mut self, most: Span, levels: &mut Vec<bool>) -> Result<(), Failure>;
}

/// The key of a name of the kernel's list (linux/input-event-codes.h).
pub fn key_of(name: &str) -> Option<KeyCode> {
    KeyCode::from_str(name).ok()
}

impl Settings {
    /// How long a level must stand to count.
    pub fn settles(&self) -> Span {
        match self {
            Self::Key { .. } => KEY_SETTLES,
            Self::Line { debounce, .. } => *debounce,
        }
    }

    /// Opens the contact.
    ///
    /// # Errors
    /// If it is not there, may not be read, or has no such key.
    pub fn open(&self) -> Result<Box<dyn Contact>, Failure> {
        match self {
            Self::Key { device, key, grab } => {
                let failed = |what: String| Failure(format!("{}: {what}", device.display()));
                let code = key_of(key).ok_or_else(|| failed(format!("there is no key '{key}'")))?;
                let mut opened = Device::open(device).map_err(|error| failed(format!("{error}; {LOOK_AT_KEY}")))?;
                if !opened.supported_keys().is_some_and(|keys| keys.contains(code)) {
                    return Err(failed(format!("it has no key '{key}'; `evtest` shows those it has")));
                }
                opened.set_nonblocking(true).map_err(|error| failed(error.to_string()))?;
                if *grab {
                    opened
                        .grab()
                        .map_err(|error| failed(format!("it can't be taken for this program alone: {error}")))?;
                }
                Ok(Box::new(Key { device: opened, code, name: device.display().to_string() }))
            }
            Self::Line { chip, line, active_low, .. } => {
                let mut request = Request::builder();
                request.on_chip(chip).with_consumer("drawdown").with_line(*line);
                request.with_edge_detection(EdgeDetection::BothEdges);
                if *active_low {
                    request.as_active_low();
                }
                let name = format!("{} line {line}", chip.display());
                let request = request.request().map_err(|error| Failure(format!("{name}: {error}; {LOOK_AT_LINE}")))?;
                Ok(Box::new(Line { request, name }))
            }
        }
    }
}

const LOOK_AT_KEY: &str = "is it plugged in, and may this user read it (group input)?";
const LOOK_AT_LINE: &str = "is that the chip, is the line free, and may this user use it (group gpio)?";

struct Key {
    device: Device,
    code: KeyCode,
    name: String,
}

impl Contact for Key {
    fn wait(&mut self, most: Span, levels: &mut Vec<bool>) -> Result<(), Failure> {
        let failed =
            |error: String| Failure(format!("{}: it can't be read any more ({error}); is it plugged in?", self.name));
        let timeout = Timespec { tv_sec: most.0 / 1_000_000, tv_nsec: most.0 % 1_000_000 * 1_000 };
        let ready = poll(&mut [PollFd::new(&self.device, PollFlags::IN)], Some(&timeout));
        match ready {
            Ok(0) | Err(rustix::io::Errno::INTR) => return Ok(()),
            Ok(_) => {}
            Err(error) => return Err(failed(error.to_string())),
        }
        match self.device.fetch_events() {
            // 0 released, 1 pressed, 2 repeated while held (linux/input.h).
            Ok(events) => levels.extend(events.filter_map(|event| match event.destructure() {
                EventSummary::Key(_, code, value @ (0 | 1)) if code == self.code => Some(value == 1),
                _ => None,
            })),
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(failed(error.to_string())),
        }
        Ok(())
    }
}

struct Line {
    request: Request,
    name: String,
}

impl Contact for Line {
    fn wait(&mut self, most: Span, levels: &mut Vec<bool>) -> Result<(), Failure> {
        let failed = |error: gpiocdev::Error| Failure(format!("{}: it can't be read any more ({error})", self.name));
        let mut wait = Duration::from_micros(u64::try_from(most.0).unwrap_or(0));
        while self.request.wait_edge_event(wait).map_err(failed)? {
            levels.push(self.request.read_edge_event().map_err(failed)?.kind == EdgeKind::Rising);
            wait = Duration::ZERO;
        }
        Ok(())
    }
}
