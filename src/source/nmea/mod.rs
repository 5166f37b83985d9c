//! Position from a receiver that speaks NMEA 0183.
//!
//! [`protocol`] reads sentences and opens nothing, [`port`] opens the port. Nothing is sent to a receiver.

pub mod port;
pub mod protocol;

pub use port::{NmeaReceiver, Settings};
pub use protocol::{Event, Reader};
