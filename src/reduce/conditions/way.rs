//! The driven way second by second: true speed, direction of the road, energy; and blocks of it for regression.
//!
//! The speed of the wheels is brought to the scale of the distance that counts. Directions come from the satellite fixes and
//! are missing without them. Corrects nothing for the air.

use crate::ledger::Phase;
use crate::reduce::fold::Second;
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
    let scale = way.counting().map_or(1.0, |counting| counting.value / way.by_speed);
    let scale = if scale.is_finite() { scale } else { 1.0 };
    let mut pieces = Vec::new();
    for (run, input) in test.runs.iter().enumerate() {
        let seconds = &input.summary.seconds;
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
                    heading: heading(seconds, at),
                });
            }
        }
    }
    pieces
}

fn heading(seconds: &[Second], at: usize) -> f64 {
    let from = seconds[at.saturating_sub(BASE)].position;
    let to = seconds[(at + BASE).min(seconds.len() - 1)].position;
    let (north, east) = offset(from, to);
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

/// How far the way leans to one direction, 0 (as much back as out) to 1 (one way), and the direction of its main axis, rad.
/// `None` where less than half of it has a direction.
pub(super) fn axis(pieces: &[Piece]) -> Option<(f64, f64)> {
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
    let axis = doubled.1.atan2(doubled.0) / 2.0;
    let lean: f64 = known().map(|piece| (piece.heading - axis).cos() * piece.distance).sum();
    Some((lean.abs() / there, axis))
}

/// A block of steady driving.
#[derive(Clone, Copy, Debug)]
pub struct Block {
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
        let block = Block {
            distance,
            time,
            net: inside.iter().map(|piece| piece.net).sum(),
            speed: distance / time,
            speed_squared: mean(&|piece| piece.speed * piece.speed),
            kinetic: (end.speed * end.speed - start.speed * start.speed) / 2.0,
            along: mean(&|piece| (piece.heading - axis).cos()),
            air_squared: mean(&air_squared),
            rise: height(fixes, end.t) - height(fixes, start.t - start.dt),
        };
        if block.net > 0.0 {
            blocks.push(block);
        }
    }
    blocks
}
