//! Distance: integrated wheel speed, odometer, satellite receiver; which counts, and where they contradict each other.
//!
//! Without a card's word, that with the smallest uncertainty counts. The receiver calibrates the wheels where that makes
//! their distance less uncertain. Pure.
//!
//! Reads no file.

use super::estimate::Estimate;
use super::fold::Second;
use super::ground::Ground;
use super::ground::clean::SPEED_MAX;
use super::input::{Missing, RunInput};
use super::reduction::Test;
use super::sources;
use crate::card::DistanceCounts;
use crate::format;

/// A stretch in which the wheels' signal was wrong is known to this share of what is put in its place: common practice, no source.
const WRONG_U: f64 = 0.1;
/// An odometer runs ahead by no more than this, m, beyond its step (a kilometre at least) and the fastest car's way.
const ODOMETER_AHEAD_M: f64 = 500.0;

/// Distance in metres by every means there is.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Way {
    /// Integral of the wheel speed, gaps filled, at the receiver's scale where that is known better.
    pub speed: Option<Estimate>,
    /// The odometer's difference.
    pub odometer: Option<Estimate>,
    /// By the satellite receiver.
    pub fixes: Option<Estimate>,
    /// True metres per metre by the wheels.
    pub scale: Option<Estimate>,
    /// Whether that is the receiver's word.
    pub calibrated: bool,
    /// The odometer's difference with its rounding alone.
    pub odometer_rounded: Option<Estimate>,
    /// Which counts.
    pub counts: Option<DistanceCounts>,
    /// Whether the card said so.
    pub by_card: bool,
    /// Share of the integrated speed that fills gaps.
    pub estimated_share: f64,
    /// The integral of the wheel speed as a number, gaps filled, m; NaN where there is none.
    pub by_speed: f64,
}

impl Way {
    /// By one means.
    pub fn by(&self, means: DistanceCounts) -> Option<&Estimate> {
        match means {
            DistanceCounts::Speed => self.speed.as_ref(),
            DistanceCounts::Odometer => self.odometer.as_ref(),
            DistanceCounts::Fixes => self.fixes.as_ref(),
        }
    }
    /// Metres that count per metre by the wheels as read; not finite where the wheels give none.
    pub fn counted_per_wheel(&self) -> Option<f64> {
        self.counting().map(|counting| counting.value / self.by_speed)
    }
    /// That which counts.
    pub fn counting(&self) -> Option<&Estimate> {
        self.counts.and_then(|means| self.by(means))
    }
}

const ALL: [DistanceCounts; 3] = [DistanceCounts::Speed, DistanceCounts::Odometer, DistanceCounts::Fixes];

pub(super) fn of(test: &Test<'_>, ground: &Ground, problems: &mut Vec<String>) -> Way {
    let mut way = Way { by_speed: f64::NAN, ..Way::default() };
    let as_read = speed(test, ground, &mut way, problems);
    odometer(test, &mut way, problems);
    way.fixes = ground.distance.clone();
    let wanted = test.card.and_then(|card| card.distance);
    way.by_card = wanted.is_some();
    way.counts = match wanted {
        Some(means) if way.by(means).is_some() => Some(means),
        Some(means) => {
            problems.push(format!("the card counts distance by {}, which these runs do not have", means.text()));
            None
        }
        None => {
            let known = ALL.iter().copied().filter_map(|means| Some((means, way.by(means)?.u())));
            known.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(means, _)| means)
        }
    };
    if way.counts.is_none() && wanted.is_none() {
        problems.push("distance is not measured: no speed, no odometer and no fixes of the moving car".into());
    }
    compare(&way, as_read.as_ref(), problems);
    way
}

/// The integral of the wheel speed; gives it as the car reads it, the tolerance of its own scale with it.
fn speed(test: &Test<'_>, ground: &Ground, way: &mut Way, problems: &mut Vec<String>) -> Option<Estimate> {
    let sum: f64 = test.runs.iter().flat_map(|run| &run.summary.phases).map(|phase| phase.distance).sum();
    let fills = || test.fills.iter().flatten().filter(|fill| fill.gap.missing == Missing::Speed);
    let filled: f64 = fills().map(|fill| fill.distance[0]).sum();
    let u = fills().map(|fill| fill.distance[1].powi(2)).sum::<f64>().sqrt();
    if sum.is_nan() || sum + filled <= 0.0 {
        return None;
    }
    way.by_speed = sum + filled;
    let own = Estimate::exact(1.0).with_sensor(sources::SPEED_SCALE, test.tolerances.speed_scale, "1", 1.0);
    let by_receiver = ground.scale.clone().filter(|scale| scale.u() / scale.value < test.tolerances.speed_scale);
    way.calibrated = by_receiver.is_some();
    let scale = by_receiver.unwrap_or_else(|| own.clone());
    let estimated = filled.abs() + ground.wheels_lack.abs();
    way.estimated_share = if fills().any(|fill| fill.from.is_none()) { 1.0 } else { estimated / way.by_speed };
    way.scale = Some(scale.clone());
    if way.estimated_share > test.options.estimated_share_max {
        let share = format::share(way.estimated_share);
        problems
            .push(format!("distance by integrated speed is not measured: {share} of it would be an estimate for gaps"));
        return None;
    }
    let u = u.hypot(ground.wheels_lack * WRONG_U);
    let sum = Estimate::exact(way.by_speed + ground.wheels_lack).with_b(sources::DISTANCE_GAPS, u);
    way.speed = Some(sum.product(&scale));
    Some(sum.product(&own))
}

fn odometer(test: &Test<'_>, way: &mut Way, problems: &mut Vec<String>) {
    let known: Vec<(f64, f64)> = test.runs.iter().filter_map(|run| run.summary.odometer).collect();
    let sum: f64 = known.iter().map(|(first, last)| last - first).sum();
    // A run without an odometer leaves its way out: then there is no such figure.
    if known.len() < test.runs.len() || sum <= 0.0 {
        return;
    }
    let before = problems.len();
    problems.extend(test.runs.iter().filter_map(|run| Some(format!("{}: {}", run.name, jump(run)?))));
    let step = test.runs.iter().filter_map(|run| run.summary.odometer_step).fold(f64::INFINITY, f64::min);
    let rounding = step / 6f64.sqrt() * (known.len() as f64).sqrt();
    let rounded = Estimate::exact(sum).with_b(sources::ODOMETER_ROUNDING, rounding);
    if problems.len() == before && rounded.u().is_finite() {
        let scale = test.tolerances.odometer_scale;
        way.odometer = Some(rounded.clone().with_sensor(sources::ODOMETER_SCALE, scale, "1", sum));
        way.odometer_rounded = Some(rounded);
    }
}

/// Where an odometer goes back, or ahead of any car.
fn jump(run: &RunInput) -> Option<String> {
    let mut last: Option<&Second> = None;
    for second in run.summary.seconds.iter().filter(|second| second.odometer.is_finite()) {
        if let Some(before) = last {
            let change = second.odometer - before.odometer;
            let step = run.summary.odometer_step.unwrap_or(0.0).max(1_000.0);
            let most = SPEED_MAX * (second.t - before.t) + step + ODOMETER_AHEAD_M;
            let which = if change < 0.0 { "back" } else { "ahead" };
            if change < 0.0 || change > most {
                let by = format::significant(change.abs() / 1e3, 2);
                return Some(format!("the odometer jumps {which} by {by} km: distance by it is not measured"));
            }
        }
        last = Some(second);
    }
    None
}

/// Means that contradict each other beyond their uncertainties are worth a word; wheels as the car reads them.
fn compare(way: &Way, as_read: Option<&Estimate>, problems: &mut Vec<String>) {
    let by = |means: DistanceCounts| if means == DistanceCounts::Speed { as_read } else { way.by(means) };
    for (index, a) in ALL.iter().enumerate() {
        for b in &ALL[index + 1..] {
            let Some((x, y)) = by(*a).zip(by(*b)) else { continue };
            let difference = x.sub(y);
            if difference.value.abs() > difference.u95() {
                let ratio = format::significant((x.value / y.value - 1.0) * 100.0, 2);
                let (a, b) = (a.text(), b.text());
                problems.push(format!("distance by {a} is {ratio} % off that by {b}, beyond their uncertainties"));
            }
        }
    }
}
