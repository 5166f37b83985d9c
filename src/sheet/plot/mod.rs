//! Plots of a test as SVG, each with what it shows in words for whom cannot see it.
//!
//! Only draws: what is drawn is the reduction's and the trail's, and numbers are written by `format`. A plot with nothing to
//! draw is absent. Every plot stands on a white card of its own, so that it looks alike in a light page, a dark page, on
//! paper and as a PNG; its heading is part of it.

mod along;
mod axis;
mod capacity;
mod charge_along;
mod charging;
mod figure;
mod hold;
mod intervals;
mod legs;
mod palette;
mod panel;
mod png;
mod road;
mod temperature;
mod thin;

use crate::quantity::ConsumptionUnit;
use crate::reduce::{Reduction, Trail};

pub use intervals::{Dot, Intervals, intervals};
pub use png::{PlotError, png};

/// A plot, ready to stand in a page or a file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Plot {
    /// A short name, of a file too: `along`, `legs`.
    pub name: &'static str,
    /// Its heading, which is drawn in it.
    pub title: String,
    /// What it shows, in words that give what a reader of the plot would take from it.
    pub alternative: String,
    /// An `svg` element with its view box, a title and a description, without outside references.
    pub svg: String,
}

/// Every plot of a test that has something to draw, in the order in which they are read.
pub fn plots(reduction: &Reduction, trail: &Trail, units: ConsumptionUnit) -> Vec<Plot> {
    let road = road::Road::new(reduction, trail, units);
    let all = [
        along::plot(&road),
        charge_along::plot(&road),
        capacity::plot(reduction),
        legs::plot(&road),
        hold::plot(&road),
        temperature::plot(&road),
        charging::plot(reduction),
    ];
    all.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests;
