//! From the files of a run to figures, each with its uncertainty.
//!
//! Pure after loading; prints nothing.

pub mod estimate;
pub mod sources;
pub mod regression;
pub mod sampling;
pub mod fold;
pub mod input;
pub mod counted;
pub mod tolerances;
pub mod fill;
pub mod zero;
pub mod join;
pub mod voltage;
pub mod capacity;
pub mod discharge;
pub mod energy;
pub mod way;
pub mod budget;
pub mod usable;
pub mod reduction;
pub mod load;
pub mod json;

#[cfg(test)]
pub(crate) mod synthetic;

pub use estimate::{Component, Estimate, Kind, Source};
pub use input::{Gap, Missing, RoleUse, RunInput};
pub use reduction::{Options, Reduction, reduce};
