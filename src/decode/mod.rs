//! A checked map compiled to flat tables: frame in, samples out, no allocation.
//!
//! Does no input or output and integrates nothing. In reading order: `ids` (which message a frame is), `plan` (how a
//! signal is read), `compiled` (the map's tables), `decoder` (one frame after another), `batches` (whole batches, by whoever helps),
//! `counts` (what was dropped and why), `survey` (what a recording holds of a map).

mod batches;
mod compiled;
mod counts;
mod decoder;
mod ids;
mod plan;
pub mod survey;
mod tap;
#[cfg(test)]
mod tests;

pub use batches::{Batches, DecodedBatch};
pub use counts::{Counts, MessageCounts, SignalCounts};
pub use decoder::{Decoded, Decoder};
pub use survey::{MessageReport, Periods, SignalReport, Survey, SurveyReport, UnknownReport};
pub use tap::Tap;
