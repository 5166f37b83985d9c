//! The data lines of one reply put together: messages with their sender, where the adapter shows it.
//!
//! With identifiers shown, lines are frames and [`crate::diag::isotp`] puts them together, several ECUs side by side (the
//! adapter itself sends flow control). Without, a length line and numbered parts make one message, and two ECUs at once can't
//! be told apart. Does not judge whose answer it is.

use std::collections::BTreeMap;

use crate::diag::isotp::{Action, MESSAGE_MAX, Reception, TransferFault};
use crate::observation::CanId;
use crate::time::Steady;

/// What stands before the data of a line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Shown {
    /// Nothing.
    DataOnly,
    /// An identifier of 11 bits: 3 digits.
    Identifier11,
    /// An identifier of 29 bits: 8 digits.
    Identifier29,
}

/// A whole message.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Message {
    /// Who sent it; `None` where the adapter does not show it.
    pub from: Option<CanId>,
    /// Its bytes, service first. Without identifiers it may be followed by padding only where the adapter gave no length.
    pub bytes: Vec<u8>,
    /// The line that made it whole, counted from 0 among those given.
    pub line: usize,
}

/// What is wrong with a line or a message.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum LineFault {
    /// Not pairs of digits.
    #[error("not pairs of hexadecimal digits")]
    Digits,
    /// The identifier asked for is not there: the adapter took the setting without following it.
    #[error("no identifier on the line, though the adapter accepted to show it")]
    NoIdentifier,
    /// More bytes than a frame holds.
    #[error("more bytes than a frame holds")]
    TooLong,
    /// A part without a length line before it, or not the part due.
    #[error("a part of a message out of order")]
    Sequence,
    /// The reply ended inside a message.
    #[error("the reply ended inside a message")]
    Incomplete,
    /// The transport found a fault.
    #[error("{0}")]
    Transfer(TransferFault),
}

/// Messages from the data lines of one reply (digits and colons, as [`super::reply::Line::Data`] holds them).
pub fn assemble<'a>(lines: impl IntoIterator<Item = &'a str>, shown: Shown) -> (Vec<Message>, Vec<LineFault>) {
    let (mut messages, mut faults) = (Vec::new(), Vec::new());
    match shown {
        Shown::DataOnly => parts(lines, &mut messages, &mut faults),
        _ => frames(lines, shown == Shown::Identifier29, &mut messages, &mut faults),
    }
    (messages, faults)
}

/// A line with its identifier: a frame.
pub fn frame(line: &str, wide: bool) -> Result<(CanId, Vec<u8>), LineFault> {
    let (id, data) = line.split_at_checked(if wide { 8 } else { 3 }).ok_or(LineFault::NoIdentifier)?;
    let number = u32::from_str_radix(id, 16).map_err(|_| LineFault::Digits)?;
    let id = match wide {
        true if number <= 0x1FFF_FFFF => CanId::Extended(number),
        // An odd number of digits tells an identifier of 3 from data alone.
        false if number <= 0x7FF && line.len() % 2 == 1 => CanId::Standard(number as u16),
        _ => return Err(LineFault::NoIdentifier),
    };
    let bytes = pairs(data)?;
    if bytes.len() > 8 { Err(LineFault::TooLong) } else { Ok((id, bytes)) }
}

fn frames<'a>(
    lines: impl IntoIterator<Item = &'a str>,
    wide: bool,
    messages: &mut Vec<Message>,
    faults: &mut Vec<LineFault>,
) {
    // A reply's lines come without moments; the adapter's own waiting time bounds them.
    let now = Steady(0);
    let mut receptions: BTreeMap<CanId, Reception> = BTreeMap::new();
    for (number, line) in lines.into_iter().enumerate() {
        let (from, payload) = match frame(line, wide) {
            Ok(frame) => frame,
            Err(fault) => {
                faults.push(fault);
                continue;
            }
        };
        for action in receptions.entry(from).or_default().frame(now, &payload) {
            match action {
                Action::SendFlowControl(_) => {}
                Action::Complete(bytes) => messages.push(Message { from: Some(from), bytes, line: number }),
                Action::Fault(fault) => faults.push(LineFault::Transfer(fault)),
            }
        }
    }
    faults.extend(receptions.values().filter(|reception| reception.is_open()).map(|_| LineFault::Incomplete));
}

/// A message announced by its length.
struct Announced {
    length: usize,
    bytes: Vec<u8>,
    /// The number of the part due: 0 to F, then 0 again.
    due: u32,
}

fn parts<'a>(lines: impl IntoIterator<Item = &'a str>, messages: &mut Vec<Message>, faults: &mut Vec<LineFault>) {
    let mut open: Option<Announced> = None;
    for (at, line) in lines.into_iter().enumerate() {
        match line.split_once(':') {
            Some((number, data)) => match part(&mut open, number, data) {
                Ok(Some(bytes)) => messages.push(Message { from: None, bytes, line: at }),
                Ok(None) => {}
                Err(fault) => {
                    open = None;
                    faults.push(fault);
                }
            },
            None => {
                if open.take().is_some() {
                    faults.push(LineFault::Incomplete);
                }
                match (line.len(), usize::from_str_radix(line, 16), pairs(line)) {
                    (3, Ok(length @ 1..=MESSAGE_MAX), _) => {
                        open = Some(Announced { length, bytes: Vec::new(), due: 0 })
                    }
                    (_, _, Ok(bytes)) => messages.push(Message { from: None, bytes, line: at }),
                    (_, _, Err(fault)) => faults.push(fault),
                }
            }
        }
    }
    faults.extend(open.map(|_| LineFault::Incomplete));
}

fn part(open: &mut Option<Announced>, number: &str, data: &str) -> Result<Option<Vec<u8>>, LineFault> {
    let number = u32::from_str_radix(number, 16).map_err(|_| LineFault::Digits)?;
    let announced = open.as_mut().filter(|open| open.due == number).ok_or(LineFault::Sequence)?;
    announced.bytes.extend(pairs(data)?);
    announced.due = (announced.due + 1) & 0x0F;
    if announced.bytes.len() < announced.length {
        return Ok(None);
    }
    // What stands past the length is padding.
    announced.bytes.truncate(announced.length);
    Ok(open.take().map(|announced| announced.bytes))
}

fn pairs(digits: &str) -> Result<Vec<u8>, LineFault> {
    let digit = |byte: u8| char::from(byte).to_digit(16).map(|digit| digit as u8).ok_or(LineFault::Digits);
    let pairs = digits.as_bytes().chunks(2);
    pairs
        .map(|pair| if let [high, low] = *pair { Ok(digit(high)? << 4 | digit(low)?) } else { Err(LineFault::Digits) })
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::reply::{Line, read};
    use super::*;

    fn data(text: &str) -> Vec<String> {
        let lines = text.lines().map(read);
        lines.filter_map(|line| if let Line::Data(data) = line { Some(data) } else { None }).collect()
    }

    fn put(text: &str, shown: Shown) -> (Vec<Message>, Vec<LineFault>) {
        let lines = data(text);
        assemble(lines.iter().map(String::as_str), shown)
    }

    fn vehicle_number() -> Vec<u8> {
        [&[0x49, 0x02, 0x01], &b"1D4GP00R55B123456"[..]].concat()
    }

    /// The example of an interpreter IC's data sheet, "Multiline Responses"; blanks on and off, search notice before it.
    #[test]
    fn the_published_reply_without_identifiers() {
        let plain = "014\n0: 49 02 01 31 44 34\n1: 47 50 30 30 52 35 35\n2: 42 31 32 33 34 35 36";
        let tight = plain.replace(' ', "");
        for text in [plain.to_owned(), tight, format!("SEARCHING...{plain}"), format!("SEARCHING...\n{plain}")] {
            let line = text.lines().filter(|line| *line != "SEARCHING...").count() - 1;
            let expected = vec![Message { from: None, bytes: vehicle_number(), line }];
            assert_eq!(put(&text, Shown::DataOnly), (expected, vec![]), "{text}");
        }
    }

    /// The same message as frames, two ECUs interleaved.
    #[test]
    fn frames_with_identifiers() {
        let text =
            "7E8 10 14 49 02 01 31 44 34\n7EC 03 7F 09 12\n7E8 21 47 50 30 30 52 35 35\n7E8 22 42 31 32 33 34 35 36";
        let from = |id| Some(CanId::Standard(id));
        let expected = vec![
            Message { from: from(0x7EC), bytes: vec![0x7F, 0x09, 0x12], line: 1 },
            Message { from: from(0x7E8), bytes: vehicle_number(), line: 3 },
        ];
        assert_eq!(put(text, Shown::Identifier11), (expected, vec![]));
        let wide = Message { from: Some(CanId::Extended(0x18DA_F110)), bytes: vec![0x41, 0x0D, 0x64], line: 0 };
        assert_eq!(put("18 DA F1 10 03 41 0D 64 AA AA AA AA", Shown::Identifier29), (vec![wide], vec![]));
    }

    #[test]
    fn what_is_wrong_is_named() {
        let none = |text, shown, fault| assert_eq!(put(text, shown), (vec![], vec![fault]), "{text}");
        none("41 0D 3C", Shown::Identifier11, LineFault::NoIdentifier);
        none("7E8 03 41 0D 3C 00 00 00 00 00", Shown::Identifier11, LineFault::TooLong);
        none("7E8 10 14 49 02 01 31 44 34", Shown::Identifier11, LineFault::Incomplete);
        none("014\n0: 49 02", Shown::DataOnly, LineFault::Incomplete);
        none("0: 49 02", Shown::DataOnly, LineFault::Sequence);
        none("014\n1: 49 02", Shown::DataOnly, LineFault::Sequence);
        none("41 0", Shown::DataOnly, LineFault::Incomplete);
        none("41 0D 3", Shown::DataOnly, LineFault::Digits);
        // Two ECUs whose parts interleave are not guessed at.
        let (messages, faults) = put("014\n014\n0: 49 02 01 31 44 34\n0: 49 02 01 31 44 34", Shown::DataOnly);
        assert_eq!((messages, faults), (vec![], vec![LineFault::Incomplete, LineFault::Sequence]));
    }

    proptest! {
        #[test]
        fn no_lines_panic(lines in prop::collection::vec("[0-9A-F:]{0,24}", 0..12)) {
            for shown in [Shown::DataOnly, Shown::Identifier11, Shown::Identifier29] {
                let (messages, _) = assemble(lines.iter().map(String::as_str), shown);
                prop_assert!(messages.iter().all(|message| message.bytes.len() <= MESSAGE_MAX));
            }
        }
    }
}
