//! The trace second by second: what the figures along a drive are formed from.
//!
//! A second ends with the last row of the trace in it. Sums and readings are that row's; powers of consumers and the
//! dial's speed are means over its rows; of the pack's power and the speed the smallest and largest are kept too. The run's first row stands before them by itself, so that from it to the last
//! the steps are all of the run. Fills no gap: an unobserved second says so.

use std::ops::Range;

use super::integrals::Integrals;
use super::row::{CHARGED, IN, OUT, Row, Rows, UNOBSERVED, place};
use super::{Kept, Point, Reading, WIDTH};
use crate::ledger::{Phase, Sums};
use crate::memory;
use crate::schema::Role;

/// The consumers that a map may separate, in the order of [`Second::consumers`].
pub const CONSUMERS: [Role; 4] =
    [Role::HeaterPower, Role::CompressorPower, Role::BatteryHeaterPower, Role::AccessoryPower];
/// Smallest and largest before anything was seen.
const NOTHING: [f64; 2] = [f64::INFINITY, f64::NEG_INFINITY];
/// Rows nearer to each other say nothing of the power between them, s.
const ROW_MIN_S: f64 = 0.01;
/// What is averaged: the consumers, then the dial's speed.
const MEANS: [Role; 5] = [CONSUMERS[0], CONSUMERS[1], CONSUMERS[2], CONSUMERS[3], Role::SpeedDisplayed];

/// One second of the trace; NaN is 'not known'.
#[derive(Clone, Copy, Debug)]
pub struct Second {
    /// When its last row was, s of run time.
    pub t: f64,
    /// What the car was doing at its last row.
    pub phase: Phase,
    /// The ledger's sums up to it.
    pub sums: Sums,
    /// Integral of the pack's voltage so far, V s; see [`Point::volt_seconds`].
    pub volt_seconds: f64,
    /// The odometer, m.
    pub odometer: f64,
    /// Displayed and internal state of charge, percent.
    pub soc: [f32; 2],
    /// Distance that the car says it can go, m.
    pub displayed_rest: f32,
    /// The dial's speed, m/s: mean.
    pub speed_displayed: f32,
    /// Powers of [`CONSUMERS`], W: means.
    pub consumers: [f32; CONSUMERS.len()],
    /// Voltage of the pack and of its lowest cell, V.
    pub voltage: [f32; 2],
    /// Temperatures outside, in the cabin and of the pack, degC.
    pub temperature: [f32; 3],
    /// A charging plug is connected.
    pub plugged: Option<bool>,
    /// Smallest and largest power out of the pack from row to row, W; a charging car's is negative.
    pub power_ends: [f32; 2],
    /// Smallest and largest wheel speed of its rows, m/s.
    pub speed_ends: [f32; 2],
}

impl Second {
    /// Net energy out of the pack, J, plug left out.
    pub fn net(&self) -> f64 {
        self.sums.energy_out - self.sums.energy_in
    }
    /// Net charge out of the pack, C, plug left out.
    pub fn charge(&self) -> f64 {
        self.sums.charge_out - self.sums.charge_in
    }
    /// As a point of the trace that knows no counter's reading.
    pub fn as_kept(&self) -> Kept {
        Kept { point: self.as_point(), odometer: Reading::default(), counters: [Reading::default(); 2] }
    }
    /// As a point of the trace.
    pub fn as_point(&self) -> Point {
        Point {
            t: self.t,
            phase: self.phase,
            sums: self.sums,
            volt_seconds: self.volt_seconds,
            power_squared: 0.0,
            soc: self.soc.map(f64::from),
        }
    }
}

/// From one second to the next, which is longer than a second where rows are missing.
#[derive(Clone, Copy, Debug)]
pub struct Step<'a> {
    /// Where it begins.
    pub from: &'a Second,
    /// Where it ends.
    pub to: &'a Second,
}

impl Step<'_> {
    /// Its length, s.
    pub fn dt(&self) -> f64 {
        self.to.t - self.from.t
    }
    /// What the car was doing.
    pub fn phase(&self) -> Phase {
        self.to.phase
    }
    /// Distance by the wheel speed, m.
    pub fn distance(&self) -> f64 {
        self.to.sums.distance - self.from.sums.distance
    }
    /// Mean speed by the wheels, m/s; NaN where there is none.
    pub fn speed(&self) -> f64 {
        self.distance() / self.dt()
    }
    /// Energy out of the pack, J.
    pub fn out(&self) -> f64 {
        self.to.sums.energy_out - self.from.sums.energy_out
    }
    /// Energy into the pack, J, plug left out.
    pub fn back(&self) -> f64 {
        self.to.sums.energy_in - self.from.sums.energy_in
    }
    /// Net energy out of the pack, J, plug left out.
    pub fn net(&self) -> f64 {
        self.out() - self.back()
    }
    /// Energy into the pack from a plug, J.
    pub fn charged(&self) -> f64 {
        self.to.sums.energy_charged - self.from.sums.energy_charged
    }
    /// Time in it with the pack's power unobserved, s.
    pub fn unobserved(&self) -> f64 {
        self.to.sums.time_unobserved - self.from.sums.time_unobserved
    }
    /// Whether the pack's power is known for at least half of it, and its distance at all.
    pub fn is_observed(&self) -> bool {
        self.unobserved() < self.dt() / 2.0
    }
}

/// Builds the seconds, row by row.
pub(super) struct Seconds {
    closed: Vec<Second>,
    positions: Vec<(f64, f64)>,
    open: Option<i64>,
    sums: [f64; MEANS.len()],
    counts: [u32; MEANS.len()],
    power_ends: [f64; 2],
    speed_ends: [f64; 2],
    /// The power of each row of a block, W, and the net energy up to it, J: memory that is kept.
    powers: Vec<f64>,
    nets: Vec<f64>,
}

impl Default for Seconds {
    fn default() -> Self {
        let (sums, counts) = ([0.0; MEANS.len()], [0; MEANS.len()]);
        Self {
            closed: Vec::new(),
            positions: Vec::new(),
            open: None,
            sums,
            counts,
            power_ends: NOTHING,
            speed_ends: NOTHING,
            powers: Vec::new(),
            nets: Vec::new(),
        }
    }
}

/// Takes values into the smallest and largest; what is not finite is neither.
#[inline(always)]
fn widen(ends: &mut [f64; 2], values: &[f64]) {
    let [mut least, mut most] = *ends;
    for value in values.iter().filter(|value| value.is_finite()) {
        least = if *value < least { *value } else { least };
        most = if *value > most { *value } else { most };
    }
    *ends = [least, most];
}

/// The smallest and largest, NaN where nothing was seen; what comes is seen anew.
fn taken(ends: &mut [f64; 2]) -> [f32; 2] {
    let [least, most] = std::mem::replace(ends, NOTHING);
    if least > most { [f32::NAN; 2] } else { [least as f32, most as f32] }
}

/// The greatest whole number that is not above a time.
#[inline]
fn whole(t: f64) -> i64 {
    // Without a call of the library of sines, which `floor` is on processors of old.
    let towards_zero = t as i64;
    if towards_zero as f64 > t { towards_zero.saturating_sub(1) } else { towards_zero }
}

impl Seconds {
    /// Makes room for so many seconds.
    pub fn reserve(&mut self, seconds: usize) {
        self.closed.reserve_exact(seconds);
        memory::in_large_pages(&mut self.closed);
    }

    /// Sees some rows; the open second ends with the row before the first that belongs to another.
    pub fn see(&mut self, rows: &Rows<'_>, integrals: &Integrals) {
        self.form_powers(rows);
        let mut at = 0;
        while at < rows.len() {
            let number = whole(rows.t[at]);
            if self.open.is_some_and(|open| open != number) {
                let phase = rows.phase_before(at);
                let cell = |column| rows.cell_before(column, at);
                self.close(rows.t_before(at), phase.unwrap_or_default(), integrals.before(at).0, cell);
            }
            self.open = Some(number);
            let second = number as f64..number as f64 + 1.0;
            let is_first = self.closed.is_empty();
            let inside = rows.t[at..].iter().skip(1).take_while(|t| !is_first && second.contains(*t)).count();
            let these = at..at + 1 + inside;
            self.take(rows, these.clone());
            if is_first {
                self.close(rows.t[at], rows.phase[at], integrals.at(at).0, |column| rows.column(column)[at]);
            }
            at = these.end;
        }
    }

    /// Takes rows into the open second.
    fn take(&mut self, rows: &Rows<'_>, these: Range<usize>) {
        for (at, role) in MEANS.iter().enumerate().filter(|(_, role)| !rows.is_blank(**role)) {
            for value in rows.role(*role)[these.clone()].iter().filter(|value| value.is_finite()) {
                self.sums[at] += value;
                self.counts[at] += 1;
            }
        }
        widen(&mut self.speed_ends, &rows.role(Role::Speed)[these.clone()]);
        widen(&mut self.power_ends, &self.powers[these]);
    }

    /// The mean power from the row before to each row, W; NaN where it was not observed.
    fn form_powers(&mut self, rows: &Rows<'_>) {
        let Self { powers, nets, .. } = self;
        let [out, back, charged, unobserved] = [OUT, IN, CHARGED, UNOBSERVED].map(|column| rows.column(column));
        let before = |column| rows.cell_before(column, 0);
        nets.clear();
        nets.extend(out.iter().zip(back).zip(charged).map(|((out, back), charged)| out - back - charged));
        let power = |dt: f64, energy: f64, silent: f64| {
            if dt < ROW_MIN_S || silent >= dt / 2.0 { f64::NAN } else { energy / (dt - silent.max(0.0)) }
        };
        let net_before = before(OUT) - before(IN) - before(CHARGED);
        powers.clear();
        // Of the very first row it is NaN: nothing before it is known.
        powers.push(power(rows.t[0] - rows.t_before(0), nets[0] - net_before, unobserved[0] - before(UNOBSERVED)));
        let pairs = rows.t.windows(2).zip(nets.windows(2)).zip(unobserved.windows(2));
        powers.extend(pairs.map(|((t, net), silent)| power(t[1] - t[0], net[1] - net[0], silent[1] - silent[0])));
    }

    /// Ends the open second with its last row, whose cells are read by their place.
    fn close(&mut self, t: f64, phase: Phase, volt_seconds: f64, cell: impl Fn(usize) -> f64) {
        if self.open.take().is_none() {
            return;
        }
        let mean = |at: usize| (self.sums[at] / f64::from(self.counts[at])) as f32;
        let read = |role: Role| cell(place(role)) as f32;
        let plug = cell(place(Role::Plug));
        let position = (cell(WIDTH - 2), cell(WIDTH - 1));
        if position.0.is_finite() || !self.positions.is_empty() {
            // Of the seconds before the first fix there is none.
            self.positions.resize(self.closed.len(), (f64::NAN, f64::NAN));
            self.positions.push(position);
        }
        self.closed.push(Second {
            t,
            phase,
            sums: Sums::from_column_order(std::array::from_fn(&cell)),
            volt_seconds,
            odometer: cell(place(Role::Odometer)),
            soc: [read(Role::Soc), read(Role::SocInternal)],
            displayed_rest: read(Role::DisplayedRest),
            speed_displayed: mean(CONSUMERS.len()),
            consumers: [mean(0), mean(1), mean(2), mean(3)],
            voltage: [read(Role::PackVoltage), read(Role::CellVoltageMin)],
            temperature: [read(Role::AmbientTemperature), read(Role::CabinTemperature), read(Role::PackTemperature)],
            plugged: plug.is_finite().then_some(plug != 0.0),
            power_ends: taken(&mut self.power_ends),
            speed_ends: taken(&mut self.speed_ends),
        });
        (self.sums, self.counts) = ([0.0; MEANS.len()], [0; MEANS.len()]);
    }

    /// The seconds, and the positions at their ends; `last` is the last row that was seen, with the integral of the voltage up to there.
    pub fn finish(mut self, last: Option<(&Row, f64)>) -> (Vec<Second>, Vec<(f64, f64)>) {
        if let Some((last, volt_seconds)) = last {
            self.close(last.t, last.phase, volt_seconds, |column| last.cell(column));
        }
        (self.closed, self.positions)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Folder, TraceChunk, columns};
    use super::*;

    #[test]
    fn a_tenth_of_a_second_is_kept_among_its_second() {
        let names = columns();
        let place = |name: &str| names.iter().position(|known| *known == name).unwrap();
        // Ten rows a second for 3 s: 20 kW, but 180 kW for one row and, in the next second, 60 kW back for one row.
        let watts = |row: usize| [20e3, 180e3, -60e3][usize::from(row == 15) + 2 * usize::from(row == 24)];
        let t_us: Vec<i64> = (0..30).map(|row| row * 100_000).collect();
        let mut cells = vec![vec![f64::NAN; t_us.len()]; names.len()];
        for name in ["energy_out", "energy_in", "energy_charged", "time_unobserved"] {
            cells[place(name)].fill(0.0);
        }
        for row in 1..30 {
            let power: f64 = watts(row);
            for (name, part) in [("energy_out", power.max(0.0)), ("energy_in", (-power).max(0.0))] {
                cells[place(name)][row] = cells[place(name)][row - 1] + part * 0.1;
            }
        }
        cells[place("speed")] = (0..30).map(|row| if row == 17 { 41.0 } else { 30.0 }).collect();
        let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
        let mut folder = Folder::default();
        folder.push(&TraceChunk { t_us: &t_us, phase: &vec![Phase::Drive; t_us.len()], columns: &views });
        let seconds = folder.finish().seconds;
        let kw: Vec<[i32; 2]> =
            seconds.iter().skip(1).map(|second| second.power_ends.map(|w| (w / 1e3).round() as i32)).collect();
        assert_eq!(kw, [[20, 20], [20, 180], [-60, 20]]);
        assert_eq!(seconds[2].speed_ends, [30.0, 41.0]);
        assert_eq!(seconds[3].speed_ends, [30.0, 30.0]);
        // The run's first row stands alone: nothing led to it.
        assert!(seconds[0].power_ends.iter().all(|end| end.is_nan()));
    }

    #[test]
    fn seconds_end_with_their_last_row_and_average_powers() {
        let names = columns();
        let place = |name: &str| names.iter().position(|known| *known == name).unwrap();
        // Ten rows a second for 2.45 s: 30 m/s, a heater that draws 0 W and 1000 W in turn, unobserved from 1 s on.
        let t_us: Vec<i64> = (0..=24).map(|row| row * 100_000).chain([2_450_000]).collect();
        let seconds: Vec<f64> = t_us.iter().map(|t| *t as f64 / 1e6).collect();
        let mut cells = vec![vec![f64::NAN; t_us.len()]; names.len()];
        cells[place("distance")] = seconds.iter().map(|t| 30.0 * t).collect();
        cells[place("time_unobserved")] = seconds.iter().map(|t| (t - 1.0f64).max(0.0)).collect();
        cells[place("heater_power")] = (0..t_us.len()).map(|row| [0.0, 1_000.0][row % 2]).collect();
        let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
        let mut folder = Folder::default();
        folder.push(&TraceChunk { t_us: &t_us, phase: &vec![Phase::Drive; t_us.len()], columns: &views });
        let summary = folder.finish();
        assert_eq!(summary.seconds.iter().map(|second| second.t).collect::<Vec<_>>(), [0.0, 0.9, 1.9, 2.45]);
        assert_eq!(summary.seconds[2].consumers[0], 500.0);
        assert!(summary.seconds[2].consumers[1].is_nan());
        let steps: Vec<Step<'_>> = summary.steps().collect();
        assert!((steps[1].speed() - 30.0).abs() < 1e-9 && (steps[2].distance() - 16.5).abs() < 1e-9);
        assert!(steps[0].is_observed() && !steps[1].is_observed() && !steps[2].is_observed());
        let whole: f64 = steps.iter().map(Step::distance).sum();
        assert!((whole - 30.0 * 2.45).abs() < 1e-9, "the steps are all of the run");
        assert_eq!(summary.second_at(2.0).map(|second| second.t), Some(1.9));
    }
}
