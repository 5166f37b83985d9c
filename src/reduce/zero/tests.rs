//! Readings of the zero whose mean is known, and what taking it off does.

use std::sync::Arc;

use super::*;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, reduce};

fn read(at: f64, mean: f64, u: f64) -> Read {
    Read { at, mean, u, dof: 20.0 }
}

#[test]
fn one_reading_before_the_drive() {
    // A random walk of s per root hour known at its start: its mean over T hours has the variance s² T / 3 (by integration);
    // the declared tolerance as a prior takes next to nothing off where the reading is sharp.
    let (mean, by_reading, by_drift) = mean_zero(&[read(0.0, 0.5, 0.01)], (0.0, 3.0), 1.0).unwrap();
    assert!((mean - 0.5).abs() < 1e-4 && (by_reading - 0.01).abs() < 1e-4, "{mean} {by_reading}");
    assert!((by_drift - 0.3).abs() < 1e-3, "{by_drift}");
    // An hour between the two adds the walk of that hour.
    let (_, _, later) = mean_zero(&[read(0.0, 0.5, 0.01)], (1.0, 4.0), 1.0).unwrap();
    assert!((later - (0.09 + 0.09f64).sqrt()).abs() < 2e-3, "{later}");
}

#[test]
fn a_reading_at_both_ends() {
    // Brownian bridge: the mean of a walk over T hours, known at both ends, has the variance s² T / 12, and is half of both.
    let (mean, _, by_drift) = mean_zero(&[read(0.0, 0.4, 0.0), read(3.0, 0.6, 0.0)], (0.0, 3.0), 1.0).unwrap();
    assert!((mean - 0.5).abs() < 1e-3, "{mean}");
    assert!((by_drift - 0.3 * (3.0f64 / 12.0).sqrt()).abs() < 1e-3, "{by_drift}");
}

#[test]
fn a_blurred_reading_leaves_the_declared_tolerance() {
    let (mean, by_reading, by_drift) = mean_zero(&[read(0.0, 5.0, 100.0)], (0.0, 1.0), 1.0).unwrap();
    assert!(mean < 0.01 && (by_reading.hypot(by_drift) - (1.0f64 + 0.09 / 3.0).sqrt()).abs() < 1e-3, "{mean}");
}

#[test]
fn it_is_taken_off_energy_and_charge_and_said() {
    let car = Car { errors: [0.0, 0.8, 0.0], ..Car::plain() };
    let drive = Drive::of(&car, &mut Chance::new(1));
    let rows = drive.window(100.0, 0.0);
    let (truth, usable) = (drive.true_net(&rows), drive.true_usable());
    let run = drive.run("run=1", rows);
    let plain = reduce(std::slice::from_ref(&run), None, &Options::default());
    let off = |reduction: &crate::reduce::Reduction| reduction.energy.net.as_ref().unwrap().value / truth.0 - 1.0;
    assert!(off(&plain) > 0.01, "0.8 A in some 55 A");
    let mut read = run;
    Arc::make_mut(&mut read.summary).open_stretches =
        vec![OpenStretch { from_s: -60.0, to_s: 0.0, mean: 0.8, u: 0.01, blocks: 29 }];
    let corrected = reduce(std::slice::from_ref(&read), None, &Options::default());
    assert!(off(&corrected).abs() < 2e-4, "{}", off(&corrected));
    let charge = corrected.energy.charge.as_ref().unwrap();
    assert!((charge.value / truth.1 - 1.0).abs() < 2e-4);
    let full = corrected.usable.energy.as_ref().unwrap();
    assert!((full.value / usable.0 - 1.0).abs() < 5e-4, "{} {}", full.value, usable.0);
    assert!(corrected.energy.net.as_ref().unwrap().u() < plain.energy.net.as_ref().unwrap().u());
    assert!(corrected.stated.iter().any(|word| word.starts_with("current zero 0.80 A read")), "{:?}", corrected.stated);
    // A reading that is none of a zero corrects nothing, and is told.
    Arc::make_mut(&mut read.summary).open_stretches[0].mean = 30.0;
    let refused = reduce(&[read], None, &Options::default());
    assert_eq!(refused.energy.net, plain.energy.net);
    assert!(refused.problems.iter().any(|problem| problem.contains("far beyond its tolerance")));
}

#[test]
fn seconds_and_points_are_shifted_alike() {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(3));
    let mut summary = Arc::unwrap_or_clone(drive.run("run=1", 0..3_001).summary);
    let before = summary.seconds.last().unwrap().net();
    let (volt, power) = (summary.seconds[1_500].voltage[0], summary.seconds[1_500].power_ends);
    shift(&mut summary, 0.8);
    for (end, was) in summary.seconds[1_500].power_ends.iter().zip(power) {
        assert!((was - end - 0.8 * volt).abs() < 0.1, "{was} {end}");
    }
    let (second, point) = (summary.seconds.last().unwrap(), summary.last().unwrap());
    assert!((second.net() - point.energy()).abs() < 1.0 && (second.charge() - point.charge()).abs() < 1e-3);
    // 0.8 A for 6000 s at some 390 V: about 1.9 MJ less.
    assert!((before - second.net() - 0.8 * second.volt_seconds).abs() < 1.0 && before - second.net() > 1.7e6);
}

#[test]
fn time_at_the_plug_takes_no_charge_off_the_drive() {
    let second = |t: f64, phase: Phase| {
        let drive = Drive::of(&Car::plain(), &mut Chance::new(3));
        Second { t, phase, ..drive.run("run=1", 0..10).summary.seconds[0] }
    };
    // 10 s of driving, 100 s at the plug, 10 s of driving.
    let seconds = [
        second(0.0, Phase::Drive),
        second(10.0, Phase::Drive),
        second(110.0, Phase::Charge),
        second(120.0, Phase::Drive),
    ];
    let open = OpenTime::of(&seconds);
    assert_eq!(
        [0.0, 5.0, 10.0, 60.0, 110.0, 115.0, 130.0].map(|t| open.at(t)),
        [0.0, 5.0, 10.0, 10.0, 10.0, 15.0, 20.0]
    );
}
