//! The course as its file writes it, and the checks that make a [`Course`] of it.
//!
//! Every fault is found in one go, with its line and its remedy.
//!
//! Opens no file.

use serde::Deserialize;

use super::{Course, Direction, Finish, Place, Position, Side, Stretch, Turn};
use crate::document::{Document, Fault, did_you_mean};
use crate::geodesy::geodesic;
use crate::quantity::{Metre, MetrePerSecond};
use crate::time::Span;

/// Longer than any road one drives in a day.
const KM_MAX: f64 = 10_000.0;
/// A turn's way where the file gives none (common practice, no source: a motorway junction's ramps and bridge).
const TURN_KM: f64 = 1.0;
/// A turn's mean speed where the file gives no time for it (common practice, no source).
const TURN_KMH: f64 = 40.0;
/// How much further apart two positions may lie than the road between them is long, before it is said: distances along a road
/// are often rounded to 100 m.
const CHORD_SLACK: f64 = 1.01;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    name: Option<String>,
    #[serde(default)]
    place: Vec<WrittenPlace>,
    #[serde(default)]
    stretch: Vec<WrittenStretch>,
    finish: Option<WrittenFinish>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenFinish {
    place: Option<String>,
    km: Option<f64>,
    duration_s: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPlace {
    name: Option<String>,
    km: Option<f64>,
    elevation_m: Option<f64>,
    position: Option<(f64, f64)>,
    turn: Option<bool>,
    turn_out: Option<bool>,
    turn_back: Option<bool>,
    turn_km: Option<f64>,
    turn_s: Option<f64>,
    charger: Option<bool>,
    side: Option<WrittenSide>,
    safe_stop: Option<bool>,
    safe_stop_side: Option<WrittenSide>,
    trailer: Option<bool>,
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "lowercase")]
enum WrittenSide {
    Out,
    Back,
    Both,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenStretch {
    from_km: Option<f64>,
    to_km: Option<f64>,
    speed_kmh: Option<f64>,
    one_way: Option<WrittenDirection>,
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "lowercase")]
enum WrittenDirection {
    Out,
    Back,
}

impl From<WrittenSide> for Side {
    fn from(written: WrittenSide) -> Self {
        match written {
            WrittenSide::Out => Self::Out,
            WrittenSide::Back => Self::Back,
            WrittenSide::Both => Self::Both,
        }
    }
}

/// Reads and checks: the course, if nothing stops its use, and everything wrong.
pub(super) fn parse(document: &Document) -> (Option<Course>, Vec<Fault>) {
    let (written, faults) = document.parse_toml::<Written>();
    let Some(written) = written else { return (None, faults) };
    let mut check = Check { document, faults };
    let places: Vec<Place> =
        written.place.iter().enumerate().filter_map(|(index, place)| check.place(index, place)).collect();
    let stretches = written.stretch.iter().enumerate().filter_map(|(index, it)| check.stretch(index, it)).collect();
    let name = written.name.clone().unwrap_or_else(|| document.name.clone());
    let finish = written.finish.as_ref().and_then(|finish| check.finish(finish, &places));
    let course = Course { name, places, stretches, finish };
    check.order(&written, &course);
    check.charger(&course);
    check.all_or_none(&written);
    check.chords(&course);
    let mut faults = check.faults;
    faults.sort_by_key(|fault| fault.place);
    let usable = !faults.iter().any(Fault::is_error);
    (usable.then_some(course), faults)
}

struct Check<'a> {
    document: &'a Document,
    faults: Vec<Fault>,
}

impl Check<'_> {
    fn say(&mut self, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.push(self.document.fault_at_key(key, what).remedy(remedy));
    }

    /// A number that must be there and lie in a range.
    fn number(&mut self, key: &str, value: Option<f64>, least: f64, most: f64) -> Option<f64> {
        let name = key.rsplit('.').next().unwrap_or(key);
        match value {
            Some(value) if (least..=most).contains(&value) => Some(value),
            Some(value) => {
                self.say(key, format!("{name} is {value}"), format!("give a number from {least} to {most}"));
                None
            }
            None => {
                self.say(key, format!("key '{name}' is missing"), "add it");
                None
            }
        }
    }

    fn optional(&mut self, key: &str, value: Option<f64>, least: f64, most: f64) -> Option<f64> {
        value.and_then(|value| self.number(key, Some(value), least, most))
    }

    fn place(&mut self, index: usize, written: &WrittenPlace) -> Option<Place> {
        let key = |name: &str| format!("place.{index}.{name}");
        let km = self.number(&key("km"), written.km, 0.0, KM_MAX);
        let elevation = self.optional(&key("elevation_m"), written.elevation_m, -500.0, 9_000.0);
        let position = written.position.and_then(|(latitude, longitude)| {
            let latitude_deg = self.number(&key("position"), Some(latitude), -90.0, 90.0)?;
            let longitude_deg = self.number(&key("position"), Some(longitude), -180.0, 180.0)?;
            Some(Position { latitude_deg, longitude_deg })
        });
        let (turn_out, turn_back) = self.turns(&key, written);
        let charger = written.charger.unwrap_or(false);
        if written.side.is_some() && !charger {
            self.say(&key("side"), "side is given where there is no charger", "add `charger = true` or remove it");
        }
        let refuge = written.safe_stop.unwrap_or(false);
        if written.safe_stop_side.is_some() && !refuge {
            let what = "safe_stop_side is given where there is no safe stop";
            self.say(&key("safe_stop_side"), what, "add `safe_stop = true` or remove it");
        }
        let side = |written: Option<WrittenSide>| written.map_or(Side::Both, Side::from);
        let trailer = written.trailer.unwrap_or(true);
        if written.trailer.is_some() && turn_out.is_none() && turn_back.is_none() {
            self.say(&key("trailer"), "trailer is given where one cannot turn", "add `turn = true` or remove it");
        }
        let Some(name) = written.name.clone() else {
            self.say(&key("name"), "a place has no name", "add `name = \"...\"`");
            return None;
        };
        Some(Place {
            name,
            at: Metre::from_km(km?),
            elevation: elevation.map(Metre),
            position,
            turn_out,
            turn_back,
            charger: charger.then_some(side(written.side)),
            refuge: refuge.then_some(side(written.safe_stop_side)),
            trailer,
        })
    }

    fn turns(&mut self, key: &impl Fn(&str) -> String, written: &WrittenPlace) -> (Option<Turn>, Option<Turn>) {
        let either = written.turn.unwrap_or(false);
        let (out, back) = (written.turn_out.unwrap_or(either), written.turn_back.unwrap_or(either));
        let km = self.optional(&key("turn_km"), written.turn_km, 0.01, 50.0).unwrap_or(TURN_KM);
        let seconds = self.optional(&key("turn_s"), written.turn_s, 1.0, 3_600.0).unwrap_or(km / TURN_KMH * 3_600.0);
        for (name, given) in [("turn_km", written.turn_km), ("turn_s", written.turn_s)] {
            if given.is_some() && !out && !back {
                self.say(
                    &key(name),
                    format!("{name} is given where one cannot turn"),
                    "add `turn = true` or remove it",
                );
            }
        }
        let turn = Turn { length: Metre::from_km(km), duration: Span::from_seconds(seconds) };
        (out.then_some(turn), back.then_some(turn))
    }

    fn stretch(&mut self, index: usize, written: &WrittenStretch) -> Option<Stretch> {
        let key = |name: &str| format!("stretch.{index}.{name}");
        let from = self.number(&key("from_km"), written.from_km, 0.0, KM_MAX);
        let to = self.number(&key("to_km"), written.to_km, 0.0, KM_MAX);
        let speed = self.optional(&key("speed_kmh"), written.speed_kmh, 1.0, 300.0);
        if written.speed_kmh.is_none() && written.one_way.is_none() {
            let remedy = "add speed_kmh, or one_way = \"out\" or \"back\"";
            self.say(&key("speed_kmh"), "the stretch says nothing of the road", remedy);
            return None;
        }
        let (from, to) = (from?, to?);
        if to <= from {
            self.say(&key("to_km"), "the stretch ends before it begins", "give to_km greater than from_km");
            return None;
        }
        if written.speed_kmh.is_some() && speed.is_none() {
            return None;
        }
        let one_way = written.one_way.map(|only| match only {
            WrittenDirection::Out => Direction::Out,
            WrittenDirection::Back => Direction::Back,
        });
        let speed = speed.map(MetrePerSecond::from_kmh);
        Some(Stretch { from: Metre::from_km(from), to: Metre::from_km(to), speed, one_way })
    }

    fn finish(&mut self, written: &WrittenFinish, places: &[Place]) -> Option<Finish> {
        let km = self.number("finish.km", written.km, 0.2, 50.0);
        let duration = self.optional("finish.duration_s", written.duration_s, 1.0, 3_600.0);
        let Some(name) = &written.place else {
            self.say("finish.place", "the finish names no place", "add place = \"...\"");
            return None;
        };
        if !places.iter().any(|place| place.name == *name) {
            let known = places.iter().map(|place| &*place.name);
            self.say("finish.place", format!("no place is called '{name}'"), did_you_mean(name, known));
            return None;
        }
        let seconds = duration.unwrap_or(km? / TURN_KMH * 3_600.0);
        Some(Finish { place: name.clone(), length: Metre::from_km(km?), duration: Span::from_seconds(seconds) })
    }

    fn order(&mut self, written: &Written, course: &Course) {
        if written.place.len() < 2 {
            self.say("place", "a course needs at least two places", "add a [[place]] with name and km");
        }
        for (index, pair) in written.place.windows(2).enumerate() {
            if let (Some(before), Some(after)) = (pair[0].km, pair[1].km)
                && after <= before
            {
                let key = format!("place.{}.km", index + 1);
                self.say(&key, format!("{after} km follows {before} km"), "list places by increasing km");
            }
        }
        for (index, place) in written.place.iter().enumerate() {
            if let Some(name) = &place.name
                && written.place[..index].iter().any(|earlier| earlier.name.as_ref() == Some(name))
            {
                self.say(&format!("place.{index}.name"), format!("'{name}' is the name of two places"), "rename one");
            }
        }
        if let (Some(first), Some(last)) = (course.places.first(), course.places.last()) {
            for (index, stretch) in course.stretches.iter().enumerate() {
                if stretch.from < first.at || last.at < stretch.to {
                    let what = format!("the stretch leaves the course, {} to {} km", first.at.km(), last.at.km());
                    self.say(&format!("stretch.{index}"), what, "keep it between the first and the last place");
                }
            }
        }
    }

    fn charger(&mut self, course: &Course) {
        let Some(here) = course.chargers().next().map(|(place, _)| place.at) else {
            self.say("place", "no place has a charger", "add `charger = true` to one");
            return;
        };
        let turns = |direction| course.places.iter().any(|place| place.turn(direction).is_some());
        if !turns(Direction::Out) && !turns(Direction::Back) {
            let what = format!("one can turn nowhere; the charger at {} km can be missed", here.km());
            self.say("place", what, "add `turn = true` to a place");
        }
    }

    fn all_or_none(&mut self, written: &Written) {
        let elevations: Vec<bool> = written.place.iter().map(|place| place.elevation_m.is_some()).collect();
        let positions: Vec<bool> = written.place.iter().map(|place| place.position.is_some()).collect();
        for (name, given) in [("elevation_m", elevations), ("position", positions)] {
            let some = given.contains(&true);
            let missing = given.iter().position(|given| !given);
            if let (true, Some(index)) = (some, missing) {
                let what = format!("{name} is given for some places but not for this one");
                self.say(&format!("place.{index}"), what, "give it for all places or for none");
            }
        }
    }

    fn chords(&mut self, course: &Course) {
        for (index, pair) in course.places.windows(2).enumerate() {
            if let (Some(from), Some(to)) = (pair[0].position, pair[1].position) {
                let place = |at: Position| (at.latitude_deg, at.longitude_deg);
                let (chord, road) = (geodesic(place(from), place(to)), (pair[1].at - pair[0].at).0);
                if 0.0 < road && road * CHORD_SLACK < chord {
                    let what = format!("{:.1} km of road, but {:.1} km apart", road / 1e3, chord / 1e3);
                    let fault = self.document.fault_at_key(&format!("place.{}.position", index + 1), what);
                    self.faults.push(fault.remedy("check km and position").warning());
                }
            }
        }
    }
}
