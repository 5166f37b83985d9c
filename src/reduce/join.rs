//! What happened between two runs: how long, by how much the state of charge changed, what energy that was.
//!
//! Energy by the car's lifetime counters where it has them, else by the change of the state of charge times the
//! energy per per cent that the runs themselves show. A run's first reading that counts comes 30 s after waking; what was
//! observed until then is taken off. Estimates; no file is read.

use super::fill::COUNTER_U;
use super::fold::Stretch;
use super::input::RunInput;
use crate::ledger::Sums;

/// A rise of the state of charge beyond this (and two steps) between runs is a charge, no noise, percent.
const CHARGED_PERCENT: f64 = 1.0;
/// Standard uncertainty of energy per per cent taken from the runs, in parts: common practice, no source.
const PER_SOC_U: f64 = 0.05;

/// Between two runs.
#[derive(Clone, PartialEq, Debug)]
pub struct Join {
    /// The runs before and after.
    pub runs: (String, String),
    /// Time between them, s, where both know the clock.
    pub seconds: Option<f64>,
    /// Last state of charge before less the first that counts after, corrected for nothing, percent.
    pub soc_change: Option<f64>,
    /// Estimated energy drawn between them and its standard uncertainty, J.
    pub energy: Option<(f64, f64)>,
    /// From what.
    pub from: &'static str,
    /// Distance by the odometer between them, m.
    pub distance: Option<f64>,
    /// The car was charged in between: the runs belong to different discharges.
    pub charged: bool,
}

/// What happened between two runs, given J per per cent of the state of charge `role`.
pub fn between(before: &RunInput, after: &RunInput, role: usize, per_soc: Option<f64>) -> Join {
    let seconds =
        before.start.zip(after.start).map(|(a, b)| (b - a).seconds() - before.summary.last().map_or(0.0, |p| p.t));
    let mut join = Join {
        runs: (before.name.clone(), after.name.clone()),
        seconds: seconds.filter(|seconds| *seconds >= 0.0),
        soc_change: None,
        energy: None,
        from: "",
        distance: None,
        charged: false,
    };
    let odometers = before.summary.odometer.zip(after.summary.odometer);
    join.distance = odometers.map(|((_, last), (first, _))| first - last);
    let (Some(a), Some(b)) = (before.summary.stretches.last(), after.summary.stretches.first()) else { return join };
    // What people noted last may be far from what was so at the end.
    let noted = role == 0 && (before.summary.noted.soc || after.summary.noted.soc);
    let readings = a.soc[role].last.zip(b.soc[role].first_counting).filter(|_| !noted);
    let step = a.soc[role].step_or_one().min(b.soc[role].step_or_one());
    if let Some(((last, _), (first, at))) = readings {
        let change = last - first;
        join.soc_change = Some(change);
        join.charged = -change > CHARGED_PERCENT.max(2.0 * step);
        if let Some(per_soc) = per_soc.filter(|_| !join.charged) {
            let observed = at.energy() - b.start.energy();
            let drawn = change * per_soc - if observed.is_finite() { observed } else { 0.0 };
            // What is drawn from a standing car is never negative; rounding may say so.
            let u = (step / 6f64.sqrt() * per_soc).hypot(drawn * PER_SOC_U);
            join.energy = Some((drawn.max(0.0), u));
            join.from = "the state of charge";
        }
    }
    if let Some(by_counters) = counters(before, after, a, b).filter(|_| !join.charged) {
        join.energy = Some(by_counters);
        join.from = "the car's energy counters";
    }
    join
}

fn counters(before: &RunInput, after: &RunInput, a: &Stretch, b: &Stretch) -> Option<(f64, f64)> {
    // Between the last new reading of one run and the first of the other, less what was observed of that time.
    let first = |which: usize| {
        let mut points = after.summary.points.iter().take(6).map(|point| point.counters[which]);
        points.find(|reading| reading.value.is_finite())
    };
    let part = |which: usize, of: fn(&Sums) -> f64| {
        let (from, to) = (a.end.counters[which], first(which)?);
        let observed = (of(&a.end.sums) - from.energy) + (to.energy - of(&b.start.sums));
        Some(to.value - from.value - observed)
    };
    let net = part(0, |sums| sums.energy_out)? - part(1, |sums| sums.energy_in)?;
    let step = |which: usize| before.summary.counter_steps[which].or(after.summary.counter_steps[which]);
    let steps = step(0).zip(step(1).or(step(0)))?;
    let u = (steps.0.hypot(steps.1) / 6f64.sqrt()).hypot(COUNTER_U * net);
    net.is_finite().then_some((net, u))
}
