//! The trace of a run folded, row by row, into what the reduction needs: totals by phase, seconds, points every 10 s, ticks
//! of the state of charge. A second is some 220 bytes, so 8 h fit into about 6 MB.
//!
//! Does no input or output and forms no figure.

mod second;
mod noted;
mod open;
mod row;
mod soc;
mod tally;

use crate::ledger::{Phase, Sums};
use crate::schema::Role;
use crate::schema::tables::TRACE_SUMS;

use row::{Columns, Held, Integrals, Row, Steps, place};

pub use noted::{NOTED_S, Noted};
pub use open::{OPEN_MIN_S, OpenStretch};
pub use second::{CONSUMERS, Second, Step};
pub use soc::{HOLD_S, SocRecord, Tick, WAKING_S};
pub use tally::PhaseTotals;

/// The roles that the fold reads, after the sums.
pub const ROLES: [Role; 21] = [
    Role::Speed,
    Role::Odometer,
    Role::PackVoltage,
    Role::PackCurrent,
    Role::PackPower,
    Role::Soc,
    Role::SocInternal,
    Role::EnergyOutCounter,
    Role::EnergyInCounter,
    Role::Contactor,
    Role::SpeedDisplayed,
    Role::DisplayedRest,
    Role::CellVoltageMin,
    Role::PackTemperature,
    Role::HeaterPower,
    Role::CompressorPower,
    Role::BatteryHeaterPower,
    Role::AccessoryPower,
    Role::AmbientTemperature,
    Role::CabinTemperature,
    Role::Plug,
];
const SUMS: usize = TRACE_SUMS.len();
/// How many columns of numbers the fold reads.
pub const WIDTH: usize = SUMS + ROLES.len() + 2;
/// Less than this from a plug is a flicker of the phase, no charging, J (10 Wh).
const CHARGED_MIN_J: f64 = 36_000.0;
/// Room is made for no more rows than this beforehand: three days.
const ROWS_EXPECTED: u64 = 3 * 86_400 * 10;
/// Points are kept this far apart, s.
const POINT_EVERY_S: f64 = 10.0;

/// The names of the trace's columns of numbers that the fold reads, in the order that it expects.
pub fn columns() -> Vec<&'static str> {
    let sums = TRACE_SUMS.iter().map(|(name, _, _)| *name);
    sums.chain(ROLES.iter().map(|role| role.key())).chain(["latitude", "longitude"]).collect()
}

/// A few rows of a trace: times, phases and the columns of [`columns`], all of one length.
#[derive(Clone, Copy, Debug)]
pub struct TraceChunk<'a> {
    /// Run time in microseconds, never falling.
    pub t_us: &'a [i64],
    /// What the car was doing.
    pub phase: &'a [Phase],
    /// The columns, NaN for null.
    pub columns: &'a [&'a [f64]],
}

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
    /// Net energy out of the pack, J, plug left out.
    pub fn energy(&self) -> f64 {
        self.sums.energy_out - self.sums.energy_in
    }
    /// Net charge out of the pack, C, plug left out.
    pub fn charge(&self) -> f64 {
        self.sums.charge_out - self.sums.charge_in
    }
}

/// A stretch of a run in which nothing was charged from a plug.
#[derive(Clone, Debug)]
pub struct Stretch {
    /// Its first row.
    pub start: Kept,
    /// Its last row.
    pub end: Kept,
    /// What the displayed and the internal state of charge did in it.
    pub soc: [SocRecord; 2],
}

/// A run's trace, folded.
#[derive(Clone, Debug, Default)]
pub struct RunSummary {
    /// Rows read.
    pub rows: u64,
    /// Totals by phase, in the order of [`PhaseTotals::PHASES`].
    pub phases: [PhaseTotals; 3],
    /// The trace every 10 s, with its first and last row.
    pub points: Vec<Kept>,
    /// The trace second by second.
    pub seconds: Vec<Second>,
    /// The stretches without charging, in order; one where the car was never charged.
    pub stretches: Vec<Stretch>,
    /// What people noted, and whether that stands in for a role.
    pub noted: Noted,
    /// First and last odometer, m.
    pub odometer: Option<(f64, f64)>,
    /// Smallest change of the odometer seen, m.
    pub odometer_step: Option<f64>,
    /// Smallest changes seen of the lifetime counters, in their order in [`Point`].
    pub counter_steps: [Option<f64>; 2],
    /// Mean current with the contactors open, A, and how long that was, s.
    pub open_current: Option<(f64, f64)>,
    /// The stretches of at least 10 s with the contactors open.
    pub open_stretches: Vec<OpenStretch>,
    /// From the car's first movement to its last, s of run time: the first and the last phase of driving.
    pub moving: Option<(f64, f64)>,
}

impl RunSummary {
    /// First row.
    pub fn first(&self) -> Option<&Kept> {
        self.points.first()
    }
    /// Last row.
    pub fn last(&self) -> Option<&Kept> {
        self.points.last()
    }
    /// First to last row, s.
    pub fn duration(&self) -> f64 {
        self.first().zip(self.last()).map_or(0.0, |(first, last)| last.t - first.t)
    }
    /// From each second to the next.
    pub fn steps(&self) -> impl DoubleEndedIterator<Item = Step<'_>> {
        self.seconds.windows(2).map(|pair| Step { from: &pair[0], to: &pair[1] })
    }
    /// The last second that ended at or before a moment.
    pub fn second_at(&self, t: f64) -> Option<&Second> {
        self.seconds.partition_point(|second| second.t <= t).checked_sub(1).and_then(|at| self.seconds.get(at))
    }
    /// Ends the stretch that holds a moment at the last second before it, and begins another there: another discharge. The
    /// state of charge of both is read anew from the seconds.
    pub fn split_at(&mut self, t: f64) {
        let holds = |stretch: &Stretch| stretch.start.t < t && t <= stretch.end.t;
        let Some(at) = self.stretches.iter().position(holds) else { return };
        let Some(cut) = self.seconds.iter().rfind(|second| second.t < t).map(Second::as_kept) else { return };
        let old = self.stretches.remove(at);
        let piece = |start: Kept, end: Kept, seconds: std::ops::Range<f64>| {
            let mut soc = [SocRecord::default(), SocRecord::default()];
            for second in self.seconds.iter().filter(|second| seconds.contains(&second.t)) {
                let point = second.as_point();
                for (record, value) in soc.iter_mut().zip(point.soc) {
                    record.see(value, point.t, point.phase, || point);
                    if value.is_finite() {
                        record.settle(&point);
                    }
                }
            }
            soc.iter_mut().for_each(|record| record.finish(&end));
            Stretch { start, end, soc }
        };
        let pieces = [piece(old.start, cut, old.start.t..t), piece(cut, old.end, t..old.end.t + 1e-9)];
        self.stretches.splice(at..at, pieces);
    }
    /// The last point at or before a moment.
    pub fn at_or_before(&self, t: f64) -> Option<&Kept> {
        self.points.partition_point(|point| point.t <= t).checked_sub(1).and_then(|at| self.points.get(at))
    }
    /// The first point at or after a moment.
    pub fn at_or_after(&self, t: f64) -> Option<&Kept> {
        self.points.get(self.points.partition_point(|point| point.t < t))
    }
}

/// Folds a trace; feed it the rows in order, then [`Folder::finish`].
#[derive(Default)]
pub struct Folder {
    summary: RunSummary,
    last: Option<Held>,
    /// Energy from a plug up to the open stretch's end, J.
    charged: f64,
    /// Which records of the state of charge had a reading in the last row, whose moment they do not know yet.
    read: [bool; 2],
    integrals: Integrals,
    odometer: Steps,
    counters: [Steps; 2],
    seconds: second::Seconds,
    open_stretches: open::Open,
    window: Option<(f64, f64)>,
    before: Option<Held>,
}

impl Folder {
    /// A fold of the rows between two moments alone, s of run time.
    pub fn between(from: f64, to: f64) -> Self {
        Self { window: Some((from, to)), ..Self::default() }
    }

    /// Makes room for so many rows, ten a second.
    pub fn expecting(mut self, rows: u64) -> Self {
        // A file that claims more rows than a drive of days has is not believed: the room is only a help.
        self.seconds.reserve(rows.min(ROWS_EXPECTED) as usize / 10 + 2);
        self
    }

    /// What people noted stands in for the roles that the map lacks.
    pub fn noting(mut self, noted: Noted) -> Self {
        self.summary.noted = noted;
        self
    }

    /// Reads some rows; columns that are missing or too short read as null.
    pub fn push(&mut self, chunk: &TraceChunk<'_>) {
        let rows = chunk.t_us.len().min(chunk.phase.len());
        let seconds = |t_us: i64| t_us as f64 / 1e6;
        let mut cells: [&[f64]; WIDTH] = std::array::from_fn(|at| chunk.columns.get(at).copied().unwrap_or_default());
        // What people noted stands in for a role.
        let noted = &self.summary.noted;
        let stand_in = |wanted: bool, value: &dyn Fn(f64) -> f64| -> Option<Vec<f64>> {
            wanted.then(|| chunk.t_us.iter().map(|t_us| value(seconds(*t_us))).collect())
        };
        let soc = stand_in(noted.soc, &|t| noted.soc_at(t));
        let rest = stand_in(noted.rest, &|t| noted.rest_at(t));
        for (role, noted) in [(Role::Soc, &soc), (Role::DisplayedRest, &rest)] {
            if let Some(noted) = noted {
                cells[place(role)] = noted;
            }
        }
        let columns = Columns::new(cells);
        let held = [self.last.take(), self.before.take()];
        let held_columns = held.each_ref().map(|held| held.as_ref().map(Held::columns));
        let [mut last, mut before] = std::array::from_fn(|at| Some(held[at].as_ref()?.row(held_columns[at].as_ref()?)));
        for at in 0..rows {
            let row = Row::new(&columns, at, seconds(chunk.t_us[at]), chunk.phase[at]);
            // Both ends of a window go to the last row that is not later, so that windows that meet leave nothing between them.
            if let Some((from, to)) = self.window {
                if row.t <= from {
                    before = Some(row);
                    continue;
                } else if row.t > to {
                    continue;
                } else if let Some(before) = before.take() {
                    self.row(last.as_ref(), &before);
                    last = Some(before);
                }
            }
            self.row(last.as_ref(), &row);
            last = Some(row);
        }
        (self.last, self.before) = (last.map(Held::of), before.map(Held::of));
    }

    #[inline]
    fn row(&mut self, last: Option<&Row<'_>>, row: &Row<'_>) {
        self.summary.rows += 1;
        let begins = self.begins_stretch(row);
        self.settle(last, row, begins);
        let before = self.integrals.volt_seconds;
        if let Some(last) = last {
            let dt = (row.t - last.t).max(0.0);
            self.summary.phases[tally::index(row.phase)].add(last, row);
            self.integrals.add(last, row, dt);
            if row.phase == Phase::Drive {
                // A row's phase is that of the time since the row before it.
                let (from, _) = self.summary.moving.unwrap_or((last.t, row.t));
                self.summary.moving = Some((from, row.t));
            }
        }
        self.seconds.see(row, last.map(|last| (last, before)), self.integrals.volt_seconds);
        let (out, back) = (row.sums.energy_out, row.sums.energy_in);
        self.odometer.see(row.role(Role::Odometer), row, out - back);
        self.counters[0].see(row.role(Role::EnergyOutCounter), row, out);
        self.counters[1].see(row.role(Role::EnergyInCounter), row, back);
        self.open_stretches.see(row);
        self.stretch(row, begins);
        if self.summary.points.last().is_none_or(|kept| row.t - kept.t >= POINT_EVERY_S) {
            let point = self.kept(row);
            self.summary.points.push(point);
        }
    }

    /// The trace at a row, which is the last that was seen.
    fn point(&self, row: &Row<'_>) -> Point {
        point(row, &self.integrals)
    }

    /// The same with the counters' readings.
    fn kept(&self, row: &Row<'_>) -> Kept {
        let counters = self.counters.map(|steps| steps.reading);
        Kept { point: self.point(row), odometer: self.odometer.reading, counters }
    }

    /// A stretch ends where charging begins that is more than a flicker of the phase.
    #[inline]
    fn begins_stretch(&self, row: &Row<'_>) -> bool {
        let charged = row.sums.energy_charged - self.charged >= CHARGED_MIN_J;
        self.summary.stretches.is_empty() || (row.phase != Phase::Charge && charged)
    }

    /// Before a row is taken in: what ends with the row before it is told that row's point, which is not formed for every row.
    #[inline]
    fn settle(&mut self, last: Option<&Row<'_>>, row: &Row<'_>, begins: bool) {
        let Some(last) = last else { return };
        let soc = [row.role(Role::Soc), row.role(Role::SocInternal)];
        let silent = (self.read[0] && !soc[0].is_finite()) || (self.read[1] && !soc[1].is_finite());
        let charging = row.phase == Phase::Charge && last.phase != Phase::Charge;
        if begins || silent || charging {
            self.settle_all(last);
        }
        if begins {
            self.close_stretch();
        }
    }

    fn settle_all(&mut self, last: &Row<'_>) {
        let point = self.kept(last);
        let Some(stretch) = self.summary.stretches.last_mut() else { return };
        for (record, read) in stretch.soc.iter_mut().zip(std::mem::take(&mut self.read)) {
            if read {
                record.settle(&point);
            }
        }
        if last.phase != Phase::Charge {
            stretch.end = point;
        }
    }

    #[inline]
    fn stretch(&mut self, row: &Row<'_>, begins: bool) {
        if begins {
            let at = self.kept(row);
            let soc = [SocRecord::default(), SocRecord::default()];
            self.summary.stretches.push(Stretch { start: at, end: at, soc });
        }
        if begins || row.phase != Phase::Charge {
            self.charged = row.sums.energy_charged;
        }
        let values = [row.role(Role::Soc), row.role(Role::SocInternal)];
        if let Some(stretch) = self.summary.stretches.last_mut() {
            let integrals = &self.integrals;
            stretch.soc[0].see(values[0], row.t, row.phase, || point(row, integrals));
            stretch.soc[1].see(values[1], row.t, row.phase, || point(row, integrals));
        }
        self.read = [values[0].is_finite(), values[1].is_finite()];
    }

    fn close_stretch(&mut self) {
        if let Some(Stretch { end, soc, .. }) = self.summary.stretches.last_mut() {
            soc.iter_mut().for_each(|record| record.finish(end));
        }
    }

    /// The run's end.
    pub fn finish(mut self) -> RunSummary {
        let held = self.last.take();
        let columns = held.as_ref().map(Held::columns);
        let last = held.as_ref().zip(columns.as_ref()).map(|(held, columns)| held.row(columns));
        if let Some(last) = last {
            self.settle_all(&last);
            if self.summary.points.last().is_some_and(|kept| kept.t < last.t) {
                let point = self.kept(&last);
                self.summary.points.push(point);
            }
        }
        let last = last.as_ref().map(|last| (last, self.integrals.volt_seconds));
        self.summary.seconds = std::mem::take(&mut self.seconds).finish(last);
        self.close_stretch();
        self.open_stretches.close();
        self.summary.open_stretches = self.open_stretches.stretches;
        self.summary.odometer = self.odometer.first.zip(self.odometer.last);
        self.summary.odometer_step = self.odometer.step;
        self.summary.counter_steps = self.counters.map(|steps| steps.step);
        let open = self.integrals.open;
        self.summary.open_current = (open.1 > 0.0).then(|| (open.0 / open.1, open.1));
        self.summary
    }
}

/// The trace at a row, up to which the integrals are formed.
fn point(row: &Row<'_>, integrals: &Integrals) -> Point {
    Point {
        t: row.t,
        phase: row.phase,
        sums: row.sums,
        volt_seconds: integrals.volt_seconds,
        power_squared: integrals.power_squared,
        soc: [row.role(Role::Soc), row.role(Role::SocInternal)],
    }
}

#[cfg(test)]
mod tests;
