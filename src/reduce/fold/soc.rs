//! What a state of charge did during a run: its ticks, its first and last readings, when it reached 0.
//!
//! A tick is the first moment at which it reached a value that it never rose above again, held for 10 s: a value that
//! regeneration undid is no tick until it is reached again for good. Readings of the first 30 s after waking are told,
//! but count for nothing: battery computers correct themselves then.

use super::Point;
use crate::ledger::{Phase, Sums};

/// A value must stand this long to count, s.
pub const HOLD_S: f64 = 10.0;
/// Readings in this time after waking never count, s.
pub const WAKING_S: f64 = 30.0;

/// Room is made for so many ticks, hundredths of a percent, in one go: what of it is not used costs nothing, but growing would copy them
/// again and again, and leave holes behind.
const TICKS_EXPECTED: usize = 10_001;

/// A tick: the moment a value was reached for good.
#[derive(Clone, Copy, Debug)]
pub struct Tick {
    /// The value, percent.
    pub value: f64,
    /// The value before it, percent; NaN where the reading before it was missing, or it came from below.
    pub before: f64,
    /// The trace at that moment.
    pub at: TickAt,
    /// The largest change from one reading to the next since the tick before, percent: more than a step is a correction.
    pub moved: f64,
}

/// What a tick keeps of the trace: there may be thousands.
#[derive(Clone, Copy, Debug)]
pub struct TickAt {
    /// Run time, s.
    pub t: f64,
    /// Energy out and in, J.
    energy: [f64; 2],
    /// Charge out and in, C.
    charge: [f64; 2],
    distance: f64,
    time_unobserved: f64,
    volt_seconds: f64,
}

impl TickAt {
    /// A point without what no tick is asked for.
    pub fn of(point: &Point) -> Self {
        let Sums { energy_out, energy_in, charge_out, charge_in, distance, time_unobserved, .. } = point.sums;
        let (energy, charge) = ([energy_out, energy_in], [charge_out, charge_in]);
        Self { t: point.t, energy, charge, distance, time_unobserved, volt_seconds: point.volt_seconds }
    }

    /// As a point, NaN where it does not know; ticks are none of charging.
    pub fn as_point(&self) -> Point {
        let ([energy_out, energy_in], [charge_out, charge_in]) = (self.energy, self.charge);
        let (energy_charged, charge_charged) = (f64::NAN, f64::NAN);
        let (distance, time_unobserved) = (self.distance, self.time_unobserved);
        Point {
            t: self.t,
            phase: Phase::Drive,
            sums: Sums {
                energy_out,
                energy_in,
                energy_charged,
                charge_out,
                charge_in,
                charge_charged,
                distance,
                time_unobserved,
            },
            volt_seconds: self.volt_seconds,
            power_squared: f64::NAN,
            soc: [f64::NAN; 2],
        }
    }
}

/// What one state of charge did.
#[derive(Clone, Debug, Default)]
pub struct SocRecord {
    /// The first reading, percent.
    pub first: Option<f64>,
    /// The first reading that counts, with its moment.
    pub first_counting: Option<(f64, Point)>,
    /// The last reading, with its moment.
    pub last: Option<(f64, Point)>,
    /// The smallest change seen, percent.
    pub step: Option<f64>,
    /// The ticks, values falling.
    pub ticks: Vec<Tick>,
    /// When 0 was first reached and held.
    pub zero: Option<Point>,
    /// 0 was read, but not long enough.
    pub zero_touched: bool,
    zero_since: Option<Point>,
    seen: Option<f64>,
    previous: Option<f64>,
    moved: f64,
}

impl SocRecord {
    /// Sees a reading; `point` forms the trace at its moment, where something is to be kept of it.
    #[inline]
    pub(super) fn see(&mut self, value: f64, t: f64, phase: Phase, point: impl Fn() -> Point) {
        if !value.is_finite() {
            self.previous = None;
            return;
        }
        self.first.get_or_insert(value);
        if let Some(last) = self.seen {
            let change = (value - last).abs();
            if change > 1e-9 {
                self.step = Some(self.step.map_or(change, |step| step.min(change)));
            }
        }
        self.seen = Some(value);
        if t < WAKING_S || phase == Phase::Charge {
            self.previous = None;
            return;
        }
        if self.first_counting.is_none() {
            self.first_counting = Some((value, point()));
        }
        self.tick(value, &point);
        self.zero(value, t, &point);
        self.previous = Some(value);
    }

    /// Whether the reading that was seen last, seen again, changes nothing: there was none, none counts, or it was taken in and is not
    /// the 0 that has to be held.
    pub(super) fn is_still(&self, value: f64, phase: Phase) -> bool {
        value.is_nan() || phase == Phase::Charge || (self.previous == Some(value) && value > 0.0)
    }

    /// The moment of the reading that was seen last, once it is known that none follows it.
    pub(super) fn settle(&mut self, at: &Point) {
        self.last = self.seen.map(|value| (value, *at));
    }

    fn tick(&mut self, value: f64, point: impl Fn() -> Point) {
        self.moved = self.moved.max((value - self.previous.unwrap_or(value)).abs());
        while let Some(undone) = self.ticks.pop_if(|tick| tick.value < value) {
            self.moved = self.moved.max(undone.moved);
        }
        if self.ticks.last().is_none_or(|tick| value < tick.value) {
            if self.ticks.is_empty() {
                self.ticks.reserve_exact(TICKS_EXPECTED);
            }
            let before = self.previous.filter(|previous| *previous > value).unwrap_or(f64::NAN);
            self.ticks.push(Tick { value, before, at: TickAt::of(&point()), moved: self.moved });
            self.moved = 0.0;
        }
    }

    fn zero(&mut self, value: f64, t: f64, point: impl Fn() -> Point) {
        if value > 0.0 {
            self.zero_since = None;
            return;
        }
        self.zero_touched = true;
        let since = *self.zero_since.get_or_insert_with(point);
        if self.zero.is_none() && t - since.t >= HOLD_S {
            self.zero = Some(since);
        }
    }

    pub(super) fn finish(&mut self, end: &Point) {
        while self.ticks.last().is_some_and(|tick| end.t - tick.at.t < HOLD_S) {
            self.ticks.pop();
        }
    }

    /// The step of the display: the smallest change seen, 1 % where it never changed.
    pub fn step_or_one(&self) -> f64 {
        self.step.unwrap_or(1.0)
    }
}
