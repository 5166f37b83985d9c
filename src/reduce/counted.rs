//! What of the runs counts by the card's word, and which runs cannot: those of another car, those that overlap others.
//!
//! Pure: it decides and names; the cut itself is made where the trace is read. Forms no figure.

use super::input::RunInput;
use crate::card::{self, Bound, Card, RunSpan};
use crate::format;
use crate::time::{Span, WallClock};

/// Clocks of two runs of one recorder may differ by this much without an overlap.
const OVERLAP_SLACK: Span = Span::of_seconds(1);

/// Runs and card without what contradicts the others.
#[derive(Clone, Debug, Default)]
pub struct Sorted {
    /// The runs that take part, in time order.
    pub runs: Vec<RunInput>,
    /// The card without what the runs contradict.
    pub card: Option<Card>,
    /// What was left out and why, in plain words.
    pub problems: Vec<String>,
}

/// When a run was, as far as it counts; `None` where no clock said so or it has no row.
fn span(run: &RunInput) -> Option<RunSpan> {
    let at = |t: f64| run.start.map(|start| start + Span::from_seconds(t));
    let (first, last) = run.summary.first().zip(run.summary.last())?;
    Some(RunSpan { start: at(first.t)?, end: at(last.t)? })
}

/// First and last moment of what counts of these runs, in time order.
pub fn ends(runs: &[RunInput]) -> Option<(WallClock, WallClock)> {
    let start = span(runs.first()?)?.start;
    Some((start, runs.iter().filter_map(span).map(|run| run.end).max()?))
}

/// Sorts runs by time and takes out what cannot belong to one test.
pub fn sort_out(runs: &[RunInput], card: Option<&Card>) -> Sorted {
    let mut runs = runs.to_vec();
    runs.sort_by(|a, b| (a.start, &a.name).cmp(&(b.start, &b.name)));
    let mut problems = Vec::new();
    other_cars(&mut runs, card, &mut problems);
    overlaps(&mut runs, &mut problems);
    runs.retain(|run| {
        let counts = !run.cut || run.summary.rows > 1;
        if !counts {
            problems.push(format!("{}: nothing of it counts, by the card's counting", run.name));
        }
        counts
    });
    let spans: Vec<RunSpan> = runs.iter().filter_map(span).collect();
    let card = card.map(|card| {
        let (sound, found) = card::contradictions(card, &spans);
        problems.extend(found.iter().map(ToString::to_string));
        sound
    });
    Sorted { runs, card, problems }
}

/// One test is of one car: the card's, else that with the longest recorded time.
fn other_cars(runs: &mut Vec<RunInput>, card: Option<&Card>, problems: &mut Vec<String>) {
    let time = |vehicle: &str| -> f64 {
        runs.iter().filter(|run| run.vehicle == vehicle).map(|run| run.summary.duration()).sum()
    };
    let mut longest: Option<(&str, f64)> = None;
    for run in runs.iter() {
        let seconds = time(&run.vehicle);
        if longest.is_none_or(|(_, most)| seconds > most) {
            longest = Some((&run.vehicle, seconds));
        }
    }
    let by_card = card.and_then(|card| card.vehicle.as_deref());
    let Some(vehicle) = by_card.or(longest.map(|(vehicle, _)| vehicle)).map(str::to_owned) else { return };
    runs.retain(|run| {
        let same = run.vehicle == vehicle;
        if !same {
            problems.push(format!("{} is of vehicle {}, not {vehicle}: it is left out", run.name, run.vehicle));
        }
        same
    });
}

/// Of two runs that were at the same time the longer one stays.
fn overlaps(runs: &mut Vec<RunInput>, problems: &mut Vec<String>) {
    let mut kept: Vec<RunInput> = Vec::with_capacity(runs.len());
    for run in runs.drain(..) {
        let is_same = |other: &RunInput| {
            (&other.name, other.start) == (&run.name, run.start) && other.summary.duration() == run.summary.duration()
        };
        if kept.iter().any(is_same) {
            problems.push(format!("{} is given twice: it counts once", run.name));
            continue;
        }
        // What is kept overlaps nothing, so the last of it is the only one that can reach into this run.
        let spans = span(&run).zip(kept.last().and_then(span));
        let Some((now, last)) = spans.filter(|(now, last)| now.start < last.end - OVERLAP_SLACK) else {
            kept.push(run);
            continue;
        };
        let Some(before) = kept.pop() else { continue };
        let by = format::duration((last.end.min(now.end) - now.start).seconds());
        let is_longer = now.end - now.start > last.end - last.start;
        let (longer, shorter) = if is_longer { (run, before) } else { (before, run) };
        let (long, short) = (&longer.name, &shorter.name);
        problems.push(format!("{long} and {short} overlap by {by}: the shorter, {short}, is left out"));
        kept.push(longer);
    }
    *runs = kept;
}

/// What of each run counts by the card, s of its run time: `None` where all of it does.
pub fn windows(runs: &[RunInput], card: &Card) -> Vec<Option<(f64, f64)>> {
    let counting = card.counting;
    let moving = |run: &RunInput| run.summary.moving;
    let first = runs.iter().position(|run| moving(run).is_some());
    let last = runs.iter().rposition(|run| moving(run).is_some());
    let window = |(index, run): (usize, &RunInput)| {
        let on = |at: WallClock| run.start.map(|start| (at - start).seconds());
        let from = match counting.start {
            Bound::Run => None,
            Bound::At(at) => on(at),
            Bound::Movement => match first {
                Some(first) if index == first => moving(run).map(|(from, _)| from),
                Some(first) if index < first => Some(f64::INFINITY),
                _ => None,
            },
        };
        let to = match counting.end {
            Bound::Run => None,
            Bound::At(at) => on(at),
            Bound::Movement => match last {
                Some(last) if index == last => moving(run).map(|(_, to)| to),
                Some(last) if index > last => Some(f64::NEG_INFINITY),
                _ => None,
            },
        };
        let (from, to) = (from.unwrap_or(f64::NEG_INFINITY), to.unwrap_or(f64::INFINITY));
        let ends = run.summary.first().zip(run.summary.last())?;
        (from > ends.0.t || to < ends.1.t).then_some((from, to))
    };
    runs.iter().enumerate().map(window).collect()
}

#[cfg(test)]
mod tests;
