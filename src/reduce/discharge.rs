//! The runs of one discharge laid end to end on one axis: charge, energy, time and distance drawn so far.
//!
//! Gaps and the pauses between runs add their estimates to the axis where they lie; a tick after one starts a new stretch,
//! because an increment that spans an estimate is no measurement. A charge in between ends a discharge.

use super::capacity::{Discharge, TickPoint};
use super::fill::{self, Fill};
use super::fold::{Point, SocRecord, Stretch};
use super::input::{Missing, RunInput};
use super::join::Join;
use crate::ledger::Phase;

/// Ticks above this are left out: displays hold 100 % for a while and then catch up, as a share: common practice, no source.
pub const TOP: f64 = 0.95;
/// Ticks below this are left out: the last 5 % follow the cell voltage, no more the charge: common practice, no source.
pub const BOTTOM: f64 = 0.05;

/// Which stretch of which run.
pub type Place = (usize, usize);

/// A moment on the axis of a discharge.
#[derive(Clone, Copy, Debug, Default)]
pub struct Moment {
    /// Charge, C, energy, J, observed time, s, and integral of the voltage, V s, so far; estimates of gaps and pauses are in.
    pub drawn: Drawn,
    /// Distance by the wheel speed so far, m, estimates of gaps in.
    pub distance: f64,
    /// Wall time spent in the runs so far, s.
    pub time: f64,
}

/// Net charge and energy drawn, and what turns a sensor's error into theirs.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Drawn {
    /// Net energy, J.
    pub energy: f64,
    /// Net charge, C.
    pub charge: f64,
    /// Observed time, s.
    pub observed: f64,
    /// Integral of the voltage over it, V s.
    pub volt_seconds: f64,
    /// Of the energy, what was estimated, J (absolute amounts).
    pub estimated: f64,
    /// Variance of the energy by gaps and by pauses between runs, J².
    pub variance: [f64; 2],
    /// Some of it could not even be estimated.
    pub unknown: bool,
}

impl Drawn {
    /// Both together.
    pub fn plus(&self, other: &Self) -> Self {
        self.with(other, 1.0)
    }
    /// From an earlier moment to this one.
    pub fn since(&self, earlier: &Self) -> Self {
        self.with(earlier, -1.0)
    }
    fn times(&self, share: f64) -> Self {
        Self {
            energy: self.energy * share,
            charge: self.charge * share,
            estimated: self.estimated * share,
            variance: self.variance.map(|variance| variance * share * share),
            ..*self
        }
    }
    fn with(&self, other: &Self, sign: f64) -> Self {
        Self {
            energy: self.energy + sign * other.energy,
            charge: self.charge + sign * other.charge,
            observed: self.observed + sign * other.observed,
            volt_seconds: self.volt_seconds + sign * other.volt_seconds,
            estimated: self.estimated + sign * other.estimated,
            variance: [0, 1].map(|at| (self.variance[at] + sign * other.variance[at]).max(0.0)),
            unknown: self.unknown || other.unknown && sign > 0.0,
        }
    }
}

/// A tick on the axis of a discharge.
#[derive(Clone, Copy, Debug)]
pub struct AxisTick {
    /// The value reached, percent.
    pub value: f64,
    /// In which of the stretches.
    pub place: usize,
    /// When.
    pub moment: Moment,
    /// Time unobserved in its run so far, s.
    pub unobserved: f64,
    /// The display corrected itself by more than a step since the tick before.
    pub corrected: bool,
}

/// The axis of one discharge.
pub struct Axis<'a> {
    runs: &'a [RunInput],
    fills: &'a [Vec<Fill>],
    joins: &'a [Join],
    /// Its stretches, in order.
    pub places: Vec<Place>,
    role: usize,
}

/// Splits the runs' stretches into discharges: a charge, in a run or between two, ends one.
pub fn split(runs: &[RunInput], joins: &[Join]) -> Vec<Vec<Place>> {
    let mut discharges: Vec<Vec<Place>> = Vec::new();
    for (run, input) in runs.iter().enumerate() {
        for stretch in 0..input.summary.stretches.len() {
            let follows = stretch == 0
                && run > 0
                && !joins.get(run - 1).is_some_and(|join| join.charged)
                && runs[run - 1].summary.last().is_some_and(|last| last.phase != Phase::Charge);
            match discharges.last_mut() {
                Some(discharge) if follows => discharge.push((run, stretch)),
                _ => discharges.push(vec![(run, stretch)]),
            }
        }
    }
    discharges
}

impl<'a> Axis<'a> {
    /// Of stretches that [`split`] gave, by the state of charge `role` (0 displayed, 1 internal).
    pub fn new(
        runs: &'a [RunInput],
        fills: &'a [Vec<Fill>],
        joins: &'a [Join],
        places: Vec<Place>,
        role: usize,
    ) -> Self {
        Self { runs, fills, joins, places, role }
    }

    fn stretch(&self, place: Place) -> &'a Stretch {
        &self.runs[place.0].summary.stretches[place.1]
    }

    fn record(&self, place: Place) -> &'a SocRecord {
        &self.stretch(place).soc[self.role]
    }

    /// Its state of charge was noted by people.
    pub fn is_noted(&self) -> bool {
        self.role == 0 && self.places.iter().any(|place| self.runs[place.0].summary.noted.soc)
    }

    /// What was drawn in a stretch from its start to a point of it.
    fn within(&self, place: Place, to: &Point) -> Moment {
        let start = &self.stretch(place).start;
        let unobserved = to.sums.time_unobserved - start.sums.time_unobserved;
        let mut moment = Moment {
            drawn: Drawn {
                energy: to.energy() - start.energy(),
                charge: to.charge() - start.charge(),
                observed: to.t - start.t - if unobserved.is_finite() { unobserved } else { 0.0 },
                volt_seconds: to.volt_seconds - start.volt_seconds,
                ..Drawn::default()
            },
            distance: to.sums.distance - start.sums.distance,
            time: to.t - start.t,
        };
        let inside = |fill: &&Fill| (start.t..=to.t).contains(&fill.gap.from_s) && fill.phase != Phase::Charge;
        for fill in self.fills[place.0].iter().filter(inside) {
            // Of a gap that goes on beyond this point, its share: the display may tick on while the pack is silent.
            let length = fill.gap.to_s - fill.gap.from_s;
            let share = if length > 0.0 { ((to.t - fill.gap.from_s) / length).min(1.0) } else { 1.0 };
            moment.drawn = moment.drawn.plus(&drawn_by(fill).times(share));
            moment.distance += share * fill.distance[0];
        }
        moment
    }

    /// What was drawn in the discharge up to a point of one of its stretches, given by its place in `places`.
    pub fn until(&self, at: usize, to: &Point) -> Moment {
        let mut sum = Moment::default();
        for (index, place) in self.places.iter().enumerate().take(at + 1) {
            if index > 0 {
                sum.drawn = sum.drawn.plus(&self.pause_before(place.0));
            }
            let piece = self.within(*place, if index == at { to } else { &self.stretch(*place).end });
            sum.drawn = sum.drawn.plus(&piece.drawn);
            sum.distance += piece.distance;
            sum.time += piece.time;
        }
        sum
    }

    /// What was drawn before a run began, as its join says.
    fn pause_before(&self, run: usize) -> Drawn {
        let voltage = fill::mean_voltage(&self.runs[run - 1].summary);
        match self.joins[run - 1].energy {
            Some((energy, u)) => Drawn {
                energy,
                charge: energy / voltage,
                estimated: energy.abs(),
                variance: [0.0, u * u],
                ..Drawn::default()
            },
            None => Drawn { unknown: true, ..Drawn::default() },
        }
    }

    /// The whole of it.
    pub fn end(&self) -> Moment {
        let at = self.places.len() - 1;
        self.until(at, &self.stretch(self.places[at]).end)
    }

    /// When 0 was first reached and held.
    pub fn zero(&self) -> Option<Moment> {
        let found = |(at, place): (usize, &Place)| self.record(*place).zero.map(|point| self.until(at, &point));
        self.places.iter().enumerate().find_map(found)
    }

    /// The first reading that counts, percent.
    pub fn first_soc(&self) -> Option<f64> {
        self.record(*self.places.first()?).first_counting.map(|(value, _)| value)
    }

    /// The display's step, percent.
    pub fn step(&self) -> f64 {
        // Between notes lies any number of steps.
        if self.is_noted() {
            return 1.0;
        }
        let steps = self.places.iter().filter_map(|place| self.record(*place).step);
        let least = steps.fold(f64::INFINITY, f64::min);
        if least.is_finite() { least } else { 1.0 }
    }

    /// It began at displayed 100 %.
    pub fn from_full(&self) -> bool {
        self.first_soc().is_some_and(|first| first > 100.0 - self.step() / 2.0)
    }

    /// Every tick reached by one step from above, values falling.
    pub fn ticks(&self) -> Vec<AxisTick> {
        let step = self.step();
        let mut ticks: Vec<AxisTick> = Vec::new();
        let mut corrected = false;
        for (at, place) in self.places.iter().enumerate() {
            for tick in &self.record(*place).ticks {
                corrected |= tick.moved > 1.5 * step;
                let one_step = tick.before - tick.value <= 1.5 * step;
                if one_step && ticks.last().is_none_or(|last| tick.value < last.value) {
                    let point = tick.at.as_point();
                    let unobserved = point.sums.time_unobserved;
                    let moment = self.until(at, &point);
                    ticks.push(AxisTick { value: tick.value, place: at, moment, unobserved, corrected });
                    corrected = false;
                }
            }
        }
        ticks
    }

    /// As the capacity's method wants it, up to its end or where 0 was held.
    pub fn discharge(&self, period_s: f64, sampling_charge: f64) -> Discharge {
        let mut stretches: Vec<Vec<TickPoint>> = Vec::new();
        let mut last: Option<AxisTick> = None;
        for tick in self.ticks() {
            let value = tick.value / 100.0;
            if !(BOTTOM..=TOP).contains(&value) {
                continue;
            }
            // Across a gap, a pause or a correction of the display an increment says nothing of the charge.
            let unbroken = last.is_some_and(|last| {
                last.place == tick.place && (tick.unobserved - last.unobserved).abs() < 1e-3 && !tick.corrected
            });
            match stretches.last_mut() {
                Some(stretch) if unbroken => stretch.push(tick_point(value, &tick.moment)),
                _ => stretches.push(vec![tick_point(value, &tick.moment)]),
            }
            last = Some(tick);
        }
        let zero = self.zero();
        let end = zero.unwrap_or_else(|| self.end());
        Discharge {
            stretches,
            step: self.step() / 100.0,
            ends: [tick_point(1.0, &Moment::default()), tick_point(0.0, &end)],
            from_full: self.from_full(),
            to_zero: zero.is_some(),
            period_s,
            sampling_charge,
        }
    }
}

fn tick_point(value: f64, moment: &Moment) -> TickPoint {
    let Drawn { energy, charge, observed, volt_seconds, .. } = moment.drawn;
    TickPoint { value, charge, energy, time: observed, volt_seconds }
}

/// What a gap adds.
pub fn drawn_by(fill: &Fill) -> Drawn {
    let charge = fill.charge[0] - fill.charge[1];
    Drawn {
        energy: fill.net(),
        charge,
        estimated: fill.energy[0] + fill.energy[1],
        variance: [fill.u[0] * fill.u[0], 0.0],
        unknown: fill.gap.missing == Missing::Power && fill.from.is_none(),
        ..Drawn::default()
    }
}
