//! The data set's schema: the one definition of every column, its unit and its meaning; and the roles.
//!
//! Writes and reads no file. `docs/data-set.md` is made from it and a test holds the two equal.

pub mod markdown;
pub mod role;
pub mod tables;

pub use role::Role;
pub use tables::{Column, ColumnKind, Table};

/// Version of the data set's layout, in every `run.json` and every file; raised when a reader of the old layout would go
/// wrong, or when the same recording gives other bytes. Versions: `docs/data-set.md`.
pub const SCHEMA_VERSION: u32 = 4;
/// The oldest version that is read and checked: its tables are those of today.
pub const SCHEMA_OLDEST: u32 = 1;
