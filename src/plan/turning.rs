//! All sequences of turns that a course allows from here to a charger, by what they drive.
//!
//! On a line the ways out and back of every sequence that ends at one place differ by the same amount, so a sequence's energy
//! is a function of its length. Sequences are therefore grown place by place, and of those that stand at one place in one
//! direction after the same length (to [`GRAIN_M`], or a four-hundredth of the longest: what is left is never known better)
//! that with the fewest turns is kept: thousands instead of millions, none shorter or longer by more than that left out. Does
//! not judge a sequence.

mod growth;
mod shortest;

pub use self::growth::{End, Growth};
pub use self::shortest::{follow, missable};

use super::outlook::Trip;
use crate::course::{Course, Direction, Side};
use crate::quantity::Metre;

/// Sequences whose lengths differ by less are one.
pub const GRAIN_M: f64 = 100.0;
/// Nobody drives further on one charge, m.
const LONGEST_M: f64 = 3e6;
/// The most kinds of length that are kept.
const GRAINS_MAX: f64 = 400.0;

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

impl Act {
    /// As programs are told it.
    pub fn key(self) -> &'static str {
        match self {
            Self::Turn => "turn",
            Self::Round => "round",
            Self::Arrive => "arrive",
        }
    }

    /// As people read it before the name of a place.
    pub fn words(self) -> &'static str {
        match self {
            Self::Turn => "Turn at",
            Self::Round => "Drive round at",
            Self::Arrive => "Arrive at",
        }
    }
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

impl Rules {
    /// Whether nothing may be done at a place yet, driving in this direction without having turned.
    fn is_passing(&self, place: usize, direction: Direction) -> bool {
        self.passing.is_some_and(|missed| match direction {
            Direction::Out => place <= missed,
            Direction::Back => place >= missed,
        })
    }
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
    let (growth, ends) = grown(course, here, rules, longest);
    ends.iter().map(|end| growth.sequence(end)).collect()
}

/// [`sequences`] by what they drive; their acts are asked for one by one.
pub fn grown<'a>(course: &'a Course, here: Here, rules: &'a Rules, longest: f64) -> (Growth<'a>, Vec<End>) {
    let longest = if longest.is_nan() { 0.0 } else { longest.clamp(0.0, LONGEST_M) };
    let grain = (longest / GRAINS_MAX).max(GRAIN_M);
    let ends = |place, direction| is_charger(course, rules, place, direction);
    Growth::grow(course, here, rules, (longest, grain), &ends)
}

/// The shortest sequence from here to a charger; `None` where there is none.
pub fn shortest(course: &Course, here: Here, rules: &Rules) -> Option<Sequence> {
    shortest::find(course, here, rules, &|place, direction| is_charger(course, rules, place, direction))
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
    shortest::find(course, here, &Rules { passing: None, ..*rules }, &ends)
}

fn is_charger(course: &Course, rules: &Rules, place: usize, direction: Direction) -> bool {
    Some(place) != rules.not_at && course.places[place].charger.is_some_and(|side| side.admits(direction))
}

#[cfg(test)]
mod tests;
