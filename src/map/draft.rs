//! What both written forms (TOML and DBC) become before they are checked together.
//!
//! Plain data; indices and widths are not yet known to be sound.

use std::ops::RangeInclusive;

use super::checked::{ByteOrder, Origin, RawKind, Sent};
use super::findings::At;

/// A message as written, its origin already sound.
#[derive(Debug)]
pub(super) struct DraftMessage {
    pub at: At,
    pub name: String,
    pub origin: Origin,
    pub sent: Sent,
    pub signals: Vec<DraftSignal>,
}

/// A signal as written.
#[derive(Debug)]
pub(super) struct DraftSignal {
    pub at: At,
    pub name: String,
    pub start: u64,
    pub length: u64,
    pub order: ByteOrder,
    pub raw: RawKind,
    pub scale: f64,
    pub offset: f64,
    pub unit: String,
    pub meaning: String,
    pub range: Option<(f64, f64)>,
    pub not_available: Vec<u64>,
    pub values: Vec<(i64, String)>,
    pub switch: Option<DraftSwitch>,
}

/// The switch of a multiplexed signal, by name.
#[derive(Debug)]
pub(super) struct DraftSwitch {
    pub name: String,
    pub values: Vec<RangeInclusive<u64>>,
}
