//! Which fixes to believe: outliers, jumps and a position that stands still while the car drives are put aside.
//!
//! A step from one fix to the next must be one that the receiver's own speed or the wheels' could have made. A few fixes
//! off the line are outliers; many that agree among themselves are a line of their own, and the way between is unknown.
//!
//! Corrects no fix.

use super::super::input::{Fix, RunInput};
use super::wheel::Wheel;
use crate::geodesy::{self, Position};

/// No car of such a test is faster, m/s.
pub const SPEED_MAX: f64 = 100.0;
/// Fixes further apart in time leave the way between them unknown, s.
pub const APART_S: f64 = 5.0;
/// What a step may differ by from the way that the speeds say: m, for a dilution of 1 or less, and in parts.
const SLACK_M: f64 = 10.0;
const SLACK_PARTS: f64 = 0.15;
/// So many fixes that agree with each other and not with the line before are a new line.
const NEW_LINE: usize = 5;

/// What was put aside of a run's fixes.
#[derive(Debug, Default)]
pub struct Clean {
    /// Which fixes, rising.
    dropped: Vec<u32>,
    /// Fixes that begin a line anew: the way from the fix before is unknown.
    breaks: Vec<u32>,
    /// Fixes whose Doppler speed contradicts both line and wheels.
    doubtful_speed: Vec<u32>,
    /// How many jumped.
    pub jumps: usize,
    /// How many stood still while the car drove.
    pub stuck: usize,
}

/// A fix that is believed.
#[derive(Clone, Copy)]
pub struct Kept<'a> {
    /// It.
    pub fix: &'a Fix,
    /// Its speed, NaN where there is none to believe.
    pub speed: f64,
    /// The way from the fix before it is unknown.
    pub breaks: bool,
}

/// Where a fix is.
pub fn position(fix: &Fix) -> Position {
    (fix.latitude, fix.longitude)
}

impl Clean {
    /// Sorts a run's fixes.
    pub fn of(run: &RunInput, wheel: &mut Wheel<'_>) -> Self {
        let mut clean = Self::default();
        let fixes = &run.fixes;
        let mut last: Option<usize> = None;
        let mut line = 0;
        let mut pending: Vec<u32> = Vec::new();
        let mut still = 0;
        let mut pace = None;
        for (at, fix) in fixes.iter().enumerate() {
            let index = at as u32;
            let Some(before) = last else {
                if is_place(fix) {
                    (last, line) = (Some(at), 1);
                } else {
                    clean.dropped.push(index);
                }
                continue;
            };
            let a = &fixes[before];
            if !is_place(fix) || fix.t <= a.t {
                clean.dropped.push(index);
                continue;
            }
            if position(fix) == position(a) && pending.is_empty() {
                // A receiver that repeats itself: what comes next shows whether the car stood.
                clean.dropped.push(index);
                still += 1;
                continue;
            }
            match step(a, fix, wheel, pace) {
                Step::Sound => {
                    clean.stuck += stood_still(a, fix, still);
                    still = 0;
                    clean.outliers(&mut pending);
                    pace = Some(pace_of(a, fix));
                    (last, line) = (Some(at), line + 1);
                }
                Step::BadSpeed => {
                    clean.doubtful_speed.push(index);
                    still = 0;
                    clean.outliers(&mut pending);
                    pace = Some(pace_of(a, fix));
                    (last, line) = (Some(at), line + 1);
                }
                Step::Wrong => {
                    let follows = pending.last().is_some_and(|p| {
                        let p = &fixes[*p as usize];
                        fix.t > p.t && !matches!(step(p, fix, wheel, None), Step::Wrong)
                    });
                    if !follows {
                        clean.outliers(&mut pending);
                    }
                    pending.push(index);
                    if pending.len() >= NEW_LINE {
                        if line < NEW_LINE {
                            clean.drop_line(fixes, before, line);
                        }
                        clean.breaks.push(pending[0]);
                        (last, line, still, pace) = (Some(at), pending.len(), 0, None);
                        pending.clear();
                    }
                }
            }
        }
        clean.outliers(&mut pending);
        clean.dropped.sort_unstable();
        clean
    }

    fn outliers(&mut self, pending: &mut Vec<u32>) {
        self.jumps += pending.len();
        self.dropped.append(pending);
    }

    /// A line too short to be believed beside a longer one that contradicts it.
    fn drop_line(&mut self, fixes: &[Fix], last: usize, length: usize) {
        let mut left = length;
        for at in (0..=last.min(fixes.len().saturating_sub(1))).rev() {
            if left == 0 {
                break;
            }
            if !self.dropped.contains(&(at as u32)) {
                self.dropped.push(at as u32);
                self.jumps += 1;
                left -= 1;
            }
        }
    }

    /// The fixes that are believed, in order.
    pub fn kept<'a>(&'a self, fixes: &'a [Fix]) -> impl Iterator<Item = Kept<'a>> {
        let (mut dropped, mut breaks) = (self.dropped.iter().peekable(), self.breaks.iter().peekable());
        let mut doubtful = self.doubtful_speed.iter().peekable();
        fixes.iter().enumerate().filter_map(move |(at, fix)| {
            let at = at as u32;
            let is = |list: &mut std::iter::Peekable<std::slice::Iter<'_, u32>>| {
                while list.next_if(|next| **next < at).is_some() {}
                list.next_if(|next| **next == at).is_some()
            };
            if is(&mut dropped) {
                return None;
            }
            let speed = f64::from(fix.speed);
            let sound = (0.0..=SPEED_MAX).contains(&speed) && !is(&mut doubtful);
            Some(Kept { fix, speed: if sound { speed } else { f64::NAN }, breaks: is(&mut breaks) })
        })
    }
}

fn is_place(fix: &Fix) -> bool {
    fix.t.is_finite() && (-90.0..=90.0).contains(&fix.latitude) && (-180.0..=180.0).contains(&fix.longitude)
}

/// Repeated positions count as stuck if the receiver lost some way by them.
fn stood_still(a: &Fix, b: &Fix, repeats: usize) -> usize {
    let lost = b.t - a.t > APART_S && geodesy::geodesic(position(a), position(b)) > 50.0;
    if lost { repeats } else { 0 }
}

enum Step {
    Sound,
    /// The line goes with the wheels, not with the receiver's speed.
    BadSpeed,
    Wrong,
}

/// Speed along the line from one fix to the next, m/s.
fn pace_of(a: &Fix, b: &Fix) -> f64 {
    geodesy::geodesic(position(a), position(b)) / (b.t - a.t)
}

/// Judges a step by the receiver's speed and the wheels'; where the wheels alone contradict it, by the `pace` of the line
/// so far: wheels can be stuck, and many fixes in a row do not err alike.
fn step(a: &Fix, b: &Fix, wheel: &mut Wheel<'_>, pace: Option<f64>) -> Step {
    let dt = b.t - a.t;
    let way = geodesy::geodesic(position(a), position(b));
    let dilution = f64::from(a.hdop.max(b.hdop)).clamp(1.0, 5.0);
    let slack = SLACK_M * if dilution.is_finite() { dilution } else { 1.0 };
    if way > SPEED_MAX * dt + slack {
        return Step::Wrong;
    }
    let agrees = |expected: f64| {
        let off = way - expected;
        let slack = slack + SLACK_PARTS * expected;
        if dt <= APART_S { off.abs() <= slack } else { off <= slack }
    };
    let speeds = [a.speed, b.speed].map(f64::from);
    let by_speed = (dt <= APART_S && speeds.iter().all(|speed| (0.0..=SPEED_MAX).contains(speed)))
        .then(|| (speeds[0] + speeds[1]) / 2.0 * dt);
    let by_wheel = wheel.is_observed(a.t, b.t).then(|| wheel.distance(b.t) - wheel.distance(a.t));
    match (by_speed.map(agrees), by_wheel.map(agrees)) {
        (Some(true), _) | (None, None | Some(true)) => Step::Sound,
        (Some(false), Some(true)) => Step::BadSpeed,
        (None, Some(false)) if pace.is_none_or(|pace| agrees(pace * dt)) => Step::Sound,
        _ => Step::Wrong,
    }
}

#[cfg(test)]
mod tests;
