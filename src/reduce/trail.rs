//! The drive as it is drawn: a test's runs end to end, second by second, on the axes that its figures have.
//!
//! Formed from the same runs as the figures (zero taken off, gaps filled by the same estimates), so that a plot ends where the
//! figure beside it says. Thins nothing and draws nothing.

use super::legs::along::Turn;
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
    /// Net energy so far, J, outside charging, estimates of gaps in.
    pub energy: f64,
    /// What the car was doing.
    pub phase: Phase,
    /// The leg it belongs to, counted from 0.
    pub leg: usize,
    /// Speed over the second, m/s, at the scale of the distance that counts.
    pub speed: f64,
    /// Mean net power out of the pack over the second, W; a charging car's is negative.
    pub power: f64,
    /// The state of charge that counts, percent.
    pub soc: f64,
    /// Temperatures outside, in the cabin and of the pack, degC.
    pub temperature: [f64; 3],
    /// The pack's power was observed for most of it.
    pub is_observed: bool,
}

pub(super) fn of(test: &Test<'_>, reduction: &Reduction) -> Trail {
    let mut trail = Trail::default();
    let scale = reduction.way.counting().map_or(1.0, |counts| counts.value / reduction.way.by_speed);
    let scale = if scale.is_finite() && scale > 0.0 { scale } else { 1.0 };
    let mut before = Before::default();
    for (run, (input, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
        for step in input.summary.steps() {
            let in_step = |fill: &&super::fill::Fill| {
                let middle = (fill.gap.from_s + fill.gap.to_s) / 2.0;
                step.from.t < middle && middle <= step.to.t
            };
            let filled = fills.iter().filter(in_step);
            let (energy, distance) = filled.fold((0.0, 0.0), |(energy, distance), fill| {
                (energy + if fill.net().is_finite() { fill.net() } else { 0.0 }, distance + fill.distance[0])
            });
            before.elapsed += step.dt();
            before.energy += finite(step.net()) + energy;
            before.distance += scale * (finite(step.distance()) + distance);
            trail.points.push(TrailPoint {
                run,
                t: step.to.t,
                elapsed: before.elapsed,
                distance: before.distance,
                energy: before.energy,
                phase: step.phase(),
                leg: leg(&reduction.legs.turns, run, step.to.t),
                speed: scale * step.speed(),
                power: (step.net() - step.charged()) / step.dt(),
                soc: f64::from(step.to.soc[test.soc]),
                temperature: step.to.temperature.map(f64::from),
                is_observed: step.is_observed(),
            });
        }
    }
    trail
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

fn leg(turns: &[Turn], run: usize, t: f64) -> usize {
    turns.partition_point(|turn| (turn.run, turn.t) < (run, t))
}

#[cfg(test)]
mod tests {
    use crate::reduce::synthetic::{Car, Chance, Drive};
    use crate::reduce::{Options, reduce_and_trace};

    #[test]
    fn the_trail_ends_where_the_figures_say() {
        let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
        let gap = drive.run_with_gap("run=gap", drive.window(100.0, 0.0), Some(2_000..2_030));
        let (reduction, trail) = reduce_and_trace(&[gap], None, &Options::default());
        let end = trail.points.last().unwrap();
        let (energy, way) = (reduction.energy.net.unwrap().value, reduction.way.counting().unwrap().value);
        assert!((end.energy - energy).abs() < 1e-6 * energy, "{} {energy}", end.energy);
        assert!((end.distance - way).abs() < 1e-6 * way, "{} {way}", end.distance);
        assert!((end.elapsed - reduction.duration).abs() < 1e-6, "{} {}", end.elapsed, reduction.duration);
        assert!(trail.points.iter().any(|point| !point.is_observed), "the gap is known as one");
    }
}
