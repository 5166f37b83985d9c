//! The shortest way to a charger from every place, by naive repetition; for the simple rules, which look no further.
//!
//! Nothing of the program's own search.

use drawdown::course::{Course, Direction};

use super::world::Deed;

/// Lengths of the shortest way, m, on coming to a place in a direction; infinite where there is none.
pub struct Ways<'a> {
    course: &'a Course,
    length: Vec<[f64; 2]>,
    ends: Vec<[bool; 2]>,
}

fn of(direction: Direction) -> usize {
    usize::from(direction == Direction::Back)
}

impl<'a> Ways<'a> {
    /// To any charger.
    pub fn to_chargers(course: &'a Course) -> Self {
        Self::to(course, &|place, direction| course.places[place].charger.is_some_and(|side| side.admits(direction)))
    }

    /// To any charger but one, or to a safe stop.
    pub fn to_others(course: &'a Course, taken: usize) -> Self {
        Self::to(course, &|place, direction| {
            let here = &course.places[place];
            let charger = place != taken && here.charger.is_some_and(|side| side.admits(direction));
            charger || here.refuge.is_some_and(|side| side.admits(direction))
        })
    }

    fn to(course: &'a Course, ends: &dyn Fn(usize, Direction) -> bool) -> Self {
        let both = [Direction::Out, Direction::Back];
        let ends: Vec<[bool; 2]> =
            (0..course.places.len()).map(|place| both.map(|direction| ends(place, direction))).collect();
        let length = ends.iter().map(|end| end.map(|end| if end { 0.0 } else { f64::INFINITY })).collect();
        let mut ways = Self { course, length, ends };
        // As often as there are places and directions: then nothing changes any more.
        for _ in 0..2 * course.places.len() {
            for place in 0..course.places.len() {
                for direction in both {
                    let better = ways.on(place, direction).min(ways.turning(place, direction));
                    let known = &mut ways.length[place][of(direction)];
                    *known = known.min(better);
                }
            }
        }
        ways
    }

    pub fn is_end(&self, place: usize, direction: Direction) -> bool {
        self.ends[place][of(direction)]
    }

    /// From the moment of coming to a place.
    pub fn from(&self, place: usize, direction: Direction) -> f64 {
        self.length[place][of(direction)]
    }

    /// Going on past it, to the next place and from there.
    pub fn on(&self, place: usize, direction: Direction) -> f64 {
        let next = match direction {
            Direction::Out => place + 1,
            Direction::Back => place.wrapping_sub(1),
        };
        let Some(there) = self.course.places.get(next) else { return f64::INFINITY };
        (there.at - self.course.places[place].at).0.abs() + self.from(next, direction)
    }

    /// Turning there, to the next place and from there.
    pub fn turning(&self, place: usize, direction: Direction) -> f64 {
        let turn = self.course.places[place].turn(direction);
        turn.map_or(f64::INFINITY, |turn| turn.length.0 + self.on(place, direction.turned()))
    }

    /// What the shortest way does at a place.
    pub fn deed(&self, place: usize, direction: Direction) -> Deed {
        if self.is_end(place, direction) {
            Deed::Arrive
        } else if self.on(place, direction) <= self.turning(place, direction) {
            Deed::On
        } else {
            Deed::Turn
        }
    }
}
