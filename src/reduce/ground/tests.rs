//! Distance over the ground against arithmetic on a road along the equator, where a degree is a known length.

use std::sync::Arc;

use super::super::reduction::{Options, Reduction, reduce};
use super::super::trip::Trip;
use super::*;
use crate::card::Card;
use crate::document::Document;
use crate::reduce::hold::Why;

fn trip() -> Trip {
    Trip { wheels: 1.03, noise: (2.0, 0.1), ..Trip::legs(30.0, &[30_000.0, 30_000.0]) }
}

fn one(run: RunInput) -> Reduction {
    reduce(&[run], None, &Options::default())
}

/// The distance, its interval's half-width and the truth.
fn holds(reduction: &Reduction, trip: &Trip, at_most: f64) {
    let truth = *trip.driven().last().unwrap();
    let distance = reduction.way.fixes.as_ref().expect("a distance over the ground");
    let off = distance.value - truth;
    assert!(off.abs() <= distance.u95(), "{} ± {}, truth {truth}", distance.value, distance.u95());
    assert!(distance.u95() < at_most * truth, "± {} says nothing", distance.u95());
}

#[test]
fn doppler_speed_gives_the_distance_and_the_wheels_scale() {
    let trip = trip();
    let reduction = one(trip.run("run=1"));
    holds(&reduction, &trip, 0.004);
    assert_eq!(reduction.ground.jumps + reduction.ground.stuck, 0);
    assert!(reduction.ground.shares[0] > 0.99, "{:?}", reduction.ground.shares);
    let wheels = reduction.speed_check.wheels.as_ref().unwrap();
    assert!((wheels.value - 1.03).abs() < wheels.u95() && wheels.u95() < 0.003, "{}", wheels.value);
    let odometer = reduction.speed_check.odometer.as_ref().unwrap();
    assert!((odometer.value - 1.03).abs() < odometer.u95(), "{}", odometer.value);
    // The wheels' distance is the receiver's by the ratio, and its uncertainty with it; what counts is the least uncertain.
    let speed = reduction.way.speed.as_ref().unwrap();
    assert!(reduction.way.calibrated && (speed.value / trip.driven().last().unwrap() - 1.0).abs() < 0.002);
    assert_eq!(reduction.way.counts, Some(crate::card::DistanceCounts::Fixes));
    assert!(reduction.problems.iter().any(|p| p.contains("integrated speed is 3.0 % off")), "{:?}", reduction.problems);
}

#[test]
fn the_line_counts_where_the_receiver_says_no_speed() {
    let trip = trip();
    let mut run = trip.run("run=1");
    run.fixes.iter_mut().for_each(|fix| fix.speed = f32::NAN);
    let reduction = one(run);
    holds(&reduction, &trip, 0.01);
    assert!(reduction.ground.shares[1] > 0.99, "{:?}", reduction.ground.shares);
}

#[test]
fn a_standing_car_drives_nothing_however_its_fixes_wander() {
    let mut trip = trip();
    let stand = 3_600;
    trip.speed.splice(0..0, vec![0.0; stand]);
    trip.direction.splice(0..0, vec![1.0; stand]);
    for (speeds, noise) in [(true, (5.0, 0.3)), (false, (2.0, 0.0))] {
        trip.noise = noise;
        let mut run = trip.run("run=1");
        if !speeds {
            run.fixes.iter_mut().for_each(|fix| fix.speed = f32::NAN);
        }
        let truth = *trip.driven().last().unwrap();
        let distance = one(run).way.fixes.unwrap().value;
        assert!((distance / truth - 1.0).abs() < 0.005, "{distance} {truth}");
    }
}

#[test]
fn a_tunnel_is_driven_by_the_wheels() {
    let trip = trip();
    let mut run = trip.run("run=1");
    run.fixes.retain(|fix| !(300.0..600.0).contains(&fix.t));
    let reduction = one(run);
    holds(&reduction, &trip, 0.005);
    let bridged = reduction.ground.shares[2];
    assert!((bridged - 300.0 * 30.0 / 60_000.0).abs() < 0.003, "{bridged}");
    // A detour inside the tunnel is no shorter for it: the turn lies in it, so the chord would be far too short.
    let mut run = trip.run("run=1");
    let turn = trip.direction.iter().position(|direction| *direction < 0.0).unwrap() as f64;
    run.fixes.retain(|fix| (fix.t - turn).abs() > 200.0);
    holds(&one(run), &trip, 0.005);
}

#[test]
fn outliers_jumps_and_stuck_positions_are_found_named_and_left_out() {
    let trip = trip();
    let clean = one(trip.run("run=1")).way.fixes.unwrap().value;
    let mut run = trip.run("run=1");
    for at in [100, 500, 501, 900] {
        run.fixes[at].latitude += 0.02;
    }
    run.fixes[1_000].longitude = f64::NAN;
    run.fixes[1_100].latitude = 91.0;
    let reduction = one(run);
    assert_eq!(reduction.ground.jumps, 4);
    assert!(reduction.problems.iter().any(|p| p == "run=1: 4 fixes off the line left out"), "{:?}", reduction.problems);
    assert!((reduction.way.fixes.unwrap().value / clean - 1.0).abs() < 1e-4);

    let mut first = trip.run("run=1");
    first.fixes[0].latitude = 40.0;
    let reduction = one(first);
    assert_eq!(reduction.ground.jumps, 1, "the line is where most fixes are");
    assert!((reduction.way.fixes.unwrap().value / clean - 1.0).abs() < 1e-4);

    let mut stuck = trip.run("run=1");
    let held = stuck.fixes[400];
    for fix in &mut stuck.fixes[400..460] {
        (fix.latitude, fix.longitude, fix.speed) = (held.latitude, held.longitude, held.speed);
    }
    let reduction = one(stuck);
    assert_eq!(reduction.ground.stuck, 59);
    assert!(reduction.problems.iter().any(|p| p.contains("stood still while the car drove")));
    assert!((reduction.way.fixes.unwrap().value / clean - 1.0).abs() < 1e-3);
}

#[test]
fn a_stuck_wheel_speed_is_found_and_kept_out_of_the_ratio() {
    let trip = trip();
    let truth = *trip.driven().last().unwrap();
    let mut run = trip.run("run=1");
    // The wheels read nothing for 50 s of 2,000: the sums stand still from there on.
    let lost = run.summary.seconds[450].sums.distance - run.summary.seconds[400].sums.distance;
    let base = run.summary.seconds[400].sums.distance;
    for second in &mut Arc::make_mut(&mut run.summary).seconds[400..] {
        second.sums.distance = if second.t < 450.0 { base } else { second.sums.distance - lost };
    }
    for phase in &mut Arc::make_mut(&mut run.summary).phases {
        phase.distance = if phase.distance > 0.0 { phase.distance - lost } else { 0.0 };
    }
    let card = "[driving]\ntarget_kmh = 108\n";
    let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0;
    let reduction = reduce(&[run], card.as_ref(), &Options::default());
    assert!(reduction.problems.iter().any(|p| p.contains("contradict each other")), "{:?}", reduction.problems);
    let outside = &reduction.hold.held().expect("a hold").outside;
    let of = |why: Why| outside.iter().find(|part| part.why == why).map_or(0.0, |part| part.seconds);
    assert!(of(Why::Unknown) >= 50.0 && of(Why::Traffic) == 0.0, "{outside:?}");
    assert!((reduction.speed_check.wheels.as_ref().unwrap().value - 1.03).abs() < 0.002);
    assert!((reduction.ground.wheels_lack - lost).abs() < 0.1 * lost, "{} {lost}", reduction.ground.wheels_lack);
    let speed = reduction.way.speed.unwrap();
    assert!((speed.value - truth).abs() < speed.u95(), "{} {truth}", speed.value);
}

#[test]
fn an_odometer_that_jumps_gives_no_distance() {
    let trip = trip();
    for (change, word) in [(-3_000.0, "jumps back by"), (40_000.0, "jumps ahead by 40 km")] {
        let mut run = trip.run("run=1");
        Arc::make_mut(&mut run.summary).seconds[900..].iter_mut().for_each(|second| second.odometer += change);
        let reduction = one(run);
        assert_eq!((reduction.way.odometer, reduction.speed_check.odometer), (None, None));
        assert!(reduction.problems.iter().any(|p| p.contains(word)), "{:?}", reduction.problems);
    }
}

#[test]
fn without_satellites_there_is_no_check_and_no_zero() {
    let mut run = trip().run("run=1");
    run.fixes.clear();
    let reduction = one(run);
    assert_eq!((reduction.way.fixes, reduction.ground.scale), (None, None));
    assert_eq!((reduction.speed_check.wheels, reduction.speed_check.odometer), (None, None));
    assert!(reduction.way.speed.is_some() && !reduction.way.calibrated);
    // Too little seen is no distance either.
    let mut run = trip().run("run=1");
    run.fixes.truncate(700);
    let reduction = one(run);
    assert_eq!(reduction.way.fixes, None);
    assert!(reduction.ground.scale.is_some() && reduction.problems.iter().any(|p| p.contains("less than half")));
}

#[test]
fn a_car_without_a_wheel_speed_has_its_distance_by_the_receiver() {
    let mut trip = trip();
    trip.without = vec!["distance", "speed", "odometer"];
    let reduction = one(trip.run("run=1"));
    holds(&reduction, &trip, 0.004);
    assert_eq!((reduction.way.speed, reduction.way.odometer, reduction.ground.scale), (None, None, None));
}

#[test]
fn a_cut_run_gives_the_same_ground() {
    let trip = trip();
    let whole = one(trip.run("run=1"));
    let parts = reduce(&trip.cut(777), None, &Options::default());
    let (a, b) = (whole.way.fixes.unwrap(), parts.way.fixes.unwrap());
    assert!((a.value / b.value - 1.0).abs() < 1e-9, "{} {}", a.value, b.value);
    let (a, b) = (whole.ground.scale.unwrap(), parts.ground.scale.unwrap());
    assert!((a.value / b.value - 1.0).abs() < 1e-9, "{} {}", a.value, b.value);
}
