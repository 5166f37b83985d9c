//! Position from a receiver that speaks NMEA 0183.
//!
//! Opens no port.

pub mod protocol;

pub use protocol::{Event, Reader};
