//! A session second by second: energy, charge and state of charge so far, short gaps filled.
//!
//! What was not observed is filled with the mean of the power before and after it, and said. Knows no figure of a session.

use crate::ledger::Phase;
use crate::reduce::estimate::Estimate;
use crate::reduce::fold::Step;
use crate::reduce::reduction::Test;
use crate::reduce::sources;

/// A pause without charging that is longer ends a session, s: common practice, no source.
const PAUSE_S: f64 = 600.0;
/// A car that moved further than this in a pause was unplugged, m.
const MOVED_M: f64 = 10.0;
/// Less energy than this is a flicker, no session, J (10 Wh).
const ENERGY_MIN_J: f64 = 36_000.0;
/// Of the power that fills a gap, a standard uncertainty in parts beside half the change across it: common practice, no source.
const FILL_U: f64 = 0.03;

/// A moment of a session; sums are since its start.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    /// Run time, s.
    pub t: f64,
    /// Energy in, J, gaps filled.
    pub energy: f64,
    /// Charge in, C, gaps filled; NaN without a current.
    pub charge: f64,
    /// Integral of the voltage over observed time, V s; NaN without a voltage.
    pub volt_seconds: f64,
    /// Integral of the squared current, A² s.
    pub current_squared: f64,
    /// Of the energy, what fills gaps, J, and its variance, J².
    pub filled: f64,
    /// See `filled`.
    pub variance: f64,
    /// Unobserved time, s.
    pub unobserved: f64,
    /// State of charge, percent; NaN where not known.
    pub soc: f64,
    /// Of the pack, degC; NaN where not known.
    pub temperature: f64,
    /// Energy drawn by the car's consumers, J.
    pub consumers: f64,
}

/// A session.
pub(super) struct Series<'a> {
    /// The run's place.
    pub run: usize,
    pub samples: Vec<Sample>,
    steps: Vec<Step<'a>>,
    sampling: f64,
}

/// What lies between two samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Part {
    pub time: f64,
    pub energy: f64,
    pub charge: f64,
    pub volt_seconds: f64,
    pub filled: f64,
    pub variance: f64,
    pub unobserved: f64,
    sampling: f64,
}

/// The sessions of a run.
pub(super) fn of<'a>(test: &Test<'a>, run: usize) -> Vec<Series<'a>> {
    let input = &test.runs[run];
    let mut ranges: Vec<(usize, usize)> = Vec::new();
    let mut before: Option<Step<'a>> = None;
    for (at, step) in input.summary.steps().enumerate() {
        if !(step.charged() > 0.0 && step.dt() > 0.0) {
            continue;
        }
        match (ranges.last_mut(), before) {
            (Some((_, last)), Some(before)) if belongs(&before, &step) => *last = at,
            _ => ranges.push((at, at)),
        }
        before = Some(step);
    }
    // The run's sampling error of energy in, spread over its time.
    let per_root = input.sampling.map_or(0.0, |s| s.energy[2] / input.summary.duration().max(1.0).sqrt());
    let series = ranges.into_iter().map(|(from, to)| {
        let steps: Vec<Step<'a>> = input.summary.steps().take(to + 1).skip(from).collect();
        Series { run, samples: samples(&steps, test.soc), steps, sampling: per_root }
    });
    series.filter(|series| series.last().energy >= ENERGY_MIN_J).collect()
}

/// Whether a step of charging goes on with what an earlier one was part of.
fn belongs(before: &Step<'_>, step: &Step<'_>) -> bool {
    let moved = step.from.sums.distance - before.to.sums.distance;
    // Without a speed nothing is known to have moved.
    step.from.t - before.to.t < PAUSE_S && (moved <= MOVED_M || moved.is_nan())
}

fn samples(steps: &[Step<'_>], soc: usize) -> Vec<Sample> {
    let start = steps[0].from;
    let zero = if start.sums.charge_charged.is_finite() { 0.0 } else { f64::NAN };
    let mut sum = Sample {
        t: start.t,
        energy: 0.0,
        charge: zero,
        volt_seconds: 0.0,
        current_squared: 0.0,
        filled: 0.0,
        variance: 0.0,
        unobserved: 0.0,
        soc: reading(start.soc[soc]),
        temperature: reading(start.temperature[2]),
        consumers: 0.0,
    };
    let mut samples = vec![sum];
    for (at, step) in steps.iter().enumerate() {
        let charge = step.to.sums.charge_charged - step.from.sums.charge_charged;
        let observed = step.dt() - unobserved(step);
        let volt = f64::from(step.from.voltage[0] + step.to.voltage[0]) / 2.0;
        sum.t = step.to.t;
        sum.energy += step.charged();
        sum.charge += charge;
        sum.volt_seconds += if volt.is_finite() { volt * observed } else { 0.0 };
        sum.current_squared += if observed > 0.0 { charge * charge / observed } else { 0.0 };
        sum.unobserved += unobserved(step);
        if unobserved(step) > 0.0 {
            fill(steps, at, &mut sum);
        }
        let drawn: f64 = step.to.consumers.iter().copied().filter(|power| power.is_finite()).map(f64::from).sum();
        sum.consumers += drawn * step.dt();
        sum.soc = reading(step.to.soc[soc]);
        sum.temperature = reading(step.to.temperature[2]);
        samples.push(sum);
    }
    samples
}

/// A reading without the digits that single precision made up.
fn reading(value: f32) -> f64 {
    (f64::from(value) * 1e4).round() / 1e4
}

fn unobserved(step: &Step<'_>) -> f64 {
    // Less than a millisecond is rounding of the trace's own sums.
    let time = step.unobserved();
    if time > 1e-3 { time.min(step.dt()) } else { 0.0 }
}

/// Fills the unobserved part of a step from the power before and after it.
fn fill(steps: &[Step<'_>], at: usize, sum: &mut Sample) {
    let known = |step: &&Step<'_>| unobserved(step) == 0.0 && step.dt() > 0.0;
    let before = steps[..at].iter().rev().find(known);
    let after = steps[at + 1..].iter().find(known);
    let rate = |step: &Step<'_>, of: &dyn Fn(&Step<'_>) -> f64| of(step) / step.dt();
    let energy = |step: &Step<'_>| step.charged();
    let charge = |step: &Step<'_>| step.to.sums.charge_charged - step.from.sums.charge_charged;
    let sides: Vec<&Step<'_>> = before.into_iter().chain(after).collect();
    if sides.is_empty() {
        sum.filled = f64::INFINITY;
        return;
    }
    let mean =
        |of: &dyn Fn(&Step<'_>) -> f64| sides.iter().map(|step| rate(step, of)).sum::<f64>() / sides.len() as f64;
    let (power, time) = (mean(&energy), unobserved(&steps[at]));
    let spread = sides.iter().map(|step| (rate(step, &energy) - power).abs()).fold(0.0, f64::max);
    let u = (spread / 3f64.sqrt()).hypot(power * FILL_U) * time;
    sum.energy += power * time;
    sum.charge += mean(&charge) * time;
    sum.filled += power * time;
    sum.variance += u * u;
}

impl Series<'_> {
    pub fn first(&self) -> &Sample {
        &self.samples[0]
    }
    pub fn last(&self) -> &Sample {
        &self.samples[self.samples.len() - 1]
    }

    pub fn between(&self, from: usize, to: usize) -> Part {
        let (a, b) = (&self.samples[from], &self.samples[to]);
        let time = b.t - a.t;
        Part {
            time,
            energy: b.energy - a.energy,
            charge: b.charge - a.charge,
            volt_seconds: b.volt_seconds - a.volt_seconds,
            filled: b.filled - a.filled,
            variance: (b.variance - a.variance).max(0.0),
            unobserved: b.unobserved - a.unobserved,
            sampling: self.sampling * time.max(0.0).sqrt(),
        }
    }

    /// The stretch of at least so many seconds (and not many more) with the greatest mean power.
    pub fn best(&self, seconds: f64) -> Option<(usize, usize)> {
        let mut best: Option<(usize, usize, f64)> = None;
        for (from, to) in self.stretches(seconds) {
            let part = self.between(from, to);
            let power = part.energy / part.time;
            if best.is_none_or(|(.., most)| power > most) {
                best = Some((from, to, power));
            }
        }
        best.map(|(from, to, _)| (from, to))
    }

    /// From each sample the shortest stretch that lasts so many seconds; those that a silence makes much longer are left out.
    pub fn stretches(&self, seconds: f64) -> impl Iterator<Item = (usize, usize)> {
        let mut to = 0;
        (0..self.samples.len()).filter_map(move |from| {
            while to < self.samples.len() && self.samples[to].t - self.samples[from].t < seconds - 1e-6 {
                to += 1;
            }
            let end = self.samples.get(to)?;
            (end.t - self.samples[from].t < seconds + 10.0).then_some((from, to))
        })
    }

    pub fn soc_ends(&self) -> (Option<f64>, Option<f64>) {
        let mut known = self.samples.iter().map(|sample| sample.soc).filter(|soc| soc.is_finite());
        (known.next(), self.samples.iter().rev().map(|sample| sample.soc).find(|soc| soc.is_finite()))
    }

    pub fn pack_degc(&self) -> [Option<f64>; 3] {
        let known = || self.samples.iter().map(|sample| sample.temperature).filter(|degc| degc.is_finite());
        [known().next(), known().next_back(), known().reduce(f64::max)]
    }

    pub fn current_squared(&self) -> Option<f64> {
        let sum = self.last().current_squared;
        (sum.is_finite() && sum > 0.0).then_some(sum)
    }

    pub fn consumers(&self) -> (f64, bool) {
        let all = self.steps.iter().filter(|step| step.phase() == Phase::Charge);
        let all = all.filter(|step| step.to.consumers.iter().all(|power| power.is_finite())).count();
        (self.last().consumers, all * 10 >= self.steps.len() * 9)
    }
}

impl Part {
    /// Energy in, with what each source of error does to it; `None` where it is no number.
    pub fn energy_estimate(&self, test: &Test<'_>) -> Option<Estimate> {
        let observed = self.time - self.unobserved;
        let value = Estimate::exact(self.energy);
        let value = match test.tolerances.power {
            Some((gain, zero)) => {
                value.with_b(sources::POWER_GAIN, self.energy * gain).with_b(sources::POWER_ZERO, -observed * zero)
            }
            None => {
                let sensors = &test.tolerances.sensors.at_the_plug();
                // A current that reads too much outward reads too little inward.
                value
                    .with_b(sources::CURRENT_GAIN, self.energy * sensors.current_gain)
                    .with_b(sources::CURRENT_ZERO, -self.volt_seconds * sensors.current_zero)
                    .with_b(sources::VOLTAGE_GAIN, self.energy * sensors.voltage_gain)
                    .with_b(sources::VOLTAGE_ZERO, self.charge * sensors.voltage_zero)
            }
        };
        let value = value.with_b(sources::SAMPLING, self.sampling).with_b(sources::GAPS, self.variance.sqrt());
        (value.value.is_finite() && value.u().is_finite()).then_some(value)
    }

    /// Charge in; `None` where the car gives power alone.
    pub fn charge_estimate(&self, test: &Test<'_>) -> Option<Estimate> {
        let sensors = &test.tolerances.sensors.at_the_plug();
        let gaps = if self.energy > 0.0 { self.variance.sqrt() * self.charge / self.energy } else { 0.0 };
        let value = Estimate::exact(self.charge)
            .with_b(sources::CURRENT_GAIN, self.charge * sensors.current_gain)
            .with_b(sources::CURRENT_ZERO, -(self.time - self.unobserved) * sensors.current_zero)
            .with_b(sources::GAPS, gaps);
        (test.tolerances.power.is_none() && value.value.is_finite() && value.u().is_finite()).then_some(value)
    }
}
