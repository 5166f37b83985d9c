//! Signal maps: as the user wrote them, as checked, and the encoder that turns values back into frames.
//!
//! The checked map ([`Map`]) is what the rest of the program sees: every index valid, every unit of a role known, every
//! faulty signal left out. Does not decode (see the decode room) and opens no recording.
//!
//! In the order of the flow: `written` (TOML by serde) and `statements` (DBC cut up), `from_written`, `polls` and `dbc` (all
//! to `draft`), `check`, `switches` and `roles` (to [`checked`]), `load` (the whole way). `docs/signal-maps.md` is the user's
//! document.

mod check;
pub mod checked;
mod dbc;
pub mod diagnostic;
mod draft;
mod encode;
mod findings;
mod from_written;
pub mod layout;
mod load;
mod polls;
mod roles;
mod statements;
mod switches;
#[cfg(test)]
mod tests;
mod written;

pub use checked::{
    Basis, ByteOrder, CsvTable, Loaded, Map, Message, Multiplex, Origin, PollRequest, RawKind, RoleBinding, RoleSignal,
    Sent, Signal, TimeFormat, Tolerance,
};
pub use diagnostic::{DiagnosticIds, diagnostic_ids};
pub use encode::encode;
pub use load::{from_text, load, load_copy};
