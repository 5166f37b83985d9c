//! Lines whose length and bends are known.

use super::*;
use crate::course::Course;
use crate::document::{Document, Fault};

fn at(latitude_deg: f64, longitude_deg: f64) -> LinePoint {
    LinePoint { position: Position { latitude_deg, longitude_deg }, elevation: None }
}

/// East along the equator for `steps` hundredths of a degree, then north for as many.
fn corner(steps: i32) -> Vec<LinePoint> {
    let east = (0..=steps).map(|step| at(0.0, f64::from(step) / 100.0));
    let north = (1..=steps).map(|step| at(f64::from(step) / 100.0, f64::from(steps) / 100.0));
    east.chain(north).collect()
}

/// The course that a line makes once it has a charger and somewhere to turn.
fn course(written: &Written) -> (Option<Course>, Vec<Fault>) {
    let text = written.text.replacen("# turn = true, charger = true", "turn = true\ncharger = true", 1);
    Course::parse(&Document::from_text("made.toml", text))
}

#[test]
fn bends_are_kept_and_straights_are_not() {
    let line = Line { name: Some("Round \"the\" corner".into()), points: corner(20), named: Vec::new() };
    let written = written(&line).unwrap();
    let (course, faults) = course(&written);
    assert_eq!(faults, []);
    let course = course.unwrap();
    assert_eq!((&*course.name, course.places.len()), ("Round \"the\" corner", 3));
    // GeographicLib (Karney 2013): a degree of longitude on the equator is 111 319.491 m, one of latitude there 110 574.389 m.
    let km: Vec<f64> = course.places.iter().map(|place| place.at.km()).collect();
    assert!((km[1] - 22.264).abs() < 0.001 && (km[2] - 44.379).abs() < 0.001, "{km:?}");
    assert!(written.notes.is_empty());
}

#[test]
fn there_and_back_is_the_way_there() {
    let mut points = corner(20);
    points.extend(corner(20).into_iter().rev());
    let made = written(&Line { points, ..Line::default() }).unwrap();
    assert_eq!(made.notes, ["the line comes back to its start: its way there makes the course"]);
    assert_eq!(made.text, written(&Line { points: corner(20), ..Line::default() }).unwrap().text);
}

#[test]
fn names_are_put_where_they_are_nearest() {
    let named = |name: &str, latitude_deg, longitude_deg| (name.to_owned(), Position { latitude_deg, longitude_deg });
    let named = vec![named("Halfway", 0.001, 0.1), named("Corner", 0.0, 0.2), named("Elsewhere", 0.1, 0.0)];
    let written = written(&Line { name: None, points: corner(20), named }).unwrap();
    let course = course(&written).0.unwrap();
    let places: Vec<(&str, f64)> = course.places.iter().map(|place| (&*place.name, place.at.km())).collect();
    assert_eq!((places[1].0, places[2].0, places.len()), ("Halfway", "Corner", 4));
    assert!((places[1].1 - 11.132).abs() < 0.001, "{places:?}");
    assert_eq!(written.notes, ["'Elsewhere' lies more than 300 m off the line: it is left out"]);
}

#[test]
fn heights_are_given_for_all_places_or_for_none() {
    let with = |heights: bool| {
        let mut points = corner(20);
        points
            .iter_mut()
            .enumerate()
            .for_each(|(at, point)| point.elevation = (heights || at > 0).then_some(at as f64));
        let written = written(&Line { points, ..Line::default() }).unwrap();
        course(&written).0.unwrap().places.iter().filter(|place| place.elevation.is_some()).count()
    };
    assert_eq!((with(true), with(false)), (3, 0));
}

#[test]
fn what_goes_nowhere_is_no_course() {
    let refused = |points: Vec<LinePoint>| written(&Line { points, ..Line::default() }).unwrap_err();
    assert_eq!(refused(Vec::new()), Unfit::TooShort);
    assert_eq!(refused(vec![at(0.0, 0.0); 5]), Unfit::TooShort);
    assert_eq!(refused(vec![at(0.0, 0.0), at(0.0, 0.001)]).to_string(), "the line is shorter than 500 m");
}
