//! The four frame kinds of ISO 15765-2 as bytes: single, first, consecutive, flow control; classic and FD lengths.
//!
//! Keeps no state. Payloads here stand after the address byte, where extended addressing puts one; padding is ignored.

use crate::time::Span;

/// The most bytes of a classic frame; a longer one is FD and writes single-frame lengths in a second byte.
const CLASSIC: usize = 8;

/// A frame as read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Pdu<'a> {
    /// A message that fits a frame.
    Single(&'a [u8]),
    /// The start of a longer one.
    First {
        /// The message's length in bytes.
        length: u32,
        /// Its first bytes.
        data: &'a [u8],
    },
    /// A further part.
    Consecutive {
        /// 0 to 15; the first is 1.
        sequence: u8,
        /// Its bytes, the last frame's with padding.
        data: &'a [u8],
    },
    /// The receiver's word to the sender.
    FlowControl(FlowControl),
}

/// Why a payload is no frame of ISO 15765-2.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, thiserror::Error)]
pub enum Malformed {
    /// Too short to hold what its kind needs.
    #[error("too short")]
    Short,
    /// A kind that the standard reserves.
    #[error("reserved kind")]
    Kind,
    /// A length that its kind can't have.
    #[error("a length that its kind can't have")]
    Length,
    /// A flow status that the standard reserves.
    #[error("reserved flow status")]
    FlowStatus,
}

/// What a receiver says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FlowStatus {
    /// Send on.
    Continue,
    /// Wait for the next flow control.
    Wait,
    /// No room for the message.
    Overflow,
}

/// Flow control.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FlowControl {
    /// What to do.
    pub status: FlowStatus,
    /// Consecutive frames until the next flow control; 0 for all of them.
    pub block_size: u8,
    /// STmin as written; see [`Self::separation`].
    pub separation_code: u8,
}

impl FlowControl {
    /// Send everything, as fast as you can.
    pub const CONTINUE: Self = Self { status: FlowStatus::Continue, block_size: 0, separation_code: 0 };
    /// No room.
    pub const OVERFLOW: Self = Self { status: FlowStatus::Overflow, block_size: 0, separation_code: 0 };

    /// Its three bytes.
    pub fn bytes(self) -> [u8; 3] {
        let status = match self.status {
            FlowStatus::Continue => 0,
            FlowStatus::Wait => 1,
            FlowStatus::Overflow => 2,
        };
        [0x30 | status, self.block_size, self.separation_code]
    }

    /// The least time between consecutive frames: 00 to 7F are milliseconds, F1 to F9 hundreds of microseconds
    /// (linux/can/isotp.h); the rest is reserved and means 127 ms (ISO 15765-2, from memory).
    pub fn separation(self) -> Span {
        match self.separation_code {
            millis @ 0..=0x7F => Span::of_millis(i64::from(millis)),
            code @ 0xF1..=0xF9 => Span(i64::from(code - 0xF0) * 100),
            _ => Span::of_millis(127),
        }
    }
}

/// Reads a payload. `prefix` is the number of address bytes that stood before it (0 or 1): it shortens what a frame can hold.
pub fn read(payload: &[u8], prefix: usize) -> Result<Pdu<'_>, Malformed> {
    let (&first, rest) = payload.split_first().ok_or(Malformed::Short)?;
    let fd = payload.len() + prefix > CLASSIC;
    match first >> 4 {
        0 => single(first & 0x0F, rest, fd),
        1 => first_frame(first & 0x0F, rest, payload.len(), prefix),
        2 => Ok(Pdu::Consecutive { sequence: first & 0x0F, data: rest }),
        3 => flow_control(first & 0x0F, rest),
        _ => Err(Malformed::Kind),
    }
}

fn single(nibble: u8, rest: &[u8], fd: bool) -> Result<Pdu<'_>, Malformed> {
    let (length, data) = match (fd, nibble) {
        (false, 0) | (true, 1..) => return Err(Malformed::Length),
        (false, length) => (length, rest),
        (true, 0) => rest.split_first().map(|(length, data)| (*length, data)).ok_or(Malformed::Short)?,
    };
    match data.get(..usize::from(length)) {
        Some(data) if length > 0 => Ok(Pdu::Single(data)),
        Some(_) => Err(Malformed::Length),
        None => Err(Malformed::Short),
    }
}

/// A first frame fills its frame; its message is longer than a single frame of the same frame length could be.
fn first_frame(high: u8, rest: &[u8], payload: usize, prefix: usize) -> Result<Pdu<'_>, Malformed> {
    let frame = payload + prefix;
    if frame < CLASSIC {
        return Err(Malformed::Short);
    }
    let (length, data) = match *rest {
        [low, ref data @ ..] if (high, low) != (0, 0) => (u32::from(high) << 8 | u32::from(low), data),
        [0, a, b, c, d, ref data @ ..] => match u32::from_be_bytes([a, b, c, d]) {
            // The short form has room for these.
            0..=0xFFF => return Err(Malformed::Length),
            length => (length, data),
        },
        _ => return Err(Malformed::Short),
    };
    let single = payload - if frame > CLASSIC { 2 } else { 1 };
    if length as usize > single { Ok(Pdu::First { length, data }) } else { Err(Malformed::Length) }
}

fn flow_control(status: u8, rest: &[u8]) -> Result<Pdu<'static>, Malformed> {
    let &[block_size, separation_code, ..] = rest else { return Err(Malformed::Short) };
    let status = match status {
        0 => FlowStatus::Continue,
        1 => FlowStatus::Wait,
        2 => FlowStatus::Overflow,
        _ => return Err(Malformed::FlowStatus),
    };
    Ok(Pdu::FlowControl(FlowControl { status, block_size, separation_code }))
}
