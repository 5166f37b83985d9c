//! One line of candump text: the general parser, and a fast one for the usual shape.
//!
//! The fast parser gives what the general one gives or declines; a property test holds them equal. The forms are those
//! of can-utils (`candump -l`, and `parse_canframe` as its `lib.h` describes it). Does not read files.

use super::word::{all_decimal, bytes_before, decimal, first, hex, not_hex};
use crate::observation::{Bus, Frame, FrameFlags};
use crate::time::{Steady, US_PER_S};

/// Set in an 8-digit identifier: an error frame (linux/can.h, `CAN_ERR_FLAG`).
const ERROR_BIT: u32 = 0x2000_0000;
const EXTENDED_MAX: u32 = 0x1FFF_FFFF;
const STANDARD_MAX: u32 = 0x7FF;
/// The longest bus name accepted, bytes; Linux's own are at most 15.
const NAME_MAX: usize = 64;

/// What a line holds.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Line<'a> {
    /// Nothing.
    Blank,
    /// A frame.
    Frame(Text<'a>),
    /// candump's own word that it lost frames.
    Dropped(&'a str),
}

/// A frame as a line writes it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Text<'a> {
    /// The stamp, floored to the microsecond.
    pub at: Steady,
    /// The bus.
    pub bus: &'a str,
    /// Identifier without flag bits.
    pub id: u32,
    /// What kind it is.
    pub flags: FrameFlags,
    /// Payload length, or the length that a remote frame asks for.
    pub len: u8,
    /// The payload, zero-padded.
    pub data: [u8; 64],
}

impl Text<'_> {
    /// The payload; of a remote frame, empty.
    pub fn payload(&self) -> &[u8] {
        if self.flags.has(FrameFlags::REMOTE) { &[] } else { &self.data[..usize::from(self.len).min(64)] }
    }
}

/// Reads a line (without its line end), whatever its form; the error is the reason why it cannot be.
pub fn parse(line: &[u8]) -> Result<Line<'_>, &'static str> {
    let line = line.trim_ascii();
    if line.is_empty() {
        return Ok(Line::Blank);
    }
    if line.starts_with(b"DROPCOUNT:") {
        return std::str::from_utf8(line).map(Line::Dropped).map_err(|_| "not text");
    }
    let rest = line.strip_prefix(b"(").ok_or("does not start with a time in brackets")?;
    let (stamp, rest) = split(rest, b')').ok_or("the time has no closing bracket")?;
    let at = parse_stamp(stamp).ok_or("the time is not of the form seconds.fraction")?;
    let (bus, rest) = split(rest.trim_ascii_start(), b' ').ok_or("ends before its frame")?;
    let bus = std::str::from_utf8(bus).map_err(|_| "the bus name is not text")?;
    if bus.is_empty() || bus.len() > NAME_MAX || bus.chars().any(char::is_control) {
        return Err("the bus name is empty, too long or not printable");
    }
    let (frame, tail) = split(rest.trim_ascii_start(), b' ').unwrap_or((rest.trim_ascii_start(), b""));
    if !matches!(tail.trim_ascii(), b"" | b"T" | b"R") {
        return Err("text after the frame");
    }
    parse_frame(at, bus, frame).map(Line::Frame)
}

fn split(text: &[u8], at: u8) -> Option<(&[u8], &[u8])> {
    let place = text.iter().position(|byte| *byte == at)?;
    Some((text.get(..place)?, text.get(place + 1..)?))
}

/// `seconds.fraction`: up to 12 digits before the point, 1 to 9 behind it.
fn parse_stamp(text: &[u8]) -> Option<Steady> {
    let (whole, fraction) = split(text, b'.')?;
    if whole.is_empty() || whole.len() > 12 || fraction.is_empty() || fraction.len() > 9 {
        return None;
    }
    let number = |digits: &[u8]| {
        digits.iter().try_fold(0i64, |sum, digit| digit.is_ascii_digit().then(|| sum * 10 + i64::from(digit - b'0')))
    };
    number(fraction)?;
    let micros = number(fraction.get(..6).unwrap_or(fraction))? * 10i64.pow(6 - fraction.len().min(6) as u32);
    Some(Steady(number(whole)? * US_PER_S + micros))
}

fn parse_frame<'a>(at: Steady, bus: &'a str, frame: &[u8]) -> Result<Text<'a>, &'static str> {
    let (digits, body) = split(frame, b'#').ok_or("the frame has no '#'")?;
    let (id, flags) = parse_id(digits)?;
    let mut text = Text { at, bus, id, flags: FrameFlags(flags), len: 0, data: [0; 64] };
    match body {
        [b'R' | b'r', asked @ ..] => {
            text.flags.0 |= FrameFlags::REMOTE;
            text.len = match raw_length_off(asked) {
                [] => 0,
                [digit @ b'0'..=b'8'] => digit - b'0',
                _ => return Err("the length that a remote frame asks for is not 0 to 8"),
            };
        }
        [b'#', bits, payload @ ..] => {
            let bits = nibble(*bits).ok_or("the FD flags are not a hexadecimal digit")?;
            text.flags.0 |= FrameFlags::FD;
            text.flags.0 |= if bits & 1 != 0 { FrameFlags::BRS } else { 0 };
            text.flags.0 |= if bits & 2 != 0 { FrameFlags::ESI } else { 0 };
            text.len = parse_payload(payload, &mut text.data)
                .ok_or("the payload is not 0 to 64 bytes of hexadecimal pairs")?;
        }
        [b'#'] => return Err("the FD flags are missing"),
        payload => {
            text.len = parse_payload(raw_length_off(payload), &mut text.data[..8])
                .ok_or("the payload is not 0 to 8 bytes of hexadecimal pairs")?;
        }
    }
    Ok(text)
}

/// Identifier and flag bits from its digits.
fn parse_id(digits: &[u8]) -> Result<(u32, u8), &'static str> {
    let number = || digits.iter().try_fold(0u32, |sum, digit| Some(sum << 4 | u32::from(nibble(*digit)?)));
    if digits.len() != 3 && digits.len() != 8 {
        return Err("the identifier is not 3 or 8 digits long");
    }
    let id = number().ok_or("the identifier is not hexadecimal")?;
    match digits.len() {
        3 if id > STANDARD_MAX => Err("an 11-bit identifier above 7FF"),
        3 => Ok((id, 0)),
        _ if id & ERROR_BIT != 0 && id & !(ERROR_BIT | EXTENDED_MAX) == 0 => Ok((id & EXTENDED_MAX, FrameFlags::ERROR)),
        _ if id > EXTENDED_MAX => Err("a 29-bit identifier above 1FFFFFFF"),
        _ => Ok((id, FrameFlags::EXTENDED)),
    }
}

/// Hexadecimal pairs, a dot allowed between them; `None` if they are no such or more than `data` holds.
fn parse_payload(mut text: &[u8], data: &mut [u8]) -> Option<u8> {
    let mut len = 0;
    while let [high, low, rest @ ..] = text {
        *data.get_mut(len)? = nibble(*high)? << 4 | nibble(*low)?;
        len += 1;
        text = match rest {
            [b'.', more @ ..] if !more.is_empty() => more,
            _ => rest,
        };
    }
    text.is_empty().then_some(len as u8)
}

/// Without the raw length code (`_9` to `_F`) that can-utils writes behind eight bytes where it differs from 8.
fn raw_length_off(body: &[u8]) -> &[u8] {
    match body {
        [before @ .., b'_', b'9' | b'A'..=b'F' | b'a'..=b'f'] => before,
        _ => body,
    }
}

fn nibble(digit: u8) -> Option<u8> {
    char::from(digit).to_digit(16).map(|value| value as u8)
}

/// Reads lines of the usual shape, `(10 digits.6 digits) NAME ID#PAYLOAD`, with or without a direction: data frames of classic CAN on a bus with a
/// name of at most 7 bytes. Whatever else a line is, it declines.
#[derive(Clone)]
pub struct Fast {
    /// The digits of the seconds last seen, and what they are in microseconds: a second lasts thousands of frames.
    second: ([u8; 10], i64),
    /// The names seen, with the blank that ends them, by a hash: a log mixes its buses line by line.
    names: [(u64, Bus); 64],
}

impl Default for Fast {
    fn default() -> Self {
        Self { second: (*b"0000000000", 0), names: [(0, Bus(0)); 64] }
    }
}

impl Fast {
    /// Bytes that the longest usual line and the words read of it take.
    pub const REACH: usize = 64;

    /// Makes a bus known; lines of buses that it does not know are declined.
    pub fn learn(&mut self, name: &str, bus: Bus) {
        let mut key = [0; 8];
        if name.contains(' ') || name.is_empty() {
            return;
        }
        if let Some(bytes) = key.get_mut(..name.len() + 1) {
            bytes[..name.len()].copy_from_slice(name.as_bytes());
            bytes[name.len()] = b' ';
            let key = u64::from_le_bytes(key);
            self.names[Self::slot(key)] = (key, bus);
        }
    }

    fn slot(key: u64) -> usize {
        (key.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 58) as usize
    }

    /// Reads the line at the start of `text`: the frame, and how many bytes the line takes with its end. `None` for a
    /// line of another form, or if fewer than [`Self::REACH`] bytes are there.
    #[inline]
    pub fn parse(&mut self, text: &[u8]) -> Option<(Frame, usize)> {
        let line: &[u8; Self::REACH] = text.first_chunk()?;
        let at = self.stamp(line)?;
        let blank = first(word(line, 20)?, b' ');
        let key = word(line, 20)? & (blank ^ blank.wrapping_sub(1));
        let name_len = bytes_before(blank);
        let (known, bus) = self.names[Self::slot(key)];
        if known != key || blank == 0 || name_len == 0 {
            return None;
        }
        let (id, flags, body) = fast_id(line, 21 + name_len)?;
        let (low, high) = (word(line, body)?, word(line, body + 8)?);
        let digits = match not_hex(low) {
            0 => 8 + bytes_before(not_hex(high)),
            bad => bytes_before(bad),
        };
        let len = digits / 2;
        let payload = u64::from(hex(low)) | u64::from(hex(high)) << 32;
        let payload = if len == 8 { payload } else { payload & !(u64::MAX << (8 * len)) };
        let end = match line.get(body + digits..body + digits + 3)? {
            [b'\n', ..] => 1,
            [b'\r', b'\n', _] => 2,
            [b' ', b'R' | b'T', b'\n'] => 3,
            _ => return None,
        };
        let frame = Frame { at, id, bus, flags, len: len as u8, data: payload.to_le_bytes() };
        (digits % 2 == 0).then_some((frame, body + digits + end))
    }

    #[inline]
    fn stamp(&mut self, line: &[u8; Self::REACH]) -> Option<Steady> {
        let fraction = word(line, 11)?;
        // `.dddddd)` becomes `00dddddd`: the bracket is shifted out, the point and what comes before are overwritten.
        let digits = (fraction << 8) & !0xFFFF | 0x3030;
        let frame_of_it = [line[0], line[11], line[18], line[19]];
        if frame_of_it != *b"(.) " || !all_decimal(digits) {
            return None;
        }
        let seconds: &[u8; 10] = line[1..].first_chunk()?;
        if *seconds != self.second.0 {
            let upper = word(line, 1)?;
            let lower = [line[9], line[10]];
            if !all_decimal(upper) || !lower.iter().all(u8::is_ascii_digit) {
                return None;
            }
            let lower = i64::from(lower[0] - b'0') * 10 + i64::from(lower[1] - b'0');
            self.second = (*seconds, (i64::from(decimal(upper)) * 100 + lower) * US_PER_S);
        }
        Some(Steady(self.second.1 + i64::from(decimal(digits))))
    }
}

#[inline]
fn word(line: &[u8; Fast::REACH], at: usize) -> Option<u64> {
    line.get(at..)?.first_chunk().map(|bytes| u64::from_le_bytes(*bytes))
}

/// Identifier, flags, and where the payload starts.
#[inline]
fn fast_id(line: &[u8; Fast::REACH], at: usize) -> Option<(u32, FrameFlags, usize)> {
    let digits = word(line, at)?;
    if *line.get(at + 3)? == b'#' {
        let padded = digits << 40 | 0x30_3030_3030;
        let id = hex(padded).swap_bytes();
        (not_hex(padded) == 0 && id <= STANDARD_MAX).then_some((id, FrameFlags(0), at + 4))
    } else {
        let id = hex(digits).swap_bytes();
        let sound = *line.get(at + 8)? == b'#' && not_hex(digits) == 0 && id <= EXTENDED_MAX;
        sound.then_some((id, FrameFlags(FrameFlags::EXTENDED), at + 9))
    }
}

#[cfg(test)]
mod tests;
