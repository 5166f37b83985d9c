//! The distance until displayed 0: along the plan's way, over its hills, and on from its end as if the road were level.
//!
//! Plans nothing.

use crate::course::{Course, Direction};
use crate::plan::outlook::{Guess, Outlook, Trip};
use crate::plan::turning::{Act, Here, Sequence};
use crate::quantity::Metre;

/// The way is looked at in pieces no longer than this, m.
const PIECE_M: f64 = 500.0;

/// How far the energy above displayed 0 goes.
pub fn distance(outlook: &Outlook, plan: Option<(&Course, Here, &Sequence)>) -> Guess {
    let mut walk = Walk { outlook, trip: Trip::default(), rise: 0.0, done: None };
    if let Some((course, here, sequence)) = plan {
        walk.along(course, here, sequence);
    }
    let energy = outlook.to_zero.mean;
    let mean = outlook.mean_per_metre().max(1.0);
    let (trip, rise) = match walk.done {
        Some(reached) => reached,
        None => {
            // On from the plan's end, half out and half back.
            let more = ((energy - walk.needed()) / mean).max(0.0) / 2.0;
            (Trip { out: walk.trip.out + more, back: walk.trip.back + more, ..walk.trip }, walk.rise)
        }
    };
    // An error of the energy is one of the distance, at what a metre takes.
    let driven = outlook.need(&trip).mean / trip.length();
    let per_metre = if driven.is_finite() { driven.max(1.0) } else { mean };
    let u = outlook.to_zero.u.hypot(outlook.need(&trip).u).hypot(outlook.per_rise.u * rise);
    Guess::new(trip.length(), u / per_metre)
}

struct Walk<'a> {
    outlook: &'a Outlook,
    trip: Trip,
    rise: f64,
    /// Where the energy was used up, and the rise until there.
    done: Option<(Trip, f64)>,
}

impl Walk<'_> {
    fn needed(&self) -> f64 {
        self.outlook.need(&self.trip).mean + self.outlook.per_rise.mean * self.rise
    }

    fn along(&mut self, course: &Course, here: Here, sequence: &Sequence) {
        let (mut at, mut direction) = (here.at.0, here.direction);
        for (place, act) in &sequence.acts {
            let Some(place) = course.places.get(*place) else { return };
            let (to, sign) = (place.at.0, direction.sign());
            while (to - at) * sign > 0.0 && self.done.is_none() {
                let next = at + sign * PIECE_M.min((to - at) * sign);
                let heights = [at, next].map(|at| course.elevation(Metre(at)).map_or(0.0, |height| height.0));
                self.go(direction, (next - at).abs(), heights[1] - heights[0]);
                at = next;
            }
            match act {
                Act::Turn => {
                    self.besides(place.turn(direction).map_or(0.0, |turn| turn.length.0));
                    direction = direction.turned();
                }
                Act::Round => self.besides(course.finish.as_ref().map_or(0.0, |finish| finish.length.0)),
                Act::Arrive => return,
            }
        }
    }

    /// A piece of road; where the energy ends within it, the share of it that is driven.
    fn go(&mut self, direction: Direction, length: f64, rise: f64) {
        let before = (self.trip, self.rise, self.needed());
        match direction {
            Direction::Out => self.trip.out += length,
            Direction::Back => self.trip.back += length,
        }
        self.rise += rise;
        let (needed, energy) = (self.needed(), self.outlook.to_zero.mean);
        if needed >= energy && needed > before.2 {
            let share = ((energy - before.2) / (needed - before.2)).clamp(0.0, 1.0);
            let (out, back) = (self.trip.out - before.0.out, self.trip.back - before.0.back);
            let trip = Trip { out: before.0.out + share * out, back: before.0.back + share * back, ..before.0 };
            self.done = Some((trip, before.1 + share * rise));
        }
    }

    fn besides(&mut self, length: f64) {
        if self.done.is_none() {
            self.trip.extra += length;
            if self.needed() >= self.outlook.to_zero.mean {
                self.done = Some((self.trip, self.rise));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;

    #[test]
    fn a_hill_on_the_way_shortens_it_and_one_behind_does_not() {
        // 20 km out over a hill of 100 m half way, 1 J/m on the level and 20 J per metre of rise: 10 km up take 12 kJ, 10 km down 8 kJ.
        let text = "[[place]]\nname = 'A'\nkm = 0\nelevation_m = 0\ncharger = true\nturn = true\n\
                    [[place]]\nname = 'B'\nkm = 10\nelevation_m = 100\n\
                    [[place]]\nname = 'C'\nkm = 20\nelevation_m = 0\nturn = true\nturn_km = 1\n";
        let course = Course::parse(&Document::from_text("road.toml", text)).0.unwrap();
        let far = |energy: f64| {
            let outlook = Outlook {
                to_zero: Guess::new(energy, 100.0),
                below_zero: Guess::default(),
                per_metre: [Guess::new(1.0, 0.0); 2],
                together: 0.0,
                wander: 0.0,
                dof: 8.0,
                per_rise: Guess::new(20.0, 0.0),
            };
            let here = Here { at: Metre(0.0), direction: Direction::Out };
            let acts = vec![(2, Act::Turn), (0, Act::Arrive)];
            let plan = Sequence { acts, arriving: Direction::Back, trip: Trip::default() };
            distance(&outlook, Some((&course, here, &plan))).mean
        };
        assert!((far(6_000.0) - 5_000.0).abs() < 1e-6);
        assert!((far(16_000.0) - 15_000.0).abs() < 1e-6);
        // 41 kJ home, 10 kJ more on the level.
        assert!((far(51_000.0) - 51_000.0).abs() < 1e-6, "{}", far(51_000.0));
        assert_eq!(far(0.0), 0.0);
    }
}
