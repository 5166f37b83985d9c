//! Totals by phase.
//!
//! Beside the sums themselves it keeps what each error of a sensor does to them: a wrong zero of the current adds
//! its size times the integral of the voltage, a skew between voltage and current its size times the integral of V dI.
//!
//! Fills no gap.

use super::Row;
use crate::ledger::Phase;
use crate::schema::Role;

/// Totals of one phase. A row's increments belong to the phase that the row is in.
#[derive(Clone, Copy, Debug, Default)]
pub struct PhaseTotals {
    /// Time, s.
    pub duration: f64,
    /// Of that, time in which the pack's power was unobserved, s.
    pub unobserved: f64,
    /// Energy out of the pack, J.
    pub energy_out: f64,
    /// Energy into the pack, J, plug left out.
    pub energy_in: f64,
    /// Energy into the pack from a plug, J.
    pub energy_charged: f64,
    /// Charge out of the pack, C.
    pub charge_out: f64,
    /// Charge into the pack, C, plug left out.
    pub charge_in: f64,
    /// Charge into the pack from a plug, C.
    pub charge_charged: f64,
    /// Distance by the wheel speed, m.
    pub distance: f64,
    /// Observed time with current out and in, s.
    pub time: [f64; 2],
    /// Integral of the voltage over it, V s.
    pub volt_seconds: [f64; 2],
    /// Integral of V dI, J/s: what a second of skew between voltage and current would add to energy out and in.
    pub skew: [f64; 2],
}

/// Where a phase's totals stand in an array.
#[inline]
pub(super) fn index(phase: Phase) -> usize {
    PhaseTotals::PHASES.iter().position(|known| *known == phase).unwrap_or(0)
}

impl PhaseTotals {
    /// The phases, in the order that arrays of totals have.
    pub const PHASES: [Phase; 3] = [Phase::Drive, Phase::Stand, Phase::Charge];

    #[inline]
    pub(super) fn add(&mut self, last: &Row<'_>, row: &Row<'_>) {
        let dt = (row.t - last.t).max(0.0);
        let (a, b) = (&last.sums, &row.sums);
        self.duration += dt;
        self.unobserved += (b.time_unobserved - a.time_unobserved).max(0.0);
        self.energy_out += b.energy_out - a.energy_out;
        self.energy_in += b.energy_in - a.energy_in;
        self.energy_charged += b.energy_charged - a.energy_charged;
        self.charge_out += b.charge_out - a.charge_out;
        self.charge_in += b.charge_in - a.charge_in;
        self.charge_charged += b.charge_charged - a.charge_charged;
        self.distance += b.distance - a.distance;
        let volt = [last.volt, row.volt];
        let current = [last.current, row.current];
        let power = row.role(Role::PackPower);
        let sign = if current[1].is_finite() { current[0] + current[1] } else { power };
        if !sign.is_finite() {
            return;
        }
        let side = usize::from(sign < 0.0);
        self.time[side] += dt;
        let mean = (volt[0] + volt[1]) / 2.0;
        if mean.is_finite() {
            self.volt_seconds[side] += mean * dt;
            let change = current[1] - current[0];
            self.skew[side] += if change.is_finite() { mean * change } else { 0.0 };
        }
    }

    /// The totals of two stretches.
    pub fn plus(&self, other: &Self) -> Self {
        let pair = |a: [f64; 2], b: [f64; 2]| [a[0] + b[0], a[1] + b[1]];
        Self {
            duration: self.duration + other.duration,
            unobserved: self.unobserved + other.unobserved,
            energy_out: self.energy_out + other.energy_out,
            energy_in: self.energy_in + other.energy_in,
            energy_charged: self.energy_charged + other.energy_charged,
            charge_out: self.charge_out + other.charge_out,
            charge_in: self.charge_in + other.charge_in,
            charge_charged: self.charge_charged + other.charge_charged,
            distance: self.distance + other.distance,
            time: pair(self.time, other.time),
            volt_seconds: pair(self.volt_seconds, other.volt_seconds),
            skew: pair(self.skew, other.skew),
        }
    }
}
