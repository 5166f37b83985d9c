//! The height that the car gained from start to end, and the energy that it holds.
//!
//! By the course where it gives heights, else by the receiver. Corrects no figure.

use super::super::estimate::Estimate;
use super::super::input::{Fix, RunInput};
use super::super::mass;
use super::super::reduction::Test;
use super::super::sources;
use super::along::Track;
use crate::quantity::Metre;

/// How well a course's heights are known, m: common practice, no source.
const COURSE_U: f64 = 3.0;
/// How well the mean of a receiver's heights over half a minute is, m: common practice, no source.
const RECEIVER_U: f64 = 10.0;
/// The receiver's heights are averaged over this long at both ends, s.
const ENDS_S: f64 = 30.0;

/// The height gained.
#[derive(Clone, PartialEq, Debug)]
pub struct Height {
    /// End less start, m.
    pub rise: Estimate,
    /// By what.
    pub by: &'static str,
    /// The energy in it, J; `None` where the card does not give the masses.
    pub energy: Option<Estimate>,
}

pub(super) fn of(test: &Test<'_>, track: &Track) -> Option<Height> {
    let (rise, by) = by_course(test, track).or_else(|| by_receiver(test.runs))?;
    let energy = mass::of(test.card).map(|mass| mass::potential(&mass, &rise));
    Some(Height { rise, by, energy })
}

fn by_course(test: &Test<'_>, track: &Track) -> Option<(Estimate, &'static str)> {
    let course = test.options.course.as_ref()?;
    let height = |at: f64| course.elevation(Metre(at)).map(|height| height.0);
    let (start, end) = (track.points.first()?.at, track.points.last()?.at);
    let rise = Estimate::exact(height(end)? - height(start)?);
    Some((rise.with_b(sources::HEIGHT, COURSE_U * 2f64.sqrt()), "the course"))
}

fn by_receiver(runs: &[RunInput]) -> Option<(Estimate, &'static str)> {
    let mean = |run: &RunInput, near: &dyn Fn(&Fix) -> bool| {
        let heights = run.fixes.iter().filter(|fix| fix.altitude.is_finite() && near(fix));
        let (sum, count) = heights.fold((0.0, 0.0), |sum, fix| (sum.0 + f64::from(fix.altitude), sum.1 + 1.0));
        (count > 0.0).then(|| sum / count)
    };
    let known = |fix: &&Fix| fix.altitude.is_finite();
    let first = runs.first()?.fixes.iter().find(known)?.t;
    let last = runs.last()?.fixes.iter().rev().find(known)?.t;
    let start = mean(runs.first()?, &|fix| fix.t - first <= ENDS_S)?;
    let end = mean(runs.last()?, &|fix| last - fix.t <= ENDS_S)?;
    let rise = Estimate::exact(end - start);
    Some((rise.with_b(sources::HEIGHT, RECEIVER_U * 2f64.sqrt()), "the satellite receiver"))
}
