//! The mass that the card gives, and what energy it holds by its speed and height.
//!
//! Guesses no mass: without the card's there is none.

use super::estimate::Estimate;
use super::sources;
use crate::card::{Card, MassBy};

/// Standard acceleration of gravity, m/s^2 (ISO 80000-3, exact).
pub const GRAVITY: f64 = 9.806_65;

/// Mass of the car with all in and behind it, kg; `None` where the card lacks `load.car` or `load.load`.
pub(super) fn of(card: Option<&Card>) -> Option<Estimate> {
    let card = card?;
    let trailer = card.trailer.as_ref().map_or(Some(0.0), |trailer| Some(trailer.mass?.0))?;
    let mass = card.load.car?.0 + card.load.load?.0 + trailer;
    // How well a mass is known by its source, in parts: common practice, no source.
    let parts = match card.load.by {
        Some(MassBy::Weighed) => 0.01,
        Some(MassBy::Papers) => 0.03,
        Some(MassBy::Estimated) | None => 0.08,
    };
    Some(Estimate::exact(mass).with_b(sources::MASS, mass * parts))
}

/// Energy that a rise by so many metres takes, J.
pub(super) fn potential(mass: &Estimate, rise: &Estimate) -> Estimate {
    mass.product(rise).scale(GRAVITY)
}
