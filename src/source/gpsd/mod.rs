//! Position from gpsd: its JSON lines, one object a line.
//!
//! [`protocol`] reads lines and opens nothing, [`socket`] connects. gpsd is asked to report, and nothing else of it.

pub mod protocol;
pub mod socket;

pub use protocol::{Event, Reader, WATCH};
pub use socket::{Gpsd, Settings};
