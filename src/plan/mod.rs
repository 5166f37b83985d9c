//! Before and during a drive: what remains, and where to turn so that the car reaches the charger nearly empty and never stands
//! on the road.
//!
//! Takes values and returns values: reads no file, no clock and no bus, and knows nothing of how it is shown.

pub mod outlook;
pub mod turning;
pub mod advice;
pub mod picture;
pub mod pilot;
pub mod readiness;

pub use advice::{Advice, Limits, State, advise};
pub use outlook::{Guess, Outlook, Trip};
pub use picture::Picture;
pub use pilot::{Known, Pilot};
pub use readiness::Check;
pub use turning::{Here, Sequence};
