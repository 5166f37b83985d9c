//! The course as a strip: places, the car, what is done where; and the same in words, for those who cannot see it.
//!
//! Says no position on the globe, only shares of the road's length. Draws nothing.

use serde::{Deserialize, Serialize};

use super::super::moment::Moment;
use crate::course::Direction;
use crate::format;
use crate::plan::turning::Act;

/// The course as a strip.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Road {
    /// Its name.
    pub name: String,
    /// Its places, in the direction out.
    pub places: Vec<RoadPlace>,
    /// Where the car is: 0 at the first place, 1 at the last; `None` where that is not known.
    pub car: Option<f64>,
    /// The car drives out, towards 1.
    pub out: Option<bool>,
    /// The same in words.
    pub words: String,
}

/// A place on the strip.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RoadPlace {
    /// Its name.
    pub name: String,
    /// Where: 0 at the first place, 1 at the last.
    pub along: f64,
    /// There is a charger.
    pub charger: bool,
    /// One can turn there, in one direction at least.
    pub turn: bool,
    /// What the plan does there first: `turn`, `round` or `arrive`.
    pub act: Option<String>,
    /// It is what comes next.
    pub next: bool,
}

/// The course of a moment.
pub(super) fn road(moment: &Moment) -> Option<Road> {
    let course = moment.course.as_deref()?;
    let (first, last) = (course.places.first()?.at, course.places.last()?.at);
    let length = (last - first).0;
    let along = |at: crate::quantity::Metre| ((at - first).0 / length).clamp(0.0, 1.0);
    let here = moment.picture.here;
    let acts = moment.picture.advice.as_ref().and_then(|advice| advice.plan.as_ref()).map(|plan| &*plan.sequence.acts);
    let acts = acts.unwrap_or_default();
    let place = |(index, place): (usize, &crate::course::Place)| RoadPlace {
        name: place.name.clone(),
        along: along(place.at),
        charger: place.charger.is_some(),
        turn: place.turn_out.is_some() || place.turn_back.is_some(),
        act: acts.iter().find(|(at, _)| *at == index).map(|(_, act)| act.key().into()),
        next: acts.first().is_some_and(|(at, _)| *at == index),
    };
    let places: Vec<RoadPlace> = course.places.iter().enumerate().map(place).collect();
    let way = |metres: f64| format::way(metres, moment.units.in_miles());
    let named = |index: usize| course.places.get(index).map_or("", |place| &*place.name);
    let mut words = match here {
        Some(here) => {
            let towards = if here.direction == Direction::Out { course.places.last() } else { course.places.first() };
            let towards = towards.map_or("", |place| &*place.name);
            format!("The car is {} from {}, driving towards {towards}.", way((here.at - first).0), named(0))
        }
        None => "Where the car is on the road is not known.".into(),
    };
    for (place, act) in acts {
        words += &format!(" {} {}.", act_word(*act), named(*place));
    }
    Some(Road {
        name: course.name.clone(),
        places,
        car: here.map(|here| along(here.at)),
        out: here.map(|here| here.direction == Direction::Out),
        words,
    })
}

/// Who only hears it is told that the way round is a short one.
fn act_word(act: Act) -> &'static str {
    if act == Act::Round { "Drive the short way round at" } else { act.words() }
}
