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
pub mod ground;
pub mod unplaced;
pub mod way;
pub mod speed_check;
pub mod budget;
pub mod usable;
pub mod checkpoints;
pub mod warm_up;
pub mod shares;
pub mod temperatures;
pub mod rises;
pub mod charging;
pub mod plug;
pub mod balance;
pub mod conditions;
pub mod claims;
pub mod trend;
pub mod compare;
pub mod trail;
pub mod placed;
pub mod reduction;
mod portion;
mod mass;
pub mod legs;
pub mod hold;
pub mod load;
pub mod json;
pub mod again;

#[cfg(test)]
pub(crate) mod synthetic;
#[cfg(test)]
pub(crate) mod rehearsed;
#[cfg(test)]
pub(crate) mod trip;

pub use estimate::{Component, Estimate, Kind, Source};
pub use input::{Gap, Missing, RoleUse, RunInput};
pub use reduction::{Options, Reduction, reduce, reduce_and_trace};
pub use trail::Trail;
