//! How long a picture takes on long courses early in a drive, when the most sequences are open.

use std::time::Instant;

use super::super::super::*;
use super::super::road::{self, Car};

/// Mean and longest time of a picture over the first half of a drive, s.
fn pictures(km: f64, kwh: f64) -> (f64, f64) {
    let usable = Some(Guess::new(kwh * 3.6e6, 0.03 * kwh * 3.6e6));
    let course = Some(road::course(30, km));
    let mut pilot = Pilot::new(Known { course, usable, target: Some(MetrePerSecond(30.0)), ..Known::default() });
    let mut car = Car { usable: kwh * 3.6e6, ..Car::new() };
    let (mut sum, mut longest, mut count) = (0.0, 0.0f64, 0.0);
    while car.taken < 0.5 * car.usable {
        if car.at > 0.9 * km * 1e3 && car.direction == Direction::Out
            || car.at < 3e3 && car.direction == Direction::Back
        {
            car.turn();
        }
        for _ in 0..60 {
            pilot.see(0, &car.drive(2.0));
        }
        let started = Instant::now();
        let picture = pilot.picture();
        let took = started.elapsed().as_secs_f64();
        assert!(picture.advice.is_some());
        (sum, longest, count) = (sum + took, longest.max(took), count + 1.0);
    }
    (sum / count, longest)
}

/// With optimisation the aim is 10 ms; a debug build on a busy machine gets fifty times that.
#[test]
fn a_picture_is_quick() {
    let (mean, longest) = pictures(60.0, 80.0);
    println!("{mean} s in the mean, {longest} s at most");
    assert!(mean < 0.5 && longest < 2.0, "{mean} s, {longest} s");
}

/// `cargo test --release --locked --lib pictures_are_timed -- --ignored --nocapture`
#[test]
#[ignore = "a measurement"]
fn pictures_are_timed() {
    for (km, kwh) in [(60.0, 50.0), (60.0, 100.0), (200.0, 50.0), (200.0, 100.0)] {
        let (mean, longest) = pictures(km, kwh);
        println!("{km} km, 30 places, {kwh} kWh: {:.2} ms in the mean, {:.2} ms at most", mean * 1e3, longest * 1e3);
        assert!(longest < 0.1, "{longest} s");
    }
}
