//! A row of the trace as the fold sees it, and what is carried from row to row: integrals, and readings of what steps.
//!
//! Keeps no row but the one it is given.

use super::second::MEANS;
use super::{ROLES, Reading, SUMS, WIDTH};
use crate::ledger::{Phase, Sums};
use crate::schema::Role;

/// Columns side by side; one that has no cells is null throughout.
pub(super) struct Columns<'a> {
    cells: [&'a [f64]; WIDTH],
    /// Of which of [`MEANS`] there are cells.
    means: ([usize; MEANS.len()], usize),
}

impl<'a> Columns<'a> {
    pub fn new(cells: [&'a [f64]; WIDTH]) -> Self {
        let mut means = ([0; MEANS.len()], 0);
        for (at, _) in MEANS.iter().enumerate().filter(|(_, role)| !cells[place(**role)].is_empty()) {
            means.0[means.1] = at;
            means.1 += 1;
        }
        Self { cells, means }
    }

    #[inline(always)]
    pub fn means(&self) -> &[usize] {
        &self.means.0[..self.means.1]
    }

    #[inline(always)]
    fn cell(&self, column: usize, at: usize) -> f64 {
        match self.cells.get(column).and_then(|cells| cells.get(at)) {
            Some(cell) => *cell,
            None => f64::NAN,
        }
    }
}

/// A row as the fold sees it: what nearly every step asks for, and a place in the columns, where the rest is read as it is asked for.
#[derive(Clone, Copy)]
pub(super) struct Row<'a> {
    /// Run time, s.
    pub t: f64,
    pub phase: Phase,
    pub sums: Sums,
    /// Voltage and current of the pack.
    pub volt: f64,
    pub current: f64,
    at: usize,
    pub columns: &'a Columns<'a>,
}

/// Where each role stands among [`ROLES`].
const PLACES: [usize; Role::COUNT] = {
    let mut places = [usize::MAX; Role::COUNT];
    let mut at = 0;
    while at < ROLES.len() {
        places[ROLES[at] as usize] = at;
        at += 1;
    }
    places
};

/// Where a role's column stands; one that the fold does not read stands nowhere.
#[inline(always)]
pub(super) fn place(role: Role) -> usize {
    SUMS.saturating_add(PLACES[role as usize])
}

impl<'a> Row<'a> {
    #[inline(always)]
    pub fn new(columns: &'a Columns<'a>, at: usize, t: f64, phase: Phase) -> Self {
        let cell = |column| columns.cell(column, at);
        // Written out: as a loop it is a call for every cell.
        let sums = [cell(0), cell(1), cell(2), cell(3), cell(4), cell(5), cell(6), cell(7)];
        let (volt, current) = (cell(place(Role::PackVoltage)), cell(place(Role::PackCurrent)));
        Self { t, phase, sums: Sums::from_column_order(sums), volt, current, at, columns }
    }

    #[inline(always)]
    pub fn role(&self, role: Role) -> f64 {
        self.columns.cell(place(role), self.at)
    }

    /// Degrees north and east of the latest fix.
    pub fn fix(&self) -> (f64, f64) {
        (self.columns.cell(WIDTH - 2, self.at), self.columns.cell(WIDTH - 1, self.at))
    }
}

/// A row that outlives its columns.
#[derive(Clone, Copy)]
pub(super) struct Held {
    t: f64,
    phase: Phase,
    cells: [f64; WIDTH],
}

impl Held {
    pub fn of(row: Row<'_>) -> Self {
        Self { t: row.t, phase: row.phase, cells: std::array::from_fn(|column| row.columns.cell(column, row.at)) }
    }

    pub fn columns(&self) -> Columns<'_> {
        Columns::new(self.cells.each_ref().map(std::slice::from_ref))
    }

    /// As the row that it was; `columns` are its own.
    pub fn row<'a>(&self, columns: &'a Columns<'a>) -> Row<'a> {
        Row::new(columns, 0, self.t, self.phase)
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
    #[inline]
    pub fn add(&mut self, last: &Row<'_>, row: &Row<'_>, dt: f64) {
        let (a, b) = (&last.sums, &row.sums);
        let volt = (last.volt + row.volt) / 2.0;
        let observed = b.time_unobserved - a.time_unobserved < dt / 2.0;
        if row.phase != Phase::Charge && observed {
            if volt.is_finite() {
                self.volt_seconds += volt * dt;
            }
            let energy = (b.energy_out - b.energy_in) - (a.energy_out - a.energy_in);
            if energy.is_finite() && dt > 0.0 {
                self.power_squared += energy * energy / dt;
            }
        }
        let current = row.current;
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
    #[inline]
    pub fn see(&mut self, value: f64, row: &Row<'_>, energy: f64) {
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
