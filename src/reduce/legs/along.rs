//! Where the car was along the course: each fix to the nearest point of the course's line that it can have come to.
//!
//! The course's places may lie far apart and the road between them bend; a fix is on the course between two places if
//! the road between them is long enough to lead past it. Turns are where the position along the course turns back,
//! whatever way the car's nose points. Plans nothing.

use super::super::ground::clean::{SPEED_MAX, position};
use super::super::input::Fix;
use crate::course::Course;
use crate::geodesy::Plane;

/// A fix may lie this far off the road, m, and lengths of roads be wrong by this much, in parts: common practice, no source.
const SLACK_M: f64 = 300.0;
const SLACK_PARTS: f64 = 1.02;
/// Positions along the course are kept so far apart, m.
const KEPT_M: f64 = 50.0;
/// The car has turned when it has come back this far, m.
const TURNED_M: f64 = 500.0;
/// A turn takes place within this distance of its farthest point, m.
const AT_TURN_M: f64 = 100.0;

/// A moment and where the car was.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Along {
    /// Which run.
    pub run: usize,
    /// When, s of run time.
    pub t: f64,
    /// Distance along the course, m.
    pub at: f64,
}

/// A turn, and whether the car drove out (towards greater distances) before it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Turn {
    /// In which run.
    pub run: usize,
    /// When, s of run time.
    pub t: f64,
}

/// The way along the course.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Track {
    /// Where the car was, some 50 m apart.
    pub points: Vec<Along>,
    /// Fixes on the course and off it.
    pub on: usize,
    /// See `on`.
    pub off: usize,
}

/// Matches fixes, in order.
pub struct Matcher<'a> {
    legs: Vec<(&'a crate::course::Place, &'a crate::course::Place, Plane)>,
    track: Track,
}

impl<'a> Matcher<'a> {
    /// Onto a course; `None` where it gives no positions.
    pub fn new(course: &'a Course) -> Option<Self> {
        let pairs = course.places.windows(2).filter_map(|pair| {
            let from = pair[0].position?;
            Some((&pair[0], &pair[1], Plane::at((from.latitude_deg, from.longitude_deg))))
        });
        let legs: Vec<_> = pairs.collect();
        (!legs.is_empty()).then(|| Self { legs, track: Track::default() })
    }

    /// Matches the next fix.
    pub fn see(&mut self, run: usize, fix: &Fix) {
        let last = self.track.points.last().copied();
        let mut best: Option<(f64, f64)> = None;
        for (from, to, plane) in &self.legs {
            let (Some(a), Some(b)) = (from.position, to.position) else { continue };
            let [a, b] = [a, b].map(|p| (p.latitude_deg, p.longitude_deg));
            let (offset, share) = plane.nearest(position(fix), a, b);
            let length = to.at.0 - from.at.0;
            let [p, a, b] = [position(fix), a, b].map(|place| plane.place(place));
            let apart = |p: (f64, f64), q: (f64, f64)| (p.0 - q.0).hypot(p.1 - q.1);
            if apart(p, a) + apart(p, b) > (length * SLACK_PARTS).max(apart(a, b)) + SLACK_M {
                continue;
            }
            let at = from.at.0 + share * length;
            // A line that passes itself: no car leaps along it.
            let leap = last
                .filter(|last| last.run == run)
                .map_or(0.0, |last| ((at - last.at).abs() - SPEED_MAX * (fix.t - last.t).max(0.0) - SLACK_M).max(0.0));
            let cost = offset + leap;
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, at));
            }
        }
        let Some((_, at)) = best else {
            self.track.off += 1;
            return;
        };
        self.track.on += 1;
        if last.is_none_or(|last| last.run != run || (at - last.at).abs() >= KEPT_M) {
            self.track.points.push(Along { run, t: fix.t, at });
        }
    }

    /// All of it.
    pub fn finish(self) -> Track {
        self.track
    }
}

impl Track {
    /// Where the car turned, and whether it drove out first; empty and `None` where it never got anywhere.
    pub fn turns(&self) -> (Vec<Turn>, Option<bool>) {
        let points = &self.points;
        let (mut low, mut high) = (0, 0);
        let (mut out, mut first) = (None, None);
        let mut turns = Vec::new();
        for (index, point) in points.iter().enumerate() {
            if point.at > points[high].at {
                high = index;
            }
            if point.at < points[low].at {
                low = index;
            }
            let (rise, fall) = (point.at - points[low].at, points[high].at - point.at);
            let now = match out {
                None if rise >= TURNED_M => true,
                None if fall >= TURNED_M => false,
                Some(true) if fall >= TURNED_M => {
                    turns.push(self.turn_at(high));
                    false
                }
                Some(false) if rise >= TURNED_M => {
                    turns.push(self.turn_at(low));
                    true
                }
                _ => continue,
            };
            first = first.or(Some(now));
            if out != Some(now) {
                (low, high) = (index, index);
            }
            out = Some(now);
        }
        (turns, first)
    }

    /// The middle of the time spent about the farthest point.
    fn turn_at(&self, extreme: usize) -> Turn {
        let far = self.points[extreme];
        let near = |point: &&Along| point.run == far.run && (point.at - far.at).abs() <= AT_TURN_M;
        let before = self.points[..extreme].iter().rev().take_while(near).last().unwrap_or(&far);
        let after = self.points[extreme..].iter().take_while(near).last().unwrap_or(&far);
        // The next point is kept only once the car is under way again.
        let next = self.points.get(extreme + 1).filter(|next| next.run == far.run).map_or(after.t, |next| next.t);
        Turn { run: far.run, t: (before.t + after.t.max(next)) / 2.0 }
    }

    /// Where the car was at a moment: at the last point kept before it.
    pub fn at(&self, run: usize, t: f64) -> Option<f64> {
        let after = self.points.partition_point(|point| (point.run, point.t) <= (run, t));
        let point = self.points.get(after.checked_sub(1)?)?;
        (point.run == run).then_some(point.at)
    }
}
