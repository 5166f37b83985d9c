//! The current's zero as it was read with the contactors open, and taken off what the runs hold.
//!
//! Nothing flows through open contactors, so the sensor reads its zero then. It drifts from there: a random walk of a part of the
//! declared tolerance in an hour. With the declared tolerance as what is known beforehand, each reading with its own spread,
//! the mean zero of the drive follows by least squares with a prior (a Gaussian process on the time axis). So a reading
//! just before the drive tells most, one on both sides tells more, and none leaves the declared tolerance as it was.
//!
//! A standing, awake car draws real current, and a car that is not yet ready may have its contactors closed and heat or
//! cool: neither reads a zero here. Weak step: what the drift does to the course of a record beyond a mean zero is left out.

use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::fold::{Kept, OpenStretch, Point, Reading, RunSummary, Second, TickAt};
use super::input::RunInput;
use super::tolerances::Tolerances;
use crate::format;
use crate::ledger::Phase;

/// How far a zero drifts in an hour, in parts of its declared standard uncertainty (a random walk): common practice, no source.
const DRIFT: f64 = 0.3;
/// A reading beyond so many declared standard uncertainties is none of a zero.
const BELIEVED: f64 = 4.0;

/// The current's zero over a test.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Zero {
    /// Mean over the drive, A; taken off.
    pub current: f64,
    /// Standard uncertainty by the spread of the readings (type A), A.
    pub by_reading: f64,
    /// Its degrees of freedom.
    pub dof: f64,
    /// Standard uncertainty by the drift from there (type B), A.
    pub by_drift: f64,
    /// Time with the contactors open, s.
    pub seconds: f64,
}

/// A reading on the test's time axis, h, A.
struct Read {
    at: f64,
    mean: f64,
    u: f64,
    dof: f64,
}

/// Reads the zero where it can be read, takes it off the runs and puts its uncertainty in place of the declared one.
pub(super) fn take_off(runs: &mut [RunInput], tolerances: &mut Tolerances, problems: &mut Vec<String>) -> Option<Zero> {
    let declared = tolerances.sensors.current_zero;
    if tolerances.power.is_some() || declared <= 0.0 {
        return None;
    }
    let zero = of(runs, declared)?;
    let amperes = format::significant(zero.current, 2);
    if zero.current.abs() > BELIEVED * declared {
        problems.push(format!(
            "with the contactors open the current read {amperes} A, far beyond its tolerance: nothing is corrected for it"
        ));
        return None;
    }
    runs.iter_mut().for_each(|run| shift(Arc::make_mut(&mut run.summary), zero.current));
    tolerances.sensors.zero_declared = Some(declared);
    tolerances.sensors.current_zero = zero.by_drift;
    tolerances.sensors.zero_reading = Some((zero.by_reading, zero.dof));
    let (drift, time) = (format::significant(zero.by_drift, 2), format::duration(zero.seconds));
    tolerances.stated.push(format!(
        "current zero {amperes} A read with the contactors open for {time} and taken off, {drift} A for its drift since"
    ));
    Some(zero)
}

/// The mean zero over the drive, where any stretch says something of it.
fn of(runs: &[RunInput], declared: f64) -> Option<Zero> {
    let start = runs.iter().filter_map(|run| run.start).min();
    // Hours since the first run began; without a clock a run stands alone.
    let hours = |run: &RunInput, t: f64| {
        let since = run.start.zip(start).map_or(0.0, |(at, start)| (at - start).seconds());
        (since + t) / 3_600.0
    };
    if runs.len() > 1 && runs.iter().any(|run| run.start.is_none()) {
        return None;
    }
    let known = || runs.iter().flat_map(|run| run.summary.open_stretches.iter().map(move |open| (run, open)));
    let read = |(run, open): (&RunInput, &OpenStretch)| Read {
        at: hours(run, (open.from_s + open.to_s) / 2.0),
        mean: open.mean,
        u: open.u,
        dof: f64::from(open.blocks.saturating_sub(1)),
    };
    let reads: Vec<Read> = known().map(read).collect();
    let moved = || runs.iter().filter_map(|run| run.summary.moving.map(|moving| (run, moving)));
    let from = moved().map(|(run, (from, _))| hours(run, from)).fold(f64::INFINITY, f64::min);
    let to = moved().map(|(run, (_, to))| hours(run, to)).fold(f64::NEG_INFINITY, f64::max);
    if reads.is_empty() || to <= from {
        return None;
    }
    let (current, by_reading, by_drift) = mean_zero(&reads, (from, to), declared)?;
    let dof = reads.iter().map(|read| read.dof).fold(f64::INFINITY, f64::min).max(1.0);
    let seconds = known().map(|(_, open)| open.to_s - open.from_s).sum();
    Some(Zero { current, by_reading, dof, by_drift, seconds })
}

/// Mean of the zero between two moments (h), its uncertainty by the readings and by the drift.
fn mean_zero(reads: &[Read], (from, to): (f64, f64), declared: f64) -> Option<(f64, f64, f64)> {
    let begin = reads.iter().map(|read| read.at).fold(from, f64::min);
    let (level, walk) = (declared * declared, (DRIFT * declared).powi(2));
    let (from, to) = (from - begin, to - begin);
    let at = |read: &Read| read.at - begin;
    let n = reads.len();
    let prior = |a: f64, b: f64| level + walk * a.min(b);
    let covariance = DMatrix::from_fn(n, n, |a, b| {
        let own = if a == b { reads[a].u.powi(2) + 1e-12 * level } else { 0.0 };
        prior(at(&reads[a]), at(&reads[b])) + own
    });
    let with_mean = DVector::from_fn(n, |index, _| level + walk * mean_of_least(at(&reads[index]), from, to));
    let weights = covariance.cholesky()?.solve(&with_mean);
    let mean = reads.iter().zip(weights.iter()).map(|(read, weight)| read.mean * weight).sum();
    let before = level + walk * (from + (to - from) / 3.0);
    let all = (before - weights.dot(&with_mean)).max(0.0);
    let by_reading: f64 = reads.iter().zip(weights.iter()).map(|(read, weight)| (weight * read.u).powi(2)).sum();
    Some((mean, by_reading.sqrt(), (all - by_reading).max(0.0).sqrt()))
}

/// Mean of min(s, t) over t from `from` to `to`.
fn mean_of_least(s: f64, from: f64, to: f64) -> f64 {
    if s <= from {
        s
    } else if s >= to {
        (from + to) / 2.0
    } else {
        ((s * s - from * from) / 2.0 + s * (to - s)) / (to - from)
    }
}

/// Observed time outside charging up to moments, s, as the seconds have it.
struct OpenTime(Vec<(f64, f64)>);

impl OpenTime {
    fn of(seconds: &[Second]) -> Self {
        let mut open = 0.0;
        let mut last: Option<&Second> = None;
        let times = seconds.iter().map(|second| {
            let before = last.replace(second).unwrap_or(second);
            if second.phase != Phase::Charge {
                open += observed(before, second);
            }
            (second.t, open)
        });
        Self(times.collect())
    }

    /// Up to a moment: straight between the seconds.
    fn at(&self, t: f64) -> f64 {
        let after = self.0.partition_point(|(end, _)| *end < t);
        match (after.checked_sub(1).and_then(|before| self.0.get(before)), self.0.get(after)) {
            (Some((from, a)), Some((to, b))) => a + (b - a) * (t - from) / (to - from),
            (Some((_, open)), None) | (None, Some((_, open))) => *open,
            (None, None) => 0.0,
        }
    }
}

fn observed(from: &Second, to: &Second) -> f64 {
    (to.t - from.t - (to.sums.time_unobserved - from.sums.time_unobserved)).max(0.0)
}

/// Takes a zero off everything that was integrated with it.
fn shift(run: &mut RunSummary, zero: f64) {
    let voltage = super::fill::mean_voltage(run);
    let open = OpenTime::of(&run.seconds);
    let point = |point: &mut Point| {
        point.sums.energy_out -= zero * point.volt_seconds;
        point.sums.charge_out -= zero * open.at(point.t);
    };
    let kept = |kept: &mut Kept| {
        point(&mut kept.point);
        let reading = |reading: &mut Reading| {
            let energy = zero * voltage * open.at(reading.t);
            reading.energy -= if energy.is_finite() { energy } else { 0.0 };
        };
        reading(&mut kept.odometer);
        reading(&mut kept.counters[0]);
    };
    run.points.iter_mut().for_each(kept);
    shift_seconds(&mut run.seconds, zero, voltage);
    for stretch in &mut run.stretches {
        kept(&mut stretch.start);
        kept(&mut stretch.end);
        for record in &mut stretch.soc {
            for tick in &mut record.ticks {
                let mut at = tick.at.as_point();
                point(&mut at);
                tick.at = TickAt::of(&at);
            }
            let readings = [&mut record.first_counting, &mut record.last];
            readings.into_iter().flatten().for_each(|(_, at)| point(at));
            record.zero.iter_mut().for_each(point);
        }
    }
    for (at, phase) in run.phases.iter_mut().enumerate() {
        phase.energy_out -= zero * phase.volt_seconds[0];
        phase.charge_out -= zero * phase.time[0];
        let (energy, charge) = (zero * phase.volt_seconds[1], zero * phase.time[1]);
        // In the phase of charging what flows in comes from the plug.
        let (into, into_charge) = if at == 2 {
            (&mut phase.energy_charged, &mut phase.charge_charged)
        } else {
            (&mut phase.energy_in, &mut phase.charge_in)
        };
        *into += energy;
        *into_charge += charge;
    }
}

/// The same of the seconds, whose charging counts too; `voltage` stands in where none was read.
fn shift_seconds(seconds: &mut [Second], zero: f64, voltage: f64) {
    let (mut open, mut charging, mut charged) = (0.0, 0.0, 0.0);
    let mut last: Option<Second> = None;
    for second in seconds {
        let before = last.replace(*second).unwrap_or(*second);
        let observed = observed(&before, second);
        let volt = f64::from(second.voltage[0]);
        let volt = if volt.is_finite() { volt } else { voltage };
        if volt.is_finite() {
            second.power_ends = second.power_ends.map(|end| (f64::from(end) - zero * volt) as f32);
        }
        if second.phase == Phase::Charge {
            charging += observed;
            charged += if volt.is_finite() { observed * volt } else { 0.0 };
        } else {
            open += observed;
        }
        second.sums.energy_out -= zero * second.volt_seconds;
        second.sums.charge_out -= zero * open;
        second.sums.energy_charged += zero * charged;
        second.sums.charge_charged += zero * charging;
    }
}

#[cfg(test)]
mod tests;
