//! What people read: terminal tables.
//!
//! Computes no figure.

pub mod table;
pub mod trend;

pub use table::{seal, table};
pub use trend::trend;
