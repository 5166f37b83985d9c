//! What a gap left out: a stated estimate, with its bound.
//!
//! From the minute of power on both sides, from the car's lifetime counters, from the state of charge, or from the
//! odometer: whichever is known best. From the sides, the power in the gap is taken as the mean of both; it may have
//! drifted from one to the other (a rectangle), and a short gap may hit a moment unlike the minute around it (its spread,
//! averaged over so many moments as the gap holds, moments of 20 s each). Weak step: both are taken as if nothing
//! special had happened in the gap; a stop at a charger in it would go unseen but for the state of charge.

use super::fold::{Kept, Point, Reading, RunSummary};
use super::input::{Gap, Missing};
use crate::ledger::{Phase, Sums};

/// A counter's reading is new, but may stand for a moment so much earlier, s: common practice, no source.
const COUNTER_LAG_S: f64 = 0.2;
/// The car's counters and its sensors may disagree by this much, in parts: common practice, no source.
pub(super) const COUNTER_U: f64 = 0.02;
/// How long after a gap a counter may take to show a new reading, s; one that shows none has not changed.
const COUNTER_WAIT_S: f64 = 60.0;
/// What may be unobserved beside the gap between two readings around it, s.
const OTHER_GAPS_S: f64 = 0.5;
/// Each side of a gap that is looked at, s.
const SIDE_S: f64 = 60.0;
/// A side with less observed time than this says nothing, s.
const SIDE_MIN_S: f64 = 5.0;
/// Power and speed of a drive keep their value about this long, s: common practice, no source.
const MOMENT_S: f64 = 20.0;
/// Standard uncertainty of energy per distance over a stretch taken from the rest of the drive, in parts: common practice, no source.
const PER_DISTANCE_U: f64 = 0.25;
/// Standard uncertainty of energy per per cent of charge taken from the rest of the drive, in parts: common practice, no source.
const PER_SOC_U: f64 = 0.05;
/// Standard uncertainty of a speed held over a gap, in parts: common practice, no source.
const SPEED_U: f64 = 0.1;

/// What a gap left out.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fill {
    /// The gap.
    pub gap: Gap,
    /// What the car was doing when it began.
    pub phase: Phase,
    /// Estimated energy out and in, J.
    pub energy: [f64; 2],
    /// Estimated charge out and in, C; NaN where charge is not measured.
    pub charge: [f64; 2],
    /// Standard uncertainty of net energy, J, and net charge, C.
    pub u: [f64; 2],
    /// Estimated distance and its standard uncertainty, m.
    pub distance: [f64; 2],
    /// From what; `None` where nothing gives an estimate.
    pub from: Option<&'static str>,
}

impl Fill {
    /// Net energy, J.
    pub fn net(&self) -> f64 {
        self.energy[0] - self.energy[1]
    }
}

/// What the rest of the drive says of energy: per per cent of charge, and per metre.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Rates {
    /// J for a per cent of the state of charge that counts, and that state's step and place in [`Point::soc`].
    pub per_soc: Option<(f64, f64, usize)>,
    /// J for a metre of the odometer.
    pub per_metre: Option<f64>,
}

/// Estimates what a gap left out.
pub fn fill(run: &RunSummary, gap: &Gap, rates: &Rates) -> Fill {
    let phase = run.at_or_before(gap.from_s).map_or(Phase::Stand, |point| point.phase);
    let nothing =
        Fill { gap: *gap, phase, energy: [0.0; 2], charge: [0.0; 2], u: [0.0; 2], distance: [0.0; 2], from: None };
    match gap.missing {
        Missing::Power => power(run, gap, rates, nothing),
        Missing::Speed => speed(run, gap, nothing),
    }
}

/// Means over one side of a gap.
struct Side {
    energy: [f64; 2],
    charge: [f64; 2],
    squared: f64,
    voltage: f64,
    speed: f64,
}

impl Side {
    fn between(a: &Point, b: &Point) -> Option<Self> {
        let unobserved = b.sums.time_unobserved - a.sums.time_unobserved;
        let time = b.t - a.t - if unobserved.is_finite() { unobserved } else { 0.0 };
        let mean = |of: fn(&Point) -> f64| (of(b) - of(a)) / time;
        (time >= SIDE_MIN_S).then(|| Self {
            energy: [mean(|p| p.sums.energy_out), mean(|p| p.sums.energy_in)],
            charge: [mean(|p| p.sums.charge_out), mean(|p| p.sums.charge_in)],
            squared: mean(|p| p.power_squared),
            voltage: mean(|p| p.volt_seconds),
            speed: mean(|p| p.sums.distance),
        })
    }

    fn power(&self) -> f64 {
        self.energy[0] - self.energy[1]
    }
}

fn sides(run: &RunSummary, gap: &Gap) -> [Option<Side>; 2] {
    let (first, last) = (run.first(), run.last());
    let before = (run.at_or_before(gap.from_s - SIDE_S).or(first), run.at_or_before(gap.from_s));
    let after = (run.at_or_after(gap.to_s), run.at_or_after(gap.to_s + SIDE_S).or(last));
    [before, after].map(|side| side.0.zip(side.1).and_then(|(a, b)| Side::between(a, b)))
}

fn power(run: &RunSummary, gap: &Gap, rates: &Rates, nothing: Fill) -> Fill {
    let time = (gap.to_s - gap.from_s).max(0.0);
    let part = time * gap.part;
    let sides = sides(run, gap);
    let known: Vec<&Side> = sides.iter().flatten().filter(|side| side.power().is_finite()).collect();
    let mean = |of: &dyn Fn(&Side) -> f64| known.iter().map(|side| of(side)).sum::<f64>() / known.len() as f64;
    let mut fill = nothing;
    let mut voltage = f64::NAN;
    if !known.is_empty() {
        let power = mean(&|side| side.power());
        let drift = known.iter().map(|side| (side.power() - power).abs()).fold(0.0, f64::max);
        // One side alone says nothing of the other: the power may have gone to nothing.
        let drift = if known.len() == 1 { power.abs() } else { drift };
        let spread = (mean(&|side| side.squared) - power * power).max(0.0);
        let u = part * (spread * (MOMENT_S / time).min(1.0) + drift * drift / 3.0).sqrt();
        voltage = mean(&|side| side.voltage);
        fill.energy = [0, 1].map(|at| part * mean(&|side| side.energy[at]));
        fill.charge = [0, 1].map(|at| part * mean(&|side| side.charge[at]));
        fill.u = [u, u / voltage];
        fill.from = Some("the power on both sides");
    }
    // While a plug gives, the voltage is not integrated.
    if voltage.is_nan() || voltage <= 0.0 {
        voltage = mean_voltage(run);
        fill.u[1] = fill.u[0] / voltage;
    }
    for (net, u, from) in otherwise(run, gap, rates) {
        if net.is_finite() && u.is_finite() && (fill.from.is_none() || u < fill.u[0]) {
            // What came back is taken from the sides; only the net is known better.
            let back = fill.energy[1].max(-net);
            fill.charge[0] += (net - fill.net()) / voltage;
            fill.energy = [net + back, back];
            fill.u = [u, u / voltage];
            fill.from = Some(from);
        }
    }
    fill
}

/// Mean voltage of a run outside charging, V; NaN where it has none.
pub(super) fn mean_voltage(run: &RunSummary) -> f64 {
    let open = run.phases[0].plus(&run.phases[1]);
    (open.volt_seconds[0] + open.volt_seconds[1]) / (open.time[0] + open.time[1])
}

/// Net energy around the gap less what was observed there, its standard uncertainty, and from what.
fn otherwise(run: &RunSummary, gap: &Gap, rates: &Rates) -> Vec<(f64, f64, &'static str)> {
    let mut found = Vec::new();
    found.extend(by_counters(run, gap));
    if let Some((per_soc, step, role)) = rates.per_soc {
        let a = run.at_or_before(gap.from_s);
        let b = after(run, gap).find(|point| point.soc[role].is_finite());
        if let Some((a, b)) = a.zip(b).filter(|(a, b)| alone(gap, a.sums.time_unobserved, b.sums.time_unobserved)) {
            let net = (a.soc[role] - b.soc[role]) * per_soc;
            let u = (step / 6f64.sqrt() * per_soc).hypot(net * PER_SOC_U);
            found.push((net - (b.energy() - a.energy()), u, "the state of charge"));
        }
    }
    if let Some((per_metre, step)) = rates.per_metre.zip(run.odometer_step)
        && let Some((a, b)) = readings(run, gap, |point| point.odometer, Point::energy)
    {
        let net = (b.value - a.value) * per_metre;
        let u = (step / 6f64.sqrt() * per_metre).hypot(net * PER_DISTANCE_U);
        found.push((net - (b.energy - a.energy), u, "the odometer"));
    }
    found
}

fn by_counters(run: &RunSummary, gap: &Gap) -> Option<(f64, f64, &'static str)> {
    let out = readings(run, gap, |point| point.counters[0], |point| point.sums.energy_out)?;
    let back = readings(run, gap, |point| point.counters[1], |point| point.sums.energy_in)?;
    // A counter that never changed says nothing of its step; the other one's stands in.
    let steps = run.counter_steps[0].zip(run.counter_steps[1].or(run.counter_steps[0]))?;
    let counted = [out.1.value - out.0.value, back.1.value - back.0.value];
    let net = (counted[0] - (out.1.energy - out.0.energy)) - (counted[1] - (back.1.energy - back.0.energy));
    let lag = COUNTER_LAG_S * counted[0] / (out.1.t - out.0.t);
    let u = (steps.0.hypot(steps.1) / 6f64.sqrt()).hypot(lag).hypot(COUNTER_U * net);
    Some((net, u, "the car's energy counters"))
}

/// The points in the time after a gap.
fn after<'a>(run: &'a RunSummary, gap: &Gap) -> impl Iterator<Item = &'a Kept> {
    let (from, to) = (gap.to_s, gap.to_s + COUNTER_WAIT_S);
    let start = run.points.partition_point(|point| point.t < from);
    run.points.iter().skip(start).take_while(move |point| point.t <= to)
}

/// Nothing but the gap was unobserved in between.
fn alone(gap: &Gap, before: f64, after: f64) -> bool {
    gap.missing == Missing::Speed || after - before <= gap.to_s - gap.from_s + OTHER_GAPS_S
}

/// A counter's last new reading before the gap and its first after it: what it showed in between is from before.
///
/// `of` gives the counter at a point, `energy` the sum that goes with it there.
fn readings(
    run: &RunSummary,
    gap: &Gap,
    of: fn(&Kept) -> Reading,
    energy: fn(&Point) -> f64,
) -> Option<(Reading, Reading)> {
    let a = of(run.at_or_before(gap.from_s)?);
    let mut last = None;
    let new = after(run, gap).find_map(|point| {
        let reading = of(point);
        last = reading.shown.then_some((point, reading));
        (reading.t >= gap.to_s).then_some(reading)
    });
    // Shown for so long after the gap and never new: it has not changed.
    let unchanged = || {
        let (point, reading) = last.filter(|(point, _)| point.t >= gap.to_s + COUNTER_WAIT_S / 2.0)?;
        let Sums { distance, time_unobserved: unobserved, .. } = point.sums;
        Some(Reading { t: point.t, energy: energy(point), distance, unobserved, ..reading })
    };
    let b = new.or_else(unchanged)?;
    (a.value.is_finite() && alone(gap, a.unobserved, b.unobserved)).then_some((a, b))
}

fn speed(run: &RunSummary, gap: &Gap, nothing: Fill) -> Fill {
    let time = (gap.to_s - gap.from_s).max(0.0);
    let mut fill = nothing;
    let speeds: Vec<f64> = sides(run, gap).iter().flatten().map(|side| side.speed).filter(|v| v.is_finite()).collect();
    if !speeds.is_empty() {
        let mean = speeds.iter().sum::<f64>() / speeds.len() as f64;
        let drift = speeds.iter().map(|speed| (speed - mean).abs()).fold(0.0, f64::max);
        let drift = if speeds.len() == 1 { mean } else { drift };
        let spread = (mean * SPEED_U).powi(2) * (MOMENT_S / time).min(1.0);
        fill.distance = [time * mean, time * (spread + drift * drift / 3.0).sqrt()];
        fill.from = Some("the speed on both sides");
    }
    if let Some(((a, b), step)) = readings(run, gap, |point| point.odometer, Point::energy).zip(run.odometer_step) {
        let way = (b.value - a.value) - (b.distance - a.distance);
        let u = step / 6f64.sqrt();
        if way.is_finite() && (fill.from.is_none() || u < fill.distance[1]) {
            fill.distance = [way.max(0.0), u];
            fill.from = Some("the odometer");
        }
    }
    fill
}

/// Rates that the rest of a run gives.
pub fn rates(run: &RunSummary, role: usize) -> Rates {
    // What people noted says nothing about the moments between.
    let noted = role == 0 && run.noted.soc;
    let mut stretches = run.stretches.iter().rev().filter(|_| !noted);
    let per_soc = stretches.find_map(|stretch| {
        let record = &stretch.soc[role];
        let (first, last) = (record.ticks.first()?, record.ticks.last()?);
        let span = first.value - last.value;
        // Below 5 % the rounding of the two ends is a tenth of it.
        let rate = (last.at.as_point().energy() - first.at.as_point().energy()) / span;
        (span >= 5.0 && rate > 0.0).then_some((rate, record.step_or_one(), role))
    });
    let ends = run.first().zip(run.last());
    let per_metre = ends.map(|(a, b)| (b.energy() - a.energy()) / (b.sums.distance - a.sums.distance));
    Rates { per_soc, per_metre: per_metre.filter(|rate| rate.is_finite() && *rate > 0.0) }
}

#[cfg(test)]
mod tests;
