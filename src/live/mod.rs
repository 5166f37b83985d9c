//! While the car drives: what is known each second, as people and programs beside the recording see it.
//!
//! Records nothing and can hold nothing up: it is given values and hands back what people asked for.

pub mod moment;
pub mod alarms;
pub mod hub;
pub mod board;
pub mod state;
pub mod metrics;
pub mod page;
pub mod calls;

pub use board::{Board, board};
pub use calls::{Call, Calls};
pub use hub::{Ask, Hub};
pub use moment::{Alarm, Check, Moment, Recording, SourceNow};
