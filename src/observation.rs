//! The one thing that flows from every source to the store: an observation, stamped on the steady clock.
//!
//! Frames travel in batches of small fixed records, since a bus gives thousands a second; everything else is rare and
//! rides beside them. Knows no file format, no socket and no meaning.

use serde::{Deserialize, Serialize};

use crate::time::{Steady, WallClock};

/// A bus of this process, an index into [`BusNames`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
pub struct Bus(pub u8);

/// The names of the buses seen, in order of first appearance; an index never changes its name.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BusNames(Vec<String>);

impl BusNames {
    /// The most buses that one process tells apart.
    pub const MAX: usize = 250;

    /// The bus of this name, added if new; `None` past [`Self::MAX`] buses.
    pub fn intern(&mut self, name: &str) -> Option<Bus> {
        match self.0.iter().position(|known| known == name) {
            Some(index) => Some(Bus(index as u8)),
            None if self.0.len() < Self::MAX => {
                self.0.push(name.to_owned());
                Some(Bus((self.0.len() - 1) as u8))
            }
            None => None,
        }
    }

    /// The name of a bus.
    pub fn name(&self, bus: Bus) -> &str {
        self.0.get(usize::from(bus.0)).map_or("?", String::as_str)
    }

    /// All names, in index order.
    pub fn names(&self) -> &[String] {
        &self.0
    }
}

/// A CAN identifier with its width; ordered 11-bit first, then by number.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub enum CanId {
    /// 11 bits.
    Standard(u16),
    /// 29 bits.
    Extended(u32),
}

/// What kind of frame it is: a set of bits, stored as they are in the `flags` column.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub struct FrameFlags(pub u8);

impl FrameFlags {
    /// The identifier has 29 bits.
    pub const EXTENDED: u8 = 1;
    /// A remote frame: asks, carries nothing; `len` is the length asked for.
    pub const REMOTE: u8 = 2;
    /// An error frame of the interface (SocketCAN, linux/can/error.h): `id` holds the error class bits.
    pub const ERROR: u8 = 4;
    /// CAN FD.
    pub const FD: u8 = 8;
    /// FD bit rate switch.
    pub const BRS: u8 = 16;
    /// FD error state indicator.
    pub const ESI: u8 = 32;

    /// Whether a bit is set.
    pub fn has(self, bit: u8) -> bool {
        self.0 & bit != 0
    }
    /// Whether the frame carries signals: neither remote nor error.
    pub fn is_data(self) -> bool {
        self.0 & (Self::REMOTE | Self::ERROR) == 0
    }
}

/// A frame as it flows, 24 bytes. Payloads longer than 8 bytes lie in the batch's arena, see [`Batch::payload`].
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[repr(C)]
pub struct Frame {
    /// When it was received.
    pub at: Steady,
    /// Identifier without flag bits: 11 or 29 bits (error frames: the error class bits).
    pub id: u32,
    /// Where it was received.
    pub bus: Bus,
    /// What kind it is.
    pub flags: FrameFlags,
    /// Payload length in bytes, 0 to 64; of a remote frame, the length it asks for.
    pub len: u8,
    /// The payload, zero-padded, when `len <= 8`; else the little-endian offset of it in the batch's arena.
    pub data: [u8; 8],
}

impl Frame {
    /// The identifier with its width.
    pub fn can_id(&self) -> CanId {
        if self.flags.has(FrameFlags::EXTENDED) { CanId::Extended(self.id) } else { CanId::Standard(self.id as u16) }
    }

    /// Whether the payload lies in the batch's arena.
    #[inline]
    pub fn has_long_payload(&self) -> bool {
        self.len > 8 && !self.flags.has(FrameFlags::REMOTE)
    }

    /// Copies a long payload from one arena to the end of another and points there.
    pub fn move_payload(&mut self, from: &[u8], to: &mut Vec<u8>) {
        let start = usize::try_from(u64::from_le_bytes(self.data)).unwrap_or(usize::MAX);
        let payload = from.get(start..).and_then(|tail| tail.get(..usize::from(self.len))).unwrap_or_default();
        self.data = (to.len() as u64).to_le_bytes();
        to.extend_from_slice(payload);
        to.resize(to.len() + usize::from(self.len) - payload.len(), 0);
    }
}

/// A satellite fix. What the receiver did not say is `None`, never 0.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Fix {
    /// Latitude, degrees north, WGS84.
    pub latitude_deg: Option<f64>,
    /// Longitude, degrees east, WGS84.
    pub longitude_deg: Option<f64>,
    /// Height above mean sea level, m.
    pub altitude_m: Option<f64>,
    /// Speed over ground, m/s.
    pub speed_mps: Option<f64>,
    /// Direction of travel, degrees from true north, clockwise.
    pub track_deg: Option<f64>,
    /// 0 none, 1 no fix, 2 two-dimensional, 3 three-dimensional.
    pub mode: u8,
    /// Satellites used.
    pub satellites: Option<u8>,
    /// Horizontal dilution of precision.
    pub hdop: Option<f64>,
}

/// The kinds of marks (what a person notes during the drive).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
pub enum MarkKind {
    /// Displayed state of charge, percent.
    Soc,
    /// Displayed rest: the distance that the car says it can go, m.
    DisplayedRest,
    /// The display first shows 0 %.
    ShowsZero,
    /// A figure of the trip computer.
    TripFigure,
    /// A warning of reduced power.
    PowerWarning,
    /// Turned round.
    Turned,
    /// A change of the climate control.
    Climate,
    /// Free text.
    Note,
}

impl MarkKind {
    /// Every kind with its written form, in the order of the enum.
    pub const ALL: [(Self, &'static str); 8] = [
        (Self::Soc, "soc"),
        (Self::DisplayedRest, "displayed_rest"),
        (Self::ShowsZero, "shows_zero"),
        (Self::TripFigure, "trip_figure"),
        (Self::PowerWarning, "power_warning"),
        (Self::Turned, "turned"),
        (Self::Climate, "climate"),
        (Self::Note, "note"),
    ];

    /// The written form.
    pub fn key(self) -> &'static str {
        Self::ALL[self as usize].1
    }

    /// As people read it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Soc => "displayed charge",
            Self::DisplayedRest => "displayed rest",
            Self::ShowsZero => "shows 0 %",
            Self::TripFigure => "trip figure",
            Self::PowerWarning => "power warning",
            Self::Turned => "turned",
            Self::Climate => "climate control",
            Self::Note => "note",
        }
    }

    /// From the written form.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, written)| *written == key).map(|(kind, _)| *kind)
    }
}

/// What a person noted.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Mark {
    /// Its kind.
    pub kind: MarkKind,
    /// Its value in the kind's unit, where it has one.
    pub value: Option<f64>,
    /// Its text, may be empty.
    pub text: String,
}

impl Mark {
    /// The longest text, characters.
    pub const TEXT_MAX: usize = 200;
    /// The longest displayed rest, m: further than any car can go.
    pub const REST_MAX_M: f64 = 3e6;

    /// Whether a text can be a mark's: one line, not too long.
    pub fn takes_text(text: &str) -> bool {
        text.chars().count() <= Self::TEXT_MAX && !text.chars().any(char::is_control)
    }
}

/// An answer to a request of ours.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Reply {
    /// Where it was received.
    pub bus: Bus,
    /// The identifier that answered.
    pub from: CanId,
    /// The request's bytes (service and what follows).
    pub request: Vec<u8>,
    /// The reply's bytes, service first, transport framing removed.
    pub payload: Vec<u8>,
}

/// A row of a table of signals (a CSV recording): values in the columns' order; NaN where the cell is empty or unreadable.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Row {
    /// The map's table that it belongs to.
    pub table: String,
    /// One value a column of that table.
    pub values: Vec<f64>,
}

/// Every observation that is not a frame.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub enum Item {
    /// An answer to a request of ours.
    Reply(Reply),
    /// A satellite fix.
    Fix(Fix),
    /// The supply voltage at the computer or adapter, V.
    Supply(f64),
    /// What a person noted.
    Mark(Mark),
    /// A row of a table of signals.
    Row(Row),
    /// What the world's clock says at this moment.
    Anchor(WallClock),
    /// Something went wrong at a source (named in the text); the recording goes on.
    Trouble(String),
}

/// An item with its moment.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Stamped {
    /// When it was observed.
    pub at: Steady,
    /// What was observed.
    pub item: Item,
}

/// Observations on their way: frames, and beside them everything else.
///
/// A source fills it in order of arrival; behind [`crate::source`]'s merge both lists are in time order, frames of one
/// moment by bus name and identifier.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Batch {
    /// The frames.
    pub frames: Vec<Frame>,
    /// Payloads longer than 8 bytes, end to end.
    pub long: Vec<u8>,
    /// What is not a frame.
    pub rest: Vec<Stamped>,
}

impl Batch {
    /// Appends a frame; payloads over 64 bytes are cut (no CAN frame holds more).
    pub fn push(&mut self, at: Steady, bus: Bus, id: u32, flags: FrameFlags, payload: &[u8]) {
        let payload = &payload[..payload.len().min(64)];
        let mut data = [0; 8];
        if payload.len() <= 8 {
            data[..payload.len()].copy_from_slice(payload);
        } else {
            data = (self.long.len() as u64).to_le_bytes();
            self.long.extend_from_slice(payload);
        }
        self.frames.push(Frame { at, id, bus, flags, len: payload.len() as u8, data });
    }

    /// Appends a frame of another batch, with its payload there.
    pub fn push_frame(&mut self, frame: &Frame, payload: &[u8]) {
        self.push(frame.at, frame.bus, frame.id, frame.flags, payload);
        // A remote frame asks for a length and carries nothing.
        if let Some(pushed) = self.frames.last_mut() {
            pushed.len = frame.len;
        }
    }

    /// The payload of one of this batch's frames; of a remote frame, empty.
    #[inline]
    pub fn payload<'a>(&'a self, frame: &'a Frame) -> &'a [u8] {
        let len = usize::from(frame.len);
        if frame.flags.has(FrameFlags::REMOTE) {
            &[]
        } else if len <= 8 {
            &frame.data[..len]
        } else {
            let start = u64::from_le_bytes(frame.data) as usize;
            &self.long[start..start + len]
        }
    }

    /// The earliest moment of a batch in time order.
    pub fn first(&self) -> Option<Steady> {
        let (frame, item) = (self.frames.first().map(|frame| frame.at), self.rest.first().map(|stamped| stamped.at));
        frame.into_iter().chain(item).min()
    }

    /// The latest moment of a batch in time order.
    pub fn last(&self) -> Option<Steady> {
        let frame = self.frames.last().map(|frame| frame.at);
        frame.max(self.rest.last().map(|stamped| stamped.at))
    }

    /// Whether it holds nothing.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty() && self.rest.is_empty()
    }

    /// Takes out what lies before a moment, of a batch in time order.
    pub fn take_before(&mut self, moment: Steady) -> Self {
        let frames = self.frames.partition_point(|frame| frame.at < moment);
        let rest = self.rest.partition_point(|stamped| stamped.at < moment);
        let (frames, rest) = (self.frames.drain(..frames).collect(), self.rest.drain(..rest).collect());
        let mut before = Self { frames, long: Vec::new(), rest };
        // What stays keeps the whole arena: offsets into it stay valid.
        for frame in before.frames.iter_mut().filter(|frame| frame.has_long_payload()) {
            frame.move_payload(&self.long, &mut before.long);
        }
        before
    }

    /// Empties it, keeping its memory.
    pub fn clear(&mut self) {
        self.frames.clear();
        self.long.clear();
        self.rest.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_are_small_and_payloads_come_back() {
        assert_eq!(size_of::<Frame>(), 24);
        let mut batch = Batch::default();
        let long: Vec<u8> = (0..64).collect();
        for payload in [&long[..0], &long[..8], &long[..12], &long[..64]] {
            batch.push(Steady(1), Bus(0), 0x123, FrameFlags(FrameFlags::FD), payload);
        }
        let lengths: Vec<&[u8]> = batch.frames.iter().map(|frame| batch.payload(frame)).collect();
        assert_eq!(lengths, [&long[..0], &long[..8], &long[..12], &long[..64]]);
    }

    #[test]
    fn what_lies_before_a_moment_is_taken_out() {
        let mut batch = Batch::default();
        for at in [1, 2, 2, 5] {
            batch.push(Steady(at), Bus(0), 1, FrameFlags(FrameFlags::FD), &[at as u8; 12]);
            batch.rest.push(Stamped { at: Steady(at), item: Item::Supply(at as f64) });
        }
        let payloads = |batch: &Batch| batch.frames.iter().map(|frame| batch.payload(frame)[11]).collect::<Vec<_>>();
        let before = batch.take_before(Steady(2));
        assert_eq!((payloads(&before), before.rest.len()), (vec![1], 1));
        assert_eq!((payloads(&batch), batch.rest.len()), (vec![2, 2, 5], 3));
        assert!(batch.take_before(Steady(2)).is_empty());
        assert_eq!(payloads(&batch.take_before(Steady(9))), [2, 2, 5]);
        assert!(batch.is_empty());
    }

    #[test]
    fn mark_kinds_stand_in_the_order_of_the_enum() {
        for (kind, key) in MarkKind::ALL {
            assert_eq!((kind.key(), MarkKind::from_key(key)), (key, Some(kind)));
        }
    }
}
