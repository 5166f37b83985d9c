//! The end of the pack by its voltage: lowest cell and pack, extrapolated at present power to where the car gives up; independent of
//! the display.
//!
//! Voltages are cleared of their drop under load with a resistance learned from changes of the current, and taken as means over
//! bins of energy. Through the newest bins goes a line; where it falls ever faster, an exponential fall that is as steep and as bent.
//! Both come out late on a curve that bends down further on: the line is believed only as far as it reaches. Knows no display.

use std::collections::VecDeque;

use crate::plan::outlook::Guess;

/// A bin of energy, as a share of the usable energy, and how many make the newer and the older half of what is looked at.
const BIN: f64 = 0.001;
const HALF: usize = 10;
/// Resistance over the pack's voltage at most, 1/A, and how fast it forgets.
const FORGET: f64 = 0.995;
/// Changes of current that tell of the resistance, A.
const CHANGE_A: f64 = 5.0;
/// The present power is a mean over this, s.
const POWER_S: f64 = 60.0;
/// Longer than this ahead, as a share of the usable energy, the voltage says nothing.
const FAR: f64 = 0.30;
/// Higher than this above the cut-off, as a share of it, the voltage may do anything.
const NEAR: f64 = 0.15;

/// One voltage that is watched.
#[derive(Clone, Debug, Default)]
struct Watched {
    /// Sums for the resistance.
    resistance: (f64, f64),
    last: Option<(f64, f64)>,
    bins: VecDeque<(f64, f64)>,
    open: (f64, f64, f64),
}

/// The pack's end.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    cell: Watched,
    pack: Watched,
    /// Mean voltage of the pack and power now.
    volts: f64,
    power: f64,
    current: f64,
}

/// What is read at a moment.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Reading {
    /// s since the last.
    pub dt: f64,
    /// V.
    pub pack: Option<f64>,
    /// V.
    pub cell: Option<f64>,
    /// A, discharge positive.
    pub current: Option<f64>,
    /// Energy taken so far, J.
    pub taken: f64,
}

impl Watched {
    fn see(&mut self, volts: f64, current: f64, taken: f64, bin: f64) {
        if let Some((before_v, before_i)) = self.last.replace((volts, current)) {
            let (dv, di) = (volts - before_v, current - before_i);
            if di.abs() >= CHANGE_A {
                self.resistance.0 = FORGET * self.resistance.0 - dv * di;
                self.resistance.1 = FORGET * self.resistance.1 + di * di;
            }
        }
        let Some(ohm) = self.ohm() else { return };
        let (mut energy, mut sum, mut count) = self.open;
        if count == 0.0 {
            energy = taken;
        }
        (sum, count) = (sum + volts + ohm * current, count + 1.0);
        if taken - energy >= bin {
            self.bins.push_back(((energy + taken) / 2.0, sum / count));
            (energy, sum, count) = (taken, 0.0, 0.0);
            if self.bins.len() > 2 * HALF {
                self.bins.pop_front();
            }
        }
        self.open = (energy, sum, count);
    }

    fn ohm(&self) -> Option<f64> {
        let ohm = self.resistance.0 / self.resistance.1;
        (self.resistance.1 > 20.0 * CHANGE_A * CHANGE_A && ohm > 0.0 && ohm.is_finite()).then_some(ohm)
    }

    /// Energy from `taken` until this voltage under load reaches its cut-off, J.
    fn end(&self, taken: f64, current: f64, cut_off: f64, far: f64) -> Option<Guess> {
        let ohm = self.ohm()?;
        if self.bins.len() < 2 * HALF {
            return None;
        }
        let (older, newer): (Vec<_>, Vec<_>) = self.bins.iter().enumerate().partition(|(at, _)| *at < HALF);
        let older = Line::through(older.into_iter().map(|(_, bin)| *bin));
        let newer = Line::through(newer.into_iter().map(|(_, bin)| *bin));
        let room = newer.at(taken) - ohm * current - cut_off;
        let slope = -newer.slope;
        if room <= 0.0 {
            return Some(Guess::new(0.0, 0.002 * far / FAR));
        }
        if slope <= 2.0 * newer.slope_u || room > NEAR * cut_off {
            return None;
        }
        // An exponential fall whose slope grows as it did from the older to the newer half.
        let apart = newer.middle - older.middle;
        let bent = (slope + older.slope) / apart;
        let bent_u = newer.slope_u.hypot(older.slope_u) / apart;
        let (length, of_slope) = if bent > 2.0 * bent_u && older.slope < 0.0 {
            let scale = slope / bent;
            let grown = room / (slope * scale);
            (scale * libm::log1p(grown), grown / (1.0 + grown) / libm::log1p(grown))
        } else {
            (room / slope, 1.0)
        };
        let noise = newer.scatter / slope;
        let u = (length * of_slope * newer.slope_u / slope).hypot(noise).hypot(0.15 * length);
        (length.is_finite() && length <= far).then(|| Guess::new(length, u))
    }
}

/// A line through bins.
struct Line {
    middle: f64,
    mean: f64,
    slope: f64,
    slope_u: f64,
    scatter: f64,
}

impl Line {
    fn through(points: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let n = points.clone().count() as f64;
        let (x, y) = points.clone().fold((0.0, 0.0), |(x, y), point| (x + point.0, y + point.1));
        let (middle, mean) = (x / n, y / n);
        let (mut xx, mut xy) = (0.0, 0.0);
        for (x, y) in points.clone() {
            xx += (x - middle) * (x - middle);
            xy += (x - middle) * (y - mean);
        }
        let slope = xy / xx;
        let rest = points.map(|(x, y)| (y - mean - slope * (x - middle)).powi(2)).sum::<f64>();
        let scatter = (rest / (n - 2.0)).sqrt();
        Self { middle, mean, slope, slope_u: scatter / xx.sqrt(), scatter }
    }

    fn at(&self, x: f64) -> f64 {
        self.mean + self.slope * (x - self.middle)
    }
}

impl Watch {
    /// A moment. `usable`: about the energy from full to displayed 0, J.
    pub fn see(&mut self, reading: &Reading, usable: f64) {
        let Some(current) = reading.current.filter(|current| current.abs() < 3_000.0) else { return };
        let weight = 1.0 - libm::exp(-reading.dt / POWER_S);
        self.current += (current - self.current) * weight;
        let bin = BIN * usable.max(3.6e6);
        if let Some(volts) = reading.pack.filter(|volts| (1.0..3_000.0).contains(volts)) {
            self.volts = if self.volts == 0.0 { volts } else { self.volts + (volts - self.volts) * weight };
            self.power += (volts * current - self.power) * weight;
            self.pack.see(volts, current, reading.taken, bin);
        }
        if let Some(volts) = reading.cell.filter(|volts| (0.1..10.0).contains(volts)) {
            self.cell.see(volts, current, reading.taken, bin);
        }
    }

    /// Energy until the first of the two is at its cut-off, J; `None` while neither is near or known.
    pub fn end(&self, taken: f64, cell_cut_off: Option<f64>, pack_cut_off: Option<f64>, usable: f64) -> Option<Guess> {
        let far = FAR * usable;
        let end = |watched: &Watched, cut_off: Option<f64>| {
            let cut_off = cut_off.filter(|volts| *volts > 0.0 && volts.is_finite())?;
            watched.end(taken, self.current.max(0.0), cut_off, far)
        };
        let (cell, pack) = (end(&self.cell, cell_cut_off), end(&self.pack, pack_cut_off));
        match (cell, pack) {
            (Some(a), Some(b)) => Some(if a.mean <= b.mean { a } else { b }),
            (a, b) => a.or(b),
        }
    }
}
