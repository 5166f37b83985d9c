//! All sequences of turns that a course allows from here to a charger, by what they drive.
//!
//! On a line the ways out and back of every sequence that ends at one place differ by the same amount, so a sequence's energy
//! is a function of its length. Sequences are therefore grown place by place, and of those that stand at one place in one
//! direction after the same length (to [`GRAIN_M`], or a two-thousandth of the longest) that with the fewest turns is kept:
//! thousands instead of millions, none shorter or longer by more than that left out. Does not judge a sequence.

use std::collections::BTreeMap;

use super::outlook::Trip;
use crate::course::{Course, Direction, Side};
use crate::quantity::Metre;

/// Sequences whose lengths differ by less are one.
pub const GRAIN_M: f64 = 100.0;
/// The most kinds of length that are kept.
const GRAINS_MAX: f64 = 2_000.0;

/// Where the car is, and which way it drives.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Here {
    /// Distance along the road.
    pub at: Metre,
    /// Direction.
    pub direction: Direction,
}

/// What is done at a place.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Act {
    /// Turn.
    Turn,
    /// Drive the short way round and go on.
    Round,
    /// Drive to the charger, or the safe stop.
    Arrive,
}

/// Where to do what, and what that drives.
#[derive(Clone, PartialEq, Debug)]
pub struct Sequence {
    /// Places by their index in the course, in order; the last is the arrival.
    pub acts: Vec<(usize, Act)>,
    /// The direction in which the car arrives.
    pub arriving: Direction,
    /// What is driven.
    pub trip: Trip,
}

impl Sequence {
    /// Where the car goes in the end.
    pub fn end(&self) -> usize {
        self.acts.last().map_or(0, |(place, _)| *place)
    }

    /// How often it turns.
    pub fn turns(&self) -> usize {
        self.acts.iter().filter(|(_, act)| *act == Act::Turn).count()
    }
}

/// What may not be done.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Rules {
    /// With a trailer.
    pub trailer: bool,
    /// Nothing may be done before this place is passed: it was missed.
    pub passing: Option<usize>,
    /// This charger is taken or dead.
    pub not_at: Option<usize>,
}

/// A sequence under way: it stands at a place, about to leave it.
#[derive(Clone, Copy)]
struct Label {
    place: usize,
    direction: Direction,
    trip: Trip,
    turns: u16,
    /// The label before, and what was done at this label's place.
    from: Option<u32>,
    act: Option<Act>,
}

/// Places where one ends: by direction of arrival.
type Ends<'a> = &'a dyn Fn(usize, Direction) -> bool;

/// The next place strictly ahead, or the place where the car stands.
fn first_place(course: &Course, here: Here) -> Option<usize> {
    let places = &course.places;
    match here.direction {
        Direction::Out => places.iter().position(|place| place.at >= here.at),
        Direction::Back => places.iter().rposition(|place| place.at <= here.at),
    }
}

fn next_place(course: &Course, place: usize, direction: Direction) -> Option<usize> {
    let next = match direction {
        Direction::Out => place.checked_add(1)?,
        Direction::Back => place.checked_sub(1)?,
    };
    (next < course.places.len()).then_some(next)
}

fn along(trip: Trip, from: Metre, to: Metre, direction: Direction) -> Trip {
    let length = (to - from).0.abs();
    match direction {
        Direction::Out => Trip { out: trip.out + length, ..trip },
        Direction::Back => Trip { back: trip.back + length, ..trip },
    }
}

/// Every sequence from here to a charger that drives at most `longest` metres (see the module for what 'every' means), by
/// length, the shortest first.
pub fn sequences(course: &Course, here: Here, rules: &Rules, longest: f64) -> Vec<Sequence> {
    grown(course, here, rules, longest, &|place, direction| is_charger(course, rules, place, direction), false)
}

/// The shortest sequence from here to a charger; `None` where there is none.
pub fn shortest(course: &Course, here: Here, rules: &Rules) -> Option<Sequence> {
    let ends = |place, direction| is_charger(course, rules, place, direction);
    grown(course, here, rules, far(course), &ends, true).into_iter().next()
}

/// The shortest way on from a charger at which the car arrived in a direction, to another charger or a safe stop; `None` where
/// there is none.
pub fn alternative(course: &Course, place: usize, direction: Direction, rules: &Rules) -> Option<Sequence> {
    let ends = |end: usize, direction: Direction| {
        let found = &course.places[end];
        let open = |side: Option<Side>| side.is_some_and(|side| side.admits(direction));
        open(found.refuge) || end != place && Some(end) != rules.not_at && open(found.charger)
    };
    let here = Here { at: course.places[place].at, direction };
    let rules = Rules { passing: None, ..*rules };
    grown(course, here, &rules, far(course), &ends, true).into_iter().next()
}

fn is_charger(course: &Course, rules: &Rules, place: usize, direction: Direction) -> bool {
    Some(place) != rules.not_at && course.places[place].charger.is_some_and(|side| side.admits(direction))
}

/// Longer than the shortest way from anywhere to anywhere: up the road, down it and up again, with its turns, m.
fn far(course: &Course) -> f64 {
    let road = course.places.last().zip(course.places.first()).map_or(0.0, |(last, first)| (last.at - first.at).0);
    3.0 * road + 200_000.0
}

/// Grows sequences from here until none is open, or, with `first`, until one ends.
fn grown(course: &Course, here: Here, rules: &Rules, longest: f64, ends: Ends<'_>, first: bool) -> Vec<Sequence> {
    let mut growth = Growth {
        course,
        rules,
        longest,
        grain: (longest / GRAINS_MAX).max(GRAIN_M),
        labels: Vec::new(),
        open: BTreeMap::new(),
    };
    let mut found: BTreeMap<(i64, usize, bool), (u32, u16)> = BTreeMap::new();
    growth.start(here);
    while let Some((_, index)) = growth.open.pop_first() {
        let label = growth.labels[index as usize];
        if label.act.is_none() && !growth.is_passing(&label) && ends(label.place, label.direction) {
            let key = (growth.grains(&label.trip), label.place, label.direction == Direction::Out);
            let best = found.entry(key).or_insert((index, label.turns));
            if label.turns < best.1 {
                *best = (index, label.turns);
            }
            if first {
                break;
            }
        }
        growth.leave(index, &label);
    }
    let mut sequences: Vec<Sequence> = found.into_values().map(|(index, _)| growth.sequence(index)).collect();
    sequences.sort_by(|a, b| a.trip.length().total_cmp(&b.trip.length()).then(a.acts.len().cmp(&b.acts.len())));
    sequences
}

/// Sequences that grow. A label is open until it was left; keys are (grains, place, direction, acted).
struct Growth<'a> {
    course: &'a Course,
    rules: &'a Rules,
    longest: f64,
    grain: f64,
    labels: Vec<Label>,
    open: BTreeMap<(i64, usize, bool, bool), u32>,
}

impl Growth<'_> {
    /// From here to the first place ahead.
    fn start(&mut self, here: Here) {
        let Some(first) = first_place(self.course, here) else { return };
        let to = self.course.places[first].at;
        if self.course.is_open(here.at, to, here.direction) {
            let trip = along(Trip::default(), here.at, to, here.direction);
            self.reach(Label { place: first, direction: here.direction, trip, turns: 0, from: None, act: None });
        }
    }

    fn grains(&self, trip: &Trip) -> i64 {
        (trip.length() / self.grain).floor() as i64
    }

    /// A label that stands somewhere, unless a better one stands there after the same length.
    fn reach(&mut self, label: Label) {
        if label.trip.length() > self.longest {
            return;
        }
        let acted = label.act.is_some();
        let key = (self.grains(&label.trip), label.place, label.direction == Direction::Out, acted);
        let index = self.labels.len() as u32;
        match self.open.get(&key) {
            Some(other) if self.labels[*other as usize].turns <= label.turns => return,
            _ => self.open.insert(key, index),
        };
        self.labels.push(label);
    }

    /// Whether nothing may be done yet.
    fn is_passing(&self, label: &Label) -> bool {
        let Some(missed) = self.rules.passing.filter(|_| label.turns == 0) else { return false };
        match label.direction {
            Direction::Out => label.place <= missed,
            Direction::Back => label.place >= missed,
        }
    }

    /// All that can be done at a label's place: turn, drive round, or go on.
    fn leave(&mut self, index: u32, label: &Label) {
        let (course, here) = (self.course, &self.course.places[label.place]);
        if label.act.is_none() && !self.is_passing(label) {
            let suits = here.trailer || !self.rules.trailer;
            if let Some(turn) = here.turn(label.direction).filter(|_| suits) {
                let trip = Trip { extra: label.trip.extra + turn.length.0, ..label.trip };
                let (direction, turns) = (label.direction.turned(), label.turns + 1);
                self.reach(Label { direction, trip, turns, from: Some(index), act: Some(Act::Turn), ..*label });
            }
        }
        // Round and round is allowed, but not round after a turn at the same place.
        if let Some(finish) = course.finish.as_ref().filter(|finish| finish.place == here.name)
            && label.act != Some(Act::Turn)
            && !self.is_passing(label)
        {
            let trip = Trip { extra: label.trip.extra + finish.length.0, ..label.trip };
            let turns = label.turns + 1;
            // Back at the place: whatever can be done there can be done again.
            self.reach(Label { trip, turns, from: Some(index), act: None, ..*label });
        }
        if let Some(next) = next_place(course, label.place, label.direction) {
            let to = course.places[next].at;
            if course.is_open(here.at, to, label.direction) {
                let trip = along(label.trip, here.at, to, label.direction);
                self.reach(Label { place: next, trip, from: Some(index), act: None, ..*label });
            }
        }
    }

    /// The acts that led to a label, and the arrival there.
    fn sequence(&self, index: u32) -> Sequence {
        let end = self.labels[index as usize];
        let mut acts = vec![(end.place, Act::Arrive)];
        let mut at = Some(index);
        while let Some(label) = at.and_then(|index| self.labels.get(index as usize)) {
            let before = label.from.and_then(|from| self.labels.get(from as usize));
            match (label.act, before) {
                (Some(act), _) => acts.push((label.place, act)),
                // At the same place without an act: the short way round.
                (None, Some(before)) if before.place == label.place => acts.push((label.place, Act::Round)),
                _ => {}
            }
            at = label.from;
        }
        acts.reverse();
        Sequence { acts, arriving: end.direction, trip: end.trip }
    }
}

#[cfg(test)]
mod tests;
