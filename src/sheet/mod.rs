//! What people read: terminal tables, and CSV for their spreadsheets.
//!
//! Computes no figure.

pub mod csv;
pub mod plot;
pub mod budget;
pub mod compare;
pub mod table;
pub mod trend;

pub use budget::budgets;
pub use compare::compare;
pub use csv::csv;
pub use table::{seal, table};
pub use trend::trend;
