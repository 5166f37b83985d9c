//! A row of the trace as the fold sees it, and what is carried from row to row: integrals, and readings of what steps.
//!
//! Keeps no row but the one it is given.

use super::{ROLES, Reading};
use crate::ledger::{Phase, Sums};
use crate::schema::Role;

/// A row as the fold sees it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    pub t: f64,
    pub phase: Phase,
    pub sums: Sums,
    pub roles: [f64; ROLES.len()],
    pub fix: (f64, f64),
}

/// Where a role stands among [`ROLES`].
#[inline(always)]
const fn place(role: Role) -> usize {
    let mut at = 0;
    while at < ROLES.len() {
        if ROLES[at] as usize == role as usize {
            return at;
        }
        at += 1;
    }
    panic!("the fold does not read this role")
}

impl Row {
    #[inline(always)]
    pub fn role(&self, role: Role) -> f64 {
        self.roles[place(role)]
    }

    pub fn set(&mut self, role: Role, value: f64) {
        self.roles[place(role)] = value;
    }
}

/// Integrals from row to row.
#[derive(Default)]
pub(super) struct Integrals {
    pub volt_seconds: f64,
    pub power_squared: f64,
    /// Of the current with the contactors open, A s, and for how long, s.
    pub open: (f64, f64),
}

impl Integrals {
    pub fn add(&mut self, last: &Row, row: &Row, dt: f64) {
        let volt = (last.role(Role::PackVoltage) + row.role(Role::PackVoltage)) / 2.0;
        let observed = row.sums.time_unobserved - last.sums.time_unobserved < dt / 2.0;
        if row.phase != Phase::Charge && observed {
            if volt.is_finite() {
                self.volt_seconds += volt * dt;
            }
            let energy = (row.sums.energy_out - row.sums.energy_in) - (last.sums.energy_out - last.sums.energy_in);
            if energy.is_finite() && dt > 0.0 {
                self.power_squared += energy * energy / dt;
            }
        }
        let current = row.role(Role::PackCurrent);
        if row.role(Role::Contactor) == 0.0 && last.role(Role::Contactor) == 0.0 && current.is_finite() {
            self.open.0 += current * dt;
            self.open.1 += dt;
        }
    }
}

/// The first and last value of something that steps, and its smallest step.
#[derive(Clone, Copy, Default)]
pub(super) struct Steps {
    pub first: Option<f64>,
    pub last: Option<f64>,
    pub step: Option<f64>,
    pub reading: Reading,
}

impl Steps {
    /// Sees a row's value; `energy` is what it goes with.
    pub fn see(&mut self, value: f64, row: &Row, energy: f64) {
        let shown = value.is_finite();
        if shown {
            let change = (value - self.last.unwrap_or(value)).abs();
            if change > 0.0 {
                self.step = Some(self.step.map_or(change, |step| step.min(change)));
            }
            if change > 0.0 || !self.reading.shown {
                let Sums { distance, time_unobserved: unobserved, .. } = row.sums;
                self.reading = Reading { value, t: row.t, energy, distance, unobserved, shown };
            }
            self.first.get_or_insert(value);
            self.last = Some(value);
        }
        self.reading.shown = shown;
    }
}
