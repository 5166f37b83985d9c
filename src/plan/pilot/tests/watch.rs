//! Steps in power, and what spoils a test, by hand.

use super::super::*;
use super::road::{self, Car};

fn known() -> Known {
    Known {
        course: Some(road::course(11, 50.0)),
        usable: Some(Guess::new(50.0 * 3.6e6, 1.5 * 3.6e6)),
        target: Some(MetrePerSecond(30.0)),
        ..Known::default()
    }
}

/// To and fro between 0 and 40 km for so many seconds; `heater`: what its role says, W.
fn drive(pilot: &mut Pilot, car: &mut Car, seconds: u32, heater: Option<f64>) {
    for _ in 0..seconds {
        if car.direction == Direction::Out && car.at >= 40e3 || car.direction == Direction::Back && car.at < 5e3 {
            car.turn();
        }
        let mut row = car.drive(1.0);
        if let Some(power) = heater {
            row.roles[Role::BatteryHeaterPower as usize] = power;
        }
        pilot.see(0, &row);
    }
}

#[test]
fn a_heater_that_comes_on_is_named_kept_out_of_late_and_carried_forward() {
    let (mut pilot, mut car) = (Pilot::new(known()), Car::new());
    drive(&mut pilot, &mut car, 1_100, Some(200.0));
    let before = pilot.picture();
    assert_eq!(before.step, None);
    car.extra = 4_000.0;
    drive(&mut pilot, &mut car, 200, Some(4_200.0));
    let during = pilot.picture();
    let step = during.step.unwrap();
    assert_eq!(step.by, Some(Role::BatteryHeaterPower));
    assert!((step.power - 4_000.0).abs() < 150.0, "{step:?}");
    assert!((100.0..=200.0).contains(&step.since.seconds()), "{step:?}");
    // 4 kW at 30 m/s are 133 J/m.
    let out = |picture: &Picture| picture.per_metre.ahead.unwrap()[0].mean;
    assert!((out(&during) - out(&before) - 133.0).abs() < 50.0, "{} {}", out(&during), out(&before));
    assert!((during.per_metre.last_10_km.unwrap() - 600.0).abs() < 35.0, "{:?}", during.per_metre);
    car.extra = 0.0;
    drive(&mut pilot, &mut car, 150, Some(200.0));
    assert_eq!(pilot.picture().step, None);
}

#[test]
fn without_a_role_the_power_itself_tells_it_but_not_under_what_name() {
    let (mut pilot, mut car) = (Pilot::new(known()), Car::new());
    drive(&mut pilot, &mut car, 1_000, None);
    assert_eq!(pilot.picture().step, None);
    car.extra = 5_000.0;
    drive(&mut pilot, &mut car, 250, None);
    let step = pilot.picture().step.unwrap();
    assert_eq!(step.by, None);
    assert!((step.power - 5_000.0).abs() < 1_000.0, "{step:?}");
    let out = pilot.picture().per_metre.ahead.unwrap()[0];
    assert!((out.mean - 600.0 - 5_000.0 / 30.0).abs() < 60.0, "{out:?}");
    car.extra = 0.0;
    drive(&mut pilot, &mut car, 300, None);
    assert_eq!(pilot.picture().step, None);
}

#[test]
fn wind_stops_cold_and_gaps_spoil_a_comparison() {
    let (mut pilot, mut car) = (Pilot::new(known()), Car { usable: 90.0 * 3.6e6, ..Car::new() });
    // With drag at 0.6 of the energy, 8 m/s of wind along the road differ by 0.6 * 4 * 8 / 30 = 0.64 of the mean.
    car.takes = [600.0 * 0.68, 600.0 * 1.32];
    drive(&mut pilot, &mut car, 600, None);
    car.speed = 0.0;
    drive(&mut pilot, &mut car, 60, None);
    car.speed = 30.0;
    let mut row = car.drive(1.0);
    row.roles[Role::AmbientTemperature as usize] = 1.5;
    pilot.see(0, &row);
    // A minute without the bus: its energy is in no sum.
    let (unseen, mut gap) = (car.clone(), 0.0);
    for second in 0..3_000 {
        if car.direction == Direction::Out && car.at >= 40e3 || car.direction == Direction::Back && car.at < 5e3 {
            car.turn();
        }
        let mut row = car.drive(if second == 0 { 60.0 } else { 1.0 });
        if second == 0 {
            gap = car.taken - unseen.taken;
            assert_eq!(pilot.picture().worth, None);
        }
        row.sums.energy_out -= gap;
        row.sums.time_unobserved = 60.0;
        pilot.see(0, &row);
    }
    let worth = pilot.picture().worth.unwrap();
    let says = |what: &str| worth.spoiled.iter().any(|why| why.contains(what));
    assert_eq!(worth.pairs, 1);
    assert!(says("wind of") && says("stopped once") && says("colder than 5") && says("unobserved"), "{worth:?}");
    assert!(!says("held"), "{worth:?}");
    // 0.68 and 1.32 of 600 J/m.
    assert!((worth.per_metre.mean - 600.0).abs() < 3.0 * worth.per_metre.u, "{worth:?}");
}
