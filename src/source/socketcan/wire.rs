//! What the kernel gives for one frame, as bytes: the frame as it lies in `struct can_frame` or `struct canfd_frame`
//! (linux/can.h), and its control messages (recvmsg(2)).
//!
//! Pure: calls nothing of the kernel and trusts no length that it is told.

use crate::observation::{Batch, Bus, CanId, Frame, FrameFlags};
use crate::time::{Steady, WallClock};

/// Bytes of a classic frame (linux/can.h, `CAN_MTU`).
pub const CLASSIC: usize = 16;
/// Bytes of an FD frame (`CANFD_MTU`), and the most that a receiving socket may be given.
pub const FD: usize = 72;

// linux/can.h: bits above the identifier, and the FD flags.
const EXTENDED_BIT: u32 = 0x8000_0000;
const REMOTE_BIT: u32 = 0x4000_0000;
const ERROR_BIT: u32 = 0x2000_0000;
const ID_MASK: u32 = 0x1FFF_FFFF;
const STANDARD_MASK: u32 = 0x7FF;
const BRS: u8 = 1;
const ESI: u8 = 2;

/// Why bytes are not a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Malformed {
    /// The kernel had more bytes than a frame can have.
    #[error("longer than a CAN FD frame")]
    Long,
    /// Neither 16 nor 72 bytes.
    #[error("of no frame's length")]
    Length,
    /// It says that it holds more bytes than it can.
    #[error("says that it holds more bytes than it has")]
    Payload,
}

impl Malformed {
    /// As it is counted.
    pub fn name(self) -> &'static str {
        match self {
            Self::Long => "malformed frames: longer than a CAN FD frame",
            Self::Length => "malformed frames: of no frame's length",
            Self::Payload => "malformed frames: say that they hold more bytes than they have",
        }
    }
}

/// A frame as it was received, its payload still where it lies.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Received<'a> {
    /// Identifier without flag bits; of an error frame the class bits.
    pub id: u32,
    /// What kind it is.
    pub flags: FrameFlags,
    /// Payload length; of a remote frame, the length it asks for.
    pub len: u8,
    /// The payload; of a remote frame, empty.
    pub payload: &'a [u8],
}

impl<'a> Received<'a> {
    /// Reads the bytes of one message; `truncated`: the kernel had more.
    ///
    /// # Errors
    /// If they are no frame; nothing else is lost by that.
    pub fn read(bytes: &'a [u8], truncated: bool) -> Result<Self, Malformed> {
        if truncated {
            return Err(Malformed::Long);
        }
        let fd = match bytes.len() {
            CLASSIC => false,
            FD => true,
            _ => return Err(Malformed::Length),
        };
        let word = u32_at(bytes, 0).ok_or(Malformed::Length)?;
        let (len, fd_flags) = (bytes[4], bytes[5]);
        let data = bytes.get(8..8 + usize::from(len)).ok_or(Malformed::Payload)?;
        let (id, flags) = if word & ERROR_BIT != 0 {
            (word & ID_MASK, FrameFlags::ERROR)
        } else if word & EXTENDED_BIT != 0 {
            (word & ID_MASK, FrameFlags::EXTENDED)
        } else {
            (word & STANDARD_MASK, 0)
        };
        if !fd && flags != FrameFlags::ERROR && word & REMOTE_BIT != 0 {
            return Ok(Self { id, flags: FrameFlags(flags | FrameFlags::REMOTE), len, payload: &[] });
        }
        let bit = |wire: u8, flag: u8| if fd && fd_flags & wire != 0 { flag } else { 0 };
        let fd_bits = if fd { FrameFlags::FD } else { 0 } | bit(BRS, FrameFlags::BRS) | bit(ESI, FrameFlags::ESI);
        Ok(Self { id, flags: FrameFlags(flags | fd_bits), len, payload: data })
    }

    /// Appends it to a batch and returns it as it lies there.
    pub fn push(&self, at: Steady, bus: Bus, batch: &mut Batch) {
        let frame = Frame { at, id: self.id, bus, flags: self.flags, len: self.len, data: [0; 8] };
        match self.payload.try_into() {
            // Most frames: eight bytes move as one word.
            Ok(data) => batch.frames.push(Frame { data, ..frame }),
            Err(_) => batch.push_frame(&frame, self.payload),
        }
    }
}

/// The kernel filter that lets one identifier through, data frames alone: identifier and mask of `struct can_filter`.
pub fn filter(id: CanId) -> (u32, u32) {
    match id {
        CanId::Standard(id) => (u32::from(id) & STANDARD_MASK, EXTENDED_BIT | REMOTE_BIT | STANDARD_MASK),
        CanId::Extended(id) => (id & ID_MASK | EXTENDED_BIT, EXTENDED_BIT | REMOTE_BIT | ID_MASK),
    }
}

/// What the control messages of a frame say.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Control {
    /// When the kernel stamped it, floored to the microsecond.
    pub stamp: Option<WallClock>,
    /// How many frames the kernel has dropped since the socket was opened, when this one came; wraps at 2^32.
    pub dropped: Option<u32>,
}

/// The `cmsghdr` of this machine: its length (a `size_t`), level and type.
const HEADER: usize = size_of::<usize>() + 8;

impl Control {
    /// Reads control messages as they lie behind each other (CMSG_NXTHDR of cmsg(3), which this does without pointers).
    pub fn read(mut bytes: &[u8]) -> Self {
        let mut read = Self::default();
        while let Some(length) = usize_at(bytes, 0) {
            let (Some(level), Some(kind)) = (i32_at(bytes, size_of::<usize>()), i32_at(bytes, size_of::<usize>() + 4))
            else {
                break;
            };
            let Some(data) = bytes.get(align(HEADER)..length) else { break };
            if level == libc::SOL_SOCKET {
                match kind {
                    libc::SO_TIMESTAMPNS => read.stamp = stamp(data).or(read.stamp),
                    libc::SO_RXQ_OVFL => read.dropped = u32_at(data, 0).or(read.dropped),
                    _ => {}
                }
            }
            bytes = bytes.get(align(length)..).unwrap_or_default();
        }
        read
    }
}

/// A `struct timespec`: two words of 64 bits, or of 32 on a machine whose time has 32 bits.
fn stamp(data: &[u8]) -> Option<WallClock> {
    let (seconds, nanoseconds) = match data.len() {
        16 => (i64_at(data, 0)?, i64_at(data, 8)?),
        8 => (i64::from(i32_at(data, 0)?), i64::from(i32_at(data, 4)?)),
        _ => return None,
    };
    Some(WallClock(seconds.saturating_mul(1_000_000).saturating_add(nanoseconds.div_euclid(1_000))))
}

/// Control messages begin at multiples of a machine word.
fn align(length: usize) -> usize {
    length.saturating_add(size_of::<usize>() - 1) & !(size_of::<usize>() - 1)
}

macro_rules! readers {
    ($($name:ident $kind:ty;)*) => {$(
        /// A number in this machine's byte order, where it lies whole.
        pub(super) fn $name(bytes: &[u8], at: usize) -> Option<$kind> {
            let bytes = bytes.get(at..at.checked_add(size_of::<$kind>())?)?;
            Some(<$kind>::from_ne_bytes(bytes.try_into().ok()?))
        }
    )*};
}
readers! { u16_at u16; u32_at u32; i32_at i32; i64_at i64; usize_at usize; }

/// How many frames the kernel dropped between two of its counts, which wrap at 2^32.
#[derive(Clone, Copy, Debug, Default)]
pub struct Drops(u32);

impl Drops {
    /// Takes the kernel's count; returns how many were dropped since the last one.
    pub fn take(&mut self, count: u32) -> u32 {
        count.wrapping_sub(std::mem::replace(&mut self.0, count))
    }
}

#[cfg(test)]
mod tests;
