//! Charging from a plug: each session's energy, power, windows of the state of charge, taper and temperatures.
//!
//! A session lasts from the first energy out of a plug to the last; a pause of less than 10 min in which the car stands
//! belongs to it. What was not charged through is not measured. Pure; reads no file.

mod curve;
mod series;

use super::estimate::Estimate;
use super::reduction::Test;
use super::rises::Rise;
use super::sources;
use crate::format;
use crate::time::{Span, WallClock};

pub use curve::{Peak, Point, Taper, Window};
use series::Series;

/// Energy per ten minutes is told over this time, s.
const TEN_MINUTES_S: f64 = 600.0;
/// A session seen from its first second has at least this long of the recording before it, and after it, s.
const MARGIN_S: f64 = 5.0;

/// A charging session.
#[derive(Clone, PartialEq, Debug)]
pub struct Session {
    /// The run that it is in, and its place among the runs.
    pub run: (String, usize),
    /// When it began, where a clock said it.
    pub start: Option<WallClock>,
    /// First and last moment, s of run time.
    pub time: (f64, f64),
    /// Of that, with the pack's power unobserved, s; estimated from the power on both sides.
    pub unobserved: f64,
    /// First and last reading of the state of charge that counts, percent.
    pub soc: (Option<f64>, Option<f64>),
    /// Energy into the pack, J; `None` where too much of it was not observed.
    pub energy: Option<Estimate>,
    /// Charge into the pack, C.
    pub charge: Option<Estimate>,
    /// Mean power of the whole session, W.
    pub mean_power: Option<Estimate>,
    /// The greatest power.
    pub peak: Option<Peak>,
    /// Windows of the state of charge that were asked for.
    pub windows: Vec<Window>,
    /// Mean power over the best ten minutes, W.
    pub best_ten_minutes: Option<Estimate>,
    /// Distance for ten minutes of charging, m: at the mean power (of the first window measured, else of the session), and
    /// over the best ten minutes.
    pub gained: (Option<Estimate>, Option<Estimate>),
    /// Where the power fell for good below shares of its peak.
    pub taper: Vec<Taper>,
    /// Temperature of the pack at the start, at the end and at most, degC.
    pub pack_degc: [Option<f64>; 3],
    /// Power over time.
    pub by_time: Vec<Point>,
    /// Power over the state of charge, by whole percent.
    pub by_percent: Vec<Point>,
    /// The recording holds some seconds before it, and after it.
    pub seen_from: (bool, bool),
    /// Integral of the squared current, A² s; `None` without a current.
    pub current_squared: Option<f64>,
    /// What the car's consumers drew in it, J, and whether the map separates all of them.
    pub consumers: (f64, bool),
}

impl Session {
    /// Its length, s.
    pub fn duration(&self) -> f64 {
        self.time.1 - self.time.0
    }
}

pub(super) fn of(
    test: &Test<'_>,
    consumption: Option<&Estimate>,
    rises: &[Rise],
    problems: &mut Vec<String>,
) -> Vec<Session> {
    let mut sessions = Vec::new();
    for at in 0..test.runs.len() {
        for series in series::of(test, at) {
            sessions.push(session(test, &series, consumption, rises, problems));
        }
    }
    sessions
}

fn session(
    test: &Test<'_>,
    series: &Series<'_>,
    consumption: Option<&Estimate>,
    rises: &[Rise],
    problems: &mut Vec<String>,
) -> Session {
    let run = &test.runs[series.run];
    let (first, last) = (series.first(), series.last());
    let whole = series.between(0, series.samples.len() - 1);
    let share = whole.filled / whole.energy;
    let measured = whole.energy > 0.0 && share <= test.options.estimated_share_max;
    if !measured {
        let (share, name) = (format::share(share), &run.name);
        problems.push(format!("{name}: the charge is not measured: {share} of its energy was not observed"));
    }
    let power = |part: &series::Part| part.energy_estimate(test).map(|energy| energy.scale(1.0 / part.time));
    let mean_power = power(&whole).filter(|_| measured);
    let inside = |rise: &&Rise| rise.run == run.name && (first.t..=last.t).contains(&rise.at);
    let rises: Vec<&Rise> = rises.iter().filter(inside).collect();
    let windows: Vec<Window> =
        test.options.charge_windows.iter().map(|window| curve::window(test, series, *window, &rises)).collect();
    let best = series.best(TEN_MINUTES_S).filter(|_| measured).and_then(|(a, b)| power(&series.between(a, b)));
    let gained = |power: Option<&Estimate>| power?.scale(TEN_MINUTES_S).ratio(consumption?);
    let mean_of = windows.iter().find_map(|window| window.mean_power.as_ref()).or(mean_power.as_ref());
    let peak = curve::peak(test, series).filter(|_| measured);
    let (before, after) = (run.summary.first().map_or(first.t, |p| p.t), run.summary.last().map_or(last.t, |p| p.t));
    Session {
        run: (run.name.clone(), series.run),
        start: run.start.map(|start| start + Span::from_seconds(first.t)),
        time: (first.t, last.t),
        unobserved: whole.unobserved,
        soc: series.soc_ends(),
        energy: whole.energy_estimate(test).filter(|_| measured),
        charge: whole.charge_estimate(test).filter(|_| measured),
        best_ten_minutes: best.clone(),
        gained: (gained(mean_of), gained(best.as_ref())),
        taper: peak.as_ref().map(|peak| curve::taper(series, peak.power.value)).unwrap_or_default(),
        peak,
        windows,
        mean_power,
        pack_degc: series.pack_degc(),
        by_time: curve::by_time(series),
        by_percent: curve::by_percent(series),
        seen_from: (first.t - before >= MARGIN_S, after - last.t >= MARGIN_S),
        current_squared: series.current_squared(),
        consumers: series.consumers(),
    }
}

/// Standard uncertainty of the time between two readings that were reached, s: both are seen within the update and the lag
/// of the display, as ticks are.
fn between_readings() -> f64 {
    2f64.sqrt() * (1.0 / 12.0 + super::capacity::LAG_S.powi(2)).sqrt()
}

/// A time with what the readings at its ends add.
fn timed(seconds: f64) -> Estimate {
    Estimate::exact(seconds).with_b(sources::TICKS, between_readings())
}

#[cfg(test)]
pub(crate) mod tests;
