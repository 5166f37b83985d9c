//! The dial against invented ones whose gain and offset are known.

use super::super::reduction::{Options, reduce};
use super::super::trip::Trip;
use super::*;
use crate::card::Card;
use crate::document::Document;

fn check(trip: &Trip, card: &str) -> SpeedCheck {
    let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0.unwrap();
    reduce(&[trip.run("run=1")], Some(&card), &Options::default()).speed_check
}

#[test]
fn one_speed_tells_the_ratio_there_and_no_more() {
    let trip = Trip { dial: (1.02, 0.5), ..Trip::legs(110.0 / 3.6, &[40_000.0]) };
    let check = check(&trip, "[driving]\ntarget_kmh = 110");
    let dial = check.dial.unwrap();
    assert!(!dial.told_apart && dial.offset.is_none());
    let (target, shown) = check.at_target.unwrap();
    // 1.02 x 110 + 1.8 = 114.0 km/h.
    assert!((target * 3.6 - 110.0).abs() < 1e-9 && (shown.value * 3.6 - 114.0).abs() < shown.u95() * 3.6);
    assert!(shown.u95() * 3.6 < 1.0, "{}", shown.u95() * 3.6);
    // Far from what was driven the hidden offset counts: at 60 km/h the dial shows 63.0.
    let far = dial.shown(60.0 / 3.6);
    assert!((far.value * 3.6 - 63.0).abs() < far.u95() * 3.6 && far.u95() > 2.0 * shown.u95());
}

#[test]
fn speeds_far_apart_tell_gain_from_offset() {
    let mut trip = Trip::legs(35.0, &[30_000.0]);
    let slow = Trip::legs(20.0, &[15_000.0]);
    trip.speed.extend(&slow.speed);
    trip.direction.extend(&slow.direction);
    trip.dial = (1.01, 0.9);
    let check = check(&trip, "[driving]\ntarget_mph = 62");
    let dial = check.dial.unwrap();
    let offset = dial.offset.as_ref().expect("an offset");
    assert!((offset.value - 0.9).abs() < offset.u95() && (dial.gain.value - 1.01).abs() < dial.gain.u95());
    let (target, shown) = check.at_target.unwrap();
    // 62 mph is exactly 27.716 48 m/s (the mile is 1609.344 m).
    assert!((target - 27.716_48).abs() < 1e-12);
    assert!((shown.value - (1.01 * target + 0.9)).abs() < shown.u95());
    // A dial that is proportional is told as such.
    trip.dial = (1.03, 0.0);
    let dial = super::tests::check(&trip, "").dial.unwrap();
    assert!(dial.told_apart && dial.offset.is_none() && (dial.gain.value - 1.03).abs() < 0.005);
    let by_speed = super::tests::check(&trip, "").dial_at;
    assert!(by_speed.len() >= 2 && by_speed.windows(2).all(|pair| pair[0].speed < pair[1].speed));
}

#[test]
fn no_dial_and_no_receiver_are_absences() {
    let mut trip = Trip::legs(30.0, &[20_000.0]);
    trip.without = vec!["speed_displayed"];
    let check_of = check(&trip, "[driving]\ntarget_kmh = 110");
    assert!(check_of.dial.is_none() && check_of.at_target.is_none() && check_of.dial_at.is_empty());
    assert!(check_of.wheels.is_some());
}
