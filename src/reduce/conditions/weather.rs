//! What a drive met and used besides the road: air, heights, accessories; and the conditions that forbid restating.
//!
//! By the card where it says so, else by the car and the fixes. Restates nothing.

use super::WIND_MAX;
use super::air;
use super::way::{self, Piece};
use crate::card::{Card, PressureOf};
use crate::format;
use crate::ledger::Phase;
use crate::reduce::input::RunInput;
use crate::reduce::reduction::Test;

/// Outside these temperatures, degC, nothing is restated.
const TEMPERATURES: std::ops::RangeInclusive<f64> = 5.0..=30.0;
/// Accessories and climate where neither consumers nor a standing car show them, W, and their standard uncertainty; those
/// that a standing car shows, in parts; those that the map separates, in parts. Common practice, no source.
const ACCESSORIES: (f64, f64) = (800.0, 500.0);
const STANDING_U: f64 = 0.3;
const CONSUMERS_U: f64 = 0.05;
/// A car must stand so long to show what it takes, s.
const STANDING_MIN_S: f64 = 120.0;

/// The air of the drive.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Weather {
    /// degC, and whether the car's own sensor says so.
    pub degc: (f64, bool),
    /// Pa at the place, and whether the standard atmosphere says so.
    pub pascal: (f64, bool),
    /// 0 to 1; half where nothing says it.
    pub humidity: f64,
    /// kg/m³.
    pub density: f64,
}

pub(super) fn weather<'p>(test: &Test<'_>, pieces: impl Fn() -> &'p [Piece]) -> Result<Weather, String> {
    let card = test.card.map(|card| card.weather.clone()).unwrap_or_default();
    let by_sensor = || {
        let seconds = test.runs.iter().flat_map(|run| run.summary.seconds.iter());
        let driven =
            seconds.filter(|second| second.phase == Phase::Drive).map(|second| f64::from(second.temperature[0]));
        let (sum, count) = driven.filter(|t| t.is_finite()).fold((0.0, 0.0), |(sum, n), t| (sum + t, n + 1.0));
        (count > 0.0).then(|| (sum / count, true))
    };
    let degc = card.temperature.map(|t| (t.0, false)).or_else(by_sensor);
    let degc = degc.ok_or("no temperature of the air: give weather.temperature_degc, or map ambient_temperature")?;
    let height = height(test, pieces);
    let at_place = match (card.pressure, card.pressure_of) {
        (Some(pascal), Some(PressureOf::Place)) => Some((pascal.0, false)),
        (Some(pascal), Some(PressureOf::SeaLevel)) => {
            height.map(|height| (air::at_height(pascal.0, height, degc.0), false))
        }
        _ => height.map(|height| (air::standard(height), true)),
    };
    let pascal = at_place.ok_or(
        "no pressure of the air at the place: give weather.pressure_hpa with pressure_of, or a course or fixes with heights",
    )?;
    let humidity = card.humidity_percent.map_or(0.5, |percent| percent / 100.0);
    Ok(Weather { degc, pascal, humidity, density: air::density(degc.0, pascal.0, humidity) })
}

/// Mean height of the drive, m: by the course, else by the fixes.
fn height<'p>(test: &Test<'_>, pieces: impl Fn() -> &'p [Piece]) -> Option<f64> {
    let course = test.options.course.as_ref().map(|course| {
        let heights: Vec<f64> = course.places.iter().filter_map(|place| place.elevation.map(|m| m.0)).collect();
        heights.iter().sum::<f64>() / heights.len() as f64
    });
    let by_fixes = || {
        let has_fixes = test.runs.iter().any(|run| !run.fixes.is_empty());
        let pieces = if has_fixes { pieces() } else { &[] };
        let every = pieces.iter().step_by(60).map(|piece| way::height(&test.runs[piece.run].fixes, piece.t));
        let (sum, count) = every.filter(|m| m.is_finite()).fold((0.0, 0.0), |(sum, n), m| (sum + m, n + 1.0));
        sum / count
    };
    course.filter(|m| m.is_finite()).or_else(|| Some(by_fixes())).filter(|m| m.is_finite())
}

/// Net rise from the first to the last driving of each run, m; `None` without heights.
pub(super) fn rise(test: &Test<'_>) -> Option<f64> {
    let of = |run: &RunInput| {
        let (from, to) = run.summary.moving?;
        let rise = way::height(&run.fixes, to) - way::height(&run.fixes, from);
        rise.is_finite().then_some(rise)
    };
    test.runs.iter().filter(|run| run.summary.moving.is_some()).map(of).sum()
}

/// Mean power of accessories and climate while driving, W, and its standard uncertainty.
pub(super) fn accessories(test: &Test<'_>) -> (f64, f64) {
    let (mut energy, mut time, mut known) = (0.0, 0.0, 0.0);
    for step in test.runs.iter().flat_map(|run| run.summary.steps()).filter(|step| step.phase() == Phase::Drive) {
        let [heater, compressor, battery, others] = step.to.consumers.map(f64::from);
        let sum: f64 = [heater, compressor, battery, others].into_iter().filter(|power| power.is_finite()).sum();
        time += step.dt();
        if others.is_finite() && (heater.is_finite() || compressor.is_finite()) {
            known += step.dt();
            energy += sum * step.dt();
        }
    }
    if known > 0.9 * time && known > 0.0 {
        let power = energy / known;
        return (power, power * CONSUMERS_U);
    }
    let standing = test.runs.iter().map(|run| &run.summary.phases[1]);
    let (energy, time) = standing.fold((0.0, 0.0), |(energy, time), phase| {
        (energy + phase.energy_out - phase.energy_in, time + phase.duration - phase.unobserved)
    });
    if time >= STANDING_MIN_S && energy > 0.0 {
        let power = energy / time;
        return (power, (power * STANDING_U).hypot(100.0));
    }
    ACCESSORIES
}

/// Why no figure may be restated under these conditions, if so.
pub(super) fn forbidden(card: Option<&Card>, weather: &Weather) -> Option<String> {
    let degc = weather.degc.0;
    if !TEMPERATURES.contains(&degc) {
        return Some(format!("measured only at {} degC: outside 5 to 30 degC", format::significant(degc, 2)));
    }
    let card = card?;
    if let Some(wind) = card.weather.wind.filter(|wind| wind.0 > WIND_MAX) {
        return Some(format!("measured only in a wind of {} m/s: above 5 m/s", format::significant(wind.0, 2)));
    }
    if card.road.wet_percent.is_some_and(|wet| wet > 0.0) {
        return Some("measured only: the road was wet".into());
    }
    card.trailer.is_some().then(|| "measured only: a trailer is no part of the road load".into())
}
