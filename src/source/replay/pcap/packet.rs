//! A captured packet as a CAN frame: the link types of SocketCAN and of Linux cooked captures.
//!
//! Layouts: tcpdump.org, LINKTYPE_CAN_SOCKETCAN, LINKTYPE_LINUX_SLL, LINKTYPE_LINUX_SLL2. Does not read blocks.

use crate::observation::FrameFlags;

/// What a capture's packets are.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Link {
    /// CAN frames, the identifier in big-endian order.
    Can,
    /// Linux cooked; the identifier of a CAN frame is in the capturing host's byte order, which is the file's.
    Cooked {
        /// The file's byte order.
        big_endian: bool,
    },
    /// Linux cooked, version 2.
    Cooked2 {
        /// The file's byte order.
        big_endian: bool,
    },
    /// Something else.
    Other(u16),
}

impl Link {
    /// By its number.
    pub fn of(number: u16, big_endian: bool) -> Self {
        match number {
            227 => Self::Can,
            113 => Self::Cooked { big_endian },
            276 => Self::Cooked2 { big_endian },
            other => Self::Other(other),
        }
    }
}

/// A frame as a packet holds it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Packet<'a> {
    /// Identifier without flag bits.
    pub id: u32,
    /// What kind it is.
    pub flags: FrameFlags,
    /// Payload length, or the length that a remote frame asks for.
    pub len: u8,
    /// The payload.
    pub payload: &'a [u8],
    /// The interface's number, where the packet itself says it.
    pub interface: Option<u32>,
}

/// Protocol numbers of CAN and CAN FD in a cooked header (linux/if_ether.h, ETH_P_CAN and ETH_P_CANFD).
const PROTOCOLS: [[u8; 2]; 2] = [[0x00, 0x0C], [0x00, 0x0D]];

/// Reads a packet; `None` for a cooked packet that is not of CAN. The error is the reason why it cannot be read.
pub fn read(link: Link, data: &[u8]) -> Result<Option<Packet<'_>>, &'static str> {
    let short = "is shorter than its header";
    match link {
        Link::Can => frame(data, true, None).map(Some),
        Link::Cooked { big_endian } => {
            let (header, data) = data.split_at_checked(16).ok_or(short)?;
            if PROTOCOLS.iter().any(|number| header.ends_with(number)) {
                frame(data, big_endian, None).map(Some)
            } else {
                Ok(None)
            }
        }
        Link::Cooked2 { big_endian } => {
            let (header, data) = data.split_at_checked(20).ok_or(short)?;
            let index = header.get(4..).and_then(|tail| tail.first_chunk()).map(|bytes| u32::from_be_bytes(*bytes));
            if PROTOCOLS.iter().any(|number| header.starts_with(number)) {
                frame(data, big_endian, index).map(Some)
            } else {
                Ok(None)
            }
        }
        Link::Other(_) => Err("is not of a CAN link type"),
    }
}

/// The frame of LINKTYPE_CAN_SOCKETCAN: identifier with flag bits, length, FD flags, two bytes reserved, payload, padding.
fn frame(data: &[u8], big_endian: bool, interface: Option<u32>) -> Result<Packet<'_>, &'static str> {
    const BRS: u8 = 1;
    const ESI: u8 = 2;
    const FDF: u8 = 4;
    const XLF: u8 = 0x80;
    let [a, b, c, d, len, bits, _, _, rest @ ..] = data else { return Err("is shorter than a CAN frame's header") };
    if len & XLF != 0 {
        return Err("is a CAN XL frame, which is not read");
    }
    let word = if big_endian { u32::from_be_bytes([*a, *b, *c, *d]) } else { u32::from_le_bytes([*a, *b, *c, *d]) };
    let (error, remote, extended) = (word & 0x2000_0000 != 0, word & 0x4000_0000 != 0, word & 0x8000_0000 != 0);
    // The mark FDF is younger than the format: without it the size tells, 16 bytes or 72.
    let fd = bits & FDF != 0 || data.len() == 72;
    let mut flags = 0;
    for (set, flag) in [
        (error, FrameFlags::ERROR),
        (extended && !error, FrameFlags::EXTENDED),
        (remote, FrameFlags::REMOTE),
        (fd, FrameFlags::FD),
        (fd && bits & BRS != 0, FrameFlags::BRS),
        (fd && bits & ESI != 0, FrameFlags::ESI),
    ] {
        flags |= if set { flag } else { 0 };
    }
    let id = word & 0x1FFF_FFFF;
    if !extended && !error && id > 0x7FF {
        return Err("has an 11-bit identifier above 7FF");
    }
    if *len > if fd { 64 } else { 8 } {
        return Err("has a length that no CAN frame has");
    }
    let size = if remote { 0 } else { usize::from(*len) };
    let payload = rest.get(..size).ok_or("is shorter than its payload")?;
    Ok(Packet { id, flags: FrameFlags(flags), len: *len, payload, interface })
}
