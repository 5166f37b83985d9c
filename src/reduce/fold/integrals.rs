//! Integrals from row to row of the trace: of a whole run, row by row, and of each phase.
//!
//! Fills no gap.

use std::ops::Range;

use super::row::{IN, OUT, Rows, UNOBSERVED, place};
use super::tally::PhaseTotals;
use crate::ledger::Phase;
use crate::schema::Role;

/// Integrals over a run.
pub(super) struct Integrals {
    /// Of the voltage, V s, and of the power squared, W² s: up to the row before a block, and up to each of its rows.
    sums: Vec<(f64, f64)>,
    /// Of the current with the contactors open, A s, and for how long, s.
    pub open: (f64, f64),
}

impl Default for Integrals {
    fn default() -> Self {
        Self { sums: vec![(0.0, 0.0)], open: (0.0, 0.0) }
    }
}

/// The larger of a number and 0; of NaN 0.
#[inline(always)]
fn positive(value: f64) -> f64 {
    // Without `max`, which takes care of a NaN on either side.
    if value > 0.0 { value } else { 0.0 }
}

impl Integrals {
    /// Up to the last row that was seen.
    pub fn now(&self) -> (f64, f64) {
        self.sums.last().copied().unwrap_or_default()
    }

    /// Up to the row before a row of the block at hand.
    pub fn before(&self, at: usize) -> (f64, f64) {
        self.sums[at]
    }

    /// Up to a row of the block at hand.
    pub fn at(&self, at: usize) -> (f64, f64) {
        self.sums[at + 1]
    }

    /// Begins a block, whose rows of each phase are then added.
    pub fn begin(&mut self, rows: &Rows<'_>) {
        let now = self.now();
        self.sums.clear();
        self.sums.resize(1 + rows.following().start, now);
        if !rows.is_blank(Role::Contactor) {
            self.add_open(rows);
        }
    }

    /// Adds rows of one phase, each of which has a row before it, and what of them belongs to current out or in to the phase's totals.
    pub fn add(&mut self, rows: &Rows<'_>, these: Range<usize>, phase: Phase, totals: &mut PhaseTotals) {
        let [volt, current] = [place(Role::PackVoltage), place(Role::PackCurrent)];
        let before = |column: usize| rows.cell_before(column, these.start);
        let mut last = (rows.t_before(these.start), before(volt), before(current));
        let (mut unobserved0, mut net0) = (before(UNOBSERVED), before(OUT) - before(IN));
        let (mut volt_seconds, mut squared) = self.now();
        // All of one length, so that no place in them has to be checked.
        let length = these.len();
        let (t, power) = (&rows.t[these.start..][..length], &rows.role(Role::PackPower)[these.start..][..length]);
        let [volt, current, unobserved, out, back] =
            [volt, current, UNOBSERVED, OUT, IN].map(|column| &rows.column(column)[these.start..][..length]);
        let from = self.sums.len();
        self.sums.resize(from + length, (0.0, 0.0));
        let integrals = &mut self.sums[from..][..length];
        let mut sums = *totals;
        for at in 0..length {
            let (t0, volt0, current0) = last;
            let (dt, silent) = (positive(t[at] - t0), unobserved[at] - unobserved0);
            let (mean, net) = ((volt0 + volt[at]) / 2.0, out[at] - back[at]);
            sums.duration += dt;
            sums.unobserved += positive(silent);
            if phase != Phase::Charge && silent < dt / 2.0 {
                volt_seconds += if mean.is_finite() { mean * dt } else { 0.0 };
                let energy = net - net0;
                squared += if energy.is_finite() && dt > 0.0 { energy * energy / dt } else { 0.0 };
            }
            integrals[at] = (volt_seconds, squared);
            let sign = if current[at].is_finite() { current0 + current[at] } else { power[at] };
            if sign.is_finite() {
                let (side, change) = (usize::from(sign < 0.0), current[at] - current0);
                sums.time[side] += dt;
                if mean.is_finite() {
                    sums.volt_seconds[side] += mean * dt;
                    sums.skew[side] += if change.is_finite() { mean * change } else { 0.0 };
                }
            }
            last = (t[at], volt[at], current[at]);
            (unobserved0, net0) = (unobserved[at], net);
        }
        *totals = sums;
    }

    fn add_open(&mut self, rows: &Rows<'_>) {
        let (contactor, current) = (rows.role(Role::Contactor), rows.role(Role::PackCurrent));
        for at in rows.following() {
            let before = rows.cell_before(place(Role::Contactor), at);
            if contactor[at] == 0.0 && before == 0.0 && current[at].is_finite() {
                let dt = positive(rows.t[at] - rows.t_before(at));
                self.open.0 += current[at] * dt;
                self.open.1 += dt;
            }
        }
    }
}
