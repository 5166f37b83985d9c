//! What people read: terminal tables, CSV for their spreadsheets, and HTML to publish.
//!
//! Computes no figure.

pub mod csv;
pub mod figures;
pub mod gpx;
pub mod html;
pub mod page;
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
