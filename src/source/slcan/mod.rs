//! CAN over a serial line in the slcan form, as the kernel's slcan driver documents it.
//!
//! [`mod@line`] reads what an adapter sends, [`command`] has the few commands that are sent to it. Opens no port.

pub mod clock;
pub mod command;
pub mod line;

pub use command::{BitRate, Command};
pub use line::{Event, Reader};
