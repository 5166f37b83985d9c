//! What counts as a fix of the line, case by case.

use std::sync::Arc;

use super::super::super::trip::Trip;
use super::*;

fn kept(run: &RunInput) -> (Vec<f64>, Clean) {
    let clean = Clean::of(run, &mut Wheel::of(run, &[]));
    let times = clean.kept(&run.fixes).map(|kept| kept.fix.t).collect();
    (times, clean)
}

#[test]
fn a_receiver_that_moves_its_line_for_good_begins_anew() {
    let mut run = Trip::legs(30.0, &[9_000.0]).run("run=1");
    let all = run.fixes.len();
    // From the 150th second on everything lies 300 m to the north.
    run.fixes[150..].iter_mut().for_each(|fix| fix.latitude += 0.0027);
    let (times, clean) = kept(&run);
    // The car stands for the first 20 s and the last: fixes that repeat a position are not needed.
    assert!(times.len() > all - 25 && clean.jumps == 0, "{} of {all}, {}", times.len(), clean.jumps);
    let breaks: Vec<f64> = clean.kept(&run.fixes).filter(|kept| kept.breaks).map(|kept| kept.fix.t).collect();
    assert_eq!(breaks, [150.0]);
}

#[test]
fn a_speed_that_contradicts_line_and_wheels_is_not_believed() {
    let mut run = Trip::legs(30.0, &[9_000.0]).run("run=1");
    run.fixes[100..110].iter_mut().for_each(|fix| fix.speed = 90.0);
    run.fixes[200].speed = -4.0;
    let (_, clean) = kept(&run);
    let unsure: Vec<f64> = clean.kept(&run.fixes).filter(|kept| kept.speed.is_nan()).map(|kept| kept.fix.t).collect();
    assert!(unsure.len() >= 11 && unsure.iter().all(|t| (99.0..=110.0).contains(t) || *t == 200.0), "{unsure:?}");
    assert_eq!(clean.jumps, 0);
}

#[test]
fn wheels_that_stand_still_do_not_condemn_the_line() {
    let mut run = Trip::legs(30.0, &[9_000.0]).run("run=1");
    run.fixes.iter_mut().for_each(|fix| fix.speed = f32::NAN);
    let base = run.summary.seconds[100].sums.distance;
    Arc::make_mut(&mut run.summary).seconds[100..].iter_mut().for_each(|second| second.sums.distance = base);
    let (times, clean) = kept(&run);
    assert!(clean.jumps == 0 && times.len() > 290, "{} {}", clean.jumps, times.len());
}

#[test]
fn times_that_go_back_are_left_out() {
    let mut run = Trip::legs(30.0, &[9_000.0]).run("run=1");
    run.fixes[120].t = 50.0;
    let (times, _) = kept(&run);
    assert!(times.windows(2).all(|pair| pair[0] < pair[1]));
}
