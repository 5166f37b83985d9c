//! The trace second by second: what the figures along a drive are formed from.
//!
//! A second ends with the last row of the trace in it. Sums and readings are that row's; powers of consumers and the
//! dial's speed are means over its rows; of the pack's power and the speed the smallest and largest are kept too. The run's first row stands before them by itself, so that from it to the last
//! the steps are all of the run. Fills no gap: an unobserved second says so.

use super::{Kept, Point, Reading, Row};
use crate::ledger::{Phase, Sums};
use crate::schema::Role;

/// The consumers that a map may separate, in the order of [`Second::consumers`].
pub const CONSUMERS: [Role; 4] =
    [Role::HeaterPower, Role::CompressorPower, Role::BatteryHeaterPower, Role::AccessoryPower];
/// Smallest and largest of nothing.
const UNKNOWN: [f32; 2] = [f32::NAN; 2];
/// Rows nearer to each other say nothing of the power between them, s.
const ROW_MIN_S: f64 = 0.01;
/// What is averaged: the consumers, then the dial's speed.
pub(super) const MEANS: [Role; 5] = [CONSUMERS[0], CONSUMERS[1], CONSUMERS[2], CONSUMERS[3], Role::SpeedDisplayed];

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
    /// Degrees north and east, WGS84, of the latest fix.
    pub position: (f64, f64),
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
    open: Option<i64>,
    sums: [f64; MEANS.len()],
    counts: [u32; MEANS.len()],
    power_ends: [f32; 2],
    speed_ends: [f32; 2],
}

impl Default for Seconds {
    fn default() -> Self {
        let (sums, counts) = ([0.0; MEANS.len()], [0; MEANS.len()]);
        Self { closed: Vec::new(), open: None, sums, counts, power_ends: UNKNOWN, speed_ends: UNKNOWN }
    }
}

/// Takes a value into the smallest and largest.
fn widen(ends: &mut [f32; 2], value: f64) {
    if value.is_finite() {
        let value = value as f32;
        *ends = [ends[0].min(value), ends[1].max(value)];
    }
}

/// The greatest whole number that is not above a time.
#[inline]
fn whole(t: f64) -> i64 {
    // Without a call of the library of sines, which `floor` is on processors of old.
    let towards_zero = t as i64;
    if towards_zero as f64 > t { towards_zero.saturating_sub(1) } else { towards_zero }
}

/// Mean power from one row to the next, W; NaN where it was not observed.
#[inline]
fn power(last: &Row<'_>, row: &Row<'_>) -> f64 {
    let (a, b, dt) = (&last.sums, &row.sums, row.t - last.t);
    let unobserved = b.time_unobserved - a.time_unobserved;
    if dt < ROW_MIN_S || unobserved >= dt / 2.0 {
        return f64::NAN;
    }
    let net = |sums: &Sums| sums.energy_out - sums.energy_in - sums.energy_charged;
    (net(b) - net(a)) / (dt - unobserved.max(0.0))
}

impl Seconds {
    /// Makes room for so many seconds.
    pub fn reserve(&mut self, seconds: usize) {
        self.closed.reserve_exact(seconds);
    }

    /// Sees a row; `last` is the row before it, with which the open second ends if this one belongs to another, and `before` the
    /// integral of the voltage up to there.
    #[inline]
    pub fn see(&mut self, row: &Row<'_>, last: Option<(&Row<'_>, f64)>, volt_seconds: f64) {
        let number = whole(row.t);
        if let Some((last, before)) = last
            && self.open.is_some_and(|open| open != number)
        {
            self.close(last, before);
        }
        for at in row.columns.means() {
            let value = row.role(MEANS[*at]);
            if value.is_finite() {
                self.sums[*at] += value;
                self.counts[*at] += 1;
            }
        }
        widen(&mut self.power_ends, last.map_or(f64::NAN, |(last, _)| power(last, row)));
        widen(&mut self.speed_ends, row.role(Role::Speed));
        self.open = Some(number);
        if self.closed.is_empty() {
            self.close(row, volt_seconds);
        }
    }

    /// Ends the open second with its last row.
    fn close(&mut self, row: &Row<'_>, volt_seconds: f64) {
        if self.open.take().is_none() {
            return;
        }
        let mean = |at: usize| (self.sums[at] / f64::from(self.counts[at])) as f32;
        let read = |role: Role| row.role(role) as f32;
        let plug = row.role(Role::Plug);
        self.closed.push(Second {
            t: row.t,
            phase: row.phase,
            sums: row.sums,
            volt_seconds,
            odometer: row.role(Role::Odometer),
            position: row.fix(),
            soc: [read(Role::Soc), read(Role::SocInternal)],
            displayed_rest: read(Role::DisplayedRest),
            speed_displayed: mean(CONSUMERS.len()),
            consumers: std::array::from_fn(mean),
            voltage: [read(Role::PackVoltage), read(Role::CellVoltageMin)],
            temperature: [Role::AmbientTemperature, Role::CabinTemperature, Role::PackTemperature].map(read),
            plugged: plug.is_finite().then_some(plug != 0.0),
            power_ends: std::mem::replace(&mut self.power_ends, UNKNOWN),
            speed_ends: std::mem::replace(&mut self.speed_ends, UNKNOWN),
        });
        (self.sums, self.counts) = ([0.0; MEANS.len()], [0; MEANS.len()]);
    }

    /// The seconds; `last` is the last row that was seen, with the integral of the voltage up to there.
    pub fn finish(mut self, last: Option<(&Row<'_>, f64)>) -> Vec<Second> {
        if let Some((last, volt_seconds)) = last {
            self.close(last, volt_seconds);
        }
        self.closed
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
