//! Hold: how well the drive stayed at the target speed, by the wheels' speed brought to the truth by the satellites.
//!
//! What lay outside the tolerance is told by why: a turn, a stop, a stretch of the course with a speed of its own, traffic,
//! too fast. Needs the card's target; without one there is no such figure. Judges no driver.

mod judge;

use super::energy::Totals;
use super::estimate::Estimate;
use super::ground::Ground;
use super::legs::Legs;
use super::mass;
use super::portion::Portion;
use super::reduction::Test;
use super::sources;
use super::way::Way;
use crate::card::{Card, LeftOutKind};
pub use judge::Why;
use judge::{Judge, Judged};

/// The tolerance where the card gives none, m/s (2 km/h): common practice, no source.
const TOLERANCE: f64 = 2.0 / 3.6;
/// A car of unknown mass is held to be of this mass when its speed at the ends of stretches is reckoned with, kg: common
/// practice, no source.
const MASS_KG: f64 = 2_000.0;
/// What becomes of a change of kinetic energy in the drive train, in parts: common practice, no source.
const KINETIC_U: f64 = 0.2;

/// What was outside.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Outside {
    /// Why.
    pub why: Why,
    /// Time, s.
    pub seconds: f64,
    /// Distance, m.
    pub metres: f64,
    /// Whether it is left out of the shares, the mean and the spread.
    pub left_out: bool,
}

/// How the target was held.
#[derive(Clone, PartialEq, Debug)]
pub struct Held {
    /// Target and tolerance, m/s.
    pub target: f64,
    /// See `target`.
    pub tolerance: f64,
    /// Whether the card gave the tolerance.
    pub tolerance_by_card: bool,
    /// Whether the speed is brought to the truth by the satellites; else it is the wheels'.
    pub corrected: bool,
    /// Share of the distance that counts here within the tolerance.
    pub share_of_distance: Estimate,
    /// Share of its time.
    pub share_of_time: Estimate,
    /// Mean speed of what counts here, m/s.
    pub mean: Estimate,
    /// Standard deviation of its speed from second to second, m/s.
    pub spread: f64,
    /// Distance, m, and time, s, of the longest stretch held.
    pub longest: (f64, f64),
    /// What was outside, or left out by the card.
    pub outside: Vec<Outside>,
    /// Energy per distance over the held stretches alone, what the speed at their ends holds taken off, J/m.
    pub consumption: Option<Estimate>,
    /// Whether that rests on the card's masses; else the speed at the ends is its uncertainty.
    pub mass_known: bool,
    /// Every second of the drive whose speed is known.
    pub seconds: Vec<Driven>,
}

/// A second of the drive.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Driven {
    /// Its speed, m/s, brought to the truth as the shares are.
    pub speed: f64,
    /// Its distance, m.
    pub metres: f64,
    /// Left out of the shares, the mean and the spread.
    pub left_out: bool,
}

/// The figures, or why there are none.
#[derive(Clone, PartialEq, Debug)]
pub enum Hold {
    /// How the target was held.
    Held(Box<Held>),
    /// Why that is not known.
    NotKnown(&'static str),
}

impl Hold {
    /// The figures, if there are any.
    pub fn held(&self) -> Option<&Held> {
        match self {
            Self::Held(held) => Some(held),
            Self::NotKnown(_) => None,
        }
    }
}

/// Whether the card leaves a kind out.
fn is_left_out(card: &Card, why: Why) -> bool {
    let named = |kind: LeftOutKind| card.driving.leave_out.contains(&kind);
    match why {
        Why::Turn => named(LeftOutKind::Turn),
        Why::Stop => named(LeftOutKind::Stop),
        Why::Traffic => named(LeftOutKind::Traffic),
        // The course or the card asks for something else there, or nothing is known.
        Why::Course | Why::Card | Why::Unknown => true,
        Why::Above => false,
    }
}

pub(super) fn of(test: &Test<'_>, ground: &Ground, way: &Way, legs: &Legs, totals: &Totals) -> Hold {
    let Some(card) = test.card else { return Hold::NotKnown("there is no test card: driving.target is needed") };
    let Some(target) = card.driving.target else { return Hold::NotKnown("the card lacks driving.target") };
    let Some(scale) = way.scale.as_ref() else { return Hold::NotKnown("there is no wheel speed") };
    let tolerance = card.driving.tolerance.map_or(TOLERANCE, |tolerance| tolerance.0);
    let mut judged =
        Judge { test, legs, ground, target: target.0, tolerance, scale: scale.value, scale_u: scale.u() }.all();
    let left_out = |why: Why| is_left_out(card, why);
    let Some(shares) = Shares::of(&judged, left_out) else { return Hold::NotKnown("the car never drove") };
    let outside = judged.outside.iter().filter(|(_, part)| part.seconds > 0.0).map(|(why, part)| Outside {
        why: *why,
        seconds: part.seconds,
        metres: part.metres * scale.value,
        left_out: left_out(*why),
    });
    // In the memory of what was judged, second by second.
    let driven = std::mem::take(&mut judged.seconds).into_iter().map(|(why, speed, metres)| Driven {
        speed,
        metres: metres * scale.value,
        left_out: why.is_some_and(left_out),
    });
    let seconds = driven.collect();
    let (consumption, mass_known) = consumption(test, way, totals, &judged, scale.value);
    let by_scale = |share: Share| {
        let source = if way.calibrated { sources::SATELLITE_SPEED } else { sources::SPEED_SCALE };
        Estimate::exact(share.value).with_b(source, share.u)
    };
    Hold::Held(Box::new(Held {
        target: target.0,
        tolerance,
        tolerance_by_card: card.driving.tolerance.is_some(),
        corrected: way.calibrated,
        share_of_distance: by_scale(shares.distance),
        share_of_time: by_scale(shares.time),
        mean: scale.scale(shares.mean / scale.value),
        spread: shares.spread,
        longest: (judged.longest.0 * scale.value, judged.longest.1),
        outside: outside.collect(),
        consumption,
        mass_known,
        seconds,
    }))
}

/// A share and its standard uncertainty by the scale of the speed.
#[derive(Clone, Copy)]
struct Share {
    value: f64,
    u: f64,
}

struct Shares {
    distance: Share,
    time: Share,
    mean: f64,
    spread: f64,
}

impl Shares {
    fn of(judged: &Judged, left_out: impl Fn(Why) -> bool) -> Option<Self> {
        let outside = judged.outside.iter().filter(|(why, _)| !left_out(*why));
        let all = outside.fold(judged.held[0], |sum, (_, part)| sum.plus(part));
        if all.seconds <= 0.0 || all.metres <= 0.0 {
            return None;
        }
        let share = |of: fn(&judge::Part) -> f64| {
            let [value, low, high] = judged.held.each_ref().map(|held| (of(held) / of(&all)).min(1.0));
            // It may fall either way: where the speed lies in the middle of the tolerance it does both ways.
            Share { value, u: (low - value).abs().max((high - value).abs()) }
        };
        let mean = all.speed / all.seconds;
        let spread = (all.speed_squared / all.seconds - mean * mean).max(0.0).sqrt();
        Some(Self { distance: share(|part| part.metres), time: share(|part| part.seconds), mean, spread })
    }
}

/// Energy per distance over the held stretches, J/m, and whether the mass is the card's.
fn consumption(test: &Test<'_>, way: &Way, totals: &Totals, judged: &Judged, scale: f64) -> (Option<Estimate>, bool) {
    let mass = mass::of(test.card);
    let known = mass.is_some();
    let portion: &Portion = &judged.portion;
    // Half the gain of the speed's square from each stretch's start to its end, J/kg.
    let gained = judged.half_squares * scale * scale;
    let energy = portion.energy(test, totals).filter(|_| portion.wheels > 0.0);
    let energy = energy.map(|energy| match mass {
        Some(mass) => {
            let kinetic = mass.scale(gained);
            let u = kinetic.value * KINETIC_U;
            energy.sub(&kinetic).with_b(sources::KINETIC, u)
        }
        None => energy.with_b(sources::KINETIC, MASS_KG * gained),
    });
    (energy.and_then(|energy| energy.ratio(&portion.distance(way)?)), known)
}

#[cfg(test)]
mod tests;
