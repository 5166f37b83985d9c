//! Several tests of one car: how its usable energy or charge changes over time and distance, with uncertainty.
//!
//! Weighted least squares over the tests. Errors that the tests share (the car's sensors, its display) move all of them
//! alike and all but cancel in the trend; those of a single test weigh it. Pure; knows no file.

use nalgebra::{DMatrix, DVector};

use super::estimate::{Estimate, Kind, Source};
use super::regression::{self, Refused};
use super::sources::{self, SHARED_BY_TESTS};
use crate::time::WallClock;

/// Seconds in a Julian year.
pub const YEAR_S: f64 = 365.25 * 86_400.0;
/// What a trend over distance is told for, m.
pub const TEN_THOUSAND_KM: f64 = 1e7;
/// Tests of one car differ by so much from day to day (temperature, rest, how the charge ended), one standard uncertainty in
/// parts of the figure: common practice, no source.
pub const DAY_TO_DAY: f64 = 0.01;

/// One test.
#[derive(Clone, PartialEq, Debug)]
pub struct Test {
    /// Its name.
    pub name: String,
    /// When it began.
    pub at: Option<WallClock>,
    /// The odometer when it began, m.
    pub odometer: Option<f64>,
    /// Usable energy, J, or charge, C.
    pub value: Estimate,
}

/// A trend over one of the two axes.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// At the first test, on the line.
    pub at_first: Estimate,
    /// At the last test, on the line.
    pub at_last: Estimate,
    /// Change per year, or per 10,000 km.
    pub slope: Estimate,
    /// The last by the first, on the line, a share.
    pub kept: Option<Estimate>,
    /// From the first test to the last, years or 10,000 km.
    pub span: f64,
}

/// What several tests say together.
#[derive(Clone, PartialEq, Debug)]
pub struct Trend {
    /// The tests, in time order.
    pub tests: Vec<Test>,
    /// Over time, or why there is none.
    pub by_time: Result<Line, String>,
    /// Over the odometer, or why there is none.
    pub by_distance: Result<Line, String>,
}

/// The trend of some tests of one car.
pub fn trend(tests: &[Test]) -> Trend {
    let mut tests = tests.to_vec();
    tests.sort_by(|a, b| (a.at, &a.name).cmp(&(b.at, &b.name)));
    let start = tests.iter().find_map(|test| test.at);
    let years = |test: &Test| test.at.zip(start).map(|(at, start)| (at - start).seconds() / YEAR_S);
    let by_time = axis(&tests, years, "a date");
    let by_distance = axis(&tests, |test| test.odometer.map(|m| m / TEN_THOUSAND_KM), "an odometer");
    Trend { tests, by_time, by_distance }
}

fn axis(tests: &[Test], of: impl Fn(&Test) -> Option<f64>, what: &str) -> Result<Line, String> {
    let known: Vec<(f64, &Estimate)> = tests.iter().filter_map(|test| Some((of(test)?, &test.value))).collect();
    if known.len() < 2 {
        return Err(format!("a trend needs two tests with {what}, and there are {}", known.len()));
    }
    line(&known).map_err(|refused| match refused {
        Refused::Singular => format!("all tests have the same {}", what.split(' ').next_back().unwrap_or(what)),
        other => other.to_string(),
    })
}

/// A test's figure with the sources that it shares with none renamed, so that they are its own.
fn own(value: &Estimate, number: usize) -> Estimate {
    let renamed = value.named_by(|part| match SHARED_BY_TESTS.contains(&part.source) {
        true => part.source.clone(),
        false => Source::numbered(&part.source.0, number),
    });
    renamed.with_b(Source::numbered(&sources::BETWEEN_TESTS.0, number), value.value * DAY_TO_DAY)
}

/// Standard uncertainty of what is a test's own.
fn own_u(value: &Estimate) -> f64 {
    let parts = value.components().iter().filter(|part| !SHARED_BY_TESTS.contains(&part.source));
    parts.map(|part| part.contribution * part.contribution).sum::<f64>().sqrt()
}

fn line(known: &[(f64, &Estimate)]) -> Result<Line, Refused> {
    let values: Vec<Estimate> = known.iter().enumerate().map(|(at, (_, value))| own(value, at + 1)).collect();
    let first = known.iter().map(|(x, _)| *x).fold(f64::INFINITY, f64::min);
    let last = known.iter().map(|(x, _)| *x).fold(f64::NEG_INFINITY, f64::max);
    if last <= first {
        return Err(Refused::Singular);
    }
    let sd: Vec<f64> = values.iter().map(own_u).collect();
    // The level is at the first test, so that the two unknowns are what is asked for.
    let x = DMatrix::from_fn(values.len(), 2, |row, column| if column == 0 { 1.0 } else { known[row].0 - first });
    let fit = regression::weighted(&x, &DVector::from_fn(values.len(), |row, _| values[row].value), &sd)?;
    let sum = |unknown: usize| {
        let weight = |row: usize| fit.gain[(unknown, row)] / sd[row];
        (0..values.len()).fold(Estimate::exact(0.0), |sum, row| sum.add(&values[row].scale(weight(row))))
    };
    let (mut level, mut slope) = (sum(0), sum(1));
    // Tests that scatter by more than is their own widen both, as type A, with what covariance the fit gives them.
    let dof = known.len() - 2;
    let birge = if dof > 0 { fit.chi_squared() / dof as f64 } else { 0.0 };
    if birge > 1.0 {
        let excess = (birge - 1.0).sqrt();
        let (l00, l10, l11) = cholesky(&fit.covariance);
        let [a, b] = [1, 2].map(|number| Source::numbered("excess scatter between tests", number));
        let dof = Some(dof as f64);
        level = level.with(a.clone(), l00 * excess, Kind::A, dof);
        slope = slope.with(a, l10 * excess, Kind::A, dof).with(b, l11 * excess, Kind::A, dof);
    }
    let span = last - first;
    let at_last = level.add(&slope.scale(span));
    Ok(Line { kept: at_last.ratio(&level), at_first: level, at_last, slope, span })
}

/// Cholesky's factor of a 2 by 2 covariance.
fn cholesky(covariance: &DMatrix<f64>) -> (f64, f64, f64) {
    let l00 = covariance[(0, 0)].max(0.0).sqrt();
    let l10 = if l00 > 0.0 { covariance[(1, 0)] / l00 } else { 0.0 };
    (l00, l10, (covariance[(1, 1)] - l10 * l10).max(0.0).sqrt())
}

#[cfg(test)]
mod tests;
