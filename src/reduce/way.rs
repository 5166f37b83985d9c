//! Distance: integrated wheel speed, odometer, line through the fixes; which counts, and their ratios.
//!
//! Without a card's word, that with the smallest uncertainty counts. Pure.
//!
//! Reads no file.

use super::estimate::Estimate;
use super::input::Missing;
use super::reduction::Test;
use super::sources;
use super::tolerances::FIXES_SCALE;
use crate::card::DistanceCounts;
use crate::format;

/// Of a chord between fixes further apart, the true way may be longer by this much, in parts: common practice, no source.
const CHORD: f64 = 0.05;

/// Distance in metres by every means there is.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Way {
    /// Integral of the wheel speed, gaps filled.
    pub speed: Option<Estimate>,
    /// The odometer's difference.
    pub odometer: Option<Estimate>,
    /// The line through the fixes.
    pub fixes: Option<Estimate>,
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
    /// That which counts.
    pub fn counting(&self) -> Option<&Estimate> {
        self.counts.and_then(|means| self.by(means))
    }
}

const ALL: [DistanceCounts; 3] = [DistanceCounts::Speed, DistanceCounts::Odometer, DistanceCounts::Fixes];

pub(super) fn of(test: &Test<'_>, problems: &mut Vec<String>) -> Way {
    let mut way = Way { by_speed: f64::NAN, ..Way::default() };
    speed(test, &mut way, problems);
    way.odometer = odometer(test);
    way.fixes = fixes(test);
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
    compare(&way, problems);
    way
}

fn speed(test: &Test<'_>, way: &mut Way, problems: &mut Vec<String>) {
    let sum: f64 = test.runs.iter().flat_map(|run| &run.summary.phases).map(|phase| phase.distance).sum();
    let fills = || test.fills.iter().flatten().filter(|fill| fill.gap.missing == Missing::Speed);
    let filled: f64 = fills().map(|fill| fill.distance[0]).sum();
    let u = fills().map(|fill| fill.distance[1].powi(2)).sum::<f64>().sqrt();
    if sum.is_nan() || sum + filled <= 0.0 {
        return;
    }
    way.by_speed = sum + filled;
    way.estimated_share = if fills().any(|fill| fill.from.is_none()) { 1.0 } else { filled / way.by_speed };
    if way.estimated_share > test.options.estimated_share_max {
        let share = format::share(way.estimated_share);
        problems
            .push(format!("distance by integrated speed is not measured: {share} of it would be an estimate for gaps"));
        return;
    }
    let figure = Estimate::exact(way.by_speed)
        .with_sensor(sources::SPEED_SCALE, test.tolerances.speed_scale, "1", way.by_speed)
        .with_b(sources::DISTANCE_GAPS, u);
    way.speed = Some(figure);
}

fn odometer(test: &Test<'_>) -> Option<Estimate> {
    let known: Vec<(f64, f64)> = test.runs.iter().filter_map(|run| run.summary.odometer).collect();
    let sum: f64 = known.iter().map(|(first, last)| last - first).sum();
    // A run without an odometer leaves its way out: then there is no such figure.
    if known.len() < test.runs.len() || sum <= 0.0 {
        return None;
    }
    let step = test.runs.iter().filter_map(|run| run.summary.odometer_step).fold(f64::INFINITY, f64::min);
    let rounding = step / 6f64.sqrt() * (known.len() as f64).sqrt();
    let figure = Estimate::exact(sum)
        .with_sensor(sources::ODOMETER_SCALE, test.tolerances.odometer_scale, "1", sum)
        .with_b(sources::ODOMETER_ROUNDING, rounding);
    figure.u().is_finite().then_some(figure)
}

fn fixes(test: &Test<'_>) -> Option<Estimate> {
    let known: Vec<(f64, f64)> = test.runs.iter().filter_map(|run| run.summary.fixes).collect();
    if known.len() < test.runs.len() || known.is_empty() {
        return None;
    }
    let (sum, apart) = known.iter().fold((0.0, 0.0), |sum, run| (sum.0 + run.0, sum.1 + run.1));
    let u = (sum * FIXES_SCALE).hypot(apart * CHORD / 3f64.sqrt());
    (sum > 0.0).then(|| Estimate::exact(sum).with_b(sources::FIXES_SCALE, u))
}

/// Means that contradict each other beyond their uncertainties are worth a word.
fn compare(way: &Way, problems: &mut Vec<String>) {
    for (index, a) in ALL.iter().enumerate() {
        for b in &ALL[index + 1..] {
            let Some((x, y)) = way.by(*a).zip(way.by(*b)) else { continue };
            let difference = x.sub(y);
            if difference.value.abs() > difference.u95() {
                let ratio = format::significant((x.value / y.value - 1.0) * 100.0, 2);
                let (a, b) = (a.text(), b.text());
                problems.push(format!("distance by {a} is {ratio} % off that by {b}, beyond their uncertainties"));
            }
        }
    }
}
