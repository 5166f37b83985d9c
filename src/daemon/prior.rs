//! What is known before the drive, from the files that the configuration names: course, test card, an earlier test of the car.
//!
//! A file that can't be used is said and left out: it stops no recording. Judges no drive.

use std::path::Path;
use std::sync::Arc;

use serde::Deserialize;

use super::Config;
use crate::card::Card;
use crate::course::Course;
use crate::document::{Document, Fault, Place};
use crate::plan::{Guess, Known};
use crate::quantity::{ConsumptionUnit, Joule};
use crate::reduce::json::SCHEMA;

/// Half-width of a 95 % interval in standard uncertainties. The earlier test's own factor is this or larger, so that what comes
/// of it is rather too wide.
const NORMAL_95: f64 = 1.959_963_984_540_054;
/// What energy per distance differs by from day to day, in parts: common practice, no source.
const DAY_TO_DAY: f64 = 0.02;
/// Standard uncertainty of an energy per distance that is only claimed, in parts: common practice, no source.
const CLAIMED_PER_METRE: f64 = 0.06;

/// The same of a reserve that is only said: common practice, no source.
const RESERVE_SAID: f64 = 0.2;

/// What is known before the drive.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Prior {
    /// For the one that follows the drive.
    pub known: Known,
    /// The test card.
    pub card: Option<Arc<Card>>,
    /// Units for people.
    pub units: ConsumptionUnit,
}

impl Prior {
    /// Reads the files that a configuration names; what is wrong with them is told.
    pub fn load(config: &Config) -> (Self, Vec<Fault>) {
        let mut faults = Vec::new();
        let card = config.card.as_deref().and_then(|path| card(path, &config.vehicle, &mut faults));
        let road = config.course.as_deref().or(card.as_ref().and_then(|card| card.course.as_deref()));
        let course = road.and_then(|path| {
            let (course, more) = Course::load(path);
            faults.extend(more);
            course.map(Arc::new)
        });
        let earlier = config.car.earlier.as_deref().map(|path| Earlier::load(path, &config.vehicle, &mut faults));
        let known = known(config, course, card.as_ref(), &earlier.unwrap_or_default());
        let units = card.as_ref().and_then(|card| card.units).unwrap_or_default();
        (Self { known, card: card.map(Arc::new), units }, faults)
    }
}

fn card(path: &Path, vehicle: &str, faults: &mut Vec<Fault>) -> Option<Card> {
    let (card, more) = Card::load(path);
    faults.extend(more);
    if let Some(other) = card.as_ref().and_then(|card| card.vehicle.as_deref()).filter(|other| *other != vehicle) {
        let what = format!("the card is of vehicle '{other}', the configuration records '{vehicle}'");
        faults.push(Fault::whole(path.display().to_string(), what).remedy("name the card of this test").warning());
    }
    card
}

/// An earlier test stands before what the configuration says, that before what the card claims.
fn known(config: &Config, course: Option<Arc<Course>>, card: Option<&Card>, earlier: &Earlier) -> Known {
    let said = &config.car;
    let claimed = card.and_then(|card| {
        let rated = || card.rated.iter().find_map(|rated| rated.usable);
        card.claimed_usable_kwh.map(Joule::from_kwh).or_else(rated)
    });
    let claimed = said.usable.or(claimed.map(|joule| joule.0)).map(|value| Guess::new(value, said.usable_u * value));
    let per_metre = said.per_metre.map(|value| Guess::new(value, CLAIMED_PER_METRE * value));
    let driving = card.map(|card| &card.driving);
    Known {
        course,
        target: driving.and_then(|driving| driving.target),
        tolerance: driving.and_then(|driving| driving.tolerance),
        usable: earlier.usable.or(claimed),
        reserve: earlier.reserve.or(said.reserve.map(|value| Guess::new(value, RESERVE_SAID * value))),
        per_metre: earlier.per_metre.or(per_metre),
        cut_off: said.cut_off,
        trailer: card.is_some_and(|card| card.trailer.is_some()),
        no_spare: said.no_spare,
        floor_share: said.floor_share,
    }
}

/// What an earlier test of the car measured.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Earlier {
    usable: Option<Guess>,
    reserve: Option<Guess>,
    per_metre: Option<Guess>,
}

/// The keys of `drawdown reduce --json` that are used here; `docs/reduce-json.md` describes all.
#[derive(Deserialize)]
struct Written {
    schema: u32,
    vehicle: String,
    consumption_wh_per_km: Option<Figure>,
    usable_capacity: WrittenCapacity,
}

/// A figure with the half-width of its 95 % interval.
#[derive(Clone, Copy, Deserialize)]
struct Figure {
    value: f64,
    u95: f64,
}

#[derive(Deserialize)]
struct WrittenCapacity {
    kwh: Option<Figure>,
    reserve_kwh: Option<Figure>,
}

impl Earlier {
    fn load(path: &Path, vehicle: &str, faults: &mut Vec<Fault>) -> Self {
        match Document::read(path) {
            Ok(document) => Self::parse(&document, vehicle, faults),
            Err(fault) => {
                faults.push(fault.remedy("write it with `drawdown reduce --json` of an earlier test"));
                Self::default()
            }
        }
    }

    fn parse(document: &Document, vehicle: &str, faults: &mut Vec<Fault>) -> Self {
        let remedy = "write it anew with `drawdown reduce --json` of an earlier test";
        let written: Written = match serde_json::from_str(&document.text) {
            Ok(written) => written,
            Err(error) => {
                let place = Place::Line(error.line() as u64);
                let what = format!("not what `drawdown reduce --json` writes: {error}");
                faults.push(Fault::at(&document.name, place, what).remedy(remedy));
                return Self::default();
            }
        };
        let mut say = |what: String| faults.push(Fault::whole(&document.name, what).remedy(remedy).warning());
        if written.schema != SCHEMA {
            say(format!("its schema is {}, this program knows {SCHEMA}; it is not used", written.schema));
            return Self::default();
        }
        if written.vehicle != vehicle {
            say(format!("it is of vehicle '{}', the configuration records '{vehicle}'", written.vehicle));
        }
        let guess = |figure: Option<Figure>, unit: f64| {
            let figure = figure.filter(|figure| figure.value > 0.0 && figure.u95.is_finite() && figure.u95 >= 0.0)?;
            Some(Guess::new(figure.value * unit, figure.u95 / NORMAL_95 * unit))
        };
        let kwh = Joule::from_kwh(1.0).0;
        let usable = guess(written.usable_capacity.kwh, kwh);
        let per_metre = guess(written.consumption_wh_per_km, ConsumptionUnit::WhPerKm.to_joule_per_metre(1.0));
        for (measured, what) in [(usable, "usable energy"), (per_metre, "energy per distance")] {
            if measured.is_none() {
                say(format!("the earlier test measured no {what}"));
            }
        }
        Self {
            usable,
            reserve: guess(written.usable_capacity.reserve_kwh, kwh),
            per_metre: per_metre.map(|guess| Guess { u: guess.u.hypot(DAY_TO_DAY * guess.mean), ..guess }),
        }
    }
}

#[cfg(test)]
mod tests;
