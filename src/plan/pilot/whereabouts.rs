//! Where the car is along the course and which way it drives: by fixes, else by the distance driven since; turns from the change of
//! position along the course, or from a person's mark. Never from a heading.
//!
//! Does not plan. Without a fix the uncertainty grows with every metre.

use std::sync::Arc;

use super::along::Line;
use super::doubt::Doubt;
use super::ratio::Ratio;
use super::tally::Step;
use crate::course::{Course, Direction};
use crate::geodesy::{Position, geodesic};
use crate::ledger::TraceRow;
use crate::plan::outlook::Guess;
use crate::plan::picture::{KnownBy, Whereabouts};
use crate::plan::turning::Here;
use crate::quantity::Metre;

/// A charger may lie so far beside its place along the road, m: common practice, no source.
const CHARGER_M: f64 = 300.0;
/// The car has turned when it has come back this far, m: more than a fix errs.
const TURNED_M: f64 = 150.0;
/// Whoever has just turned does not turn again within this distance, m: common practice, no source.
const AGAIN_M: f64 = 1_500.0;
/// A mark of a turn within this distance of a turn that was seen means the same one, m: common practice, no source.
const SAME_M: f64 = 4_000.0;
/// A car that starts without a fix stands at its charger, give or take this much, m.
const START_U_M: f64 = 100.0;
/// A receiver that says the same position while the car drives on this far is stuck, m.
const STUCK_M: f64 = 80.0;
/// So many fixes in a row must contradict what was thought before they are believed.
const CONTRADICT: u32 = 3;
/// Whoever drives this far beside the course is not on it, m: a turn's way is shorter.
const OFF_M: f64 = 3_000.0;
/// A person marks a turn within this distance of it, m, as the half-width of a rectangle: common practice, no source.
const MARK_M: f64 = 300.0;

/// A turn that was taken.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Turned {
    /// The direction before it.
    pub from: Direction,
}

/// Where the car is, step by step.
#[derive(Clone, Debug)]
pub struct Tracker {
    course: Arc<Course>,
    line: Line,
    at: Guess,
    direction: Direction,
    /// The direction is known: the car has moved, or a person said so.
    sure: bool,
    by: KnownBy,
    /// Farthest position in this direction since it was taken.
    extreme: f64,
    /// Driven since the last turn, m, and the place of it.
    since_turn: f64,
    turned_at: Option<usize>,
    /// Way of a turn still to be driven before the road goes on, m.
    turning: f64,
    /// Distance along the course per wheel distance, and over the ground.
    along: Ratio,
    ground: Ratio,
    last_fix: Option<Position>,
    stretch_from: Option<f64>,
    ground_from: Option<Position>,
    same: f64,
    contradicts: u32,
    /// The base of the uncertainty, and what was driven since.
    base_u: f64,
    since_fix: f64,
    /// Driven while fixes lay off the course, m.
    off_course: f64,
    doubt: Doubt,
}

impl Tracker {
    /// At the start of a test: at the first charger, driving away from the nearer end of the course.
    pub fn new(course: Arc<Course>) -> Self {
        let places = &course.places;
        let start = places.iter().position(|place| place.charger.is_some()).unwrap_or(0);
        let at = places.get(start).map_or(0.0, |place| place.at.0);
        let direction = if start + 1 == places.len() { Direction::Back } else { Direction::Out };
        Self {
            line: Line::of(&course),
            at: Guess::new(at, START_U_M),
            direction,
            sure: false,
            by: KnownBy::Distance,
            extreme: at,
            since_turn: f64::INFINITY,
            turned_at: None,
            turning: 0.0,
            along: Ratio::default(),
            ground: Ratio::default(),
            last_fix: None,
            stretch_from: None,
            ground_from: None,
            same: 0.0,
            contradicts: 0,
            base_u: START_U_M,
            since_fix: 0.0,
            off_course: 0.0,
            doubt: Doubt::default(),
            course,
        }
    }

    /// Over the ground per wheel distance.
    pub fn ground(&self) -> Guess {
        self.ground.guess()
    }

    /// Which way it drives.
    pub fn direction(&self) -> Direction {
        self.direction
    }

    /// As the picture shows it; `None` where fixes say that it is not on the course at all.
    pub fn shown(&self) -> Option<Whereabouts> {
        let u = self.at.u.hypot(self.doubt.apart(self.at.mean));
        let shown = Whereabouts { at: Metre(self.at.mean), direction: self.direction, u, by: self.by };
        (self.off_course < OFF_M).then_some(shown)
    }

    /// Distance along the road, m.
    pub fn at(&self) -> f64 {
        self.at.mean
    }

    /// What the doubt needs to know: a turn that was said and may have been taken unseen.
    pub fn planned(&mut self, turn: Option<usize>) {
        self.doubt.plan(turn);
    }

    /// Every place where the car may be, the likeliest first, and the place that is just behind it, at which nothing may be done.
    pub fn heres(&self) -> impl Iterator<Item = (Here, Option<usize>)> {
        let own = self.here(self.at.mean, self.direction, self.turned_at.filter(|_| self.since_turn < AGAIN_M));
        let other = self.doubt.other().map(|(at, direction, place)| self.here(at, direction, Some(place)));
        std::iter::once(own).chain(other)
    }

    /// A place that the car has not clearly passed is still ahead of it: a turn's own way leads past its place and back.
    fn here(&self, at: f64, direction: Direction, turned_at: Option<usize>) -> (Here, Option<usize>) {
        let sign = direction.sign();
        let places = &self.course.places;
        let mut here = at;
        if let Some(place) = turned_at.and_then(|place| places.get(place)) {
            // Just turned there: the car is on its way back from it, and no nearer than it.
            if (at - place.at.0) * sign < 0.0 {
                here = place.at.0;
            }
            return (Here { at: Metre(here), direction }, turned_at);
        }
        for place in places {
            let past = (at - place.at.0) * sign;
            let room = place.turn(direction).map_or(0.0, |turn| turn.length.0 / 2.0);
            // Its stalls lie somewhere about it.
            let room = if place.charger.is_some() { room.max(CHARGER_M) } else { room };
            if past > 0.0 && past <= room.min(1_000.0) + 3.0 * self.at.u.min(100.0) {
                here = place.at.0;
            }
        }
        (Here { at: Metre(here), direction }, None)
    }

    /// A step of the drive; says whether a turn was seen.
    pub fn step(&mut self, step: &Step, row: &TraceRow) -> Option<Turned> {
        let wheel = step.wheel.unwrap_or(0.0);
        self.along.wheel(wheel);
        self.ground.wheel(wheel);
        self.since_turn += wheel;
        self.since_fix += wheel;
        self.reckon(wheel);
        let turned = match self.fix(wheel, row) {
            Some(fix) => {
                self.learn_ground(fix);
                match self.line.find(fix, Some(self.at)) {
                    Some(found) => {
                        self.off_course = 0.0;
                        self.found(found)
                    }
                    None => {
                        self.off_course += wheel;
                        None
                    }
                }
            }
            None => {
                self.doubt_on(wheel, step.speed);
                None
            }
        };
        if self.since_fix > STUCK_M {
            self.by = KnownBy::Distance;
        }
        turned
    }

    /// Without looking: on along the road.
    fn reckon(&mut self, wheel: f64) {
        let ratio = self.along.guess();
        let ends = self.course.places.first().zip(self.course.places.last());
        let (low, high) = ends.map_or((0.0, 0.0), |(first, last)| (first.at.0, last.at.0));
        let way = (wheel * ratio.mean - self.turning).max(0.0);
        self.turning = (self.turning - wheel * ratio.mean).max(0.0);
        let at = (self.at.mean + self.direction.sign() * way).clamp(low, high);
        self.at = Guess::new(at, self.base_u.hypot(ratio.u * self.since_fix));
    }

    /// The row's fix, unless it is none or the receiver is stuck.
    fn fix(&mut self, wheel: f64, row: &TraceRow) -> Option<Position> {
        let fix = (row.latitude_deg, row.longitude_deg);
        let sound = fix.0.abs() <= 90.0 && fix.1.abs() <= 540.0;
        if !sound {
            self.last_fix = None;
            return None;
        }
        self.same = if self.last_fix == Some(fix) { self.same + wheel } else { 0.0 };
        self.last_fix = Some(fix);
        (self.same < STUCK_M).then_some(fix)
    }

    /// Chords of some hundred metres are as long as the road but for its bends.
    fn learn_ground(&mut self, fix: Position) {
        match self.ground_from {
            Some(from) if self.ground.is_due() => {
                self.ground.learn(geodesic(from, fix));
                self.ground_from = Some(fix);
            }
            Some(_) => {}
            None => {
                self.ground.restart();
                self.ground_from = Some(fix);
            }
        }
    }

    /// A fix on the course.
    fn found(&mut self, found: Guess) -> Option<Turned> {
        let thought = self.at;
        let off = (found.mean - thought.mean).abs();
        if self.by == KnownBy::Fix && off > 5.0 * found.u.hypot(thought.u) + 200.0 && self.contradicts < CONTRADICT {
            self.contradicts += 1;
            return None;
        }
        let leapt = self.contradicts >= CONTRADICT || self.by == KnownBy::Distance;
        self.contradicts = 0;
        self.at = found;
        (self.base_u, self.since_fix, self.turning) = (found.u, 0.0, 0.0);
        self.learn_along(found.mean, leapt);
        self.by = KnownBy::Fix;
        if !leapt {
            self.doubt.seen(found);
        }
        if leapt { self.after_a_leap(found.mean, thought.mean) } else { self.watch_direction(found.mean) }
    }

    fn learn_along(&mut self, at: f64, leapt: bool) {
        match self.stretch_from.filter(|_| !leapt) {
            Some(from) if self.along.is_due() => {
                self.along.learn((at - from).abs());
                self.stretch_from = Some(at);
            }
            Some(_) => {}
            None => {
                self.along.restart();
                self.stretch_from = Some(at);
            }
        }
    }

    fn watch_direction(&mut self, at: f64) -> Option<Turned> {
        if !self.sure {
            return self.first_metres(at);
        }
        let sign = self.direction.sign();
        if (at - self.extreme) * sign > 0.0 {
            self.extreme = at;
        }
        let back = (self.extreme - at) * sign;
        let needed = if self.since_turn < AGAIN_M { AGAIN_M } else { TURNED_M.max(4.0 * self.at.u) };
        if back <= needed {
            return None;
        }
        let turn = self.turn_round(self.nearest_turn(self.extreme, 2_000.0));
        (self.extreme, self.since_turn) = (at, back);
        Some(turn)
    }

    /// The first metres of a drive only show which way it goes.
    fn first_metres(&mut self, at: f64) -> Option<Turned> {
        let went = at - self.extreme;
        if went.abs() > TURNED_M {
            self.sure = true;
            self.direction = if went > 0.0 { Direction::Out } else { Direction::Back };
            self.extreme = at;
        }
        None
    }

    /// Fixes came back after a while: the doubt, if there was one, is over.
    fn after_a_leap(&mut self, at: f64, thought: f64) -> Option<Turned> {
        self.extreme = at;
        let other = self.doubt.other();
        self.doubt.clear();
        let (other_at, direction, place) = other?;
        if (other_at - at).abs() >= (thought - at).abs() || direction == self.direction {
            return None;
        }
        let turn = self.turn_round(Some(place));
        self.since_turn = AGAIN_M;
        Some(turn)
    }

    fn turn_round(&mut self, at: Option<usize>) -> Turned {
        let from = self.direction;
        self.direction = from.turned();
        (self.turned_at, self.since_turn) = (at, 0.0);
        (self.extreme, self.sure) = (self.at.mean, true);
        self.doubt.clear();
        // The lengths of a turn's way are those of no road.
        (self.stretch_from, self.ground_from) = (None, None);
        Turned { from }
    }

    /// The place nearest to a distance along the road at which one can turn in this direction.
    fn nearest_turn(&self, to: f64, within: f64) -> Option<usize> {
        let places = self.course.places.iter().enumerate();
        let turns = places.filter(|(_, place)| place.turn(self.direction).is_some());
        let apart = |place: &crate::course::Place| (place.at.0 - to).abs();
        turns
            .filter(|(_, place)| apart(place) <= within)
            .min_by(|(_, a), (_, b)| apart(a).total_cmp(&apart(b)))
            .map(|(index, _)| index)
    }

    /// A person says that the car has turned; `None` where that is the turn that was seen already.
    pub fn mark_turned(&mut self) -> Option<Turned> {
        if self.since_turn < SAME_M {
            return None;
        }
        if let Some((at, _, place)) = self.doubt.other() {
            self.at.mean = at;
            let turn = self.turn_round(Some(place));
            self.since_turn = AGAIN_M;
            return Some(turn);
        }
        let by_fix = self.by == KnownBy::Fix;
        let within = if by_fix { 2_000.0 } else { 3_000.0 + 3.0 * self.at.u };
        let place = self.nearest_turn(self.at.mean, within);
        if let Some(place) = place.filter(|_| !by_fix).and_then(|place| self.course.places.get(place)) {
            let length = place.turn(self.direction).map_or(0.0, |turn| turn.length.0);
            // Somewhere on the turn's way: half of it is still to come, give or take.
            self.turning = length / 2.0;
            let u = (length / 2.0).hypot(MARK_M) / 3f64.sqrt();
            (self.at, self.base_u, self.since_fix) = (Guess::new(place.at.0, u), u, 0.0);
        }
        Some(self.turn_round(place))
    }

    /// Without a fix, past a place where the plan turned: it may have.
    fn doubt_on(&mut self, wheel: f64, speed: Option<f64>) {
        let way = wheel * self.along.guess().mean;
        self.doubt.step(&self.course, (self.at, self.direction), way, speed);
    }
}
