//! The driven way second by second: true speed, direction of the road, energy; and blocks of it for regression.
//!
//! The speed of the wheels is brought to the scale of the distance that counts. Directions come from the satellite fixes and
//! are missing without them. Corrects nothing for the air.

use serde::{Deserialize, Serialize};

use crate::ledger::Phase;
use crate::reduce::input::Fix;
use crate::reduce::reduction::Test;
use crate::reduce::way::Way;

/// A direction is taken between fixes this far before and after, in seconds of the trace.
const BASE: usize = 5;
/// They must lie at least so far apart, m.
const BASE_MIN_M: f64 = 20.0;
/// Radius of a sphere, m: good enough for directions.
const EARTH_M: f64 = 6_371_000.0;
/// A height is the mean of the fixes within this time, s.
const HEIGHT_S: f64 = 8.0;

/// What a wind needs to know of a way's directions: sums, from which no line can be drawn.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Directions {
    /// Way whose direction is known, m; what is driven slower than 7 m/s left out, where wind hardly counts.
    pub known: f64,
    /// Over it, speed times way along the main axis of the road and to the right of it, m²/s.
    pub along: f64,
    /// See `along`.
    pub across: f64,
}

/// Slower driving is left out of [`Directions`], m/s. Faster than any wind that is restated, so that air never comes from behind.
const SLOW: f64 = 7.0;

impl Directions {
    /// Of some driving, on a road with a main axis.
    pub fn of<'a>(pieces: impl IntoIterator<Item = &'a Piece>, axis: f64) -> Self {
        let known = pieces.into_iter().filter(|piece| piece.speed >= SLOW && (piece.heading - axis).is_finite());
        known.fold(Self::default(), |sum, piece| {
            let (sine, cosine) = (piece.heading - axis).sin_cos();
            let flow = piece.speed * piece.distance;
            Self {
                known: sum.known + piece.distance,
                along: sum.along + flow * cosine,
                across: sum.across + flow * sine,
            }
        })
    }

    /// Both together.
    pub fn plus(&self, other: &Self) -> Self {
        Self { known: self.known + other.known, along: self.along + other.along, across: self.across + other.across }
    }

    /// The same way driven faster by a factor.
    pub fn faster(&self, by: f64) -> Self {
        Self { along: self.along * by, across: self.across * by, ..*self }
    }
}

/// A second of driving.
#[derive(Clone, Copy, Debug)]
pub struct Piece {
    /// The run's place.
    pub run: usize,
    /// Its end, s of run time.
    pub t: f64,
    /// s.
    pub dt: f64,
    /// m.
    pub distance: f64,
    /// m/s.
    pub speed: f64,
    /// Net energy out of the pack, J.
    pub net: f64,
    /// Direction of travel, rad from north over east; NaN where not known.
    pub heading: f64,
}

/// Every second in which the car drove and its power was observed.
pub(super) fn pieces(test: &Test<'_>, way: &Way) -> Vec<Piece> {
    let scale = way.counted_per_wheel().filter(|scale| scale.is_finite()).unwrap_or(1.0);
    let mut pieces = Vec::new();
    for (run, input) in test.runs.iter().enumerate() {
        let positions = &input.summary.positions;
        for (at, step) in input.summary.steps().enumerate() {
            let distance = step.distance() * scale;
            if step.phase() == Phase::Drive && step.is_observed() && distance > 0.0 && step.dt() > 0.0 {
                pieces.push(Piece {
                    run,
                    t: step.to.t,
                    dt: step.dt(),
                    distance,
                    speed: distance / step.dt(),
                    net: step.net(),
                    heading: heading(positions, at),
                });
            }
        }
    }
    pieces
}

fn heading(positions: &[(f64, f64)], at: usize) -> f64 {
    let last = positions.len().saturating_sub(1);
    let ends = positions.get(at.saturating_sub(BASE)).zip(positions.get((at + BASE).min(last)));
    let Some((from, to)) = ends.filter(|(from, to)| from.0.is_finite() && to.0.is_finite()) else { return f64::NAN };
    let (north, east) = offset(*from, *to);
    if north.hypot(east) >= BASE_MIN_M { east.atan2(north) } else { f64::NAN }
}

/// From one place to another near it, m north and m east.
fn offset(from: (f64, f64), to: (f64, f64)) -> (f64, f64) {
    let east = (to.1 - from.1 + 540.0).rem_euclid(360.0) - 180.0;
    let north = (to.0 - from.0).to_radians() * EARTH_M;
    (north, east.to_radians() * EARTH_M * from.0.to_radians().cos())
}

/// Mean height of the fixes around a moment, m; NaN without any.
pub(super) fn height(fixes: &[Fix], t: f64) -> f64 {
    let from = fixes.partition_point(|fix| fix.t < t - HEIGHT_S);
    let near = fixes[from..].iter().take_while(|fix| fix.t <= t + HEIGHT_S).map(|fix| f64::from(fix.altitude));
    let (sum, count) = near.filter(|m| m.is_finite()).fold((0.0, 0.0), |(sum, count), m| (sum + m, count + 1.0));
    sum / count
}

/// The direction of the main axis of the road, rad; `None` where less than half of the way has a direction.
pub(super) fn axis(test: &Test<'_>, pieces: &[Piece]) -> Option<f64> {
    if let Some(unplaced) = test.runs.iter().find_map(|run| run.unplaced.as_ref()) {
        return unplaced.sums.directions.axis;
    }
    let known = || pieces.iter().filter(|piece| piece.heading.is_finite());
    let all: f64 = pieces.iter().map(|piece| piece.distance).sum();
    let there: f64 = known().map(|piece| piece.distance).sum();
    if there < all / 2.0 {
        return None;
    }
    // An axis is the mean direction of doubled angles.
    let doubled = known().fold((0.0, 0.0), |(x, y), piece| {
        let (sin, cos) = (2.0 * piece.heading).sin_cos();
        (x + cos * piece.distance, y + sin * piece.distance)
    });
    Some(doubled.1.atan2(doubled.0) / 2.0)
}

/// The directions of each run's driving, as far as it counts.
pub(super) fn directions(
    test: &Test<'_>,
    pieces: &[Piece],
    axis: f64,
    counts: impl Fn(&Piece) -> bool,
) -> Vec<Directions> {
    let of = |run: usize| Directions::of(pieces.iter().filter(|piece| piece.run == run && counts(piece)), axis);
    (0..test.runs.len()).map(of).collect()
}

/// A block of steady driving.
#[derive(Clone, Copy, Debug)]
pub struct Block {
    /// The run's place, and its end, s of run time.
    pub end: (usize, f64),
    /// m.
    pub distance: f64,
    /// s.
    pub time: f64,
    /// Net energy out of the pack, J.
    pub net: f64,
    /// Mean and mean square of the speed, m/s.
    pub speed: f64,
    /// See `speed`.
    pub speed_squared: f64,
    /// Change of half the squared speed, m²/s².
    pub kinetic: f64,
    /// Cosine of the direction to an axis; NaN where not known.
    pub along: f64,
    /// Mean squared speed of the air along the road in the wind that the card gives, m²/s².
    pub air_squared: f64,
    /// Rise, m; NaN where not known.
    pub rise: f64,
}

/// Length of a block, s.
const BLOCK_S: f64 = 30.0;
/// Slower is no steady driving, m/s; and a change of speed above this share of it is none.
const SPEED_MIN: f64 = 6.0;
const CHANGE: f64 = 0.08;

/// Blocks of steady driving that took energy.
pub(super) fn blocks(test: &Test<'_>, pieces: &[Piece], axis: f64, air_squared: impl Fn(&Piece) -> f64) -> Vec<Block> {
    let mut blocks = Vec::new();
    let mut from = 0;
    while from < pieces.len() {
        let start = pieces[from];
        let mut to = from + 1;
        while to < pieces.len()
            && pieces[to].run == start.run
            && (pieces[to].t - pieces[to - 1].t - pieces[to].dt).abs() < 0.5
            && pieces[to].t - start.t < BLOCK_S - 0.5
        {
            to += 1;
        }
        let inside = &pieces[from..to];
        from = to;
        let end = inside[inside.len() - 1];
        let time: f64 = inside.iter().map(|piece| piece.dt).sum();
        let steady = inside.iter().all(|piece| piece.speed >= SPEED_MIN)
            && inside.iter().all(|piece| (piece.speed / start.speed - 1.0).abs() <= CHANGE);
        if time < BLOCK_S * 0.8 || !steady {
            continue;
        }
        let distance: f64 = inside.iter().map(|piece| piece.distance).sum();
        let mean = |of: &dyn Fn(&Piece) -> f64| inside.iter().map(|p| of(p) * p.distance).sum::<f64>() / distance;
        let fixes = &test.runs[start.run].fixes;
        let stored = test.runs[start.run].unplaced.as_ref();
        let stored =
            stored.and_then(|unplaced| unplaced.sums.directions.steady.iter().find(|steady| steady.t == end.t));
        let block = Block {
            end: (end.run, end.t),
            distance,
            time,
            net: inside.iter().map(|piece| piece.net).sum(),
            speed: distance / time,
            speed_squared: mean(&|piece| piece.speed * piece.speed),
            kinetic: (end.speed * end.speed - start.speed * start.speed) / 2.0,
            along: stored.map_or_else(|| mean(&|piece| (piece.heading - axis).cos()), |steady| steady.along),
            air_squared: stored.map_or_else(|| mean(&air_squared), |steady| steady.air_squared),
            rise: height(fixes, end.t) - height(fixes, start.t - start.dt),
        };
        if block.net > 0.0 {
            blocks.push(block);
        }
    }
    blocks
}
