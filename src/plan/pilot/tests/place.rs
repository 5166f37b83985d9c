//! Where the car is, on a road where that is known by hand.

use super::super::*;
use super::road::{self, Car};
use crate::plan::picture::{KnownBy, Whereabouts};

fn mark(kind: MarkKind, value: Option<f64>) -> Mark {
    Mark { kind, value, text: String::new() }
}

fn pilot(course: Arc<Course>) -> Pilot {
    let usable = Some(Guess::new(50.0 * 3.6e6, 1.5 * 3.6e6));
    Pilot::new(Known { course: Some(course), usable, target: Some(MetrePerSecond(30.0)), ..Known::default() })
}

/// Drives so many seconds; where the car is thought to be then.
fn drive(pilot: &mut Pilot, car: &mut Car, seconds: u32) -> Whereabouts {
    for _ in 0..seconds {
        pilot.see(0, &car.drive(1.0));
        // Advice is what the doubt learns of a planned turn from.
        if (car.t as u64).is_multiple_of(20) {
            pilot.picture();
        }
    }
    pilot.picture().here.unwrap()
}

fn off(here: &Whereabouts, car: &Car) -> f64 {
    (here.at.0 - car.at).abs()
}

#[test]
fn fixes_tell_the_place_and_coming_back_tells_the_turn() {
    let (mut pilot, mut car) = (pilot(road::course(11, 50.0)), Car::new());
    let here = drive(&mut pilot, &mut car, 600);
    assert!(off(&here, &car) < 1.0 && here.direction == Direction::Out, "{here:?}");
    assert_eq!((here.by, here.u), (KnownBy::Fix, 15.0));
    drive(&mut pilot, &mut car, 67);
    car.turn();
    let here = drive(&mut pilot, &mut car, 20);
    assert_eq!(here.direction, Direction::Out, "the turn's own way");
    let here = drive(&mut pilot, &mut car, 10);
    assert_eq!((here.direction, here.by), (Direction::Back, KnownBy::Fix));
    let driven = pilot.picture().driven;
    assert!((driven.distance.unwrap() / car.driven - 1.0).abs() < 0.003, "{driven:?}");
    assert!(driven.leg.unwrap() < 900.0);
}

#[test]
fn a_trembling_fix_is_no_turn() {
    let (mut pilot, mut car) = (pilot(road::course(11, 50.0)), Car::new());
    drive(&mut pilot, &mut car, 300);
    for second in 0..200 {
        let mut row = car.drive(1.0);
        // 40 m to and fro, and the car stands in between.
        row.longitude_deg += if second % 2 == 0 { 3.6e-4 } else { -3.6e-4 };
        car.speed = if (60..120).contains(&second) { 0.0 } else { 30.0 };
        pilot.see(0, &row);
        assert_eq!(pilot.picture().here.unwrap().direction, Direction::Out, "{second}");
    }
    assert_eq!(pilot.picture().driven.leg, pilot.picture().driven.distance);
}

#[test]
fn in_a_tunnel_the_wheels_go_on_with_what_was_learned() {
    let (mut pilot, mut car) = (pilot(road::course(11, 100.0)), Car::new());
    drive(&mut pilot, &mut car, 900);
    car.fixes = false;
    let here = drive(&mut pilot, &mut car, 300);
    // 9 km by wheels that show 1 % more: 90 m too far if that were not known by now.
    assert_eq!(here.by, KnownBy::Distance);
    assert!(off(&here, &car) < 40.0, "{here:?} {}", car.at);
    assert!((18.0..80.0).contains(&here.u), "{here:?}");
    car.fixes = true;
    let here = drive(&mut pilot, &mut car, 2);
    assert!(off(&here, &car) < 1.0 && here.by == KnownBy::Fix && here.direction == Direction::Out, "{here:?}");
}

#[test]
fn a_receiver_that_is_stuck_is_not_believed() {
    let (mut pilot, mut car) = (pilot(road::course(11, 100.0)), Car::new());
    drive(&mut pilot, &mut car, 600);
    let stuck = car.at / 111_319.490_793;
    for _ in 0..100 {
        let mut row = car.drive(1.0);
        row.longitude_deg = stuck;
        pilot.see(0, &row);
    }
    let here = pilot.picture().here.unwrap();
    assert!(here.by == KnownBy::Distance && off(&here, &car) < 150.0, "{here:?} {}", car.at);
}

#[test]
fn without_positions_marks_tell_the_turns() {
    let (mut pilot, mut car) = (pilot(road::blind(&road::course(11, 50.0))), Car::new());
    car.fixes = false;
    // 20.1 km; the place to turn is at 20 km.
    let here = drive(&mut pilot, &mut car, 667);
    assert!(here.by == KnownBy::Distance && off(&here, &car) < 2.0 * here.u, "{here:?} {}", car.at);
    assert!((200.0..700.0).contains(&here.u), "{here:?}");
    car.turn();
    drive(&mut pilot, &mut car, 10);
    pilot.mark(0, RunTime(0), &mark(MarkKind::Turned, None));
    let here = drive(&mut pilot, &mut car, 1);
    assert_eq!(here.direction, Direction::Back);
    assert!(off(&here, &car) < 300.0 && here.u < 300.0, "{here:?} {}", car.at);
    // The same turn once more: a passenger who presses twice.
    drive(&mut pilot, &mut car, 20);
    pilot.mark(0, RunTime(0), &mark(MarkKind::Turned, None));
    let here = drive(&mut pilot, &mut car, 100);
    assert_eq!(here.direction, Direction::Back);
    assert!(off(&here, &car) < 2.0 * here.u, "{here:?} {}", car.at);
}

#[test]
fn a_turn_that_nobody_saw_leaves_both_open_unless_the_car_was_fast() {
    let course = road::blind(&road::course(11, 50.0));
    for slow in [true, false] {
        let mut pilot = pilot(course.clone());
        // Little is left: the plan turns at 5 km.
        let mut car = Car { fixes: false, ..Car::new() };
        car.taken = 0.82 * car.usable;
        drive(&mut pilot, &mut car, 150);
        let planned = pilot.picture().advice.unwrap().plan.unwrap().sequence.acts[0];
        let to = course.places[planned.0].at.0;
        while car.at < to {
            drive(&mut pilot, &mut car, 1);
        }
        car.speed = if slow { 12.0 } else { 30.0 };
        car.turn();
        drive(&mut pilot, &mut car, 60);
        car.speed = 30.0;
        let here = drive(&mut pilot, &mut car, 150);
        assert_eq!(here.u > 1_500.0, slow, "{here:?}");
        if slow {
            // Half the distance between the two: both lie within.
            assert!(off(&here, &car) < 2.2 * here.u, "{here:?} {}", car.at);
            let first = pilot.picture().advice.unwrap().plan.unwrap().sequence.acts[0];
            assert_eq!(first.1, crate::plan::turning::Act::Turn, "safe if it has not turned, too");
            pilot.mark(0, RunTime(0), &mark(MarkKind::Turned, None));
            let here = drive(&mut pilot, &mut car, 1);
            assert!(here.direction == Direction::Back && off(&here, &car) < 1_000.0, "{here:?} {}", car.at);
        }
    }
}

#[test]
fn a_car_beside_the_course_is_nowhere_on_it() {
    let (mut pilot, mut car) = (pilot(road::course(11, 50.0)), Car::new());
    car.taken = 0.1 * car.usable;
    for _ in 0..200 {
        let mut row = car.drive(1.0);
        row.latitude_deg = 0.2;
        pilot.see(0, &row);
    }
    let picture = pilot.picture();
    assert!(picture.here.is_none() && picture.advice.is_none() && picture.to_zero.is_some());
    let here = drive(&mut pilot, &mut car, 5);
    assert!(off(&here, &car) < 1.0, "{here:?}");
}

#[test]
fn without_wheels_fixes_count_the_way() {
    let (mut pilot, mut car) = (pilot(road::course(11, 50.0)), Car::new());
    for _ in 0..600 {
        let mut row = car.drive(1.0);
        row.roles[Role::Speed as usize] = f64::NAN;
        row.sums.distance = f64::NAN;
        row.phase = Phase::Stand;
        pilot.see(0, &row);
    }
    let picture = pilot.picture();
    // The first row and the first fix begin the count.
    assert!((picture.driven.distance.unwrap() - car.driven).abs() < 61.0, "{:?}", picture.driven);
    assert!((picture.speed.unwrap() - 30.0).abs() < 0.1 && picture.driven.time > 580.0);
    assert!(off(&picture.here.unwrap(), &car) < 1.0);
}
