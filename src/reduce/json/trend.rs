//! The trend over several tests as JSON.
//!
//! Rounds nothing.

use serde::Serialize;

use super::{Figure, figure};
use crate::quantity::{COULOMB_PER_AH, JOULE_PER_KWH};
use crate::reduce::trend::{Line, Trend};

#[derive(Serialize)]
struct TrendJson<'a> {
    schema: u32,
    vehicle: &'a str,
    energy: OfJson<'a>,
    charge: OfJson<'a>,
}

#[derive(Serialize)]
struct OfJson<'a> {
    unit: &'static str,
    tests: Vec<TestJson<'a>>,
    per_year: Option<LineJson>,
    per_ten_thousand_km: Option<LineJson>,
    why: Vec<&'a str>,
}

#[derive(Serialize)]
struct TestJson<'a> {
    name: &'a str,
    start_utc: Option<String>,
    odometer_km: Option<f64>,
    usable: Figure,
}

#[derive(Serialize)]
struct LineJson {
    first: Figure,
    last: Figure,
    slope: Figure,
    kept_percent: Option<Figure>,
    span: f64,
}

/// The trends of usable energy and charge as pretty JSON with a line end.
pub fn trend(vehicle: &str, energy: &Trend, charge: &Trend) -> String {
    let json = TrendJson {
        schema: super::SCHEMA,
        vehicle,
        energy: of(energy, JOULE_PER_KWH, "kWh"),
        charge: of(charge, COULOMB_PER_AH, "Ah"),
    };
    // Plain structs of numbers and texts: there is nothing in them that could fail to be written.
    serde_json::to_string_pretty(&json).unwrap_or_default() + "\n"
}

fn of<'a>(trend: &'a Trend, factor: f64, unit: &'static str) -> OfJson<'a> {
    let line = |line: &Line| LineJson {
        first: figure(&line.at_first, factor),
        last: figure(&line.at_last, factor),
        slope: figure(&line.slope, factor),
        kept_percent: line.kept.as_ref().map(|kept| figure(kept, 0.01)),
        span: line.span,
    };
    let tests = trend.tests.iter().map(|test| TestJson {
        name: &test.name,
        start_utc: test.at.map(|at| at.iso()),
        odometer_km: test.odometer.map(|m| m / 1e3),
        usable: figure(&test.value, factor),
    });
    let why = [&trend.by_time, &trend.by_distance].into_iter().filter_map(|line| line.as_ref().err());
    OfJson {
        unit,
        tests: tests.collect(),
        per_year: trend.by_time.as_ref().ok().map(line),
        per_ten_thousand_km: trend.by_distance.as_ref().ok().map(line),
        why: why.map(String::as_str).collect(),
    }
}
