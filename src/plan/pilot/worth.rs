//! Whether a test is still worth driving: what the finished figure would be, and what already spoils its comparison.
//!
//! Measures nothing itself: it sums up what the drive has shown after each pair of legs.

use super::recent::Recent;
use crate::format;
use crate::plan::outlook::Guess;
use crate::plan::picture::Worth;
use crate::quantity::MetrePerSecond;

/// Held for less than this of the time, a test says little about the target speed.
const HELD_MIN: f64 = 0.90;
/// Above this wind along the road, m/s, and outside these temperatures, degC, no figure is restated: as in `conditions`.
const WIND_MAX: f64 = 5.0;
const TEMPERATURES: [f64; 2] = [5.0, 30.0];
/// Drag's share of the energy at motorway speed: common practice, no source.
const DRAG_SHARE: f64 = 0.6;
/// More than this share of the time unobserved.
const UNOBSERVED_MAX: f64 = 0.01;

/// What the judgement needs.
#[derive(Clone, Debug)]
pub struct Facts<'a> {
    /// What was driven.
    pub recent: &'a Recent,
    /// Energy until displayed 0, J, and distance, m.
    pub left: Option<(Guess, Guess)>,
    /// The test began full.
    pub from_full: bool,
    /// Energy per distance out and back on the level, J/m.
    pub ahead: [Guess; 2],
    /// Speed, m/s.
    pub speed: f64,
    /// Least and most outside temperature, degC.
    pub degc: Option<(f64, f64)>,
    /// Time unobserved, s.
    pub unobserved: f64,
    /// Degrees of freedom.
    pub dof: f64,
}

/// The judgement; `None` before the first pair of legs.
pub fn of(facts: &Facts<'_>) -> Option<Worth> {
    let pairs = facts.recent.pairs();
    let driven = facts.recent.test.distance;
    if pairs == 0 || driven <= 0.0 {
        return None;
    }
    let so_far = facts.recent.test.energy / driven;
    let mean = (facts.ahead[0].mean + facts.ahead[1].mean) / 2.0;
    let u = facts.ahead[0].u.max(facts.ahead[1].u);
    let (per_metre, range) = match facts.left {
        Some((energy, distance)) => {
            let whole = driven + distance.mean;
            let share = distance.mean / whole;
            let value = (facts.recent.test.energy + energy.mean) / whole;
            let range = facts.from_full.then(|| Guess::new(whole, distance.u));
            (Guess::new(value, share * u), range)
        }
        None => (Guess::new(so_far, u.min((so_far - mean).abs().max(0.02 * so_far))), None),
    };
    Some(Worth { pairs, per_metre, range, dof: facts.dof, spoiled: spoiled(facts, mean) })
}

fn spoiled(facts: &Facts<'_>, mean: f64) -> Vec<String> {
    let mut spoiled = Vec::new();
    let percent = |share: f64| format!("{} %", format::significant(100.0 * share, 2));
    let test = &facts.recent.test;
    if let Some(share) = facts.recent.hold().and(test.share()).filter(|share| *share < HELD_MIN) {
        spoiled.push(format!("The target speed was held for {} of the time driven, less than 90 %.", percent(share)));
    }
    let wind = along(facts, mean);
    if wind > WIND_MAX {
        let kmh = format::significant(MetrePerSecond(wind).kmh(), 2);
        spoiled.push(format!("Out and back differ as in a wind of {kmh} km/h along the road, more than 18 km/h."));
    }
    if test.stops > 0 {
        let times = if test.stops == 1 { "once".into() } else { format!("{} times", test.stops) };
        spoiled.push(format!("The car stopped {times} on the way."));
    }
    if let Some((low, high)) = facts.degc {
        if low < TEMPERATURES[0] {
            spoiled.push(format!("It is {} degC outside, colder than 5 degC.", format::significant(low, 2)));
        }
        if high > TEMPERATURES[1] {
            spoiled.push(format!("It is {} degC outside, warmer than 30 degC.", format::significant(high, 2)));
        }
    }
    let unobserved = facts.unobserved / test.time.max(1.0);
    if unobserved > UNOBSERVED_MAX {
        spoiled.push(format!("The pack's power was unobserved for {} of the time.", percent(unobserved)));
    }
    spoiled
}

/// Wind along the road, m/s, as the difference of the directions tells it: with and against it the drag of a share s of the
/// energy at the speed v differs by s 4 w / v.
fn along(facts: &Facts<'_>, mean: f64) -> f64 {
    let [out, back] = facts.ahead;
    // Only what the difference surely exceeds.
    let surely = ((out.mean - back.mean).abs() - (out.u * out.u + back.u * back.u).sqrt()).max(0.0);
    surely / mean * facts.speed / (4.0 * DRAG_SHARE)
}
