//! Asking the car, and only asking: what may be sent, how replies come back, when to ask.
//!
//! In the order of the flow: [`service`] (the fixed list), [`request`] (a question that the list allows), [`target`]
//! (whom it may go to), [`transmit`] (the only frame that may leave this program), [`isotp`] (transport, ISO 15765-2),
//! [`reply`] and [`refusal`] (what an answer says), [`j1979`] (quantities known by name), [`gate`] and [`permission`] (when
//! silence is kept), [`schedule`] (which question next), [`opening`] (what is asked once, before them) and [`session`] (all of it
//! for one bus).
//!
//! Takes frames and moments, returns frames and outcomes: opens no socket, reads no clock. `docs/only-reading.md` says what
//! it promises.

pub mod gate;
pub mod isotp;
pub mod j1979;
pub mod permission;
pub mod refusal;
pub mod reply;
pub mod request;
pub mod schedule;
pub mod opening;
pub mod service;
pub mod session;
pub mod target;
pub mod transmit;

pub use gate::Gate;
pub use opening::Opening;
pub use permission::Permission;
pub use refusal::NegativeCode;
pub use request::{Refused, Request};
pub use schedule::Poll;
pub use session::{Outcome, Session};
pub use target::{Heard, Target};
pub use transmit::TransmitFrame;

#[cfg(test)]
mod tests;
