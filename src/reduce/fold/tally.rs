//! Totals by phase.
//!
//! Beside the sums themselves they hold what each error of a sensor does to them: a wrong zero of the current adds
//! its size times the integral of the voltage, a skew between voltage and current its size times the integral of V dI.
//!
//! Fills no gap; what is no sum of the ledger's own is integrated beside it.

use std::ops::Range;

use super::row::{Rows, UNOBSERVED};
use crate::ledger::Phase;

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

    /// Adds what the ledger's sums grew by over some rows of one phase, each of which has a row before it.
    pub(super) fn add_sums(&mut self, rows: &Rows<'_>, these: Range<usize>) {
        let length = these.len();
        let mut columns: [&[f64]; UNOBSERVED] = [&[]; UNOBSERVED];
        let mut before = [f64::NAN; UNOBSERVED];
        for column in 0..UNOBSERVED {
            columns[column] = &rows.column(column)[these.start..][..length];
            before[column] = rows.cell_before(column, these.start);
        }
        let mut sums = [
            self.energy_out,
            self.energy_in,
            self.energy_charged,
            self.charge_out,
            self.charge_in,
            self.charge_charged,
            self.distance,
        ];
        // All in one pass, since each sum waits for itself from row to row; zipped, the columns would not be kept apart.
        #[expect(clippy::needless_range_loop, reason = "a row of several columns")]
        for at in 0..length {
            for column in 0..UNOBSERVED {
                let cell = columns[column][at];
                sums[column] += cell - before[column];
                before[column] = cell;
            }
        }
        let [energy_out, energy_in, energy_charged, charge_out, charge_in, charge_charged, distance] = sums;
        *self =
            Self { energy_out, energy_in, energy_charged, charge_out, charge_in, charge_charged, distance, ..*self };
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
