//! Serial diagnostic adapters that speak the common AT command set: what is sent, what comes back, whose turn it is.
//!
//! In the order of the flow: [`command`] (the only text that can be sent), [`reply`] (lines by name), [`messages`] (lines put
//! together), [`dialogue`] (one command at a time, prompts lost and found), [`driver`] (settings, requests, listening),
//! [`search`] (which protocol a parked car speaks) and [`port`] (the only part that opens a port). Clones differ, so everything
//! here is expected and nothing is trusted.

pub mod command;
pub mod dialogue;
pub mod messages;
pub mod reply;
pub mod driver;
pub mod search;
pub mod port;

pub use command::Command;
pub use dialogue::Dialogue;
pub use driver::{Driver, Settings};
pub use port::AtAdapter;
