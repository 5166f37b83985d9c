//! The restating itself: the share of the energy that overcame the road, times how the road's force would differ in the
//! reference air. Everything else stays as measured.
//!
//! Finds no input: air, wind and road load are given.

use super::air;
use super::road_load::{Air, EFFICIENCY, GRAVITY, RoadLoad};
use super::way::Piece;

/// The wind at the car.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Wind {
    /// Speed, m/s, and where it comes from, rad from north over east.
    From(f64, f64),
    /// Along an axis, m/s from behind for who drives along it (rad from north over east).
    Along(f64, f64),
    /// Not known, or its direction is not: nothing is corrected; its size, m/s, along an axis, makes the uncertainty.
    Unknown(f64, f64),
}

impl Wind {
    /// From ahead and across, m/s, for a direction of travel; none where the direction or the wind is not known.
    pub fn on(&self, heading: f64) -> (f64, f64) {
        let (speed, from) = match *self {
            Self::From(speed, from) => (speed, from),
            Self::Along(speed, axis) => (-speed, axis),
            Self::Unknown(..) => return (0.0, 0.0),
        };
        let angle = from - heading;
        if angle.is_finite() { (speed * angle.cos(), speed * angle.sin()) } else { (0.0, 0.0) }
    }
}

/// Where the road load comes from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Load {
    /// As a card gives it, at its own conditions.
    Given(RoadLoad),
    /// A and C as fitted, at the conditions of the drive.
    Fitted(f64, f64),
}

/// What the restating rests on; each may be moved to see what its error does.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Inputs {
    /// Of the air, degC.
    pub degc: f64,
    /// Of the air, Pa.
    pub pascal: f64,
    /// Of the air, 0 to 1.
    pub humidity: f64,
    /// Relative fall of the rolling resistance per kelvin.
    pub tyres_per_k: f64,
    /// Factor on C alone.
    pub drag: f64,
    /// The wind.
    pub wind: Wind,
    /// Power of accessories and climate, W.
    pub accessories: f64,
    /// Net rise over the drive, m.
    pub rise: f64,
}

/// A drive to be restated.
#[derive(Clone, Copy, Debug)]
pub struct Drive<'a> {
    /// What counts of it.
    pub pieces: &'a [Piece],
    /// Net energy per distance as measured, J/m.
    pub per_metre: f64,
    /// The road load.
    pub load: Load,
    /// The reference air.
    pub reference: Air,
    /// Mass, kg.
    pub mass: f64,
    /// Restated at this speed throughout, m/s, instead of those driven.
    pub at: Option<f64>,
}

impl Drive<'_> {
    /// The air of the drive.
    pub fn air(inputs: &Inputs) -> Air {
        let density = air::density(inputs.degc, inputs.pascal, inputs.humidity);
        Air { degc: inputs.degc, density, tyres_per_k: inputs.tyres_per_k }
    }

    fn load(&self, inputs: &Inputs) -> RoadLoad {
        let mut load = match self.load {
            Load::Given(load) => load,
            Load::Fitted(a, c) => {
                let air = Self::air(inputs);
                RoadLoad { abc: [a, 0.0, c], degc: air.degc, density: air.density }
            }
        };
        load.abc[2] *= inputs.drag;
        load
    }

    /// Work against the road by the model, J: as driven, and in the reference air without wind.
    pub fn work(&self, inputs: &Inputs) -> (f64, f64) {
        let (load, air) = (self.load(inputs), Self::air(inputs));
        let reference = Air { tyres_per_k: inputs.tyres_per_k, ..self.reference };
        self.pieces.iter().fold((0.0, 0.0), |(driven, restated), piece| {
            let (ahead, across) = inputs.wind.on(piece.heading);
            let speed = self.at.unwrap_or(piece.speed);
            (
                driven + load.force_in(piece.speed, ahead, across, &air) * piece.distance,
                restated + load.force_in(speed, 0.0, 0.0, &reference) * piece.distance,
            )
        })
    }

    /// Energy per distance in the reference air, J/m, and the factor on its road part.
    pub fn restated(&self, inputs: &Inputs) -> (f64, f64) {
        let (time, distance) =
            self.pieces.iter().fold((0.0, 0.0), |(time, way), piece| (time + piece.dt, way + piece.distance));
        let (driven, restated) = self.work(inputs);
        let factor = restated / driven;
        let accessories = inputs.accessories * time / distance;
        let lifted = self.mass * GRAVITY * inputs.rise / EFFICIENCY / distance;
        let road = self.per_metre - accessories - lifted;
        // At another speed the accessories run for another time.
        let kept = match self.at {
            Some(speed) => inputs.accessories / speed,
            None => accessories,
        };
        (kept + road * factor, factor)
    }
}
