//! Where observations come from, one file each, and the merge that puts them in order.
//!
//! In two kinds: recordings ([`replay`]), and what is read while the car drives ([`live`]). Does not decode.

pub mod clock;
pub mod damage;
pub mod lines;
pub mod fix;
pub mod receiver;
pub mod serial;
pub mod slcan;
pub mod at_adapter;
pub mod nmea;
pub mod gpsd;
pub mod merge;
pub mod queue;
pub mod live;
pub mod asking;
pub mod rehearsal;
pub mod button;
pub mod socketcan;
pub mod replay;

pub use clock::{Clock, ScaledClock, SystemClock};
pub use damage::{Damage, Progress};
pub use live::{Failure, Live, Outlet};
pub use merge::Merge;
pub use replay::{Recording, Replay};
