//! Sums over a portion of a test's seconds, with the estimates for the gaps in it: time, way, energy, temperature.
//!
//! Portions that together are the whole sum to the whole. Judges nothing; energy while a plug is in is in no portion.

use super::discharge::Drawn;
use super::energy::Totals;
use super::estimate::Estimate;
use super::fill::Fill;
use super::fold::Step;
use super::input::Missing;
use super::reduction::Test;
use super::way::Way;
use crate::ledger::Phase;

/// Sums over some seconds.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Portion {
    /// Time, s.
    pub seconds: f64,
    /// Of that, driving, s.
    pub driving: f64,
    /// Way by the wheels, m.
    pub wheels: f64,
    /// Energy and charge drawn.
    pub drawn: Drawn,
    /// Temperature outside times time, degC s, and the time in which it is known, s.
    pub warmth: (f64, f64),
}

impl Portion {
    /// Adds a second.
    pub fn add(&mut self, step: &Step<'_>) {
        let dt = step.dt();
        self.seconds += dt;
        self.wheels += step.distance();
        let warm = f64::from(step.to.temperature[0]);
        if warm.is_finite() {
            self.warmth = (self.warmth.0 + warm * dt, self.warmth.1 + dt);
        }
        if step.phase() == Phase::Drive {
            self.driving += dt;
        }
        if step.phase() != Phase::Charge {
            let unobserved = step.unobserved();
            self.drawn.energy += step.net();
            self.drawn.charge += step.to.charge() - step.from.charge();
            self.drawn.observed += dt - if unobserved.is_finite() { unobserved } else { 0.0 };
            self.drawn.volt_seconds += step.to.volt_seconds - step.from.volt_seconds;
        }
    }

    /// Adds the estimate for a gap.
    pub fn add_fill(&mut self, fill: &Fill) {
        if fill.gap.missing == Missing::Speed {
            self.wheels += fill.distance[0];
        } else if fill.phase != Phase::Charge {
            self.drawn.energy += fill.net();
            self.drawn.charge += fill.charge[0] - fill.charge[1];
            self.drawn.variance[0] += fill.u[0] * fill.u[0];
            self.drawn.estimated += fill.energy[0] + fill.energy[1];
            self.drawn.unknown |= fill.from.is_none();
        }
    }

    /// Both together.
    pub fn plus(&self, other: &Self) -> Self {
        Self {
            seconds: self.seconds + other.seconds,
            driving: self.driving + other.driving,
            wheels: self.wheels + other.wheels,
            drawn: self.drawn.plus(&other.drawn),
            warmth: (self.warmth.0 + other.warmth.0, self.warmth.1 + other.warmth.1),
        }
    }

    /// Its part of the distance that counts, m.
    pub fn distance(&self, way: &Way) -> Option<Estimate> {
        let distance = way.counting()?.scale(self.wheels / way.by_speed);
        distance.value.is_finite().then_some(distance)
    }

    /// Net energy, J; `None` where it is not measured, or too much of it would be an estimate.
    pub fn energy(&self, test: &Test<'_>, totals: &Totals) -> Option<Estimate> {
        let energy = totals.drawn(test, &self.drawn).0;
        let share = self.drawn.estimated / energy.value.abs();
        let sound = !self.drawn.unknown && (self.drawn.estimated == 0.0 || share <= test.options.estimated_share_max);
        (sound && energy.value.is_finite() && energy.u().is_finite()).then_some(energy)
    }

    /// Mean temperature outside, degC.
    pub fn temperature(&self) -> Option<f64> {
        (self.warmth.1 > 0.0).then(|| self.warmth.0 / self.warmth.1)
    }
}
