//! pcap and pcapng captures of SocketCAN as a recording; damaged blocks are counted by packet number.
//!
//! The blocks are taken apart by the crate `pcap-parser`; what a packet says of a frame is [`packet`]'s. A pcapng block
//! that cannot be read is passed over by its length; after a broken pcap record the place of the next is lost.

mod packet;

use pcap_parser::pcapng::{Block, parse_block_be, parse_block_le};
use pcap_parser::{PcapHeader, parse_pcap_frame, parse_pcap_frame_be, parse_pcap_frame_modified, parse_pcap_header};
use pcap_parser::{parse_sectionheaderblock, traits::PcapNGPacketBlock};

use super::input::Input;
use super::{BATCH, Recording};
use crate::digest::Digest;
use crate::document::{Fault, Place};
use crate::observation::{Batch, BusNames};
use crate::source::{Damage, Progress};
use crate::time::{Steady, US_PER_S};
use packet::Link;

/// How the capture's blocks are laid out.
#[derive(Clone, Copy)]
enum Form {
    /// pcap: records behind one header.
    Records { big_endian: bool, modified: bool, nanoseconds: bool },
    /// pcapng: typed blocks; the byte order is the current section's.
    Blocks { big_endian: bool },
}

/// Where packets came from.
struct Interface {
    link: Link,
    name: String,
    /// Ticks in a second; `None` if they cannot be told.
    ticks: Option<u64>,
    /// Seconds to add.
    offset: i64,
}

/// A capture being read.
pub struct Capture {
    input: Input,
    form: Form,
    take: Taken,
    batch: usize,
    ended: bool,
}

/// What was read so far, apart from the input that it is read from.
struct Taken {
    file: String,
    interfaces: Vec<Interface>,
    packets: u64,
    damage: Damage,
}

impl Capture {
    /// Whether bytes start as a capture does.
    pub fn recognises(head: &[u8]) -> bool {
        matches!(
            head,
            [0xA1, 0xB2, 0xC3, 0xD4, ..]
                | [0xD4, 0xC3, 0xB2, 0xA1, ..]
                | [0xA1, 0xB2, 0x3C, 0x4D, ..]
                | [0x4D, 0x3C, 0xB2, 0xA1, ..]
                | [0x34, 0xCD, 0xB2, 0xA1, ..]
                | [0x0A, 0x0D, 0x0D, 0x0A, ..]
        )
    }

    /// Reads from an input at a capture's first byte.
    ///
    /// # Errors
    /// If its header cannot be read, or says that no CAN frames follow.
    pub fn new(mut input: Input) -> Result<Self, Fault> {
        let file = input.name().to_owned();
        let mut take = Taken { file: file.clone(), interfaces: Vec::new(), packets: 0, damage: Damage::default() };
        input.fill_to(24);
        let form = if input.rest().starts_with(&[0x0A, 0x0D, 0x0D, 0x0A]) {
            Form::Blocks { big_endian: false }
        } else {
            let broken = || Fault::whole(file.clone(), "a pcap capture whose header is cut or damaged");
            let (_, header) = parse_pcap_header(input.rest()).map_err(|_| broken())?;
            let form = record_form(&header);
            let Form::Records { big_endian, nanoseconds, .. } = form else { return Err(broken()) };
            // The upper bits tell of a frame check sequence.
            let link = Link::of((header.network.0 as u32 & 0xFFFF) as u16, big_endian);
            if let Link::Other(number) = link {
                return Err(Fault::whole(file, format!("a capture of link type {number}, not of CAN"))
                    .remedy("capture the CAN interface itself (link type 227)"));
            }
            let ticks = Some(if nanoseconds { 1_000_000_000 } else { 1_000_000 });
            take.interfaces.push(Interface { link, name: "can0".into(), ticks, offset: 0 });
            input.consume(24);
            form
        };
        Ok(Self { input, form, take, batch: BATCH, ended: false })
    }

    /// Takes one record or block. False at the end.
    fn take_one(&mut self, into: &mut Batch, names: &mut BusNames) -> bool {
        loop {
            let rest = self.input.rest();
            if rest.is_empty() && !self.input.fill() {
                return false;
            }
            let rest = self.input.rest();
            let outcome = match self.form {
                Form::Records { .. } => take_record(self.form, rest, &mut self.take, into, names),
                Form::Blocks { .. } => take_block(&mut self.form, rest, &mut self.take, into, names),
            };
            match outcome {
                Outcome::Used(bytes) => {
                    self.input.consume(bytes);
                    return true;
                }
                Outcome::Short if self.input.fill() => {}
                Outcome::Short => return self.pass_over("is cut short, or longer than any CAN frame"),
                Outcome::Damaged => return self.pass_over("cannot be read"),
            }
        }
    }

    /// Counts a block as damaged and passes over it, if its length can be believed. False if not.
    fn pass_over(&mut self, why: &str) -> bool {
        let byte = self.input.offset();
        let mut left = match (self.form, self.input.rest()) {
            (Form::Blocks { big_endian }, [_, _, _, _, a, b, c, d, ..]) => {
                let length = [*a, *b, *c, *d];
                if big_endian { u32::from_be_bytes(length) } else { u32::from_le_bytes(length) }
            }
            _ => 0,
        } as usize;
        let lost = left < 12 || !left.is_multiple_of(4);
        let after = if lost { ", and what follows it cannot be found" } else { "" };
        self.take.spoil(&format!("{why}{after} (byte {byte})"));
        while !lost && left > 0 {
            if self.input.rest().is_empty() && !self.input.fill() {
                return false;
            }
            let step = left.min(self.input.rest().len());
            self.input.consume(step);
            left -= step;
        }
        !lost
    }
}

fn record_form(header: &PcapHeader) -> Form {
    Form::Records {
        big_endian: header.is_bigendian(),
        modified: header.is_modified_format(),
        nanoseconds: header.is_nanosecond_precision(),
    }
}

/// What came of taking a block.
enum Outcome {
    /// It was taken, and is this many bytes long.
    Used(usize),
    /// More bytes are needed.
    Short,
    /// It is none.
    Damaged,
}

/// Splits a parser's answer: its value with the bytes used, or the outcome.
macro_rules! parsed {
    ($parser:expr, $rest:expr) => {
        match $parser($rest) {
            Ok((after, value)) => (value, $rest.len() - after.len()),
            Err(error) if error.is_incomplete() => return Outcome::Short,
            Err(_) => return Outcome::Damaged,
        }
    };
}

fn take_record(form: Form, rest: &[u8], take: &mut Taken, into: &mut Batch, names: &mut BusNames) -> Outcome {
    let Form::Records { big_endian, modified, .. } = form else { return Outcome::Damaged };
    let (record, used) = match (big_endian, modified) {
        (_, true) => parsed!(parse_pcap_frame_modified, rest),
        (true, _) => parsed!(parse_pcap_frame_be, rest),
        (false, _) => parsed!(parse_pcap_frame, rest),
    };
    take.packets += 1;
    let ticks = take.interfaces.first().and_then(|interface| interface.ticks).unwrap_or(1);
    let stamp = u64::from(record.ts_sec) * ticks + u64::from(record.ts_usec);
    take.packet(0, stamp, record.data, into, names);
    Outcome::Used(used)
}

fn take_block(form: &mut Form, rest: &[u8], take: &mut Taken, into: &mut Batch, names: &mut BusNames) -> Outcome {
    if rest.starts_with(&[0x0A, 0x0D, 0x0D, 0x0A]) {
        let (section, used) = parsed!(parse_sectionheaderblock, rest);
        *form = Form::Blocks { big_endian: section.big_endian() };
        take.interfaces.clear();
        return Outcome::Used(used);
    }
    let Form::Blocks { big_endian } = *form else { return Outcome::Damaged };
    let parser = if big_endian { parse_block_be } else { parse_block_le };
    let (block, used) = parsed!(parser, rest);
    match block {
        Block::InterfaceDescription(described) => {
            let number = take.interfaces.len();
            let name = described.if_name().and_then(Result::ok).map(|name| name.trim_matches('\0').to_owned());
            let offset = described.if_tsoffset;
            take.interfaces.push(Interface {
                link: Link::of(described.linktype.0 as u16, big_endian),
                name: name.filter(|name| !name.is_empty()).unwrap_or_else(|| format!("can{number}")),
                ticks: ticks(described.if_tsresol),
                // The crate reads this option as little-endian whatever the section.
                offset: if big_endian { offset.swap_bytes() } else { offset },
            });
        }
        Block::EnhancedPacket(packet) => {
            take.packets += 1;
            let stamp = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
            take.packet(packet.if_id as usize, stamp, packet.packet_data(), into, names);
        }
        Block::SimplePacket(_) => {
            take.packets += 1;
            take.spoil_this("has no time");
        }
        _ => {}
    }
    Outcome::Used(used)
}

/// Ticks in a second by the option `if_tsresol`: a power of ten, or with the top bit set of two (pcapng, section 4.2).
fn ticks(resolution: u8) -> Option<u64> {
    match resolution {
        0..=19 => 10u64.checked_pow(u32::from(resolution)),
        0x80..=0xBF => 1u64.checked_shl(u32::from(resolution & 0x7F)),
        _ => None,
    }
}

impl Taken {
    fn packet(&mut self, interface: usize, stamp: u64, data: &[u8], into: &mut Batch, names: &mut BusNames) {
        let Some(from) = self.interfaces.get(interface) else {
            return self.spoil_this("is of an interface that was not described");
        };
        let Some(ticks) = from.ticks else {
            return self.spoil_this("is of an interface whose clock cannot be read");
        };
        let micros = i128::from(stamp) * i128::from(US_PER_S) / i128::from(ticks);
        let Ok(at) = i64::try_from(micros + i128::from(from.offset) * i128::from(US_PER_S)) else {
            return self.spoil_this("has a time that no clock shows");
        };
        let packet = match packet::read(from.link, data) {
            Ok(Some(packet)) => packet,
            Ok(None) => return,
            Err(why) => return self.spoil_this(why),
        };
        let bus = match packet.interface {
            Some(index) => names.intern(&format!("if{index}")),
            None => names.intern(&from.name),
        };
        let Some(bus) = bus else {
            return self.spoil_this("is of one bus more than can be told apart");
        };
        into.push(Steady(at), bus, packet.id, packet.flags, packet.payload);
        if let Some(pushed) = into.frames.last_mut() {
            pushed.len = packet.len;
        }
    }

    /// Counts the packet last numbered as damaged.
    fn spoil_this(&mut self, why: &str) {
        let (file, packet) = (&self.file, self.packets);
        self.damage.add(|| Fault::at(file, Place::Packet(packet), why));
    }

    /// Counts the next packet as damaged.
    fn spoil(&mut self, why: &str) {
        self.packets += 1;
        self.spoil_this(why);
    }
}

impl Recording for Capture {
    fn read(&mut self, into: &mut Batch, names: &mut BusNames) -> Result<bool, Fault> {
        let until = into.frames.len() + self.batch;
        while !self.ended && into.frames.len() < until {
            if !self.take_one(into, names) {
                self.ended = true;
                if let Some(fault) = self.input.break_fault() {
                    self.take.damage.add(|| fault);
                }
            }
        }
        Ok(!self.ended)
    }

    fn set_batch(&mut self, frames: usize) {
        self.batch = frames.max(1);
    }

    fn progress(&self) -> Progress {
        self.input.progress()
    }

    fn damage(&self) -> &Damage {
        &self.take.damage
    }

    fn digest(&self) -> Result<Option<Digest>, Fault> {
        self.input.stored().digest()
    }
}

#[cfg(test)]
mod tests;
