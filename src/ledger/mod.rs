//! The running integrals: energy out, energy in, charge, distance, time, time unobserved.
//!
//! Does no input or output; never fills a gap (reduce does).

mod row;

pub use row::{Phase, Sums, TraceRow};
