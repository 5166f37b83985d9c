//! Where observations come from, one file each, and the merge that puts them in order.
//!
//! Does not decode.

pub mod damage;
pub mod lines;
pub mod fix;
pub mod slcan;
pub mod at_adapter;
pub mod nmea;
pub mod gpsd;
pub mod merge;
pub mod replay;

pub use damage::{Damage, Progress};
pub use merge::Merge;
pub use replay::{Recording, Replay};
