//! The drive as it is drawn: a test's runs end to end, second by second, on the axes that its figures have.
//!
//! Formed from the same runs as the figures (zero taken off, gaps filled by the same estimates), so that a plot ends where the
//! figure beside it says. Thins nothing and draws nothing.

use super::fill::Fill;
use super::fold::Step;
use super::input::{Gap, Missing};
use super::legs::leg_at;
use super::reduction::{Reduction, Test};
use crate::ledger::Phase;

/// A test as it is drawn.
#[derive(Clone, Debug, Default)]
pub struct Trail {
    /// Its moments, in time order over all runs.
    pub points: Vec<TrailPoint>,
}

/// The end of a second of a run; NaN is 'not known'.
#[derive(Clone, Copy, Debug)]
pub struct TrailPoint {
    /// In which of the reduction's runs.
    pub run: usize,
    /// Run time, s.
    pub t: f64,
    /// Time in the runs so far, s: pauses between runs left out.
    pub elapsed: f64,
    /// Distance so far, m, at the scale of the distance that counts.
    pub distance: f64,
    /// Net energy so far, J, outside charging, estimates of gaps in; what went in pauses between runs is not in it.
    pub energy: f64,
    /// What the car was doing.
    pub phase: Phase,
    /// The leg it belongs to, counted from 0.
    pub leg: usize,
    /// Mean speed over the second, m/s, at the scale of the distance that counts.
    pub speed: f64,
    /// Smallest and largest speed that the trace's rows (ten a second) have in it, m/s, at the same scale.
    pub speed_ends: [f64; 2],
    /// Mean net power out of the pack over what was observed of the second, W; a charging car's is negative.
    pub power: f64,
    /// Smallest and largest power from row to row of the trace in it, W.
    pub power_ends: [f64; 2],
    /// The state of charge that counts, percent.
    pub soc: f64,
    /// Temperatures outside, in the cabin and of the pack, degC.
    pub temperature: [f64; 3],
    /// The pack's power was observed for most of it.
    pub is_observed: bool,
}

pub(super) fn of(test: &Test<'_>, reduction: &Reduction) -> Trail {
    let mut trail = Trail::default();
    let scale = reduction.way.counted_per_wheel().filter(|scale| scale.is_finite() && *scale > 0.0).unwrap_or(1.0);
    let mut before = Before::default();
    for (run, (input, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
        let steps: Vec<Step<'_>> = input.summary.steps().collect();
        for (step, filled) in steps.iter().zip(filled(&steps, fills)) {
            let observed = step.dt() - step.unobserved();
            before.elapsed += step.dt();
            before.energy += finite(step.net()) + filled.energy;
            before.distance += scale * (finite(step.distance()) + filled.distance);
            trail.points.push(TrailPoint {
                run,
                t: step.to.t,
                elapsed: before.elapsed,
                distance: before.distance,
                energy: before.energy,
                phase: step.phase(),
                leg: leg_at(&reduction.legs.turns, run, step.to.t),
                speed: scale * step.speed(),
                speed_ends: step.to.speed_ends.map(|end| scale * f64::from(end)),
                power: if observed > 0.0 { (step.net() - step.charged()) / observed } else { f64::NAN },
                power_ends: step.to.power_ends.map(f64::from),
                soc: f64::from(step.to.soc[test.soc]),
                temperature: step.to.temperature.map(f64::from),
                is_observed: step.is_observed(),
            });
        }
    }
    trail
}

/// What estimates of gaps add to a step: energy, J, and distance by the wheels, m.
#[derive(Clone, Copy, Default)]
struct Filled {
    energy: f64,
    distance: f64,
}

/// The estimates of a run's gaps laid over its steps, each evenly over its time; what no listed gap explains, over the
/// unobserved time that lies in none.
fn filled(steps: &[Step<'_>], fills: &[Fill]) -> Vec<Filled> {
    let mut filled = vec![Filled::default(); steps.len()];
    let mut unlisted: Vec<f64> = steps.iter().map(|step| step.unobserved()).collect();
    let open = |fill: &&Fill| fill.phase != Phase::Charge;
    let (listed, rest): (Vec<&Fill>, Vec<&Fill>) = fills.iter().partition(|fill| fill.gap.to_s > fill.gap.from_s);
    for fill in listed {
        let shares = shares(steps, &fill.gap);
        if fill.gap.missing == Missing::Power {
            shares.iter().for_each(|(at, overlap)| unlisted[*at] -= overlap);
        }
        if open(&fill) {
            lay(&mut filled, &shares, fill);
        }
    }
    let known = unlisted.iter().enumerate().zip(steps);
    let known = known.filter(|((_, time), step)| **time > 0.0 && step.phase() != Phase::Charge);
    let mut places: Vec<(usize, f64)> = known.map(|((at, time), _)| (at, *time)).collect();
    if places.is_empty() && !steps.is_empty() {
        places.push((0, 1.0));
    }
    rest.into_iter().filter(open).for_each(|fill| lay(&mut filled, &places, fill));
    filled
}

/// The steps that a gap lies in, with how long; at least the nearest one.
fn shares(steps: &[Step<'_>], gap: &Gap) -> Vec<(usize, f64)> {
    let first = steps.partition_point(|step| step.to.t <= gap.from_s).min(steps.len().saturating_sub(1));
    let inside = steps.iter().enumerate().skip(first).take_while(|(at, step)| *at == first || step.from.t < gap.to_s);
    let shares = inside.map(|(at, step)| (at, (step.to.t.min(gap.to_s) - step.from.t.max(gap.from_s)).max(0.0)));
    let shares: Vec<(usize, f64)> = shares.collect();
    if shares.iter().any(|(_, time)| *time > 0.0) { shares } else { shares.iter().map(|(at, _)| (*at, 1.0)).collect() }
}

fn lay(filled: &mut [Filled], shares: &[(usize, f64)], fill: &Fill) {
    let whole: f64 = shares.iter().map(|(_, time)| time).sum();
    for (at, time) in shares {
        filled[*at].energy += finite(fill.net()) * time / whole;
        filled[*at].distance += finite(fill.distance[0]) * time / whole;
    }
}

/// Sums so far, over the runs.
#[derive(Default)]
struct Before {
    elapsed: f64,
    distance: f64,
    energy: f64,
}

fn finite(value: f64) -> f64 {
    if value.is_finite() { value } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::{Trail, TrailPoint};
    use crate::reduce::synthetic::{Car, Chance, Drive};
    use crate::reduce::{Options, RunInput, reduce_and_trace};

    /// The trail, and the sum of what its gaps' estimates add, J.
    fn ends(runs: &[RunInput]) -> (Trail, f64) {
        let (reduction, trail) = reduce_and_trace(runs, None, &Options::default());
        let end = trail.points.last().unwrap();
        let (energy, way) = (reduction.energy.net.unwrap().value, reduction.way.counting().unwrap().value);
        assert!((end.energy - energy).abs() < 1e-6 * energy, "{} {energy}", end.energy);
        assert!((end.distance - way).abs() < 1e-6 * way, "{} {way}", end.distance);
        assert!((end.elapsed - reduction.duration).abs() < 1e-6, "{} {}", end.elapsed, reduction.duration);
        (trail, reduction.gaps.iter().map(|(_, fill)| fill.net()).sum())
    }

    #[test]
    fn the_trail_ends_where_the_figures_say() {
        let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
        let (trail, gap) = ends(&[drive.run_with_gap("run=gap", drive.window(100.0, 0.0), Some(2_000..2_030))]);
        let silent: Vec<&TrailPoint> = trail.points.iter().filter(|point| !point.is_observed).collect();
        assert_eq!(silent.len(), 30, "the gap is known as one");
        assert!(silent.iter().all(|point| point.power.is_nan() && point.power_ends[0].is_nan()));
        // Each of its 30 steps of 2 s has a thirtieth of what the estimate says.
        for (at, pair) in silent.windows(2).enumerate() {
            let added = pair[1].energy - pair[0].energy;
            assert!((added - gap / 30.0).abs() < 1e-6 * gap, "step {at}: {added} of {gap}");
        }
        // Several runs end to end, a gap in one of them.
        let (a, b) = (drive.window(100.0, 60.0), drive.window(60.0, 20.0));
        ends(&[drive.run("run=a", a), drive.run_with_gap("run=b", b.clone(), Some(b.start + 100..b.start + 200))]);
    }

    #[test]
    fn unobserved_time_that_no_gap_lists_is_filled_where_it_lies() {
        let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
        let mut run = drive.run_with_gap("run=gap", drive.window(100.0, 0.0), Some(2_000..2_030));
        run.gaps.clear();
        let (trail, _) = ends(&[run]);
        let at = |t: f64| trail.points.iter().find(|point| point.t >= t).unwrap().energy;
        let (listed, _) = ends(&[drive.run_with_gap("run=gap", drive.window(100.0, 0.0), Some(2_000..2_030))]);
        let then = |t: f64| listed.points.iter().find(|point| point.t >= t).unwrap().energy;
        // Before the gap nothing is added, after it as much as the mean power of the run gives for 60 s: 20 kW or so.
        assert!((at(3_990.0) - then(3_990.0)).abs() < 1.0, "{} {}", at(3_990.0), then(3_990.0));
        assert!(((at(4_070.0) - at(3_990.0)) / 80.0 - 20e3).abs() < 5e3, "{}", at(4_070.0) - at(3_990.0));
    }
}
