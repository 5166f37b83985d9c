//! What was driven and used: of late, in this leg, in this test; and how the speed was held.
//!
//! Sums only: estimates nothing. What a named step in power takes is left out of 'of late'.

use std::collections::VecDeque;

use crate::course::Direction;
use crate::plan::picture::{Driven, Hold, PerMetre};

/// 'Of late', m, and how finely it is kept.
const LATE_M: f64 = 10_000.0;
const GRAIN_M: f64 = 100.0;
/// No energy per distance of less than this, m.
const SAID_M: f64 = 3_000.0;
/// The last minute, s.
const MINUTE_S: f64 = 60.0;
/// Slower than this the car does not move, m/s.
const STANDS: f64 = 0.5;
/// A stop is one that lasts this long, s.
const STOP_S: f64 = 20.0;
/// Held within this where no tolerance is given, m/s (2 km/h): as the reduction's default.
const TOLERANCE: f64 = 2.0 / 3.6;

/// Distance, energy and time of a part of the test.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Sum {
    /// m.
    pub distance: f64,
    /// J.
    pub energy: f64,
    /// Driving, s.
    pub time: f64,
    /// Within the tolerance, s.
    pub held: f64,
    /// Longer stops.
    pub stops: u32,
}

impl Sum {
    /// Energy per distance, J/m, from some kilometres on: a turn, or getting up to speed, is none.
    pub fn per_metre(&self) -> Option<f64> {
        (self.distance >= SAID_M).then(|| self.energy / self.distance)
    }

    /// Share of the time held.
    pub fn share(&self) -> Option<f64> {
        (self.time > 0.0).then(|| self.held / self.time)
    }
}

/// One step, as it is summed up.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Piece {
    /// s.
    pub dt: f64,
    /// Whether it was driven.
    pub drives: bool,
    /// Distance over the ground, m.
    pub distance: f64,
    /// Net energy, J.
    pub energy: f64,
    /// Energy of a step that is named apart, J.
    pub stepped: f64,
    /// Speed over the ground, m/s.
    pub speed: Option<f64>,
}

/// The sums.
#[derive(Clone, Debug)]
pub struct Recent {
    target: Option<f64>,
    tolerance: f64,
    late: VecDeque<(f64, f64)>,
    minute: VecDeque<(f64, f64)>,
    /// All of the test.
    pub test: Sum,
    /// This leg.
    pub leg: Sum,
    /// Legs that were driven, with their directions.
    pub legs: Vec<(Direction, Sum)>,
    stands: f64,
}

impl Recent {
    /// Nothing yet.
    pub fn new(target: Option<f64>, tolerance: Option<f64>) -> Self {
        let sound = |value: &f64| *value > 0.0 && value.is_finite();
        Self {
            target: target.filter(sound),
            tolerance: tolerance.filter(sound).unwrap_or(TOLERANCE),
            late: VecDeque::new(),
            minute: VecDeque::new(),
            test: Sum::default(),
            leg: Sum::default(),
            legs: Vec::new(),
            stands: 0.0,
        }
    }

    /// A step of the drive.
    pub fn add(&mut self, piece: &Piece) {
        let within = |target: f64| piece.speed.is_some_and(|speed| (speed - target).abs() <= self.tolerance);
        let held = self.target.is_some_and(within);
        let stood = self.stands;
        let stands = piece.speed.is_some_and(|speed| speed < STANDS);
        self.stands = if stands { stood + piece.dt } else { 0.0 };
        let stops = stood < STOP_S && self.stands >= STOP_S && self.test.distance > 1_000.0;
        for sum in [&mut self.test, &mut self.leg] {
            sum.distance += piece.distance;
            sum.energy += piece.energy;
            sum.stops += u32::from(stops);
            if piece.drives {
                sum.time += piece.dt;
                sum.held += if held { piece.dt } else { 0.0 };
            }
        }
        self.add_late(piece.distance, piece.energy - piece.stepped);
        if piece.drives
            && let Some(speed) = piece.speed.filter(|speed| *speed >= STANDS)
        {
            self.minute.push_back((piece.dt, speed));
        } else {
            self.minute.clear();
        }
        let mut length: f64 = self.minute.iter().map(|(dt, _)| dt).sum();
        while let Some((dt, _)) = self.minute.front().copied().filter(|(dt, _)| length - dt >= MINUTE_S) {
            length -= dt;
            self.minute.pop_front();
        }
    }

    fn add_late(&mut self, distance: f64, energy: f64) {
        match self.late.back_mut().filter(|(length, _)| *length < GRAIN_M) {
            Some((length, sum)) => {
                *length += distance;
                *sum += energy;
            }
            None => self.late.push_back((distance, energy)),
        }
        let mut length: f64 = self.late.iter().map(|(length, _)| length).sum();
        while let Some((first, _)) = self.late.front().copied().filter(|(first, _)| length - first >= LATE_M) {
            length -= first;
            self.late.pop_front();
        }
    }

    /// The leg ends.
    pub fn turned(&mut self, from: Direction) {
        self.legs.push((from, std::mem::take(&mut self.leg)));
    }

    /// Pairs of legs of opposite direction that were driven, each at least 2 km long.
    pub fn pairs(&self) -> u32 {
        let long = |direction: Direction| {
            self.legs.iter().filter(|(way, leg)| *way == direction && leg.distance >= 2_000.0).count() as u32
        };
        long(Direction::Out).min(long(Direction::Back))
    }

    /// Mean speed over the last minute, m/s.
    pub fn last_minute(&self) -> Option<f64> {
        let (time, way) = self.minute.iter().fold((0.0, 0.0), |(time, way), (dt, v)| (time + dt, way + dt * v));
        (time >= MINUTE_S - 1.0).then(|| way / time)
    }

    /// How the speed was held.
    pub fn hold(&self) -> Option<Hold> {
        let target = self.target?;
        Some(Hold { target, last_minute: self.last_minute(), share_of_leg: self.leg.share() })
    }

    /// Energy per distance so far, where energy is measured.
    pub fn per_metre(&self) -> PerMetre {
        let (way, energy) =
            self.late.iter().fold((0.0, 0.0), |(way, sum), (length, energy)| (way + length, sum + energy));
        PerMetre {
            last_10_km: (way >= 0.95 * LATE_M).then(|| energy / way),
            leg: self.leg.per_metre(),
            test: self.test.per_metre(),
            ahead: None,
        }
    }

    /// What was driven.
    pub fn driven(&self, measured: bool, by_wheel: bool) -> Driven {
        Driven {
            distance: by_wheel.then_some(self.test.distance),
            leg: by_wheel.then_some(self.leg.distance),
            energy: measured.then_some(self.test.energy),
            time: self.test.time,
        }
    }
}
