//! The trace at one moment, and what the car's counters had read by then.
//!
//! Forms no difference between moments.

use super::row::place;
use crate::ledger::{Phase, Sums};
use crate::schema::Role;

/// The trace at one moment.
#[derive(Clone, Copy, Debug)]
pub struct Point {
    /// Run time, s.
    pub t: f64,
    /// What the car was doing.
    pub phase: Phase,
    /// The sums so far.
    pub sums: Sums,
    /// Integral of the pack's voltage over observed time outside charging, V s.
    pub volt_seconds: f64,
    /// Integral of the power squared, W² s, over time outside charging.
    pub power_squared: f64,
    /// Displayed and internal state of charge, percent.
    pub soc: [f64; 2],
}

/// A point with what the car's counters had read by then.
#[derive(Clone, Copy, Debug)]
pub struct Kept {
    /// The point.
    pub point: Point,
    /// The odometer, m.
    pub odometer: Reading,
    /// Lifetime counters of energy out and energy in, J.
    pub counters: [Reading; 2],
}

impl std::ops::Deref for Kept {
    type Target = Point;
    fn deref(&self) -> &Point {
        &self.point
    }
}

/// What a counter read when its reading was last new: it had changed, or come back after a silence. The trace goes on
/// showing a reading until it is too old, so only such a moment says when the value held.
#[derive(Clone, Copy, Debug)]
pub struct Reading {
    /// The value; NaN before the first.
    pub value: f64,
    /// When it was new, s of run time.
    pub t: f64,
    /// Net energy, J, so far; of a counter of energy, that which it counts.
    pub energy: f64,
    /// Distance by the wheel speed so far, m.
    pub distance: f64,
    /// Time unobserved so far, s.
    pub unobserved: f64,
    /// Shown still, not blanked for age.
    pub shown: bool,
}

impl Default for Reading {
    fn default() -> Self {
        Self { value: f64::NAN, t: f64::NAN, energy: 0.0, distance: 0.0, unobserved: 0.0, shown: false }
    }
}

impl Point {
    /// The trace at a row whose cells are read by their place, up to which the integrals of voltage and power squared are formed.
    #[inline]
    pub(super) fn of(
        t: f64,
        phase: Phase,
        (volt_seconds, power_squared): (f64, f64),
        cell: impl Fn(usize) -> f64,
    ) -> Self {
        let soc = [cell(place(Role::Soc)), cell(place(Role::SocInternal))];
        let sums = Sums::from_column_order(std::array::from_fn(cell));
        Self { t, phase, sums, volt_seconds, power_squared, soc }
    }

    /// Net energy out of the pack, J, plug left out.
    pub fn energy(&self) -> f64 {
        self.sums.energy_out - self.sums.energy_in
    }
    /// Net charge out of the pack, C, plug left out.
    pub fn charge(&self) -> f64 {
        self.sums.charge_out - self.sums.charge_in
    }
}
