//! What people read: terminal tables, and CSV for their spreadsheets.
//!
//! Computes no figure.

pub mod csv;
pub mod figures;
pub mod gpx;
pub mod plot;
pub mod budget;
pub mod table;
pub mod trend;

pub use budget::budgets;
pub use csv::csv;
pub use table::{seal, table};
pub use trend::trend;
