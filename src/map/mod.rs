//! Signal maps: as the user wrote them, as checked, and the encoder that turns values back into frames.
//!
//! The checked map ([`Map`]) is what the rest of the program sees: every index valid, every unit known, every faulty
//! signal left out. Does not decode (see the decode room) and opens no recording.

pub mod checked;

pub use checked::{
    Basis, ByteOrder, CsvTable, Loaded, Map, Message, Multiplex, Origin, PollRequest, RawKind, RoleBinding, RoleSignal,
    Sent, Signal, TimeFormat, Tolerance,
};
