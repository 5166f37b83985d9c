//! A position on the course's line: how far along the road it lies, and how well that says where the car is.
//!
//! The road between two places is at least as long as the straight line and may bend: it leads from the one over the position
//! to the other, so what it can have driven so far lies between bounds, and those are the uncertainty. Keeps no history.

use crate::course::Course;
use crate::geodesy::{Plane, Position};
use crate::plan::outlook::Guess;

/// A position may lie this far off the road, m, and lengths of roads be wrong by this much, in parts: common practice, no source.
const SLACK_M: f64 = 300.0;
const SLACK_PARTS: f64 = 1.02;
/// What a fix and the width of a road come to, m: common practice, no source.
const FIX_M: f64 = 15.0;

/// The course's line.
#[derive(Clone, Debug, Default)]
pub struct Line {
    pieces: Vec<Piece>,
}

/// The road between two places.
#[derive(Clone, Debug)]
struct Piece {
    from: f64,
    length: f64,
    a: Position,
    b: Position,
    plane: Plane,
}

impl Line {
    /// Of a course; empty where it gives no positions.
    pub fn of(course: &Course) -> Self {
        let pieces = course.places.windows(2).filter_map(|pair| {
            let [a, b] = [pair[0].position?, pair[1].position?].map(|p| (p.latitude_deg, p.longitude_deg));
            let length = (pair[1].at - pair[0].at).0;
            Some(Piece { from: pair[0].at.0, length, a, b, plane: Plane::at(a) })
        });
        Self { pieces: pieces.collect() }
    }

    /// Where along the road a position lies, m: nearest to the line and to where the car was thought to be; `None` off the course.
    pub fn find(&self, at: Position, thought: Option<Guess>) -> Option<Guess> {
        let mut best: Option<(f64, Guess)> = None;
        for piece in &self.pieces {
            let Some((offset, found)) = piece.find(at) else { continue };
            // A line that passes itself: no car leaps along it.
            let leap = thought
                .map_or(0.0, |thought| ((found.mean - thought.mean).abs() - 3.0 * thought.u.hypot(found.u)).max(0.0));
            if best.is_none_or(|(least, _)| offset + leap < least) {
                best = Some((offset + leap, found));
            }
        }
        best.map(|(_, found)| found)
    }
}

impl Piece {
    fn find(&self, at: Position) -> Option<(f64, Guess)> {
        let (offset, _) = self.plane.nearest(at, self.a, self.b);
        let [p, a, b] = [at, self.a, self.b].map(|place| self.plane.place(place));
        let apart = |p: (f64, f64), q: (f64, f64)| (p.0 - q.0).hypot(p.1 - q.1);
        let (before, after, straight) = (apart(p, a), apart(p, b), apart(a, b));
        if before + after > (self.length * SLACK_PARTS).max(straight) + SLACK_M {
            return None;
        }
        let share = self.plane.nearest(at, self.a, self.b).1;
        // The least that leads there, and the most that leaves enough for the rest.
        let spare = (self.length - before - after).max(0.0);
        // A bend of the road that the line does not have shows at its ends the least.
        let bend = (spare / 2.0).min(before).min(after) / 3f64.sqrt();
        let found = self.from + share * self.length;
        (offset.is_finite() && found.is_finite()).then(|| (offset, Guess::new(found, FIX_M.hypot(bend))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;

    /// On the equator, where a degree of longitude is 111,319.4908 m: 10 km of straight road, then 10 km for a line of 9.
    fn line() -> Line {
        let text = "[[place]]\nname = 'A'\nkm = 0\nposition = [0.0, 0.0]\nturn = true\ncharger = true\n\
                    [[place]]\nname = 'B'\nkm = 10\nposition = [0.0, 0.0898315284]\nturn = true\n\
                    [[place]]\nname = 'C'\nkm = 20\nposition = [0.0, 0.1706799040]\nturn = true\n";
        let (course, faults) = Course::parse(&Document::from_text("road.toml", text));
        Line::of(&course.unwrap_or_else(|| panic!("{faults:?}")))
    }

    #[test]
    fn a_straight_road_is_known_to_the_fix_and_a_bent_one_to_its_bend() {
        let at = |longitude: f64| line().find((0.0001, longitude), None).unwrap();
        let straight = at(0.0449157642);
        assert!((straight.mean - 5_000.0).abs() < 1.0 && straight.u < 20.0, "{straight:?}");
        // Half of the line of 9 km: 1 km of road is spare, so up to 500 m either way, a rectangle: 289 m.
        let bent = at(0.0898315284 + 0.0404241878);
        assert!((bent.mean - 15_000.0).abs() < 1.0, "{bent:?}");
        assert!((bent.u - 289.1).abs() < 1.0, "{bent:?}");
        // Close to a place there is no room for a bend.
        assert!(at(0.0898315284 + 0.0009).u < 70.0);
        assert_eq!(line().find((0.02, 0.05), None), None);
    }
}
