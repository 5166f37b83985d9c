//! CAN over a serial line in the slcan form, as the kernel's slcan driver documents it.
//!
//! [`mod@line`] reads what an adapter sends, [`command`] has the few commands that are sent to it, [`clock`] places its time
//! stamps; none of them opens a port. [`channel`] and [`port`] do. CAN FD, which some adapters add in forms of their own, is
//! not read.

pub mod channel;
pub mod clock;
pub mod command;
pub mod line;
pub mod port;

pub use command::{BitRate, Command};
pub use line::{Event, Reader};
pub use port::{Settings, SlcanAdapter};
