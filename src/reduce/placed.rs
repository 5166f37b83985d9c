//! The drive where it was: the fixes that are believed, each with energy, distance and state of charge so far.
//!
//! For those who ask for positions. Formed from the same runs as the figures, so that the track ends where they say. Trims and
//! thins nothing, and has no place for a run out of a bundle.

use super::ground;
use super::input::RunInput;
use super::reduction::{Options, with_test};
use super::trail::{self, TrailPoint};
use crate::card::Card;
use crate::time::{Span, WallClock};

/// A place of the drive; NaN is 'not known'.
#[derive(Clone, Copy, Debug)]
pub struct Placed {
    /// In which of the reduction's runs.
    pub run: usize,
    /// When, s of run time.
    pub t: f64,
    /// When, if any clock said so.
    pub utc: Option<WallClock>,
    /// Degrees north and east, WGS84.
    pub position: (f64, f64),
    /// Height above mean sea level, m.
    pub altitude: f64,
    /// Time in the runs so far, s.
    pub elapsed: f64,
    /// Distance so far, m, at the scale of the distance that counts.
    pub distance: f64,
    /// Net energy so far, J, outside charging.
    pub energy: f64,
    /// The state of charge that counts, percent.
    pub soc: f64,
}

/// Every fix that is believed and has a place, and the names of the runs in their order.
pub fn of(runs: &[RunInput], card: Option<&Card>, options: &Options) -> (Vec<Placed>, Vec<String>) {
    with_test(runs, card, options, |test, reduction| {
        let trail = trail::of(test, reduction).points;
        let mut placed = Vec::new();
        for (number, (run, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
            let from = trail.partition_point(|point| point.run < number);
            let to = trail.partition_point(|point| point.run <= number);
            let (before, own) = (from.checked_sub(1).map(|at| &trail[at]), &trail[from..to]);
            if run.unplaced.is_some() {
                continue;
            }
            ground::line(run, fills, |fix| {
                let Some(at) = between(before, own, fix.t) else { return };
                placed.push(Placed {
                    run: number,
                    t: fix.t,
                    utc: run.start.map(|start| start + Span::from_seconds(fix.t)),
                    position: (fix.latitude, fix.longitude),
                    altitude: f64::from(fix.altitude),
                    ..at
                });
            });
        }
        (placed, test.runs.iter().map(|run| run.name.clone()).collect())
    })
}

/// The trail at a moment of a run: linear in between two of its points.
fn between(before: Option<&TrailPoint>, own: &[TrailPoint], t: f64) -> Option<Placed> {
    let after = own.partition_point(|point| point.t < t).min(own.len().checked_sub(1)?);
    let (b, a) = (&own[after], after.checked_sub(1).map(|at| &own[at]));
    // Before the first point of a run stands the last of the run before it.
    let (t0, elapsed, distance, energy) = match (a, before) {
        (Some(a), _) => (a.t, a.elapsed, a.distance, a.energy),
        (None, Some(before)) => (0.0, before.elapsed, before.distance, before.energy),
        (None, None) => (0.0, 0.0, 0.0, 0.0),
    };
    let share = if b.t > t0 { ((t - t0) / (b.t - t0)).clamp(0.0, 1.0) } else { 1.0 };
    let along = |from: f64, to: f64| from + (to - from) * share;
    Some(Placed {
        run: b.run,
        t,
        utc: None,
        position: (f64::NAN, f64::NAN),
        altitude: f64::NAN,
        elapsed: along(elapsed, b.elapsed),
        distance: along(distance, b.distance),
        energy: along(energy, b.energy),
        soc: b.soc,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geodesy::geodesic;
    use crate::reduce::reduce;
    use crate::reduce::rehearsed::{COURSE, SCENARIO, run};

    #[test]
    fn the_track_is_the_drive() {
        let (drive, _) = run(SCENARIO, COURSE);
        let options = Options::default();
        let reduction = reduce(std::slice::from_ref(&drive), None, &options);
        let (placed, names) = of(std::slice::from_ref(&drive), None, &options);
        assert_eq!(names, ["rehearsed"]);
        assert!(placed.len() > 500 && placed.is_sorted_by(|a, b| a.t < b.t && a.distance <= b.distance));
        // The length of the line through its places is the distance, and what it says at the end are the figures.
        let line: f64 = placed.windows(2).map(|pair| geodesic(pair[0].position, pair[1].position)).sum();
        let (way, energy) = (reduction.way.counting().unwrap().value, reduction.energy.net.unwrap().value);
        let end = placed.last().unwrap();
        assert!((line / way - 1.0).abs() < 0.02, "{line} {way}");
        assert!((end.distance / way - 1.0).abs() < 1e-3 && (end.energy / energy - 1.0).abs() < 1e-3);
    }
}
