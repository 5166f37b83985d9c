//! Comparisons against published examples and against arithmetic done by hand; `chance` asks them of drawn tests.

mod chance;
pub(crate) mod fairness;

use super::difference::two_sided;
use super::spread::{PRIOR_DOF, spread};
use super::*;
use crate::reduce::conditions::At;
use crate::reduce::estimate::Kind;
use crate::reduce::sources;
use crate::schema::Role;

/// Facts of a test that may be compared with any other such.
pub(crate) fn facts(name: &str, vehicle: &str) -> Facts {
    Facts {
        name: name.into(),
        vehicle: vehicle.into(),
        has_card: true,
        start: None,
        runs: vec![name.into()],
        target: Some([30.0, 1.0]),
        mean_speed: Some(29.0),
        trailer: None,
        wet_percent: Some(0.0),
        degc: Some(20.0),
        wind: Some(1.0),
        soc: Role::Soc,
        method: Method::Full,
        closed: Ok(()),
        course: None,
        is_rehearsal: false,
        reference: At { name: "SAE", degc: 20.0, pascal: 98_210.0, density: 1.167 },
        setup: Setup::default(),
        instruments: Vec::new(),
    }
}

/// A test of which energy per distance alone is known, with what adds to it in parts.
pub(crate) fn consuming(facts: Facts, value: f64, parts: &[(super::super::Source, f64)]) -> Test {
    let estimate = parts
        .iter()
        .fold(Estimate::exact(value), |sum, (source, part)| sum.with_sensor(source.clone(), *part, "1", value));
    let none = || Err("not asked".to_owned());
    Test { facts, figures: [none(), none(), Ok(estimate), none(), none()] }
}

/// Energy per distance as measured of a comparison.
pub(super) fn consumption(comparison: &Comparison) -> &Compared {
    &comparison.figures[2]
}

fn difference(comparison: &Comparison, pair: usize) -> &Difference {
    consumption(comparison).pairs[pair].difference().expect("compared")
}

fn close(found: f64, wanted: f64) {
    assert!((found - wanted).abs() <= 1e-9 * wanted.abs().max(1e-3), "{found} is not {wanted}");
}

/// NIST/ITL StRD, analysis of variance, data set SiRstv: resistance of silicon by five instruments, five replicates each.
const SIRSTV: [[f64; 5]; 5] = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
];

#[test]
fn pooled_repeats_are_those_certified() {
    // Certified residual standard deviation, 20 degrees of freedom: the repeatability standard deviation pooled.
    const CERTIFIED: f64 = 1.04076068334656e-01;
    let found = SIRSTV.map(|values| repeatability(&values).unwrap());
    let pooled = (found.iter().map(|of| of.dof() * of.sd * of.sd).sum::<f64>() / 20.0).sqrt();
    assert!((pooled / CERTIFIED - 1.0).abs() < 1e-9, "{pooled}");
    let groups: Vec<Vec<(f64, f64)>> = SIRSTV.iter().map(|values| values.map(|value| (value, 0.0)).to_vec()).collect();
    let (parts, dof) = spread(&groups, 0.02).repeats.unwrap();
    // In parts of each instrument's mean, which lie within 4e-4 of each other.
    assert!((parts * 196.18 / CERTIFIED - 1.0).abs() < 5e-4 && dof == 20.0, "{parts}");
}

#[test]
fn repeatability_of_the_standards_own_example() {
    // ISO 5725-2, annex B, sulfur content of coal, level 1: s_r = 0.015 (data and result from memory).
    let coal: [&[f64]; 8] = [
        &[0.71, 0.71, 0.70, 0.71],
        &[0.69, 0.67, 0.68],
        &[0.66, 0.65, 0.69],
        &[0.67, 0.65, 0.66],
        &[0.70, 0.69, 0.66],
        &[0.73, 0.74, 0.73],
        &[0.71, 0.71, 0.69],
        &[0.70, 0.65, 0.68],
    ];
    let found: Vec<Repeats> = coal.iter().map(|values| repeatability(values).unwrap()).collect();
    let dof: f64 = found.iter().map(Repeats::dof).sum();
    let pooled = (found.iter().map(|of| of.dof() * of.sd * of.sd).sum::<f64>() / dof).sqrt();
    assert_eq!(format!("{pooled:.3}"), "0.015");
    assert_eq!(repeatability(&[1.0]), None);
    let two = repeatability(&[10.0, 12.0]).unwrap();
    close(two.sd, 2f64.sqrt());
    close(two.limit(), 2.8 * 2f64.sqrt());
    // chi squared at 1 degree of freedom: 5.0239 and 0.00098207 (tables).
    assert!((two.between[0] - 0.446_15).abs() < 1e-4 && (two.between[1] - 31.910).abs() < 1e-2, "{:?}", two.between);
}

#[test]
fn p_values_are_those_of_the_tables() {
    // GUM table G.2, 95 %: t = 12.71, 2.57, 2.23 at 1, 5, 10 degrees of freedom, 1.960 at infinitely many; to its digits.
    for (t, dof, half_digit) in
        [(12.71, 1.0, 5e-5), (2.57, 5.0, 5e-4), (2.23, 10.0, 8e-4), (1.960, f64::INFINITY, 1e-4)]
    {
        assert!((two_sided(t, dof) - 0.05).abs() < half_digit, "{t}: {}", two_sided(t, dof));
        close(two_sided(-t, dof), two_sided(t, dof));
    }
    assert_eq!((two_sided(0.0, 5.0), two_sided(f64::INFINITY, 5.0), two_sided(f64::NAN, 5.0)), (1.0, 0.0, 1.0));
}

#[test]
fn without_repeats_the_assumed_spread_has_its_own_degrees_of_freedom_once() {
    let tests = [("monday", "heron", 200.0), ("tuesday", "wren", 210.0)]
        .map(|(name, car, value)| consuming(facts(name, car), value, &[]));
    let comparison = compare(&tests, &Options::default());
    let found = difference(&comparison, 0);
    close(found.value.value, -10.0);
    close(found.value.u(), 0.02 * 200f64.hypot(210.0));
    // One spread, known to five degrees of freedom, in both: Welch-Satterthwaite over two sources would say ten.
    close(found.dof, 5.0);
    close(found.value.u95(), 2.570_581_835_6 * found.value.u());
    assert_eq!((consumption(&comparison).spread.basis, found.verdict), (Basis::Assumed, Verdict::NotShown));
    // The figure that a side is told with has the spread of its own.
    let side = consumption(&comparison).sides[0].as_ref().unwrap();
    close(side.u(), 4.0);
}

#[test]
fn what_tests_share_cancels_and_nothing_else() {
    let parts = [
        (sources::CURRENT_GAIN, 0.01),
        (sources::CURRENT_ZERO, 0.004),
        (sources::SPEED_SCALE, 0.003),
        (sources::SAMPLING, 0.002),
    ];
    let u = |a: Facts, b: Facts, other: &[(crate::reduce::Source, f64)]| {
        let tests = [consuming(a, 100.0, &parts), consuming(b, 90.0, other)];
        let comparison = compare(&tests, &Options { each: true, ..Options::default() });
        difference(&comparison, 0).value.u()
    };
    let squares = |parts: &[f64]| parts.iter().map(|part| part * part).sum::<f64>().sqrt();
    let size = 100f64.hypot(90.0);
    let rest = squares(&[0.004 * size, 0.003 * size, 0.002 * size, 0.02 * size]);
    // One car: its gain in both, so that only its share in the difference stays.
    let same = u(facts("1", "heron"), facts("2", "heron"), &parts);
    close(same, squares(&[0.01 * 10.0, rest]));
    // Two cars: nothing is shared.
    close(u(facts("1", "heron"), facts("2", "wren"), &parts), squares(&[0.01 * size, rest]));
    // Two cars, one named instrument; and one car with another instrument each time.
    let with = |name: &str, car: &str, sensor: &str| Facts {
        instruments: vec![(crate::card::Sensor::PackCurrent, sensor.into())],
        ..facts(name, car)
    };
    close(u(with("1", "heron", "clamp"), with("2", "wren", "clamp"), &parts), same);
    close(u(with("1", "heron", "clamp"), with("2", "heron", "other"), &parts), squares(&[0.01 * size, rest]));
    close(u(with("1", "heron", "clamp"), facts("2", "heron"), &parts), squares(&[0.01 * size, rest]));
    // Another tolerance is another calibration.
    let mut other = parts.clone();
    other[0].1 = 0.02;
    let apart = squares(&[0.01 * 100.0, 0.02 * 90.0, rest]);
    close(u(facts("1", "heron"), facts("2", "heron"), &other), apart);
}

#[test]
fn the_mean_of_repeats_lessens_what_is_by_chance_and_not_what_stays() {
    let parts = [(sources::CURRENT_GAIN, 0.01), (sources::CURRENT_ZERO, 0.004), (sources::SAMPLING, 0.005)];
    let values = [("1", "heron", 100.0), ("2", "heron", 104.0), ("3", "wren", 90.0)];
    let tests = values.map(|(name, car, value)| consuming(facts(name, car), value, &parts));
    let comparison = compare(&tests, &Options::default());
    let found = consumption(&comparison);
    assert_eq!(comparison.sides.iter().map(|side| side.tests.clone()).collect::<Vec<_>>(), [vec![0, 1], vec![2]]);
    // By hand: the repeats' variance in parts, (2/102)^2 * 2 with one degree of freedom; what is assumed, with the tests'
    // own chance of 0.005, with five.
    let variance = ((2f64 / 102.0).powi(2) * 2.0 + 5.0 * (0.02f64.powi(2) + 0.005f64.powi(2))) / 6.0;
    close(found.spread.parts, variance.sqrt());
    assert_eq!((found.spread.dof, found.spread.basis), (PRIOR_DOF + 1.0, Basis::Both));
    close(found.spread.contained, 0.005);
    // The tests' own chance is in the repeats' scatter and is not added again; the zero of a car does not average.
    let days = variance * (100f64.powi(2) + 104f64.powi(2)) / 4.0;
    let heron = found.sides[0].as_ref().unwrap();
    close(heron.value, 102.0);
    close(heron.u(), (1.02f64.powi(2) + (0.004f64 * 102.0).powi(2) + days).sqrt());
    let difference = difference(&comparison, 0);
    let wren = 0.9f64.powi(2) + (0.004f64 * 90.0).powi(2) + variance * 90f64.powi(2);
    close(difference.value.u(), (heron.u().powi(2) + wren).sqrt());
    let day_squares = days + variance * 90f64.powi(2);
    close(difference.dof, difference.value.u().powi(4) / (day_squares.powi(2) / 6.0));
    let (name, repeats) = &found.repeats[0];
    assert_eq!((name.as_str(), repeats.n), ("heron", 2));
    close(repeats.sd, 8f64.sqrt());
}

#[test]
fn repeats_that_agree_by_chance_make_nothing_differ() {
    let values = [("1", "heron", 100.0), ("2", "heron", 100.001), ("3", "wren", 97.0), ("4", "finch", 103.0)];
    let tests = values.map(|(name, car, value)| consuming(facts(name, car), value, &[]));
    let comparison = compare(&tests, &Options::default());
    let found = consumption(&comparison);
    assert!(found.spread.parts > 0.018, "{:?}", found.spread);
    assert!(found.differences().all(|(_, found)| found.verdict == Verdict::NotShown), "{:?}", found.pairs);
    // Many that agree are another matter, and so are two that differ by far more than is assumed.
    let many: Vec<(f64, f64)> = (0..10).map(|at| (100.0 + 0.1 * f64::from(at % 3), 0.0)).collect();
    let found = spread(&[many], 0.02);
    assert!(found.basis == Basis::Repeats && found.dof == 9.0 && found.parts < 1e-3, "{found:?}");
    let apart = spread(&[vec![(100.0, 0.0), (90.0, 0.0)]], 0.02);
    assert!(apart.basis == Basis::Repeats && apart.dof == 1.0, "{apart:?}");
    let nearly = spread(&[vec![(100.0, 0.0), (96.0, 0.0)]], 0.02);
    assert!(nearly.basis == Basis::Both && nearly.dof == 6.0, "{nearly:?}");
}

#[test]
fn days_of_one_car_do_not_tell_their_own_spread() {
    let values = [("1", 100.0), ("2", 93.0), ("3", 100.5)];
    let tests = values.map(|(name, value)| consuming(facts(name, "heron"), value, &[]));
    let comparison = compare(&tests, &Options::default());
    assert!(comparison.each && comparison.sides.len() == 3);
    let found = consumption(&comparison);
    assert_eq!((found.spread.basis, found.repeats[0].1.n), (Basis::Assumed, 3));
    assert_eq!(found.differences().count(), 3);
    assert_eq!(comparison.sides[0].name, "heron (1)");
}

#[test]
fn an_order_is_given_where_every_difference_exceeds_its_uncertainty() {
    let order = |values: [f64; 3]| {
        let tests = [("1", "heron"), ("2", "wren"), ("3", "finch")];
        let tests: Vec<Test> =
            tests.iter().zip(values).map(|((name, car), value)| consuming(facts(name, car), value, &[])).collect();
        consumption(&compare(&tests, &Options::default())).order()
    };
    assert_eq!(order([200.0, 100.0, 150.0]), Some(vec![1, 2, 0]));
    assert_eq!(order([200.0, 100.0, 102.0]), None);
}

#[test]
fn unlike_kinds_of_error_keep_their_degrees_of_freedom() {
    let value = Estimate::exact(100.0).with(sources::SAMPLING, 3.0, Kind::A, Some(4.0));
    let mut tests = [("1", "heron"), ("2", "wren")].map(|(name, car)| consuming(facts(name, car), 100.0, &[]));
    tests.iter_mut().for_each(|test| test.figures[2] = Ok(value.clone()));
    let comparison = compare(&tests, &Options::default());
    let found = difference(&comparison, 0);
    // Two samplings of 3 with four degrees of freedom each, and one spread of 2 * sqrt 2 with five.
    close(found.dof, (9.0 + 9.0 + 8f64).powi(2) / (81.0 / 4.0 * 2.0 + 64.0 / 5.0));
}
