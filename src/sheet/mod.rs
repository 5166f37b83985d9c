//! What people read: terminal tables.
//!
//! Computes no figure.

pub mod budget;
pub mod table;

pub use table::{seal, table};
