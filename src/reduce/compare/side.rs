//! Sides: what is compared, a car with its repeats or a single test; and the mean of a side with the sources of its error.
//!
//! Where an error goes: what tests of one car share (or two cars, by one named instrument) keeps one name for all; what
//! stays in a car but is known no better from test to test has the side's name, so that a mean does not lessen it; what is by
//! chance has the test's name. Knows no other side and forms no difference.

use super::{Facts, reasons};
use crate::card::Sensor;
use crate::reduce::estimate::{Component, Estimate, Source};
use crate::reduce::sources::{self, Nature, SHARED_BY_TESTS};

/// A side.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Side {
    /// Its name, unique among the sides.
    pub name: String,
    /// Its tests, by their place.
    pub tests: Vec<usize>,
}

/// Tests that repeat each other, in the order of their first.
pub fn groups(tests: &[Facts]) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (at, test) in tests.iter().enumerate() {
        let repeats = |group: &&mut Vec<usize>| group.iter().all(|other| reasons::are_repeats(&tests[*other], test));
        match groups.iter_mut().find(repeats) {
            Some(group) => group.push(at),
            None => groups.push(vec![at]),
        }
    }
    groups
}

/// Sides of such tests with their names: the car's, with its tests where two sides are of one name.
pub fn named(groups: Vec<Vec<usize>>, tests: &[Facts]) -> Vec<Side> {
    let car = |group: &[usize]| tests[group[0]].car().to_owned();
    let cars: Vec<String> = groups.iter().map(|group| car(group)).collect();
    let name = |group: &[usize]| {
        let own = car(group);
        let of: Vec<&str> = group.iter().map(|test| tests[*test].name.as_str()).collect();
        if cars.iter().filter(|car| **car == own).count() < 2 { own } else { format!("{own} ({})", of.join(", ")) }
    };
    let names: Vec<String> = groups.iter().map(|group| name(group)).collect();
    names.into_iter().zip(groups).map(|(name, tests)| Side { name, tests }).collect()
}

/// A side's mean without the spread from day to day, and what that adds: a standard deviation of the mean.
#[derive(Clone, Debug)]
pub struct Mean {
    /// The mean with its tests' own sources.
    pub estimate: Estimate,
    /// Root of the sum of the squares of the tests' values, by their number: times the spread in parts, its standard deviation.
    pub weight: f64,
}

/// The standard uncertainty of what is by chance in a test, in parts of its value.
pub fn by_chance(value: &Estimate) -> f64 {
    value.only(is_by_chance).u() / value.value.abs()
}

fn is_by_chance(part: &Component) -> bool {
    Nature::of(&part.source) == Nature::Random
}

/// The mean of a side's tests; `contained` is what of chance the spread from day to day holds already, in parts.
pub fn mean(side: &Side, tests: &[(&Facts, &Estimate)], contained: f64) -> Mean {
    let n = tests.len() as f64;
    let carried = tests.iter().map(|(test, value)| {
        let stays = value.only(|part| !is_by_chance(part)).named_by(|part| stays_as(part, test, side));
        let chance = value.only(is_by_chance).named_by(|part| of(&part.source, &test.name));
        let own = by_chance(value);
        let left = if own > contained { (1.0 - (contained / own).powi(2)).sqrt() } else { 0.0 };
        stays.combined(value.value, 1.0, &chance, left)
    });
    let sum = carried.fold(Estimate::exact(0.0), |sum, one| sum.add(&one));
    let squares: f64 = tests.iter().map(|(_, value)| value.value.powi(2)).sum();
    Mean { estimate: sum.scale(1.0 / n), weight: squares.sqrt() / n }
}

fn of(source: &Source, whose: &str) -> Source {
    Source(format!("{} ({whose})", source.0).into())
}

/// The name of an error that stays: one for all that share it, else the side's.
fn stays_as(part: &Component, test: &Facts, side: &Side) -> Source {
    let sensors = sensors(&part.source);
    let instrument = |sensor: &Sensor| test.instruments.iter().find(|(of, _)| of == sensor).map(|(_, name)| name);
    let names: Vec<&String> = sensors.iter().filter_map(instrument).collect();
    // Two words for one tolerance are two calibrations, and nobody knows that they err alike.
    let size = part.input.map_or(String::new(), |input| format!(", {} {}", input.u, input.unit));
    if names.is_empty() && SHARED_BY_TESTS.contains(&part.source) {
        of(&part.source, &format!("vehicle {}{size}", test.vehicle))
    } else if !names.is_empty() && names.len() == sensors.len() {
        let names: Vec<&str> = names.into_iter().map(String::as_str).collect();
        of(&part.source, &format!("sensor {}{size}", names.join(" and ")))
    } else {
        of(&part.source, &side.name)
    }
}

/// Which sensors an error is of, as far as a card can name their instrument and the error stays in it.
fn sensors(source: &Source) -> &'static [Sensor] {
    const OF: [(Source, &[Sensor]); 8] = [
        (sources::CURRENT_GAIN, &[Sensor::PackCurrent]),
        (sources::VOLTAGE_GAIN, &[Sensor::PackVoltage]),
        (sources::VOLTAGE_ZERO, &[Sensor::PackVoltage]),
        (sources::POWER_GAIN, &[Sensor::PackPower]),
        (sources::POWER_ZERO, &[Sensor::PackPower]),
        (sources::SKEW, &[Sensor::PackCurrent, Sensor::PackVoltage]),
        (sources::SPEED_SCALE, &[Sensor::Speed]),
        (sources::ODOMETER_SCALE, &[Sensor::Odometer]),
    ];
    OF.iter().find(|(known, _)| known == source).map_or(&[], |(_, sensors)| sensors)
}
