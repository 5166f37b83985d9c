//! Whether a turn that the plan asked for was taken, while no fix shows it and no person says so: both are kept in mind.
//!
//! Nobody turns at motorway speed: where the car did not slow down near the place, it went on. Decides nothing else.

use crate::course::{Course, Direction};
use crate::plan::outlook::Guess;

/// Slower than this near a place, the car may have turned there, m/s: common practice, no source.
const SLOW: f64 = 17.0;
/// Near a place: so many m beside what the place is uncertain to: common practice, no source.
const NEAR_M: f64 = 1_000.0;

/// The other place where the car may be.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Other {
    at: f64,
    direction: Direction,
    place: usize,
}

/// The turn that is watched for, and what may have come of it.
#[derive(Clone, Debug, Default)]
pub struct Doubt {
    planned: Option<usize>,
    /// The place that the car is near, and whether it was slow there.
    near: Option<(usize, bool)>,
    other: Option<Other>,
}

impl Doubt {
    /// The plan turns at this place next.
    pub fn plan(&mut self, turn: Option<usize>) {
        self.planned = turn;
    }

    /// Nothing is in doubt.
    pub fn clear(&mut self) {
        (self.planned, self.near, self.other) = (None, None, None);
    }

    /// Where the car is, and which way it drives, if it has turned at the last planned place.
    pub fn other(&self) -> Option<(f64, Direction, usize)> {
        self.other.map(|other| (other.at, other.direction, other.place))
    }

    /// Half of how far the two are apart, m.
    pub fn apart(&self, at: f64) -> f64 {
        self.other.map_or(0.0, |other| (other.at - at).abs() / 2.0)
    }

    /// Fixes follow one another: what was thought while there were none, and lies elsewhere, was not so.
    pub fn seen(&mut self, at: Guess) {
        self.near = None;
        self.other = self.other.take().filter(|other| (other.at - at.mean).abs() < 500.0 + 5.0 * at.u);
    }

    /// Drives on without a fix: from where the car is thought to be, so far along the road.
    pub fn step(&mut self, course: &Course, (at, direction): (Guess, Direction), way: f64, speed: Option<f64>) {
        if let Some(other) = &mut self.other {
            let ends = course.places.first().zip(course.places.last());
            other.at += other.direction.sign() * way;
            // Past the end of the course it cannot be.
            if !ends.is_some_and(|(low, high)| (low.at.0 - NEAR_M..high.at.0 + NEAR_M).contains(&other.at)) {
                self.other = None;
            }
            return;
        }
        let reach = NEAR_M + 2.0 * at.u;
        if let Some(planned) = self.planned.filter(|_| self.near.is_none())
            && course.places.get(planned).is_some_and(|place| (place.at.0 - at.mean).abs() < reach)
        {
            self.near = Some((planned, false));
        }
        let Some((index, slow)) = self.near else { return };
        let Some(place) = course.places.get(index) else { return };
        let slow = slow || speed.is_none_or(|speed| speed < SLOW);
        self.near = Some((index, slow));
        let past = (at.mean - place.at.0) * direction.sign();
        let length = place.turn(direction).map_or(0.0, |turn| turn.length.0);
        if past > reach || past > length / 2.0 && at.mean >= course.places.last().map_or(0.0, |last| last.at.0) {
            self.near = None;
            self.planned = None;
            let back = (past - length).max(0.0);
            self.other = slow.then(|| Other {
                at: place.at.0 - direction.sign() * back,
                direction: direction.turned(),
                place: index,
            });
        }
    }
}
