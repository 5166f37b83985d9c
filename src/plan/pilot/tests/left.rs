//! Energy and distance left, on a car whose figures are known by hand.

use super::super::*;
use super::road::{self, Car};
use crate::plan::picture::RestsOn;

fn known(usable: Option<Guess>) -> Known {
    Known { course: Some(road::course(11, 50.0)), usable, target: Some(MetrePerSecond(30.0)), ..Known::default() }
}

const KWH: f64 = 3.6e6;

/// To and fro between 0 and 40 km until so much is displayed, a row every five seconds.
fn drive(pilot: &mut Pilot, car: &mut Car, until: f64) {
    while car.shown() > until {
        let there =
            car.direction == Direction::Out && car.at >= 40e3 || car.direction == Direction::Back && car.at < 5e3;
        if there {
            car.turn();
        }
        pilot.see(0, &car.drive(5.0));
    }
}

#[test]
fn what_a_car_takes_per_per_cent_tells_what_is_left() {
    // A claim of 53 kWh, give or take 3 %, on a car of 50: the drive draws it there.
    let mut pilot = Pilot::new(known(Some(Guess::new(53.0 * KWH, 0.03 * 53.0 * KWH))));
    let mut car = Car::new();
    let mut widths = Vec::new();
    for (until, rests_on) in [(0.97, RestsOn::Given), (0.5, RestsOn::Both), (0.2, RestsOn::Both), (0.05, RestsOn::Both)]
    {
        drive(&mut pilot, &mut car, until);
        let picture = pilot.picture();
        let left = picture.to_zero.unwrap();
        assert_eq!(picture.rests_on, Some(rests_on));
        assert!((left.mean - car.left()).abs() < 2.0 * left.u, "{until}: {left:?}, not {}", car.left());
        widths.push(left.u / KWH);
    }
    assert!(widths.windows(2).all(|pair| pair[1] < pair[0]), "{widths:?}");
    assert!(widths[3] < 0.25, "{widths:?}");
    let picture = pilot.picture();
    let way = picture.distance_left.unwrap();
    assert!((way.mean - car.left() / 600.0).abs() < 2.0 * way.u, "{way:?}");
    let [out, back] = picture.per_metre.ahead.unwrap();
    assert!((out.mean - 600.0).abs() < 2.0 * out.u && out.u < 20.0, "{out:?}");
    assert!((back.mean - 600.0).abs() < 2.0 * back.u && back.u < 20.0, "{back:?}");
    assert!((picture.per_metre.test.unwrap() - 600.0).abs() < 3.0);
}

#[test]
fn with_nothing_given_nothing_is_said_until_the_drive_has_shown_something() {
    let mut pilot = Pilot::new(known(None));
    let mut car = Car::new();
    drive(&mut pilot, &mut car, 0.99);
    let picture = pilot.picture();
    assert_eq!((picture.to_zero, picture.distance_left, picture.advice), (None, None, None));
    drive(&mut pilot, &mut car, 0.9);
    let early = pilot.picture().to_zero.unwrap();
    drive(&mut pilot, &mut car, 0.4);
    let picture = pilot.picture();
    let late = picture.to_zero.unwrap();
    assert_eq!(picture.rests_on, Some(RestsOn::Drive));
    assert!(early.u / early.mean > 0.08, "{early:?}");
    assert!((late.mean - car.left()).abs() < 2.0 * late.u && late.u < 0.1 * late.mean, "{late:?} {}", car.left());
}

#[test]
fn a_display_that_falls_silent_is_blanked_and_a_person_stands_in() {
    let mut pilot = Pilot::new(known(Some(Guess::new(50.0 * KWH, 1.5 * KWH))));
    let mut car = Car::new();
    drive(&mut pilot, &mut car, 0.6);
    car.display = false;
    for _ in 0..11 {
        pilot.see(0, &car.drive(5.0));
    }
    assert!(pilot.picture().soc.is_some());
    for _ in 0..3 {
        pilot.see(0, &car.drive(5.0));
    }
    let picture = pilot.picture();
    assert_eq!((picture.soc, picture.to_zero, picture.advice), (None, None, None));
    let read = Mark { kind: MarkKind::Soc, value: Some((100.0 * car.shown()).ceil()), text: String::new() };
    pilot.mark(0, RunTime(0), &read);
    for _ in 0..24 {
        pilot.see(0, &car.drive(5.0));
    }
    let picture = pilot.picture();
    assert_eq!(picture.soc.and_then(|shown| shown.marked), Some(crate::time::Span::of_seconds(120)));
    let left = picture.to_zero.unwrap();
    assert!((left.mean - car.left()).abs() < 2.0 * left.u, "{left:?} {}", car.left());
    let zero = Mark { kind: MarkKind::ShowsZero, value: None, text: String::new() };
    pilot.mark(0, RunTime(0), &zero);
    assert_eq!(pilot.picture().to_zero.map(|left| left.mean), Some(0.0));
}

#[test]
fn a_car_whose_pack_is_not_seen_goes_by_distance() {
    let per_metre = Some(Guess::new(600.0, 30.0));
    let mut pilot = Pilot::new(Known { per_metre, ..known(Some(Guess::new(50.0 * KWH, 1.5 * KWH))) });
    let mut car = Car { pack: false, ..Car::new() };
    drive(&mut pilot, &mut car, 0.3);
    let picture = pilot.picture();
    let way = picture.distance_left.unwrap();
    assert!((way.mean - car.left() / 600.0).abs() < 2.0 * way.u, "{way:?} {}", car.left() / 600.0);
    assert!(picture.advice.is_some());
    assert_eq!((picture.driven.energy, picture.per_metre.test), (None, None));
}

#[test]
fn runs_join_and_a_charge_begins_anew() {
    let mut pilot = Pilot::new(known(Some(Guess::new(50.0 * KWH, 1.5 * KWH))));
    let mut car = Car::new();
    drive(&mut pilot, &mut car, 0.6);
    let before = pilot.picture();
    // The car slept for a minute; its sums and its clock begin anew.
    let (taken, driven, t) = (car.taken, car.driven, car.t);
    let anew = |car: &mut Car, pilot: &mut Pilot| {
        let mut row = car.drive(5.0);
        row.at = RunTime(((car.t - t) * 1e6) as i64);
        row.sums.energy_out -= taken;
        row.sums.distance -= driven * road::WHEELS;
        pilot.see(1, &row);
    };
    for _ in 0..60 {
        anew(&mut car, &mut pilot);
    }
    let after = pilot.picture();
    let driven = after.driven.distance.unwrap() - before.driven.distance.unwrap();
    assert!((driven - 60.0 * 150.0).abs() < 250.0, "{driven}");
    let left = after.to_zero.unwrap();
    assert!((left.mean - car.left()).abs() < 2.0 * left.u, "{left:?} {}", car.left());
    // Half an hour at a plug.
    let mut row = car.row();
    (row.phase, row.at) = (Phase::Charge, RunTime(4_000_000_000));
    pilot.see(2, &row);
    row.at = RunTime(5_800_000_000);
    row.sums.energy_charged = 10.0 * KWH;
    row.roles[Role::Soc as usize] = 80.0;
    pilot.see(2, &row);
    let picture = pilot.picture();
    assert_eq!((picture.phase, picture.to_zero, picture.advice), (Some(Phase::Charge), None, None));
    row.at = RunTime(5_801_000_000);
    row.phase = Phase::Stand;
    pilot.see(2, &row);
    let picture = pilot.picture();
    assert_eq!((picture.driven.distance, picture.driven.time), (Some(0.0), 0.0));
    let left = picture.to_zero.unwrap();
    assert!((left.mean / (0.8 * 50.0 * KWH) - 1.0).abs() < 0.04, "{left:?}");
}
