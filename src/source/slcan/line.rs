//! The lines of an slcan adapter: frames, states, errors, acknowledgements.
//!
//! Bytes in chunks of any size in, events out; what can't be read is named, and the next line is read as if nothing had
//! been. Opens no port. Forms and letters: comments and code of the kernel's slcan driver.

use crate::diag::gate::BusEvent;
use crate::observation::CanId;
use crate::source::lines::{Lines, Step};

/// The longest line: a 29-bit frame of 8 bytes with a time stamp, `T1111222281122334455667788EA5F`.
const LINE_MAX: usize = 30;
/// A unit ends with a carriage return, or with a bell where the adapter refuses.
const OK: u8 = b'\r';
const BELL: u8 = 0x07;

/// A frame as the adapter sent it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SlcanFrame {
    /// Its identifier.
    pub id: CanId,
    /// Whether it is a remote frame: it asks for `len` bytes and has none.
    pub remote: bool,
    /// Payload length, 0 to 8.
    pub len: u8,
    /// The payload, zero-padded.
    pub data: [u8; 8],
    /// The adapter's clock, ms, which starts anew every 60 s.
    pub stamp_ms: Option<u16>,
}

/// The controller's state.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum State {
    /// Error-active.
    Active,
    /// Error warning level.
    Warning,
    /// Error-passive.
    Passive,
    /// Off the bus.
    BusOff,
}

/// What a line says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Event {
    /// A frame.
    Frame(SlcanFrame),
    /// The controller's state with its error counters.
    State {
        /// The state.
        state: State,
        /// Receive errors.
        receive_errors: u16,
        /// Transmit errors.
        transmit_errors: u16,
    },
    /// Errors on the bus, a set of [`ERRORS`] by position.
    Errors(u16),
    /// The adapter took a command (an empty unit), or sent a frame (`z`, `Z`).
    Done,
    /// The adapter's answer to a question about itself: version, serial number, status flags.
    About,
    /// The adapter refused a command.
    Refused,
    /// A line that can't be read.
    Unreadable(Unreadable),
}

/// Why a line can't be read.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, thiserror::Error)]
pub enum Unreadable {
    /// Its first letter means nothing.
    #[error("unknown kind of line")]
    Kind,
    /// A digit that is none.
    #[error("not a hexadecimal digit")]
    Digit,
    /// It ends before it should, or goes on after.
    #[error("wrong length")]
    Length,
    /// An identifier of more than 11 or 29 bits.
    #[error("identifier out of range")]
    Identifier,
    /// More than 8 bytes.
    #[error("more than 8 bytes")]
    DataLength,
    /// Longer than any line.
    #[error("overlong line")]
    Overlong,
}

/// The letters of an error line with their meaning.
pub const ERRORS: [(u8, &str); 8] = [
    (b'a', "acknowledgement error"),
    (b'b', "bit 0 error"),
    (b'B', "bit 1 error"),
    (b'c', "CRC error"),
    (b'f', "form error"),
    (b'o', "receive overrun"),
    (b'O', "transmit overrun"),
    (b's', "stuff error"),
];

impl Event {
    /// What it means to the gate of its bus; `None` where it says nothing about the bus.
    pub fn bus_event(&self) -> Option<BusEvent> {
        match self {
            Self::Frame(_) => Some(BusEvent::Sound),
            Self::State { state: State::Active, .. } => None,
            Self::State { state: State::Warning, .. } | Self::Errors(_) => Some(BusEvent::Error),
            Self::State { state: State::Passive, .. } => Some(BusEvent::ErrorPassive),
            Self::State { state: State::BusOff, .. } => Some(BusEvent::BusOff),
            // At a wrong serial or bit rate lines are garbled: no proof of a sound bus.
            Self::Unreadable(_) => Some(BusEvent::Error),
            Self::Done | Self::About | Self::Refused => None,
        }
    }
}

/// Reads an adapter's bytes.
#[derive(Clone, Debug)]
pub struct Reader {
    lines: Lines,
}

impl Default for Reader {
    fn default() -> Self {
        Self { lines: Lines::new(LINE_MAX, |byte| byte == OK || byte == BELL) }
    }
}

impl Reader {
    /// Takes a chunk; every line that ends in it is given to `each`.
    pub fn push(&mut self, mut chunk: &[u8], mut each: impl FnMut(Event)) {
        loop {
            match self.lines.take(&mut chunk) {
                Step::Incomplete => return,
                // Either end closes a unit for the kernel's driver, so a frame is one whichever ends it.
                Step::Line { text, end: BELL } => match line(text) {
                    Ok(frame @ Event::Frame(_)) => each(frame),
                    _ => each(Event::Refused),
                },
                Step::Line { text, .. } => each(line(text).unwrap_or_else(Event::Unreadable)),
                Step::Overlong { .. } => each(Event::Unreadable(Unreadable::Overlong)),
            }
        }
    }

    /// Forgets the line so far: the port was opened anew, its first line may be a torn one.
    pub fn reset(&mut self) {
        self.lines.reset();
    }
}

/// Reads a line without its end.
pub fn line(text: &[u8]) -> Result<Event, Unreadable> {
    // Some adapters end with both; the line feed then opens the next line.
    let text = text.strip_prefix(b"\n").unwrap_or(text);
    let Some((&kind, rest)) = text.split_first() else { return Ok(Event::Done) };
    match kind {
        b't' => frame(rest, 3, false),
        b'r' => frame(rest, 3, true),
        b'T' => frame(rest, 8, false),
        b'R' => frame(rest, 8, true),
        b'z' | b'Z' if rest.is_empty() => Ok(Event::Done),
        b'V' | b'v' | b'N' | b'F' => Ok(Event::About),
        b's' => state(rest),
        b'e' => errors(rest),
        _ => Err(Unreadable::Kind),
    }
}

fn frame(text: &[u8], digits: usize, remote: bool) -> Result<Event, Unreadable> {
    let (id, rest) = text.split_at_checked(digits).ok_or(Unreadable::Length)?;
    let number = hex(id)?;
    let id = match digits {
        3 if number <= 0x7FF => CanId::Standard(number as u16),
        8 if number <= 0x1FFF_FFFF => CanId::Extended(number),
        _ => return Err(Unreadable::Identifier),
    };
    let (length, rest) = rest.split_first().ok_or(Unreadable::Length)?;
    let len = match length {
        b'0'..=b'8' => length - b'0',
        b'9' => return Err(Unreadable::DataLength),
        _ => return Err(Unreadable::Digit),
    };
    let held = if remote { 0 } else { usize::from(len) };
    let (bytes, stamp) = rest.split_at_checked(2 * held).ok_or(Unreadable::Length)?;
    let mut data = [0; 8];
    for (place, pair) in data.iter_mut().zip(bytes.chunks_exact(2)) {
        *place = hex(pair)? as u8;
    }
    let stamp_ms = match stamp.len() {
        0 => None,
        4 => Some(hex(stamp)? as u16),
        _ => return Err(Unreadable::Length),
    };
    Ok(Event::Frame(SlcanFrame { id, remote, len, data, stamp_ms }))
}

/// `sb256256`: bus-off, 256 receive and 256 transmit errors.
fn state(text: &[u8]) -> Result<Event, Unreadable> {
    let &[state, ref counts @ ..] = text else { return Err(Unreadable::Length) };
    let state = match state {
        b'a' => State::Active,
        b'w' => State::Warning,
        b'p' => State::Passive,
        b'b' => State::BusOff,
        _ => return Err(Unreadable::Kind),
    };
    if counts.len() != 6 {
        return Err(Unreadable::Length);
    }
    let (receive, transmit) = counts.split_at(3);
    Ok(Event::State { state, receive_errors: decimal(receive)?, transmit_errors: decimal(transmit)? })
}

/// `e3bcO`: three letters follow.
fn errors(text: &[u8]) -> Result<Event, Unreadable> {
    let &[count, ref letters @ ..] = text else { return Err(Unreadable::Length) };
    if !count.is_ascii_digit() {
        return Err(Unreadable::Digit);
    }
    if letters.len() != usize::from(count - b'0') {
        return Err(Unreadable::Length);
    }
    let place = |letter: &u8| ERRORS.iter().position(|(known, _)| known == letter).ok_or(Unreadable::Kind);
    letters.iter().try_fold(0, |set, letter| Ok(set | 1 << place(letter)?)).map(Event::Errors)
}

fn hex(digits: &[u8]) -> Result<u32, Unreadable> {
    digits.iter().try_fold(0_u32, |number, digit| {
        let digit = char::from(*digit).to_digit(16).ok_or(Unreadable::Digit)?;
        Ok(number << 4 | digit)
    })
}

fn decimal(digits: &[u8]) -> Result<u16, Unreadable> {
    digits.iter().try_fold(0_u16, |number, digit| match digit {
        b'0'..=b'9' => Ok(number * 10 + u16::from(digit - b'0')),
        _ => Err(Unreadable::Digit),
    })
}

#[cfg(test)]
mod tests;
