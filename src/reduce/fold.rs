//! The trace of a run folded, row by row, into what the reduction needs: totals by phase, seconds, points every 10 s, ticks
//! of the state of charge. A second is some 220 bytes, so 8 h fit into about 6 MB.
//!
//! Does no input or output and forms no figure.

mod second;
mod noted;
mod open;
mod soc;
mod tally;

use std::sync::Arc;

use crate::ledger::{Phase, Sums};
use crate::schema::Role;
use crate::schema::tables::TRACE_SUMS;

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
    /// The odometer, m.
    pub odometer: Reading,
    /// Displayed and internal state of charge, percent.
    pub soc: [f64; 2],
    /// Lifetime counters of energy out and energy in, J.
    pub counters: [Reading; 2],
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
    pub start: Point,
    /// Its last row.
    pub end: Point,
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
    pub points: Vec<Point>,
    /// The trace second by second; shared, since a summary is copied.
    pub seconds: Arc<[Second]>,
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
    pub fn first(&self) -> Option<&Point> {
        self.points.first()
    }
    /// Last row.
    pub fn last(&self) -> Option<&Point> {
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
        let Some(cut) = self.seconds.iter().rfind(|second| second.t < t).map(Second::as_point) else { return };
        let old = self.stretches.remove(at);
        let piece = |start: Point, end: Point, seconds: std::ops::Range<f64>| {
            let mut soc = [SocRecord::default(), SocRecord::default()];
            for second in self.seconds.iter().filter(|second| seconds.contains(&second.t)) {
                let point = second.as_point();
                soc.iter_mut().zip(point.soc).for_each(|(record, value)| record.see(value, &point));
            }
            soc.iter_mut().for_each(|record| record.finish(&end));
            Stretch { start, end, soc }
        };
        let pieces = [piece(old.start, cut, old.start.t..t), piece(cut, old.end, t..old.end.t + 1e-9)];
        self.stretches.splice(at..at, pieces);
    }
    /// The last point at or before a moment.
    pub fn at_or_before(&self, t: f64) -> Option<&Point> {
        self.points.partition_point(|point| point.t <= t).checked_sub(1).and_then(|at| self.points.get(at))
    }
    /// The first point at or after a moment.
    pub fn at_or_after(&self, t: f64) -> Option<&Point> {
        self.points.get(self.points.partition_point(|point| point.t < t))
    }
}

/// A row as the fold sees it.
#[derive(Clone, Copy, Debug)]
struct Row {
    t: f64,
    phase: Phase,
    sums: Sums,
    roles: [f64; ROLES.len()],
    fix: (f64, f64),
}

impl Row {
    fn role(&self, role: Role) -> f64 {
        ROLES.iter().position(|known| *known == role).map_or(f64::NAN, |at| self.roles[at])
    }

    fn set(&mut self, role: Role, value: f64) {
        if let Some(at) = ROLES.iter().position(|known| *known == role) {
            self.roles[at] = value;
        }
    }
}

/// Folds a trace; feed it the rows in order, then [`Folder::finish`].
#[derive(Default)]
pub struct Folder {
    summary: RunSummary,
    last: Option<Row>,
    now: Option<Point>,
    volt_seconds: f64,
    power_squared: f64,
    odometer: Steps,
    counters: [Steps; 2],
    seconds: second::Seconds,
    open: (f64, f64),
    open_stretches: open::Open,
    window: Option<(f64, f64)>,
    before: Option<Row>,
}

/// The first and last value of something that steps, and its smallest step.
#[derive(Clone, Copy, Default)]
struct Steps {
    first: Option<f64>,
    last: Option<f64>,
    step: Option<f64>,
    reading: Reading,
}

impl Steps {
    /// Sees a row's value; `energy` is what it goes with.
    fn see(&mut self, value: f64, row: &Row, energy: f64) {
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

impl Folder {
    /// A fold of the rows between two moments alone, s of run time.
    pub fn between(from: f64, to: f64) -> Self {
        Self { window: Some((from, to)), ..Self::default() }
    }

    /// What people noted stands in for the roles that the map lacks.
    pub fn noting(mut self, noted: Noted) -> Self {
        self.summary.noted = noted;
        self
    }

    /// Reads some rows; columns that are missing or too short read as null.
    pub fn push(&mut self, chunk: &TraceChunk<'_>) {
        let rows = chunk.t_us.len().min(chunk.phase.len());
        for index in 0..rows {
            let cell =
                |column: usize| chunk.columns.get(column).and_then(|c| c.get(index)).copied().unwrap_or(f64::NAN);
            let mut row = Row {
                t: chunk.t_us[index] as f64 / 1e6,
                phase: chunk.phase[index],
                sums: Sums::from_column_order(std::array::from_fn(cell)),
                roles: std::array::from_fn(|at| cell(SUMS + at)),
                fix: (cell(WIDTH - 2), cell(WIDTH - 1)),
            };
            self.stand_in(&mut row);
            self.row_inside(row);
        }
    }

    fn stand_in(&self, row: &mut Row) {
        let noted = &self.summary.noted;
        if noted.soc {
            row.set(Role::Soc, noted.soc_at(row.t));
        }
        if noted.rest {
            row.set(Role::DisplayedRest, noted.rest_at(row.t));
        }
    }

    /// Both ends of a window go to the last row that is not later, so that windows that meet leave nothing between them.
    fn row_inside(&mut self, row: Row) {
        let Some((from, to)) = self.window else { return self.row(row) };
        if row.t <= from {
            self.before = Some(row);
        } else if row.t <= to {
            if let Some(before) = self.before.take() {
                self.row(before);
            }
            self.row(row);
        }
    }

    fn row(&mut self, row: Row) {
        self.summary.rows += 1;
        if let Some(last) = self.last {
            let dt = (row.t - last.t).max(0.0);
            self.summary.phases[tally::index(row.phase)].add(&last, &row);
            self.integrate(&last, &row, dt);
            if row.phase == Phase::Drive {
                // A row's phase is that of the time since the row before it.
                let (from, _) = self.summary.moving.unwrap_or((last.t, row.t));
                self.summary.moving = Some((from, row.t));
            }
        }
        let [out, back] = [row.sums.energy_out, row.sums.energy_in];
        self.odometer.see(row.role(Role::Odometer), &row, out - back);
        self.counters[0].see(row.role(Role::EnergyOutCounter), &row, out);
        self.counters[1].see(row.role(Role::EnergyInCounter), &row, back);
        self.open_stretches.see(&row);
        let soc = [row.role(Role::Soc), row.role(Role::SocInternal)];
        let point = Point {
            t: row.t,
            phase: row.phase,
            sums: row.sums,
            volt_seconds: self.volt_seconds,
            power_squared: self.power_squared,
            odometer: self.odometer.reading,
            soc,
            counters: self.counters.map(|steps| steps.reading),
        };
        self.seconds.see(&row, self.last.as_ref(), self.volt_seconds);
        self.stretch(&point);
        if self.summary.points.last().is_none_or(|kept| point.t - kept.t >= POINT_EVERY_S) {
            self.summary.points.push(point);
        }
        self.now = Some(point);
        self.last = Some(row);
    }

    /// A stretch ends where charging begins that is more than a flicker of the phase.
    fn stretch(&mut self, at: &Point) {
        let charged = |since: &Point| at.sums.energy_charged - since.sums.energy_charged >= CHARGED_MIN_J;
        match self.summary.stretches.last_mut() {
            Some(stretch) if at.phase == Phase::Charge || !charged(&stretch.end) => {
                stretch.soc.iter_mut().zip(at.soc).for_each(|(record, value)| record.see(value, at));
                if at.phase != Phase::Charge {
                    stretch.end = *at;
                }
            }
            _ => {
                self.close_stretch();
                let mut soc = [SocRecord::default(), SocRecord::default()];
                soc.iter_mut().zip(at.soc).for_each(|(record, value)| record.see(value, at));
                self.summary.stretches.push(Stretch { start: *at, end: *at, soc });
            }
        }
    }

    fn close_stretch(&mut self) {
        if let Some(Stretch { end, soc, .. }) = self.summary.stretches.last_mut() {
            soc.iter_mut().for_each(|record| record.finish(end));
        }
    }

    fn integrate(&mut self, last: &Row, row: &Row, dt: f64) {
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

    /// The run's end.
    pub fn finish(mut self) -> RunSummary {
        if let Some(now) = self.now
            && self.summary.points.last().is_some_and(|kept| kept.t < now.t)
        {
            self.summary.points.push(now);
        }
        self.summary.seconds = std::mem::take(&mut self.seconds).finish();
        self.close_stretch();
        self.open_stretches.close();
        self.summary.open_stretches = self.open_stretches.stretches;
        self.summary.odometer = self.odometer.first.zip(self.odometer.last);
        self.summary.odometer_step = self.odometer.step;
        self.summary.counter_steps = self.counters.map(|steps| steps.step);
        self.summary.open_current = (self.open.1 > 0.0).then(|| (self.open.0 / self.open.1, self.open.1));
        self.summary
    }
}

#[cfg(test)]
mod tests;
