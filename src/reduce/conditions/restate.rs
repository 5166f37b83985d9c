//! The restating itself: the share of the energy that overcame the road, times how the road's force would differ in the
//! reference air. Everything else stays as measured.
//!
//! Finds no input: air, wind and road load are given.

use super::air;
use super::road_load::{Air, EFFICIENCY, GRAVITY, RoadLoad};
use super::way::{Directions, Piece};

/// The wind at the car; directions are from the main axis of the road, rad.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Wind {
    /// Speed, m/s, and where it comes from.
    From(f64, f64),
    /// Along the axis, m/s from behind for who drives along it.
    Along(f64),
    /// Not known, or its direction is not: nothing is corrected; its size, m/s, along the axis, makes the uncertainty.
    Unknown(f64),
}

impl Wind {
    /// Its speed, m/s, and where it comes from; none where it is not known.
    fn parts(&self) -> (f64, f64) {
        match *self {
            Self::From(speed, from) => (speed, from),
            Self::Along(speed) => (-speed, 0.0),
            Self::Unknown(_) => (0.0, 0.0),
        }
    }

    /// From ahead and across, m/s, for a direction of travel; none where the direction or the wind is not known.
    pub fn on(&self, heading: f64) -> (f64, f64) {
        let (speed, from) = self.parts();
        let angle = from - heading;
        if angle.is_finite() { (speed * angle.cos(), speed * angle.sin()) } else { (0.0, 0.0) }
    }

    /// What it adds to the squared speed of the air along a way, times that way, m³/s².
    fn on_way(&self, way: &Directions) -> f64 {
        let (speed, from) = self.parts();
        let (sine, cosine) = from.sin_cos();
        2.0 * speed * (cosine * way.along + sine * way.across) + speed * speed * way.known
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
    /// Its directions.
    pub directions: Directions,
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
        let (still, restated) = self.pieces.iter().fold((0.0, 0.0), |(still, restated), piece| {
            let speed = self.at.unwrap_or(piece.speed);
            (
                still + load.force_in(piece.speed, 0.0, 0.0, &air) * piece.distance,
                restated + load.force_in(speed, 0.0, 0.0, &reference) * piece.distance,
            )
        });
        (still + load.drag(&air) * inputs.wind.on_way(&self.directions), restated)
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
