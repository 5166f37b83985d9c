//! The course: a road as a line of places with distances along it, from its TOML file.
//!
//! Knows where one can turn, where the charger is, how high and where the road lies. Plans nothing and drives nothing.

mod gpx;
mod line;
mod written;

pub use self::gpx::read as read_gpx;
pub use self::line::{Line, LinePoint, Unfit, Written, written as write};

use std::path::Path;

use crate::document::{Document, Fault};
use crate::quantity::{Metre, MetrePerSecond};
use crate::time::Span;

/// A road as a line; distances along it grow in the direction 'out'.
#[derive(Clone, PartialEq, Debug)]
pub struct Course {
    /// Its name.
    pub name: String,
    /// The places along it, at least two, distances increasing.
    pub places: Vec<Place>,
    /// Where a speed other than the target's is asked for, or only one direction can be driven.
    pub stretches: Vec<Stretch>,
    /// A short way round for the last kilometres, if there is one.
    pub finish: Option<Finish>,
}

/// A place on the road.
#[derive(Clone, PartialEq, Debug)]
pub struct Place {
    /// Its name, unique on the course.
    pub name: String,
    /// Its distance along the road.
    pub at: Metre,
    /// Its height above mean sea level; given for all places or for none.
    pub elevation: Option<Metre>,
    /// Its position, WGS84; given for all places or for none.
    pub position: Option<Position>,
    /// How one turns here when driving out.
    pub turn_out: Option<Turn>,
    /// How one turns here when driving back.
    pub turn_back: Option<Turn>,
    /// The charger here, if there is one.
    pub charger: Option<Side>,
    /// A safe place to stop when the charger is taken or dead: from which direction it can be driven into.
    pub refuge: Option<Side>,
    /// One can turn here with a trailer.
    pub trailer: bool,
}

/// A position on the WGS84 ellipsoid.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Position {
    /// Degrees north.
    pub latitude_deg: f64,
    /// Degrees east.
    pub longitude_deg: f64,
}

/// A turn: leaving the road, going under or over it, joining it the other way.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Turn {
    /// Its way, driven besides the distance along the road.
    pub length: Metre,
    /// The time it takes.
    pub duration: Span,
}

/// From which direction a place can be driven into.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// Driving out only.
    Out,
    /// Driving back only.
    Back,
    /// Either way.
    Both,
}

/// A direction along the road.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Direction {
    /// Towards greater distances along it.
    Out,
    /// Towards smaller distances along it.
    Back,
}

/// A short way round that leaves the road at a place and comes back to it there, in the direction in which it was left: for
/// the last kilometres of a drive.
#[derive(Clone, PartialEq, Debug)]
pub struct Finish {
    /// The name of the place.
    pub place: String,
    /// Its way.
    pub length: Metre,
    /// The time it takes.
    pub duration: Span,
}

/// A stretch of road with a speed of its own, or for one direction only.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stretch {
    /// Where it begins.
    pub from: Metre,
    /// Where it ends.
    pub to: Metre,
    /// The speed driven there, where it is not the target's.
    pub speed: Option<MetrePerSecond>,
    /// The only direction in which it can be driven.
    pub one_way: Option<Direction>,
}

impl Direction {
    /// +1 out, -1 back.
    pub fn sign(self) -> f64 {
        match self {
            Self::Out => 1.0,
            Self::Back => -1.0,
        }
    }

    /// The other one.
    pub fn turned(self) -> Self {
        match self {
            Self::Out => Self::Back,
            Self::Back => Self::Out,
        }
    }
}

impl Side {
    /// Whether it can be driven into in this direction.
    pub fn admits(self, direction: Direction) -> bool {
        matches!((self, direction), (Self::Both, _) | (Self::Out, Direction::Out) | (Self::Back, Direction::Back))
    }
}

impl Place {
    /// How one turns here when driving in this direction; `None` where one cannot.
    pub fn turn(&self, direction: Direction) -> Option<Turn> {
        match direction {
            Direction::Out => self.turn_out,
            Direction::Back => self.turn_back,
        }
    }
}

/// Where along the road's line a distance lies: between which places, and how far.
struct Between<'a> {
    before: &'a Place,
    after: &'a Place,
    /// 0 at `before`, 1 at `after`; outside that range past the ends of the course.
    share: f64,
}

impl Course {
    /// Reads and checks a course file: the course, if it can be used, and everything wrong with the file.
    pub fn load(path: &Path) -> (Option<Self>, Vec<Fault>) {
        match Document::read(path) {
            Ok(document) => Self::parse(&document),
            Err(fault) => (None, vec![fault]),
        }
    }

    /// [`Self::load`] on a text.
    pub fn parse(document: &Document) -> (Option<Self>, Vec<Fault>) {
        written::parse(document)
    }

    /// The place of this name.
    pub fn place(&self, name: &str) -> Option<&Place> {
        self.places.iter().find(|place| place.name == name)
    }

    /// Places with a charger, in the order of the road; at least one.
    pub fn chargers(&self) -> impl Iterator<Item = (&Place, Side)> {
        self.places.iter().filter_map(|place| place.charger.map(|side| (place, side)))
    }

    /// The nearest place strictly ahead where one can turn when driving in this direction.
    pub fn next_turn(&self, from: Metre, direction: Direction) -> Option<(&Place, Turn)> {
        let ahead = |place: &&Place| (place.at - from).0 * direction.sign() > 0.0;
        let turns = self.places.iter().filter(ahead).filter_map(|place| Some((place, place.turn(direction)?)));
        turns.min_by(|(a, _), (b, _)| (a.at - from).0.abs().total_cmp(&(b.at - from).0.abs()))
    }

    /// The speed of the stretch at a distance along the road; the slowest where stretches overlap.
    pub fn stretch_speed(&self, at: Metre) -> Option<MetrePerSecond> {
        let here = self.stretches.iter().filter(|stretch| stretch.from <= at && at < stretch.to);
        here.filter_map(|stretch| stretch.speed).min_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Whether the road between two distances can be driven in a direction.
    pub fn is_open(&self, from: Metre, to: Metre, direction: Direction) -> bool {
        let (low, high) = if from < to { (from, to) } else { (to, from) };
        let closed = |stretch: &&Stretch| stretch.one_way.is_some_and(|only| only != direction);
        !self.stretches.iter().filter(closed).any(|stretch| stretch.from < high && low < stretch.to)
    }

    /// Height above mean sea level at a distance along the road, linear between places, level past the ends.
    pub fn elevation(&self, at: Metre) -> Option<Metre> {
        let Between { before, after, share } = self.between(at)?;
        let (low, high) = (before.elevation?, after.elevation?);
        Some(low + (high - low) * share.clamp(0.0, 1.0))
    }

    /// Rise per distance in the direction out; 0 past the ends and where no heights are given.
    pub fn grade(&self, at: Metre) -> f64 {
        let Some(Between { before, after, share }) = self.between(at) else { return 0.0 };
        match (before.elevation, after.elevation) {
            (Some(low), Some(high)) if (0.0..1.0).contains(&share) => (high - low) / (after.at - before.at),
            _ => 0.0,
        }
    }

    /// Position at a distance along the road: linear in latitude and longitude between places, straight on past the ends.
    pub fn position(&self, at: Metre) -> Option<Position> {
        let Between { before, after, share } = self.between(at)?;
        let (from, to) = (before.position?, after.position?);
        let along = |a: f64, b: f64| a + (b - a) * share;
        Some(Position {
            latitude_deg: along(from.latitude_deg, to.latitude_deg),
            longitude_deg: along(from.longitude_deg, to.longitude_deg),
        })
    }

    fn between(&self, at: Metre) -> Option<Between<'_>> {
        let passed = self.places.partition_point(|place| place.at <= at);
        let index = passed.clamp(1, self.places.len().max(2) - 1);
        let (before, after) = (self.places.get(index - 1)?, self.places.get(index)?);
        Some(Between { before, after, share: (at - before.at) / (after.at - before.at) })
    }
}

#[cfg(test)]
mod tests;
