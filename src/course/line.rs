//! A course's file made from a line of positions, as a track has them or a run's fixes.
//!
//! Distances are geodesics along the line. Where one can turn and where chargers are, no line says: the file says what to
//! fill in. Opens no file.

use std::fmt::Write;

use super::Position;
use crate::geodesy::{Plane, geodesic};

/// A line may be simplified by this much, m: what a lane and a receiver's noise leave open.
const TOLERANCE_M: f64 = 25.0;
/// A name belongs to the line if it lies this near to it, m.
const NEAR_M: f64 = 300.0;
/// A line whose end lies this near to its start, as a share of how far it went, was driven there and back.
const BACK_SHARE: f64 = 0.1;
/// Shorter than this is no road, m.
const LENGTH_MIN_M: f64 = 500.0;
/// The most points that are worked on: more are thinned out first.
const POINTS_MAX: usize = 20_000;

/// A line of positions.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Line {
    /// Its name.
    pub name: Option<String>,
    /// Its points, in the order in which they were driven.
    pub points: Vec<LinePoint>,
    /// Names and where they are.
    pub named: Vec<(String, Position)>,
}

/// A point of a line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LinePoint {
    /// Where.
    pub position: Position,
    /// Height above mean sea level, m.
    pub elevation: Option<f64>,
}

/// A course's file, and what was done to make it.
#[derive(Clone, PartialEq, Debug)]
pub struct Written {
    /// The file's text.
    pub text: String,
    /// Notes, in plain words.
    pub notes: Vec<String>,
}

/// Why a line makes no course.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unfit {
    /// It does not go anywhere.
    #[error("the line is shorter than {} m", LENGTH_MIN_M)]
    TooShort,
}

fn place(at: Position) -> (f64, f64) {
    (at.latitude_deg, at.longitude_deg)
}

/// A place to be: distance along, name if it has one, position, height.
type Spot = (f64, Option<String>, Position, Option<f64>);

/// The file of a course along a line; of one that was driven there and back the way there.
pub fn written(line: &Line) -> Result<Written, Unfit> {
    let mut notes = Vec::new();
    let points = there(thinned(&line.points), &mut notes);
    let along = distances(&points);
    let length = along.last().copied().unwrap_or(0.0);
    if length < LENGTH_MIN_M {
        return Err(Unfit::TooShort);
    }
    let mut spots: Vec<Spot> = simplified(&points)
        .into_iter()
        .map(|at| (along[at], None, points[at].position, points[at].elevation))
        .collect();
    for (name, at) in &line.named {
        match nearest(&points, &along, *at) {
            Some((spot, elevation, position)) => spots.push((spot, Some(name.clone()), position, elevation)),
            None => notes.push(format!("'{name}' lies more than {NEAR_M} m off the line: it is left out")),
        }
    }
    spots.sort_by(|a, b| a.0.total_cmp(&b.0));
    // A name takes the place of the bends beside it.
    spots.dedup_by(|b, a| {
        let same = b.0 - a.0 < TOLERANCE_M && (a.1.is_none() || b.1.is_none());
        if same && a.1.is_none() {
            a.1 = b.1.take();
        }
        same
    });
    Ok(Written { text: text(line, &spots), notes })
}

fn thinned(points: &[LinePoint]) -> Vec<LinePoint> {
    let every = points.len().div_ceil(POINTS_MAX).max(1);
    let mut kept: Vec<LinePoint> = points.iter().copied().step_by(every).chain(points.last().copied()).collect();
    kept.dedup_by_key(|point| point.position);
    kept
}

/// Up to where the line is farthest from its start, if it comes back.
fn there(points: Vec<LinePoint>, notes: &mut Vec<String>) -> Vec<LinePoint> {
    let Some((first, last)) = points.first().zip(points.last()) else { return points };
    let from_start = |point: &LinePoint| geodesic(place(first.position), place(point.position));
    let farthest = points.iter().enumerate().max_by(|a, b| from_start(a.1).total_cmp(&from_start(b.1)));
    let Some((at, point)) = farthest else { return points };
    if from_start(last) > BACK_SHARE * from_start(point) {
        return points;
    }
    notes.push("the line comes back to its start: its way there makes the course".into());
    points[..=at].to_vec()
}

fn distances(points: &[LinePoint]) -> Vec<f64> {
    let mut sum = 0.0;
    let steps = points.windows(2).map(|pair| {
        sum += geodesic(place(pair[0].position), place(pair[1].position));
        sum
    });
    std::iter::once(0.0).chain(steps).collect()
}

/// The points that a line needs to stay within [`TOLERANCE_M`] (Douglas and Peucker, Cartographica 10, 1973).
fn simplified(points: &[LinePoint]) -> Vec<usize> {
    let mut keep = vec![false; points.len()];
    let mut open = vec![(0, points.len() - 1)];
    while let Some((from, to)) = open.pop() {
        (keep[from], keep[to]) = (true, true);
        let (a, b) = (place(points[from].position), place(points[to].position));
        let plane = Plane::at(a);
        let off = |at: usize| plane.nearest(place(points[at].position), a, b).0;
        let worst = (from + 1..to).map(|at| (at, off(at))).max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((at, _)) = worst.filter(|(_, off)| *off > TOLERANCE_M) {
            open.extend([(from, at), (at, to)]);
        }
    }
    keep.iter().enumerate().filter_map(|(at, keep)| keep.then_some(at)).collect()
}

/// Where on the line a position is nearest to it, if near enough: distance along, height and position there.
fn nearest(points: &[LinePoint], along: &[f64], of: Position) -> Option<(f64, Option<f64>, Position)> {
    let plane = Plane::at(place(of));
    let off = |at: usize| plane.nearest(place(of), place(points[at].position), place(points[at + 1].position));
    let found = (0..points.len() - 1).map(|at| (at, off(at))).min_by(|a, b| a.1.0.total_cmp(&b.1.0));
    let (at, (_, share)) = found.filter(|(_, (off, _))| *off <= NEAR_M)?;
    let (from, to) = (&points[at], &points[at + 1]);
    let between = |a: f64, b: f64| a + share * (b - a);
    let position = Position {
        latitude_deg: between(from.position.latitude_deg, to.position.latitude_deg),
        longitude_deg: between(from.position.longitude_deg, to.position.longitude_deg),
    };
    let elevation = from.elevation.zip(to.elevation).map(|(a, b)| between(a, b));
    Some((between(along[at], along[at + 1]), elevation, position))
}

/// As a basic string of TOML, whose escapes are JSON's; control characters are no part of a name.
fn quoted(text: &str) -> String {
    serde_json::Value::String(text.chars().filter(|char| !char.is_control()).collect()).to_string()
}

fn text(line: &Line, spots: &[Spot]) -> String {
    let heights = spots.iter().all(|spot| spot.3.is_some());
    let mut text = String::from(
        "# Made from a line of positions, which says where the road lies and nothing else. Fill in where one can turn and where\n\
         # chargers are (docs/course.md); a bend that is no place to you may keep its name.\n",
    );
    let mut names: Vec<String> = Vec::new();
    // Into a string: nothing that could fail.
    let _ = writeln!(text, "\nname = {}", quoted(line.name.as_deref().unwrap_or("course")));
    for (at, name, position, elevation) in spots {
        let km = (at / 1e3 * 1e3).round() / 1e3;
        let mut name = name.clone().unwrap_or_else(|| format!("km {km}"));
        while names.contains(&name) {
            name.push('\'');
        }
        let _ = writeln!(text, "\n[[place]]\nname = {}\nkm = {km}", quoted(&name));
        if let Some(height) = elevation.filter(|_| heights) {
            let _ = writeln!(text, "elevation_m = {}", height.round());
        }
        let _ = writeln!(text, "position = [{:.6}, {:.6}]", position.latitude_deg, position.longitude_deg);
        if name.starts_with("km ") {
            text += "# turn = true, charger = true\n";
        } else {
            text += "# turn = true\n# turn_km = 1.0\n# charger = true\n";
        }
        names.push(name);
    }
    text
}

#[cfg(test)]
mod tests;
