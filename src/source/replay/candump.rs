//! candump text as a recording: lines into frames, what is not a frame counted with its line.
//!
//! The forms of a line are `line`'s; compression is the input's.

pub mod line;
mod word;

use memchr::memchr;

use super::input::Input;
use super::{BATCH, Recording};
use crate::document::{Fault, Place};
use crate::observation::{Batch, BusNames, Item, Stamped};
use crate::source::{Damage, Progress};
use crate::time::Steady;
use line::{Fast, Line, Text};

/// The longest line that is read, bytes.
const LINE_MAX: usize = 4096;

/// A candump log being read.
pub struct Candump {
    input: Input,
    fast: Fast,
    /// Lines read so far.
    lines: u64,
    /// Inside a line that is too long.
    overlong: bool,
    last: Option<Steady>,
    batch: usize,
    ended: bool,
    damage: Damage,
}

impl Candump {
    /// Reads from an input at its first line.
    pub fn new(input: Input) -> Self {
        Self {
            input,
            fast: Fast::default(),
            lines: 0,
            overlong: false,
            last: None,
            batch: BATCH,
            ended: false,
            damage: Damage::default(),
        }
    }

    /// Whether a text's first line that is not blank looks like candump's.
    pub fn recognises(head: &[u8]) -> bool {
        let head = head.trim_ascii_start();
        head.starts_with(b"(") || head.starts_with(b"DROPCOUNT:")
    }

    /// Takes lines of the usual shape until one is not, or the batch is full.
    fn take_fast(&mut self, into: &mut Batch, until: usize) {
        let text = self.input.rest();
        let mut place = 0;
        let before = into.frames.len();
        while into.frames.len() < until {
            let Some((frame, used)) = self.fast.parse(text.get(place..).unwrap_or_default()) else { break };
            place += used;
            into.frames.push(frame);
        }
        self.lines += (into.frames.len() - before) as u64;
        if place > 0 {
            self.last = into.frames.last().map(|frame| frame.at);
        }
        self.input.consume(place);
    }

    /// Takes one line, whatever its form. False at the end.
    fn take_line(&mut self, into: &mut Batch, names: &mut BusNames) -> bool {
        loop {
            let rest = self.input.rest();
            match memchr(b'\n', rest.get(..LINE_MAX + 1).unwrap_or(rest)) {
                Some(length) => {
                    self.lines += 1;
                    if !std::mem::take(&mut self.overlong) {
                        self.take_text(length, into, names);
                    }
                    self.input.consume(length + 1);
                    return true;
                }
                None if rest.len() > LINE_MAX => self.skip_overlong(),
                None if self.input.fill() => {}
                None => return self.take_last(into, names),
            }
        }
    }

    fn skip_overlong(&mut self) {
        if !self.overlong {
            self.overlong = true;
            self.lines += 1;
            self.spoil("longer than 4 KiB");
            self.lines -= 1;
        }
        self.input.consume(LINE_MAX);
    }

    /// The last line, which has no line end; if the stream broke off, it may be cut inside its payload and is not read.
    fn take_last(&mut self, into: &mut Batch, names: &mut BusNames) -> bool {
        let length = self.input.rest().len();
        if std::mem::replace(&mut self.ended, true) {
            return false;
        }
        if length > 0 && !self.overlong && self.input.broken().is_none() {
            self.lines += 1;
            self.take_text(length, into, names);
        }
        self.input.consume(length);
        if let Some(fault) = self.input.break_fault() {
            self.damage.add(|| fault);
        }
        length > 0
    }

    fn take_text(&mut self, length: usize, into: &mut Batch, names: &mut BusNames) {
        let text = self.input.rest().get(..length).unwrap_or_default();
        let problem = match line::parse(text) {
            Ok(Line::Blank) => None,
            Ok(Line::Frame(frame)) => {
                self.last = Some(frame.at);
                Self::take_frame(&frame, &mut self.fast, into, names)
            }
            Ok(Line::Dropped(words)) => match self.last {
                Some(at) => {
                    let words = format!("frames were lost while {} was recorded: {words}", self.input.name());
                    into.rest.push(Stamped { at, item: Item::Trouble(words) });
                    None
                }
                None => Some("frames were lost before the first line"),
            },
            Err(reason) => Some(reason),
        };
        if let Some(reason) = problem {
            self.spoil(reason);
        }
    }

    fn take_frame(frame: &Text<'_>, fast: &mut Fast, into: &mut Batch, names: &mut BusNames) -> Option<&'static str> {
        let Some(bus) = names.intern(frame.bus) else {
            return Some("more buses than can be told apart");
        };
        fast.learn(frame.bus, bus);
        into.push(frame.at, bus, frame.id, frame.flags, frame.payload());
        if let Some(pushed) = into.frames.last_mut() {
            pushed.len = frame.len;
        }
        None
    }

    fn spoil(&mut self, reason: &str) {
        let (name, line, byte) = (self.input.name(), self.lines, self.input.offset());
        self.damage.add(|| Fault::at(name, Place::Line(line), format!("{reason} (byte {byte})")));
    }
}

impl Recording for Candump {
    fn read(&mut self, into: &mut Batch, names: &mut BusNames) -> Result<bool, Fault> {
        let until = into.frames.len() + self.batch;
        let items = into.rest.len();
        loop {
            self.take_fast(into, until);
            // An item ends the batch: within one, items count as arrived behind the frames.
            if into.frames.len() >= until || into.rest.len() > items {
                return Ok(true);
            }
            if !self.take_line(into, names) {
                return Ok(false);
            }
        }
    }

    fn set_batch(&mut self, frames: usize) {
        self.batch = frames.max(1);
    }

    fn progress(&self) -> Progress {
        self.input.progress()
    }

    fn damage(&self) -> &Damage {
        &self.damage
    }
}

#[cfg(test)]
mod tests;
