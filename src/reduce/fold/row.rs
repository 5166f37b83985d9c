//! Rows of the trace as the fold sees them, a block of them side by side, and the readings of what steps from row to row.
//!
//! Keeps no row but the last of a block.

use std::ops::Range;

use super::{Point, ROLES, Reading, SUMS, WIDTH};
use crate::ledger::Phase;
use crate::schema::Role;

/// The most rows of a block: its columns stay near the processor from one step of the fold to the next. A piece of a table's rows, as the
/// store gives them out, is one block.
pub(super) const BLOCK: usize = 1_280;
/// The cells of a column that is null throughout a block.
static NULLS: [f64; BLOCK] = [f64::NAN; BLOCK];

// Where some of the sums stand.
pub(super) const OUT: usize = 0;
pub(super) const IN: usize = 1;
pub(super) const CHARGED: usize = 2;
pub(super) const DISTANCE: usize = 6;
pub(super) const UNOBSERVED: usize = 7;

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

/// One row, which outlives its columns.
#[derive(Clone, Copy)]
pub(super) struct Row {
    /// Run time, s.
    pub t: f64,
    pub phase: Phase,
    cells: [f64; WIDTH],
}

impl Row {
    /// A row of columns side by side; a column that is too short is null there.
    pub fn new(t: f64, phase: Phase, cells: &[&[f64]; WIDTH], at: usize) -> Self {
        // A loop: mapping so long an array is a call for every cell.
        let mut own = [f64::NAN; WIDTH];
        for (own, cell) in own.iter_mut().zip(cells.iter().map(|cells| cells.get(at))) {
            *own = cell.copied().unwrap_or(f64::NAN);
        }
        Self { t, phase, cells: own }
    }

    #[inline(always)]
    pub fn cell(&self, column: usize) -> f64 {
        self.cells.get(column).copied().unwrap_or(f64::NAN)
    }

    /// The trace there, up to which the integrals are formed.
    pub fn point(&self, integrals: (f64, f64)) -> Point {
        Point::of(self.t, self.phase, integrals, |column| self.cell(column))
    }
}

/// A few rows side by side: every column is as long as there are rows.
pub(super) struct Rows<'a> {
    /// Run time, s.
    pub t: &'a [f64],
    pub phase: &'a [Phase],
    cells: [&'a [f64]; WIDTH],
    blank: [bool; WIDTH],
    /// The row before the first of them, if there is one.
    pub before: Option<&'a Row>,
}

impl<'a> Rows<'a> {
    /// At most [`BLOCK`] rows; a column without cells is null throughout.
    pub fn new(t: &'a [f64], phase: &'a [Phase], mut cells: [&'a [f64]; WIDTH], before: Option<&'a Row>) -> Self {
        let mut blank = [false; WIDTH];
        for (cells, blank) in cells.iter_mut().zip(&mut blank) {
            *blank = cells.is_empty();
            *cells = if *blank { &NULLS[..t.len()] } else { &cells[..t.len()] };
        }
        Self { t, phase, cells, blank, before }
    }

    /// A row by itself.
    pub fn of_one(row: &'a Row, before: Option<&'a Row>) -> Self {
        let mut cells: [&[f64]; WIDTH] = [&[]; WIDTH];
        cells.iter_mut().zip(&row.cells).for_each(|(cells, cell)| *cells = std::slice::from_ref(cell));
        Self::new(std::slice::from_ref(&row.t), std::slice::from_ref(&row.phase), cells, before)
    }

    pub fn len(&self) -> usize {
        self.t.len()
    }

    /// Those rows that have a row before them: all but the very first of a run.
    pub fn following(&self) -> Range<usize> {
        usize::from(self.before.is_none())..self.len()
    }

    pub fn column(&self, column: usize) -> &'a [f64] {
        self.cells[column]
    }

    pub fn role(&self, role: Role) -> &'a [f64] {
        self.cells[place(role)]
    }

    /// Whether a role is null throughout.
    pub fn is_blank(&self, role: Role) -> bool {
        self.blank[place(role)]
    }

    /// The trace at a row, up to which the integrals are formed.
    pub fn point(&self, at: usize, integrals: (f64, f64)) -> Point {
        Point::of(self.t[at], self.phase[at], integrals, |column| self.cells[column][at])
    }

    /// The trace at the row before one, up to which the integrals are formed.
    pub fn point_before(&self, at: usize, integrals: (f64, f64)) -> Option<Point> {
        match at.checked_sub(1) {
            Some(before) => Some(self.point(before, integrals)),
            None => self.before.map(|row| row.point(integrals)),
        }
    }

    /// A column's cell in the row before one.
    pub fn cell_before(&self, column: usize, at: usize) -> f64 {
        match at.checked_sub(1) {
            Some(before) => self.cells[column][before],
            None => self.before.map_or(f64::NAN, |row| row.cell(column)),
        }
    }

    /// What the car was doing at the row before one.
    pub fn phase_before(&self, at: usize) -> Option<Phase> {
        match at.checked_sub(1) {
            Some(before) => Some(self.phase[before]),
            None => self.before.map(|row| row.phase),
        }
    }

    /// When the row before one was, s.
    pub fn t_before(&self, at: usize) -> f64 {
        match at.checked_sub(1) {
            Some(before) => self.t[before],
            None => self.before.map_or(f64::NAN, |row| row.t),
        }
    }
}

/// What the car's counters did, and what they read last.
#[derive(Default)]
pub(super) struct Counters {
    pub odometer: Steps,
    /// Of energy out and energy in.
    pub energy: [Steps; 2],
    /// Rows of the block at hand that were seen.
    seen: usize,
}

impl Counters {
    /// Sees the rows of the block at hand before one: only as far as someone asks what the counters read there.
    pub fn see(&mut self, rows: &Rows<'_>, to: usize) {
        if self.seen >= to {
            return;
        }
        let these = std::mem::replace(&mut self.seen, to)..to;
        let (out, back) = (rows.column(OUT), rows.column(IN));
        let [out_counter, in_counter] = &mut self.energy;
        self.odometer.see(rows, Role::Odometer, these.clone(), |at| out[at] - back[at]);
        out_counter.see(rows, Role::EnergyOutCounter, these.clone(), |at| out[at]);
        in_counter.see(rows, Role::EnergyInCounter, these, |at| back[at]);
    }

    /// Sees what is left of a block.
    pub fn finish(&mut self, rows: &Rows<'_>) {
        self.see(rows, rows.len());
        self.seen = 0;
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
    /// Sees the values of some rows; `energy` is what a row's goes with.
    fn see(&mut self, rows: &Rows<'_>, role: Role, these: Range<usize>, energy: impl Fn(usize) -> f64) {
        if rows.is_blank(role) {
            self.reading.shown = false;
            return;
        }
        let values = rows.role(role);
        for at in these {
            let value = values[at];
            // Most often as it was; what follows is new, or there again.
            if self.reading.shown && self.last == Some(value) {
                continue;
            }
            let shown = value.is_finite();
            if shown {
                let change = (value - self.last.unwrap_or(value)).abs();
                if change > 0.0 {
                    self.step = Some(self.step.map_or(change, |step| step.min(change)));
                }
                let (distance, unobserved) = (rows.column(DISTANCE)[at], rows.column(UNOBSERVED)[at]);
                self.reading = Reading { value, t: rows.t[at], energy: energy(at), distance, unobserved, shown };
                self.first.get_or_insert(value);
                self.last = Some(value);
            }
            self.reading.shown = shown;
        }
    }
}
