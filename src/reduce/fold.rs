//! The trace of a run folded, a block of rows at a time, into what the reduction needs: totals by phase, seconds, points every 10 s,
//! ticks of the state of charge. A second is 160 bytes, so 8 h fit into about 6 MB.
//!
//! Does no input or output and forms no figure.

mod second;
mod integrals;
mod noted;
mod open;
mod point;
mod row;
mod soc;
mod tally;

use crate::ledger::Phase;
use crate::schema::Role;
use crate::schema::tables::TRACE_SUMS;

use integrals::Integrals;
use row::{BLOCK, CHARGED, Counters, Row, Rows, place};

pub use noted::{NOTED_S, Noted};
pub use open::{OPEN_MIN_S, OpenStretch};
pub use point::{Kept, Point, Reading};
pub use second::{CONSUMERS, Second, Step};
pub use soc::{HOLD_S, SocRecord, Tick, TickAt, WAKING_S};
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
    /// Degrees north and east, WGS84, of the latest fix at the end of each of the seconds; empty where there was no fix.
    pub positions: Vec<(f64, f64)>,
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

/// Moments as run times, s.
pub(super) fn seconds(t_us: &[i64], times: &mut Vec<f64>) {
    times.clear();
    times.extend(t_us.iter().map(|t_us| *t_us as f64 / 1e6));
}

/// Folds a trace; feed it the rows in order, then [`Folder::finish`].
#[derive(Default)]
pub struct Folder {
    summary: RunSummary,
    /// The last row that was seen.
    last: Option<Row>,
    /// Energy from a plug up to the open stretch's end, J.
    charged: f64,
    /// Which records of the state of charge had a reading in the last row, whose moment they do not know yet.
    read: [bool; 2],
    integrals: Integrals,
    counters: Counters,
    seconds: second::Seconds,
    open_stretches: open::Open,
    window: Option<(f64, f64)>,
    /// The last row that is not later than the window's beginning.
    before: Option<Row>,
    /// Run times of a chunk, s: memory that is kept.
    times: Vec<f64>,
}

impl Folder {
    /// A fold of the rows between two moments alone, s of run time.
    pub fn between(from: f64, to: f64) -> Self {
        Self { window: Some((from, to)), ..Self::default() }
    }

    /// Makes room for so many rows, ten a second.
    pub fn expecting(mut self, rows: u64) -> Self {
        // A file that claims more rows than a drive of days has is not believed: the room is only a help. Without it what grows would be
        // copied again and again, and leave holes behind.
        let seconds = rows.min(ROWS_EXPECTED) as usize / 10 + 2;
        self.seconds.reserve(seconds);
        self.summary.points.reserve_exact(seconds / POINT_EVERY_S as usize + 2);
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
        let mut times = std::mem::take(&mut self.times);
        seconds(&chunk.t_us[..rows], &mut times);
        let mut cells: [&[f64]; WIDTH] = std::array::from_fn(|at| chunk.columns.get(at).copied().unwrap_or_default());
        let short = cells.map(|cells| {
            let nulls = rows.checked_sub(cells.len()).filter(|nulls| (1..rows).contains(nulls));
            nulls.map(|nulls| [cells, &vec![f64::NAN; nulls]].concat())
        });
        for (cells, padded) in cells.iter_mut().zip(&short) {
            *cells = padded.as_deref().unwrap_or(cells);
        }
        // What people noted stands in for a role.
        let noted = &self.summary.noted;
        let stand_in = |wanted: bool, value: &dyn Fn(f64) -> f64| -> Option<Vec<f64>> {
            wanted.then(|| times.iter().map(|t| value(*t)).collect())
        };
        let soc = stand_in(noted.soc, &|t| noted.soc_at(t));
        let rest = stand_in(noted.rest, &|t| noted.rest_at(t));
        for (role, noted) in [(Role::Soc, &soc), (Role::DisplayedRest, &rest)] {
            if let Some(noted) = noted {
                cells[place(role)] = noted;
            }
        }
        self.chunk(&times, chunk.phase, cells);
        self.times = times;
    }

    /// Sees those rows of a chunk that lie in the window, a block at a time.
    fn chunk(&mut self, times: &[f64], phase: &[Phase], cells: [&[f64]; WIDTH]) {
        let mut counted = 0..times.len();
        // Both ends of a window go to the last row that is not later, so that windows that meet leave nothing between them.
        if let Some((from, to)) = self.window {
            counted.start = times.iter().take_while(|t| **t <= from).count();
            counted.end = counted.start + times[counted.start..].iter().take_while(|t| **t <= to).count();
            if let Some(at) = counted.start.checked_sub(1) {
                self.before = Some(Row::new(times[at], phase[at], &cells, at));
            }
            if let Some(before) = self.before.take_if(|_| !counted.is_empty()) {
                let last = self.last.take();
                self.block(&Rows::of_one(&before, last.as_ref()));
                self.last = Some(before);
            }
        }
        while !counted.is_empty() {
            let these = counted.start..counted.end.min(counted.start + BLOCK);
            let cells = cells.map(|cells| cells.get(these.clone()).unwrap_or_default());
            let last = self.last.take();
            self.block(&Rows::new(&times[these.clone()], &phase[these.clone()], cells, last.as_ref()));
            let at = these.len() - 1;
            self.last = Some(Row::new(times[these.end - 1], phase[these.end - 1], &cells, at));
            counted.start = these.end;
        }
    }

    fn block(&mut self, rows: &Rows<'_>) {
        self.summary.rows += rows.len() as u64;
        self.integrals.begin(rows);
        let following = rows.following();
        let mut from = following.start;
        for alike in rows.phase[following].chunk_by(|a, b| a == b) {
            let these = from..from + alike.len();
            from = these.end;
            if alike[0] == Phase::Drive {
                // A row's phase is that of the time since the row before it.
                let (begun, _) = self.summary.moving.unwrap_or((rows.t_before(these.start), 0.0));
                self.summary.moving = Some((begun, rows.t[these.end - 1]));
            }
            let totals = &mut self.summary.phases[tally::index(alike[0])];
            totals.add_sums(rows, these.clone());
            self.integrals.add(rows, these, alike[0], totals);
        }
        self.seconds.see(rows, &self.integrals);
        self.open_stretches.see(rows);
        self.stretches_and_points(rows);
        self.counters.finish(rows);
    }

    fn stretches_and_points(&mut self, rows: &Rows<'_>) {
        let charged = rows.column(CHARGED);
        let (displayed, internal) = (rows.role(Role::Soc), rows.role(Role::SocInternal));
        let mut at = 0;
        while at < rows.len() {
            let (phase, soc) = (rows.phase[at], [displayed[at], internal[at]]);
            self.stretch(rows, at, phase, soc);
            if self.summary.points.last().is_none_or(|kept| rows.t[at] - kept.t >= POINT_EVERY_S) {
                let point = self.kept(rows, at);
                self.summary.points.push(point);
            }
            at += 1;
            if !self.is_still(phase, soc) {
                continue;
            }
            // Most often row after row brings nothing new: those are passed over.
            let due = self.summary.points.last().map_or(0.0, |kept| kept.t);
            let same = |a: f64, b: f64| a.to_bits() == b.to_bits();
            let rest = rows.phase[at..].iter().zip(&rows.t[at..]).zip(&displayed[at..]).zip(&internal[at..]);
            for ((((other, t), displayed), internal), charged) in rest.zip(&charged[at..]) {
                let is_like = *other == phase && same(*displayed, soc[0]) && same(*internal, soc[1]);
                if !is_like || t - due >= POINT_EVERY_S {
                    break;
                }
                if phase != Phase::Charge {
                    if charged - self.charged >= CHARGED_MIN_J {
                        break;
                    }
                    self.charged = *charged;
                }
                at += 1;
            }
        }
    }

    /// Whether a row like the last changes nothing of the open stretch.
    fn is_still(&self, phase: Phase, soc: [f64; 2]) -> bool {
        let still = |stretch: &Stretch| (0..2).all(|which| stretch.soc[which].is_still(soc[which], phase));
        self.summary.stretches.last().is_some_and(still)
    }

    fn stretch(&mut self, rows: &Rows<'_>, at: usize, phase: Phase, soc: [f64; 2]) {
        let charged = rows.column(CHARGED)[at];
        // A stretch ends where charging begins that is more than a flicker of the phase.
        let begins =
            self.summary.stretches.is_empty() || (phase != Phase::Charge && charged - self.charged >= CHARGED_MIN_J);
        self.settle(rows, at, soc, begins);
        if begins {
            let start = self.kept(rows, at);
            let soc = [SocRecord::default(), SocRecord::default()];
            self.summary.stretches.push(Stretch { start, end: start, soc });
        }
        if begins || phase != Phase::Charge {
            self.charged = charged;
        }
        if let Some(stretch) = self.summary.stretches.last_mut() {
            let here = || rows.point(at, self.integrals.at(at));
            stretch.soc[0].see(soc[0], rows.t[at], phase, here);
            stretch.soc[1].see(soc[1], rows.t[at], phase, here);
        }
        self.read = soc.map(f64::is_finite);
    }

    /// The trace at a row, with the counters' readings.
    fn kept(&mut self, rows: &Rows<'_>, at: usize) -> Kept {
        self.counters.see(rows, at + 1);
        self.with_counters(rows.point(at, self.integrals.at(at)))
    }

    /// The trace at the row that the counters saw last, with their readings.
    fn with_counters(&self, point: Point) -> Kept {
        let counters = self.counters.energy.map(|steps| steps.reading);
        Kept { point, odometer: self.counters.odometer.reading, counters }
    }

    /// Before a row is taken in: what ends with the row before it is told that row's point, which is not formed for every row.
    #[inline]
    fn settle(&mut self, rows: &Rows<'_>, at: usize, soc: [f64; 2], begins: bool) {
        let silent = (self.read[0] && !soc[0].is_finite()) || (self.read[1] && !soc[1].is_finite());
        let charging = rows.phase[at] == Phase::Charge && rows.phase_before(at) != Some(Phase::Charge);
        if !(begins || silent || charging) {
            return;
        }
        let Some(last) = rows.point_before(at, self.integrals.before(at)) else { return };
        self.counters.see(rows, at);
        self.settle_all(last);
        if begins {
            self.close_stretch();
        }
    }

    fn settle_all(&mut self, last: Point) {
        let point = self.with_counters(last);
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

    fn close_stretch(&mut self) {
        if let Some(Stretch { end, soc, .. }) = self.summary.stretches.last_mut() {
            soc.iter_mut().for_each(|record| record.finish(end));
        }
    }

    /// The run's end.
    pub fn finish(mut self) -> RunSummary {
        let (last, integrals) = (self.last.take(), self.integrals.now());
        if let Some(last) = &last {
            self.settle_all(last.point(integrals));
            if self.summary.points.last().is_some_and(|kept| kept.t < last.t) {
                let point = self.with_counters(last.point(integrals));
                self.summary.points.push(point);
            }
        }
        let end = last.as_ref().map(|last| (last, integrals.0));
        (self.summary.seconds, self.summary.positions) = std::mem::take(&mut self.seconds).finish(end);
        self.close_stretch();
        self.open_stretches.close();
        self.summary.open_stretches = self.open_stretches.stretches;
        let Counters { odometer, energy, .. } = self.counters;
        self.summary.odometer = odometer.first.zip(odometer.last);
        self.summary.odometer_step = odometer.step;
        self.summary.counter_steps = energy.map(|steps| steps.step);
        let open = self.integrals.open;
        self.summary.open_current = (open.1 > 0.0).then(|| (open.0 / open.1, open.1));
        self.summary
    }
}

#[cfg(test)]
mod tests;
