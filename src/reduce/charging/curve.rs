//! The charging curve: peak, taper, windows of the state of charge, power over time and over state of charge.
//!
//! Powers are means over 10 s or more, never single readings.

use super::series::{Part, Series};
use super::{between_readings, timed};
use crate::format;
use crate::reduce::estimate::Estimate;
use crate::reduce::reduction::Test;
use crate::reduce::rises::Rise;
use crate::reduce::sources;

/// Powers are means over this time, s.
const MEAN_S: f64 = 10.0;
/// Shares of the peak whose taper points are told.
const SHARES: [f64; 4] = [0.9, 0.75, 0.5, 0.25];
/// What follows a taper point must last so long, s: the end of a session is no taper.
const AFTER_S: f64 = 60.0;
/// Points of the curve over time, at most, and their least distance, s.
const POINTS: f64 = 240.0;
const POINT_S: f64 = 30.0;

/// The greatest mean power over 10 s.
#[derive(Clone, PartialEq, Debug)]
pub struct Peak {
    /// W.
    pub power: Estimate,
    /// Since the session's start, s.
    pub t: f64,
    /// State of charge then, percent.
    pub soc: Option<f64>,
}

/// Where the power fell for good below a share of its peak.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Taper {
    /// The share.
    pub share: f64,
    /// Since the session's start, s.
    pub t: f64,
    /// State of charge then, percent.
    pub soc: Option<f64>,
}

/// A window of the state of charge.
#[derive(Clone, PartialEq, Debug)]
pub struct Window {
    /// From and to, percent.
    pub soc: (f64, f64),
    /// Time from reaching the one to reaching the other, s.
    pub time: Option<Estimate>,
    /// Energy into the pack between them, J.
    pub energy: Option<Estimate>,
    /// Mean power between them, W.
    pub mean_power: Option<Estimate>,
    /// Why it is not measured; empty where it is.
    pub why: String,
}

/// A point of a curve: means over what follows it, up to the next.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Point {
    /// Since the session's start, s.
    pub t: f64,
    /// State of charge, percent.
    pub soc: Option<f64>,
    /// Power into the pack, W.
    pub power: f64,
    /// Temperature of the pack, degC.
    pub pack_degc: Option<f64>,
}

fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

pub(super) fn peak(test: &Test<'_>, series: &Series<'_>) -> Option<Peak> {
    let (from, to) = series.best(MEAN_S)?;
    let part = series.between(from, to);
    let power = part.energy_estimate(test)?.scale(1.0 / part.time);
    Some(Peak { power, t: series.samples[from].t - series.first().t, soc: known(series.samples[from].soc) })
}

/// For each share, the end of the last 10 s in which the mean power reached it, if enough charging follows.
pub(super) fn taper(series: &Series<'_>, peak: f64) -> Vec<Taper> {
    let powers: Vec<(usize, f64)> = series
        .stretches(MEAN_S)
        .map(|(from, to)| {
            let Part { energy, time, .. } = series.between(from, to);
            (to, energy / time)
        })
        .collect();
    let end = series.last();
    let point = |share: f64| {
        let (at, _) = powers.iter().rev().find(|(_, power)| *power >= share * peak)?;
        let sample = &series.samples[*at];
        let goes_on = end.t - sample.t >= AFTER_S && end.energy > sample.energy;
        goes_on.then(|| Taper { share, t: sample.t - series.first().t, soc: known(sample.soc) })
    };
    SHARES.into_iter().filter_map(point).collect()
}

/// Time, energy and mean power from reaching one state of charge to reaching another.
pub(super) fn window(test: &Test<'_>, series: &Series<'_>, soc: (f64, f64), rises: &[&Rise]) -> Window {
    let refused = |why: String| Window { soc, time: None, energy: None, mean_power: None, why };
    let (Some(first), Some(last)) = series.soc_ends() else { return refused("no state of charge was read".into()) };
    if first > soc.0 || last < soc.1 {
        return refused(format!("the session went from {} to {}", format::percent(first), format::percent(last)));
    }
    let reached = |value: f64| series.samples.iter().position(|sample| sample.soc >= value - 1e-6);
    let Some((from, to)) = reached(soc.0).zip(reached(soc.1)) else { return refused("it was not reached".into()) };
    let (start, end) = (series.samples[from].t, series.samples[to].t);
    if rises.iter().any(|rise| (start..=end).contains(&rise.at)) {
        return refused("the state of charge rose in it without the charge that would explain it".into());
    }
    let part = series.between(from, to);
    if part.filled > test.options.estimated_share_max * part.energy {
        return refused("too much of it was not observed".into());
    }
    // A session that began with the reading itself may have reached it some time before: up to a step of the display.
    let per_percent = part.time / (soc.1 - soc.0);
    let rounding = if from == 0 { step(series) * per_percent } else { 0.0 };
    let time = timed(part.time).with_bound(sources::SOC_ROUNDING, rounding);
    let power = part.energy / part.time;
    let energy = part.energy_estimate(test).map(|energy| {
        energy.with_b(sources::TICKS, power * between_readings()).with_bound(sources::SOC_ROUNDING, power * rounding)
    });
    let mean_power = part.energy_estimate(test).map(|energy| energy.scale(1.0 / part.time));
    Window { soc, time: Some(time), energy, mean_power, why: String::new() }
}

/// The display's step while charging, percent: the smallest change seen, 1 where it never changed.
fn step(series: &Series<'_>) -> f64 {
    let changes =
        series.samples.windows(2).map(|pair| (pair[1].soc - pair[0].soc).abs()).filter(|change| *change > 1e-6);
    let least = changes.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 1.0 }
}

fn points(series: &Series<'_>, places: &[usize]) -> Vec<Point> {
    let start = series.first().t;
    let point = |pair: &[usize]| {
        let (sample, part) = (&series.samples[pair[0]], series.between(pair[0], pair[1]));
        let (soc, pack_degc) = (known(sample.soc), known(sample.temperature));
        Point { t: sample.t - start, soc, power: part.energy / part.time, pack_degc }
    };
    places.windows(2).map(point).collect()
}

pub(super) fn by_time(series: &Series<'_>) -> Vec<Point> {
    let duration = series.last().t - series.first().t;
    let spacing = POINT_S.max((duration / POINTS / 10.0).ceil() * 10.0);
    let mut places = vec![0];
    for (at, sample) in series.samples.iter().enumerate() {
        let last = places.last().map_or(0, |last| *last);
        if sample.t - series.samples[last].t >= spacing - 1e-6 {
            places.push(at);
        }
    }
    points(series, &places)
}

pub(super) fn by_percent(series: &Series<'_>) -> Vec<Point> {
    let mut places: Vec<usize> = Vec::new();
    let mut highest = f64::NEG_INFINITY;
    for (at, sample) in series.samples.iter().enumerate() {
        if sample.soc.floor() > highest {
            highest = sample.soc.floor();
            places.push(at);
        }
    }
    // A session begins and ends inside a percent: the piece at the end is as long as it was.
    if places.last().is_some_and(|last| series.samples[*last].t < series.last().t) {
        places.push(series.samples.len() - 1);
    }
    points(series, &places)
}
