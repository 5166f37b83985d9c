//! Checkpoints: what was driven and used when the state of charge first showed a value, what could be projected from there,
//! and how good the projections were; the two halves; what happened at displayed 0 % and beyond.
//!
//! A checkpoint is the moment at which the displayed value first reached a value and held it for 10 s; readings in the
//! first 30 s after waking never count. Pure; does not plan a drive and adds no reserve to any figure.

use super::capacity::{BEND_SD, bend};
use super::discharge::{Axis, Drawn, Moment};
use super::energy::Totals;
use super::estimate::{Estimate, Kind, Source};
use super::fold::{HOLD_S, NOTED_S, Point, Second, Step, Stretch, WAKING_S};
use super::reduction::Test;
use super::sources;
use super::usable::doubtful;
use super::way::Way;
use crate::ledger::Phase;

/// Displayed values at which one looks, percent, where nothing else is asked for: common practice, no source.
pub const USUAL: [f64; 5] = [75.0, 50.0, 25.0, 10.0, 0.0];
/// Seconds between updates of a display: common practice, no source.
const PERIOD_S: f64 = 1.0;
/// A projection needs at least this much of the charge behind it, as a share.
const BEHIND_MIN: f64 = 0.05;
/// What lies ahead may use this much more or less than what lies behind, in parts, beyond what its own spread says (the other
/// direction, wind, temperature): common practice, no source.
const AHEAD: f64 = 0.05;
/// Energy per distance spreads from one such stretch to the next, m.
const BLOCK_M: f64 = 10_000.0;
/// Fall of the pack's voltage from full to empty, and its standard deviation, as shares: common practice, no source.
const FALL: (f64, f64) = (0.15, 0.08);
/// How well a mean voltage under load says what it would be at the mean load, in parts: common practice, no source.
const VOLTAGE_U: f64 = 0.01;
/// The moment at which a display changed.
const MOMENT: Source = Source::named("moment of the checkpoint");
/// What the car will use ahead, as one does not see it.
const CONSUMPTION_AHEAD: Source = Source::named("consumption ahead");
/// What the car will use ahead, by its spread so far.
const SPREAD: Source = Source::named("spread of the consumption");
/// The voltage ahead.
const VOLTAGE_AHEAD: Source = Source::named("voltage ahead");
/// A displayed distance is rounded.
const REST_ROUNDING: Source = Source::named("rounding of the displayed rest");

/// What was driven and used in a part of a discharge.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Distance, m.
    pub distance: Option<Estimate>,
    /// Net energy, standing included, J.
    pub energy: Estimate,
    /// Energy per distance, J/m.
    pub consumption: Option<Estimate>,
}

/// One checkpoint.
#[derive(Clone, PartialEq, Debug)]
pub struct Checkpoint {
    /// The value reached, percent.
    pub value: f64,
    /// From the start to it.
    pub so_far: Part,
    /// From the checkpoint before to it; `None` at the first.
    pub since_last: Option<Part>,
    /// The whole distance to displayed 0 as it could be projected here, m; `None` at 0 and where too little lies behind.
    pub projected: Option<Estimate>,
    /// Distance that the car said it could still go, m: a reading.
    pub shown_rest: Option<f64>,
    /// How far our projection, and driven plus the car's word, were beyond what came true (negative: short of it), m.
    pub off: [Option<Estimate>; 2],
}

/// Checkpoints of a discharge.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Checkpoints {
    /// The displayed value at its start, percent.
    pub from: Option<f64>,
    /// When it started: the run's place among the runs, and run time, s.
    pub start: Option<(usize, f64)>,
    /// The checkpoints reached, values falling.
    pub reached: Vec<Checkpoint>,
    /// From displayed 100 to 50 %, and from there to 0, where both were driven whole.
    pub halves: Option<[Part; 2]>,
    /// Energy per distance of the second half over that of the first.
    pub halves_ratio: Option<Estimate>,
    /// From displayed 0 % to the end.
    pub beyond: Option<Part>,
    /// The last displayed value, percent, and rest, m: readings.
    pub last: (Option<f64>, Option<f64>),
}

/// What every step needs.
struct Looker<'a> {
    test: &'a Test<'a>,
    totals: &'a Totals,
    way: &'a Way,
    axis: &'a Axis<'a>,
}

pub(super) fn of(test: &Test<'_>, axis: Option<&Axis<'_>>, totals: &Totals, way: &Way) -> Checkpoints {
    let Some((axis, from)) = axis.and_then(|axis| Some((axis, axis.first_soc()?))) else {
        return Checkpoints::default();
    };
    let looker = Looker { test, totals, way, axis };
    let zero = looker.reached(0.0);
    let start = axis.places.first().map(|place| (place.0, test.runs[place.0].summary.stretches[place.1].start.t));
    let mut found = Checkpoints { from: Some(from), start, last: looker.last(), ..Checkpoints::default() };
    let mut wanted = test.options.checkpoints.clone();
    wanted.sort_by(|a, b| b.total_cmp(a));
    wanted.dedup();
    let mut last: Option<Moment> = None;
    for value in wanted.into_iter().filter(|value| *value < from) {
        let Some((moment, shown_rest)) = looker.reached(value) else { continue };
        let Some(so_far) = looker.part(None, &moment) else { continue };
        let since_last = last.as_ref().and_then(|last| looker.part(Some(last), &moment));
        let mut checkpoint = Checkpoint { value, so_far, since_last, projected: None, shown_rest, off: [None, None] };
        looker.project(&mut checkpoint, from, zero.as_ref().map(|(zero, _)| zero), &moment);
        found.reached.push(checkpoint);
        last = Some(moment);
    }
    if let Some((zero, _)) = &zero {
        found.beyond = looker.part(Some(zero), &axis.end());
        found.halves = looker.halves(zero);
    }
    found.halves_ratio = found.halves.as_ref().and_then(|[first, second]| {
        let own = |part: &Part, half: usize| Some(part.consumption.as_ref()?.of_part(half, &sources::CHANCE));
        own(second, 2)?.ratio(&own(first, 1)?)
    });
    found
}

impl Looker<'_> {
    /// When a value was first reached and held, with the car's displayed rest there.
    fn reached(&self, value: f64) -> Option<(Moment, Option<f64>)> {
        let soc = |second: &Second| f64::from(second.soc[self.test.soc]);
        for (at, place) in self.axis.places.iter().enumerate() {
            let run = &self.test.runs[place.0].summary;
            let stretch = &run.stretches[place.1];
            let inside = |second: &Second| {
                second.t >= stretch.start.t.max(WAKING_S) && second.t <= stretch.end.t && second.phase != Phase::Charge
            };
            let mut since: Option<&Second> = None;
            for second in &run.seconds {
                let reading = soc(second);
                let above = reading > value + 1e-6;
                // Most often it is not reached yet, and what else is true of the second is no matter.
                if (above && since.is_none()) || !reading.is_finite() || !inside(second) {
                    continue;
                }
                // Of notes only that of the very value is its moment.
                let noted = self.axis.is_noted() && (reading - value).abs() > 1e-6;
                if above || noted {
                    since = None;
                    continue;
                }
                let first = *since.get_or_insert(second);
                if second.t - first.t >= HOLD_S {
                    let rest = f64::from(first.displayed_rest);
                    let moment = row_of(stretch, self.test.soc, first).unwrap_or_else(|| first.as_point());
                    return Some((self.axis.until(at, &moment), rest.is_finite().then_some(rest)));
                }
            }
        }
        None
    }

    /// The last readings of the display.
    fn last(&self) -> (Option<f64>, Option<f64>) {
        let seconds = || self.test.runs.iter().rev().flat_map(|run| run.summary.seconds.iter().rev());
        let last = |read: &dyn Fn(&Second) -> f32| seconds().map(read).find(|value| value.is_finite()).map(f64::from);
        (last(&|second| second.soc[self.test.soc]), last(&|second| second.displayed_rest))
    }

    /// What lies between two moments, or from the start to one; `None` where it is not measured.
    fn part(&self, from: Option<&Moment>, to: &Moment) -> Option<Part> {
        let start = Moment::default();
        let before = from.unwrap_or(&start);
        let drawn = to.drawn.since(&before.drawn);
        if doubtful(self.test, self.totals, &drawn).is_some() {
            return None;
        }
        let ends = if from.is_some() { 2.0f64 } else { 1.0 };
        let period = if self.axis.is_noted() { NOTED_S } else { PERIOD_S };
        let timing = (ends / 12.0).sqrt() * period / (to.time - before.time);
        let timed = |figure: Estimate| {
            let u = figure.value * timing;
            figure.with(MOMENT, u, Kind::B, None)
        };
        let energy = self.totals.drawn(self.test, &drawn).0;
        let share = (to.distance - before.distance) / self.way.by_speed;
        let distance = self.way.counting().map(|way| way.scale(share)).filter(|way| way.value > 0.0);
        // The moment moves both alike, so that it is left out of their ratio.
        let consumption = distance.as_ref().and_then(|distance| energy.ratio(distance));
        Some(Part { distance: distance.map(timed), energy: timed(energy), consumption })
    }

    /// How far the voltage falls from full to empty, as a share, with its standard uncertainty: what is usual, drawn towards
    /// what the two halves of the charge so far show.
    fn fall(&self, (value, from, _): (f64, f64, f64), until: &Moment) -> (f64, f64) {
        let seen = self.reached((value + from) / 2.0).and_then(|(middle, _)| {
            let mean = |drawn: &Drawn| (drawn.observed > 0.0).then(|| drawn.volt_seconds / drawn.observed);
            let (upper, lower) = (mean(&middle.drawn)?, mean(&until.drawn.since(&middle.drawn))?);
            // The halves' middles lie half of what is gone apart.
            let apart = (from - value) / 200.0;
            let fall = (1.0 - lower / upper) / apart;
            fall.is_finite().then_some((fall, 2f64.sqrt() * VOLTAGE_U / apart))
        });
        let Some((fall, u)) = seen else { return FALL };
        let weights = [1.0 / (u * u), 1.0 / (FALL.1 * FALL.1)];
        let sum = weights[0] + weights[1];
        ((fall * weights[0] + FALL.0 * weights[1]) / sum, 1.0 / sum.sqrt())
    }

    /// Standard deviation of the energy per distance between stretches of [`BLOCK_M`] up to a moment, in parts, and how many
    /// there are.
    fn spread(&self, until: &Moment) -> Option<(f64, f64)> {
        let mut blocks: Vec<f64> = Vec::new();
        let (mut energy, mut distance, mut time) = (0.0, 0.0, 0.0);
        for place in &self.axis.places {
            let run = &self.test.runs[place.0].summary;
            let stretch = &run.stretches[place.1];
            let inside = |step: &Step<'_>| step.from.t >= stretch.start.t && step.to.t <= stretch.end.t;
            for step in run.steps().filter(inside) {
                time += step.dt();
                if time > until.time {
                    break;
                }
                if step.is_observed() && step.distance().is_finite() {
                    energy += step.net();
                    distance += step.distance();
                }
                if distance >= BLOCK_M {
                    blocks.push(energy / distance);
                    (energy, distance) = (0.0, 0.0);
                }
            }
        }
        let n = blocks.len() as f64;
        let mean = blocks.iter().sum::<f64>() / n;
        let variance = blocks.iter().map(|block| (block / mean - 1.0).powi(2)).sum::<f64>() / (n - 1.0);
        (blocks.len() >= 2 && variance.is_finite()).then(|| (variance.sqrt(), n))
    }

    fn halves(&self, zero: &Moment) -> Option<[Part; 2]> {
        let (middle, _) = self.reached(50.0).filter(|_| self.axis.from_full())?;
        Some([self.part(None, &middle)?, self.part(Some(&middle), zero)?])
    }

    /// What could be projected at a checkpoint, and how good it was.
    fn project(&self, checkpoint: &mut Checkpoint, from: f64, zero: Option<&Moment>, moment: &Moment) {
        let Some(so_far) = checkpoint.so_far.distance.as_ref().filter(|_| checkpoint.value > 0.0) else { return };
        let display = (checkpoint.value, from, self.axis.step());
        checkpoint.projected = projected(so_far, display, self.spread(moment), self.fall(display, moment));
        let Some(rest) = zero.and_then(|zero| self.part(Some(moment), zero)).and_then(|part| part.distance) else {
            return;
        };
        let whole = so_far.add(&rest);
        checkpoint.off[0] = checkpoint.projected.as_ref().map(|projected| projected.sub(&whole));
        checkpoint.off[1] = checkpoint.shown_rest.map(|shown| {
            // Displays show whole kilometres or miles: half of one as the bound.
            Estimate::exact(shown).with_bound(REST_ROUNDING, 500.0).sub(&rest)
        });
    }
}

/// The very row of a second at which the display changed, as the record of ticks has it.
fn row_of(stretch: &Stretch, soc: usize, second: &Second) -> Option<Point> {
    let record = &stretch.soc[soc];
    let rows = record.ticks.iter().map(|tick| tick.at.as_point()).chain(record.zero);
    rows.filter(|row| (0.0..1.0).contains(&(second.t - row.t))).min_by(|a, b| a.t.total_cmp(&b.t))
}

/// The whole distance from the distance so far: what is left of the displayed charge goes as far by charge as what is gone,
/// at the lower voltage that it will have. `None` where too little is gone, or driven to know how the consumption spreads.
///
/// `display`: the value reached, that at the start, and the step, percent.
fn projected(
    so_far: &Estimate,
    display: (f64, f64, f64),
    spread: Option<(f64, f64)>,
    fall: (f64, f64),
) -> Option<Estimate> {
    let (value, from, step) = display;
    let (left, gone) = (value / 100.0, (from - value) / 100.0);
    if gone < BEHIND_MIN {
        return None;
    }
    // Mean voltages on a line that falls by so much from full to empty.
    let voltage = |middle: f64, fall: f64| 1.0 - fall * (1.0 - middle);
    let lower = |fall: f64| voltage(left / 2.0, fall) / voltage(left + gone / 2.0, fall);
    let distance = so_far.value;
    let ahead = distance * left / gone * lower(fall.0);
    let by_fall = distance * left / gone * (lower(fall.0 + fall.1) - lower(fall.0));
    // The display's bend moves charge from one side of the value to the other.
    let bent = bend(left).iter().zip(BEND_SD).map(|(mode, sd)| (mode * sd).powi(2)).sum::<f64>().sqrt();
    let by_share = distance * lower(fall.0) * (1.0 / gone + left / (gone * gone));
    let projected = so_far.scale(1.0 + ahead / distance);
    let (spread, blocks) = spread?;
    let by_spread = ahead * spread * (BLOCK_M / ahead + BLOCK_M / distance).sqrt();
    let projected = projected.with(SPREAD, by_spread, Kind::A, Some(blocks - 1.0));
    Some(
        projected
            .with_b(CONSUMPTION_AHEAD, ahead * AHEAD)
            .with_b(VOLTAGE_AHEAD, by_fall)
            .with_b(sources::BEND, by_share * bent)
            .with_bound(sources::SOC_ROUNDING, by_share * step / 200.0),
    )
}

#[cfg(test)]
mod tests;
