//! Rises of the state of charge that the measured charge does not explain.
//!
//! A battery computer that corrects itself, or a charge that no sensor saw, lifts the display without the charge for it.
//! Each such rise is found, told, and kept out of the figures: a discharge ends there, a window of a charge that holds one
//! is not measured. Pure; it repairs nothing.

use std::collections::VecDeque;

use super::fold::{RunSummary, Second};
use super::input::RunInput;
use crate::format;
use crate::ledger::Phase;

/// Beyond a step of the display, a rise by more than this is no bend of the display, no late answer to a long braking and no
/// small correction of itself (those end a stretch of ticks, no discharge), percent: common practice, no source.
const RISE_PERCENT: f64 = 4.0;
/// Readings are held against those of this time before, s, and of so much charge moved since, as a share of the whole:
/// over more, the bend of a display looks like a rise. Common practice, no source.
const BACK_S: f64 = 600.0;
const BACK_SHARE: f64 = 0.05;
/// The whole charge is estimated from at least this change of the state of charge, percent.
const SPAN_PERCENT: f64 = 5.0;
/// Readings of the first seconds after waking count for nothing, s.
const WAKING_S: f64 = super::fold::WAKING_S;

/// A rise that nothing explains.
#[derive(Clone, PartialEq, Debug)]
pub struct Rise {
    /// The run's name.
    pub run: String,
    /// When the reading rose, s of run time.
    pub at: f64,
    /// By how much more than the charge explains, percent.
    pub percent: f64,
    /// While charging from a plug.
    pub charging: bool,
}

impl Rise {
    /// As people read it.
    pub fn text(&self) -> String {
        let (by, at) = (format::percent(self.percent.round()), format::duration(self.at));
        let what = if self.charging {
            "figures of the charge across it are left out"
        } else {
            "what lies before and after it counts as two discharges"
        };
        format!(
            "{}: the state of charge rose by about {by} at {at} of its time, which the measured charge does not explain; {what}",
            self.run
        )
    }
}

/// Net charge out of the pack so far, plug included, C.
fn drawn(second: &Second) -> f64 {
    second.charge() - second.sums.charge_charged
}

/// Charge of the whole displayed range, C, as far as the run itself shows: the charge moved over stretches in which the
/// state of charge went one way, by what it changed.
fn whole(run: &RunSummary, soc: usize) -> Option<f64> {
    let (mut charge, mut percent) = (0.0, 0.0);
    let mut begun: Option<(&Second, bool)> = None;
    let mut last: Option<&Second> = None;
    let mut close = |begun: Option<(&Second, bool)>, last: Option<&Second>| {
        let Some(((from, _), to)) = begun.zip(last) else { return };
        let (moved, changed) = (drawn(to) - drawn(from), f64::from(from.soc[soc] - to.soc[soc]));
        if changed.abs() >= SPAN_PERCENT && moved * changed > 0.0 {
            charge += moved.abs();
            percent += changed.abs();
        }
    };
    for second in run.seconds.iter().filter(|second| second.t >= WAKING_S && second.soc[soc].is_finite()) {
        let charging = second.phase == Phase::Charge;
        if begun.is_none_or(|(_, was)| was != charging) {
            close(begun, last);
            begun = Some((second, charging));
        }
        last = Some(second);
    }
    close(begun, last);
    (percent > 0.0 && charge.is_finite()).then(|| charge / percent * 100.0)
}

fn step(run: &RunSummary, soc: usize) -> f64 {
    let steps = run.stretches.iter().filter_map(|stretch| stretch.soc[soc].step);
    let least = steps.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 1.0 }
}

/// The rises of a run's state of charge `soc` (0 displayed, 1 internal).
pub fn of(run: &RunInput, soc: usize) -> Vec<Rise> {
    let Some(whole) = whole(&run.summary, soc) else { return Vec::new() };
    let limit = RISE_PERCENT + step(&run.summary, soc);
    let mut rises: Vec<Rise> = Vec::new();
    // Time, charge drawn, and the state of charge that would have been read had nothing been drawn.
    let mut before: VecDeque<(f64, f64, f64)> = VecDeque::new();
    for second in run.summary.seconds.iter().filter(|second| second.t >= WAKING_S) {
        let (reading, charge) = (f64::from(second.soc[soc]), drawn(second));
        // At its ends a display stands still while charge moves: that is no rise.
        if !(reading > 0.0 && reading < 100.0 && charge.is_finite()) {
            continue;
        }
        let level = reading + charge / whole * 100.0;
        let is_old =
            |(t, drawn, _): &(f64, f64, f64)| second.t - t > BACK_S || (charge - drawn).abs() > BACK_SHARE * whole;
        // The latest reading stays to be compared with, however long ago it was.
        while before.len() > 1 && before.front().is_some_and(is_old) {
            before.pop_front();
        }
        let least = before.front().map_or(f64::INFINITY, |(.., level)| *level);
        if level - least > limit {
            let charging = second.phase == Phase::Charge;
            rises.push(Rise { run: run.name.clone(), at: second.t, percent: level - least, charging });
            before.clear();
        }
        // Levels grow from front to back, so that the front is the least: one that is undercut later never counts again.
        while before.back().is_some_and(|(.., last)| *last >= level) {
            before.pop_back();
        }
        before.push_back((second.t, charge, level));
    }
    rises
}

#[cfg(test)]
mod tests;
