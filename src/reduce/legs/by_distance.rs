//! Turns where no satellite says where the car was: by the distance driven, along a course whose lengths are known.
//!
//! A turn is driven slowly. Every way to shuttle between two turning places of the course says after which distances the
//! slow stretches of its turns must come; one that all its turns are found for, and more of them than for any other, is how
//! the car drove. Two such ways with other turns leave it unknown. Uses no heading.

use super::super::reduction::Test;
use super::super::way::Way;
use super::along::Turn;
use crate::course::{Course, Direction, Place};
use crate::ledger::Phase;

/// Slower than this share of the drive's typical speed, for at least so many seconds, may be a turn.
const SLOW: (f64, f64) = (0.6, 15.0);
/// A turn is found within this of where it must be, m, and in parts of the leg: common practice, no source.
const FOUND: (f64, f64) = (500.0, 0.015);
/// A turn so near the drive's end is not asked for, m.
const AT_END_M: f64 = 1_500.0;

/// A slow stretch: the distance driven to its middle, m, and when that was.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Dip {
    at: f64,
    turn: Turn,
}

/// The turns, and whether the first leg leads out; `None` where no shuttle fits, or several.
pub(super) fn turns(test: &Test<'_>, course: &Course, way: &Way) -> Option<(Vec<Turn>, bool)> {
    let scale = way.counted_per_wheel()?;
    let (dips, whole) = dips(test, scale)?;
    let mut best: Vec<(Vec<usize>, bool)> = Vec::new();
    for start in &course.places {
        for first in [Direction::Out, Direction::Back] {
            for far in &course.places {
                for near in &course.places {
                    let Some(found) = shuttle(&dips, whole, start, first, far, near) else { continue };
                    let most = best.first().map_or(1, |(known, _)| known.len());
                    if found.len() > most {
                        best.clear();
                    }
                    if found.len() >= most {
                        best.push((found, first == Direction::Out));
                    }
                }
            }
        }
    }
    let (found, out) = best.first()?;
    // One turn alone may be anything slow.
    let sure = found.len() > 1 || dips.len() == 1;
    let alike = best.iter().all(|(other, other_out)| other == found && other_out == out);
    (sure && alike).then(|| (found.iter().map(|at| dips[*at].turn).collect(), *out))
}

/// The slow stretches between the drive's begin and end, and the whole distance, m.
fn dips(test: &Test<'_>, scale: f64) -> Option<(Vec<Dip>, f64)> {
    let steps = || {
        let runs = test.runs.iter().enumerate();
        runs.flat_map(|(number, run)| run.summary.steps().map(move |step| (number, step)))
    };
    let driven = || steps().filter(|(_, step)| step.phase() == Phase::Drive && step.distance() > 0.0);
    let (squares, whole) =
        driven().fold((0.0, 0.0), |sum, (_, step)| (sum.0 + step.speed() * step.distance(), sum.1 + step.distance()));
    let slow = SLOW.0 * squares / whole;
    if !slow.is_finite() {
        return None;
    }
    let mut dips = Vec::new();
    let mut at = 0.0;
    let mut under: Option<(f64, usize, f64)> = None;
    for (number, step) in steps() {
        let before = at;
        at += step.distance() * scale;
        match under {
            None if step.speed() < slow => under = Some((before, number, step.from.t)),
            Some((from, run, t)) if step.speed() >= slow => {
                // The drive's begin is slow, and no turn.
                if from > 0.0 && run == number && step.from.t - t >= SLOW.1 {
                    dips.push(Dip { at: (from + before) / 2.0, turn: Turn { run, t: (t + step.from.t) / 2.0 } });
                }
                under = None;
            }
            _ => {}
        }
    }
    Some((dips, at))
}

/// Which slow stretches are the turns of a shuttle between `far` and `near`, begun at `start`; `None` if one is missing.
fn shuttle(dips: &[Dip], whole: f64, start: &Place, first: Direction, far: &Place, near: &Place) -> Option<Vec<usize>> {
    let ahead = (far.at - start.at).0 * first.sign();
    let leg = (far.at - near.at).0 * first.sign();
    let (turn_far, turn_near) = (far.turn(first)?.length.0, near.turn(first.turned())?.length.0);
    if ahead <= 0.0 || leg <= 0.0 {
        return None;
    }
    let mut found = Vec::new();
    let mut expected = ahead + turn_far / 2.0;
    let mut length = ahead;
    while expected < whole - AT_END_M {
        let slack = FOUND.0.max(FOUND.1 * length);
        let nearest =
            dips.iter().enumerate().min_by(|a, b| (a.1.at - expected).abs().total_cmp(&(b.1.at - expected).abs()));
        let (index, dip) = nearest.filter(|(_, dip)| (dip.at - expected).abs() <= slack)?;
        if found.last().is_some_and(|last| *last >= index) {
            return None;
        }
        found.push(index);
        length = leg + (turn_far + turn_near) / 2.0;
        // Where the turn was found, the distance is known anew.
        expected = dip.at + length;
    }
    (!found.is_empty()).then_some(found)
}
