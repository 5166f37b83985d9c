//! A signal map as checked: plain data, every index valid.
//!
//! Made by `load` alone; reads nothing itself.

use std::ops::RangeInclusive;

use crate::diag::target::Extension;
use crate::document::Fault;
use crate::observation::CanId;
use crate::schema::Table;
use crate::schema::role::{Role, RoleSlot};
use crate::time::WallClock;

/// A checked signal map.
#[derive(Clone, Debug)]
pub struct Map {
    /// The map's file name without folder, for people.
    pub name: String,
    /// SHA-256, in hex, of the map file's bytes followed by its DBC's (if any).
    pub digest: String,
    /// Every message, poll and table that it decodes; names unique ignoring case.
    pub messages: Vec<Message>,
    /// The roles, sorted by slot, each slot once.
    pub roles: Vec<RoleBinding>,
    /// Which role counts as the state of charge where no card says; `Soc` where mapped, else `SocInternal`.
    pub soc_counts: Role,
    /// The files it was read from with their bytes: the map first, then the DBC; copied into every run.
    pub files: Vec<(String, Vec<u8>)>,
}

/// A message (frame, poll or table of a CSV) with its signals.
#[derive(Clone, Debug)]
pub struct Message {
    /// Its name, `[A-Za-z0-9_-]{1,64}`: a folder of the data set.
    pub name: String,
    /// Where its bytes or values come from.
    pub origin: Origin,
    /// Its signals; a sample row has one value for each, in this order.
    pub signals: Vec<Signal>,
    /// Whether silence means anything.
    pub sent: Sent,
}

/// Where a message's bytes or values come from.
#[derive(Clone, PartialEq, Debug)]
pub enum Origin {
    /// A frame.
    Frame {
        /// The bus it is on; `None` for any.
        bus: Option<String>,
        /// Its identifier.
        id: CanId,
        /// Its declared payload length in bytes.
        length: u8,
    },
    /// The reply to a poll.
    Poll(PollRequest),
    /// A table of signals (CSV).
    Table(CsvTable),
}

/// How a CSV of signals is laid out; signal `i` of the message is column `columns[i]`.
#[derive(Clone, PartialEq, Debug)]
pub struct CsvTable {
    /// The header of the time column.
    pub time_column: String,
    /// How it writes time.
    pub time_format: TimeFormat,
    /// Headers of the signals' columns, in the signals' order; the file may hold them in any order.
    pub columns: Vec<String>,
    /// The field delimiter.
    pub delimiter: u8,
    /// Whether decimals are written with a comma.
    pub decimal_comma: bool,
}

/// How a CSV writes time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TimeFormat {
    /// Seconds since `start`; where no start is given, since 1970-01-01T00:00:00Z.
    Seconds {
        /// The wall-clock time of second 0.
        start: WallClock,
    },
    /// ISO 8601 with an offset.
    Iso8601,
}

/// A poll as the map writes it; whether it may be sent is the diag room's to decide.
#[derive(Clone, PartialEq, Debug)]
pub struct PollRequest {
    /// The bus; `None` for the only one.
    pub bus: Option<String>,
    /// The identifier asked.
    pub request_id: CanId,
    /// The identifier that answers.
    pub response_id: CanId,
    /// Address bytes in front of every frame's content; `None` for normal addressing.
    pub extension: Option<Extension>,
    /// The request's bytes: service, then identifier.
    pub request: Vec<u8>,
    /// The period, s.
    pub period_s: f64,
}

/// Whether a signal's silence means that it is unobserved.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Sent {
    /// At a steady period: interpolated, and unobserved when silent for longer than its allowed age.
    #[default]
    Cyclic,
    /// When its value changes: held, and not unobserved for being quiet.
    OnChange,
}

/// How a signal's bytes are ordered; bit numbers as in DBC.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ByteOrder {
    /// Intel; `start` is the least significant bit.
    LittleEndian,
    /// Motorola; `start` is the most significant bit.
    BigEndian,
}

/// What the raw bits are.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RawKind {
    /// Unsigned whole number.
    Unsigned,
    /// Two's-complement whole number.
    Signed,
    /// IEEE 754 single.
    Float32,
    /// IEEE 754 double.
    Float64,
}

/// A signal: where its bits lie and what they mean.
#[derive(Clone, Debug)]
pub struct Signal {
    /// Its name, a column of the samples table.
    pub name: String,
    /// First bit, numbered as in DBC.
    pub start: u16,
    /// Bits, 1 to 64.
    pub length: u16,
    /// Byte order.
    pub order: ByteOrder,
    /// What the raw bits are.
    pub raw: RawKind,
    /// `value = raw * scale + offset`.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// The unit of the value as written, may be one that the program does not know.
    pub unit: String,
    /// What it means, as the map or DBC says; may be empty.
    pub meaning: String,
    /// The valid values; what lies outside is counted and dropped. `None` for no range.
    pub range: Option<(f64, f64)>,
    /// Raw bit patterns (zero-extended) that mean 'not available'.
    pub not_available: Vec<u64>,
    /// Raw values with their names.
    pub values: Vec<(i64, String)>,
    /// When it is in the frame.
    pub multiplex: Multiplex,
}

/// When a signal is in a frame.
#[derive(Clone, PartialEq, Debug, Default)]
pub enum Multiplex {
    /// In every frame.
    #[default]
    Always,
    /// In frames whose switch signal (an index into the message's signals, itself perhaps multiplexed) has one of these raw values.
    When {
        /// The switch.
        switch: usize,
        /// Its raw values.
        values: Vec<RangeInclusive<u64>>,
    },
}

/// Which signal plays a role, and how well it is known.
#[derive(Clone, PartialEq, Debug)]
pub struct RoleBinding {
    /// The role, and the pack it belongs to.
    pub slot: RoleSlot,
    /// Index of the message.
    pub message: usize,
    /// The signal or pair of signals.
    pub signal: RoleSignal,
    /// `base = value * factor + offset`: unit and sign convention in one (discharge positive).
    pub factor: f64,
    /// See `factor`.
    pub offset: f64,
    /// Its tolerance, in parts and in the base unit.
    pub tolerance: Tolerance,
    /// Whether silence means anything.
    pub sent: Sent,
}

/// The signal of a role, or two whose difference it is; indices into the message's signals.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RoleSignal {
    /// The signal's value.
    One(usize),
    /// The first less the second: a current sent as two unsigned signals of one message, discharge and charge.
    Difference(usize, usize),
}

/// One standard uncertainty of gain and offset.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Tolerance {
    /// In parts.
    pub gain: f64,
    /// In the role's base unit.
    pub offset: f64,
    /// What it rests on.
    pub basis: Basis,
}

/// What a tolerance rests on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Basis {
    /// The maker's data sheet.
    DataSheet,
    /// A balance against an energy meter.
    BalancedAgainstMeter,
    /// Nothing but common practice; printed as assumed.
    Assumed,
}

impl Basis {
    /// As maps write it and people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::DataSheet => "data sheet",
            Self::BalancedAgainstMeter => "balanced against a meter",
            Self::Assumed => "assumed",
        }
    }
}

impl Origin {
    /// The bus that it names.
    pub fn bus(&self) -> Option<&str> {
        match self {
            Self::Frame { bus, .. } | Self::Poll(PollRequest { bus, .. }) => bus.as_deref(),
            Self::Table(_) => None,
        }
    }
}

impl Message {
    /// The schema of its samples.
    pub fn table(&self) -> Table {
        let columns = self.signals.iter().map(|signal| (&*signal.name, &*signal.unit, &*signal.meaning));
        crate::schema::tables::samples(&self.name, columns)
    }
}

impl Map {
    /// The binding of a role of the first pack.
    pub fn role(&self, role: Role) -> Option<&RoleBinding> {
        self.roles.iter().find(|binding| binding.slot == RoleSlot { role, pack: 0 })
    }

    /// How many packs its roles speak of.
    pub fn packs(&self) -> u8 {
        self.roles.iter().map(|binding| binding.slot.pack + 1).max().unwrap_or(1)
    }
}

/// A map as far as it could be read, and everything wrong with it.
#[derive(Debug)]
pub struct Loaded {
    /// The map without its faulty parts; `None` when a fault stops all work with it (syntax, unknown key or role, ambiguity).
    pub map: Option<Map>,
    /// Everything wrong with it, in the file's order.
    pub faults: Vec<Fault>,
}
