//! Legs: the drive from turn to turn; pairs of opposite direction; the height that the drive gained.
//!
//! Turns are known from where the car was along the course, else by marks, else by the distance driven on it, or from a path
//! that retraces itself; never by where the nose points. What wind and grade did, the difference of a pair tells; it does not tell them apart.

pub mod along;
mod by_distance;
mod height;
mod retraced;

use super::energy::Totals;
use super::estimate::Estimate;
use super::ground;
use super::ground::clean::position;
use super::portion::Portion;
use super::reduction::Test;
use super::sources;
use super::way::Way;
use along::{Matcher, Track, Turn};
pub use height::Height;

/// Legs of a pair differ in length by no more than this, in parts.
const ALIKE: f64 = 0.1;
/// Both directions of a closed course are of one length within this, in parts, and its ends lie so near each other, m.
const CLOSED: (f64, f64) = (0.02, 1_000.0);

/// How the turns are known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum By {
    /// By the fixes' place along the course.
    Course,
    /// By marks.
    Marks,
    /// By the distance driven on the course.
    Distance,
    /// By the path that retraces itself.
    Path,
}

impl By {
    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Course => "the course",
            Self::Marks => "marks",
            Self::Distance => "the distance driven on the course",
            Self::Path => "the path, which retraces itself",
        }
    }
}

/// A leg.
#[derive(Clone, PartialEq, Debug)]
pub struct Leg {
    /// Whether it was driven out along the course; `None` where that is not known.
    pub out: Option<bool>,
    /// Time, s.
    pub seconds: f64,
    /// Distance, m.
    pub distance: Option<Estimate>,
    /// Net energy, J.
    pub energy: Option<Estimate>,
    /// Net energy per distance, J/m.
    pub consumption: Option<Estimate>,
    /// Mean speed while driving, m/s.
    pub speed: Option<Estimate>,
    /// Mean temperature outside, degC.
    pub temperature: Option<f64>,
}

/// Two legs of opposite direction, one after the other, of about one length.
#[derive(Clone, PartialEq, Debug)]
pub struct Pair {
    /// Which, counted from 0.
    pub first: usize,
    /// Energy per distance of both together, J/m.
    pub mean: Option<Estimate>,
    /// That of the first less that of the second, J/m: what wind and grade did.
    pub difference: Option<Estimate>,
}

/// Whether what one direction gained the other lost.
#[derive(Clone, PartialEq, Debug)]
pub struct Cancels {
    /// Distance in the first leg's direction and in the other, m.
    pub distances: [f64; 2],
    /// How far the end lies from the start along the course, m; `None` where that is not known.
    pub apart: Option<f64>,
    /// Whether grade cancels: both directions equal, ends together.
    pub closed: bool,
}

/// Everything about legs.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Legs {
    /// How the turns are known; `None` where they are not.
    pub by: Option<By>,
    /// Why they are not known.
    pub why: Option<String>,
    /// The turns: in which run, when.
    pub turns: Vec<Turn>,
    /// The legs, in order; they are all of the test together.
    pub legs: Vec<Leg>,
    /// Pairs.
    pub pairs: Vec<Pair>,
    /// Whether the course cancelled grade.
    pub cancels: Option<Cancels>,
    /// The height gained from start to end.
    pub height: Option<Height>,
    /// Where the car was along the course.
    pub track: Track,
}

pub(super) fn of(test: &Test<'_>, way: &Way, totals: &Totals, problems: &mut Vec<String>) -> Legs {
    let mut legs = Legs { track: track(test, problems), ..Legs::default() };
    let first_out = find(test, way, &mut legs);
    legs.height = height::of(test, &legs.track);
    if legs.by.is_none() {
        return legs;
    }
    let portions = portions(test, &legs.turns);
    let out = |leg: usize| first_out.map(|first| first == leg.is_multiple_of(2));
    legs.legs = portions.iter().enumerate().map(|(at, portion)| leg(test, way, totals, portion, out(at))).collect();
    legs.pairs = pairs(test, way, totals, &portions);
    if portions.len() > 1 {
        legs.cancels = Some(cancels(way, &portions, &legs.track));
    }
    legs
}

/// The fixes along the course.
fn track(test: &Test<'_>, problems: &mut Vec<String>) -> Track {
    let Some(course) = &test.options.course else { return Track::default() };
    let mut track = Track::default();
    for (number, (run, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
        let of_run = match (&run.unplaced, Matcher::new(course)) {
            (Some(unplaced), _) => unplaced.track(number),
            (None, Some(mut matcher)) => {
                ground::line(run, fills, |fix| matcher.see(number, fix));
                matcher.finish()
            }
            (None, None) => Track::default(),
        };
        track.points.extend(of_run.points);
        track.on += of_run.on;
        track.off += of_run.off;
    }
    if track.off > 0 {
        let share = track.off as f64 / (track.on + track.off) as f64;
        let share = crate::format::share(share);
        problems.push(format!("{share} of the satellite fixes lie off the course that the card names"));
    }
    // A course somewhere else says nothing.
    if track.on < track.off { Track::default() } else { track }
}

/// Finds the turns; gives whether the first leg leads out.
fn find(test: &Test<'_>, way: &Way, legs: &mut Legs) -> Option<bool> {
    let (turns, out) = legs.track.turns();
    if out.is_some() {
        (legs.by, legs.turns) = (Some(By::Course), turns);
        return out;
    }
    let marked = test.runs.iter().enumerate();
    let mut marks: Vec<Turn> =
        marked.flat_map(|(run, input)| input.turned.iter().map(move |t| Turn { run, t: *t })).collect();
    if !marks.is_empty() {
        marks.sort_by(|a, b| (a.run, a.t).partial_cmp(&(b.run, b.t)).unwrap_or(std::cmp::Ordering::Equal));
        (legs.by, legs.turns) = (Some(By::Marks), marks);
        return None;
    }
    let on_course = legs.track.on == 0 && test.runs.iter().all(|run| run.fixes.is_empty());
    let course = test.options.course.as_ref().filter(|_| on_course);
    if let Some((turns, out)) = course.and_then(|course| by_distance::turns(test, course, way)) {
        (legs.by, legs.turns) = (Some(By::Distance), turns);
        return Some(out);
    }
    let mut path = retraced::Path::default();
    let mut kept: Vec<Turn> = Vec::new();
    for (number, (run, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
        match &run.unplaced {
            Some(unplaced) => kept.extend(unplaced.turned().map(|t| Turn { run: number, t })),
            None => ground::line(run, fills, |fix| path.see(number, fix.t, position(fix))),
        }
    }
    let turns = if kept.is_empty() { path.turns() } else { kept };
    if turns.is_empty() {
        legs.why = Some(why_not(test).into());
    } else {
        (legs.by, legs.turns) = (Some(By::Path), turns);
    }
    None
}

fn why_not(test: &Test<'_>) -> &'static str {
    let has_fixes = test.runs.iter().any(|run| !run.fixes.is_empty());
    match &test.options.course {
        None if has_fixes => "the card names no course, no turn was marked, and the path does not retrace itself",
        None => "the card names no course, no turn was marked, and there are no satellite fixes",
        Some(_) if has_fixes => "the satellite fixes do not lie on the course, and no turn was marked",
        Some(_) => {
            "there are no satellite fixes, no turn was marked, and slow stretches fit no one way to and fro on the course"
        }
    }
}

/// The leg that a moment of a run belongs to, counted from 0.
pub(super) fn leg_at(turns: &[Turn], run: usize, t: f64) -> usize {
    turns.partition_point(|turn| (turn.run, turn.t) < (run, t))
}

/// The test's seconds and gaps from turn to turn.
fn portions(test: &Test<'_>, turns: &[Turn]) -> Vec<Portion> {
    let mut portions = vec![Portion::default(); turns.len() + 1];
    let which = |run: usize, t: f64| leg_at(turns, run, t);
    for (number, (run, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
        for step in run.summary.steps() {
            portions[which(number, step.to.t)].add(&step);
        }
        for fill in fills {
            portions[which(number, (fill.gap.from_s + fill.gap.to_s) / 2.0)].add_fill(fill);
        }
    }
    portions
}

fn leg(test: &Test<'_>, way: &Way, totals: &Totals, portion: &Portion, out: Option<bool>) -> Leg {
    let distance = portion.distance(way);
    let energy = portion.energy(test, totals);
    let speed = distance.as_ref().filter(|_| portion.driving > 0.0).map(|way| way.scale(1.0 / portion.driving));
    Leg {
        out,
        seconds: portion.seconds,
        consumption: energy.as_ref().zip(distance.as_ref()).and_then(|(energy, way)| energy.ratio(way)),
        distance,
        energy,
        speed,
        temperature: portion.temperature(),
    }
}

fn consumption(test: &Test<'_>, way: &Way, totals: &Totals, portion: &Portion) -> Option<Estimate> {
    portion.energy(test, totals)?.ratio(&portion.distance(way)?)
}

fn pairs(test: &Test<'_>, way: &Way, totals: &Totals, portions: &[Portion]) -> Vec<Pair> {
    let mut pairs = Vec::new();
    let mut first = 0;
    while let [a, b, ..] = &portions[first.min(portions.len())..] {
        if (a.wheels - b.wheels).abs() > ALIKE * a.wheels.max(b.wheels) {
            first += 1;
            continue;
        }
        let [one, other] = [a, b].map(|portion| consumption(test, way, totals, portion));
        pairs.push(Pair {
            first,
            mean: consumption(test, way, totals, &a.plus(b)),
            difference: one
                .zip(other)
                .map(|(one, other)| one.of_part(1, &sources::CHANCE).sub(&other.of_part(2, &sources::CHANCE))),
        });
        first += 2;
    }
    pairs
}

fn cancels(way: &Way, portions: &[Portion], track: &Track) -> Cancels {
    let mut distances = [0.0; 2];
    for (leg, portion) in portions.iter().enumerate() {
        let scale = way.counted_per_wheel().unwrap_or(f64::NAN);
        distances[leg % 2] += portion.wheels * scale;
    }
    let apart = track.points.first().zip(track.points.last()).map(|(first, last)| (last.at - first.at).abs());
    let alike = (distances[0] - distances[1]).abs() <= CLOSED.0 * (distances[0] + distances[1]);
    Cancels { distances, apart, closed: alike && apart.is_none_or(|apart| apart <= CLOSED.1) }
}

#[cfg(test)]
mod tests;
