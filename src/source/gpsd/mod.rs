//! Position from gpsd: its JSON lines, one object a line.
//!
//! Opens no socket.

pub mod protocol;

pub use protocol::{Event, Reader, WATCH};
