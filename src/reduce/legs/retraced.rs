//! Turns from the fixes alone: the path after a turn retraces the path before it, backwards.
//!
//! Compares places some 100 m apart. Knows no course; a path that does not retrace itself cleanly has no turn.

use super::along::Turn;
use crate::geodesy::{Plane, Position};

/// Places of the path are kept so far apart, m.
const KEPT_M: f64 = 100.0;
/// The way back lies this near to the way out, m: two carriageways apart.
const NEAR_M: f64 = 90.0;
/// So many places in a row must be retraced, some 2 km.
const RETRACED: usize = 20;
/// The turn's own way may shift the places by so many.
const SHIFT: usize = 12;

/// The path so far.
#[derive(Default)]
pub struct Path {
    places: Vec<(usize, f64, Position)>,
}

impl Path {
    /// Sees the next fix.
    pub fn see(&mut self, run: usize, t: f64, at: Position) {
        let far = self.places.last().is_none_or(|(_, _, last)| {
            let (north, east) = Plane::at(*last).place(at);
            north.hypot(east) >= KEPT_M
        });
        if far {
            self.places.push((run, t, at));
        }
    }

    /// The latest earlier place near the one at `index`, the last few left out.
    fn passed_before(&self, index: usize) -> Option<usize> {
        let (_, _, here) = self.places[index];
        let plane = Plane::at(here);
        let earlier = index.checked_sub(3)?;
        (0..=earlier).rev().find(|at| {
            let (north, east) = plane.place(self.places[*at].2);
            north.hypot(east) < NEAR_M
        })
    }

    /// Where the car turned.
    pub fn turns(&self) -> Vec<Turn> {
        let mut turns: Vec<(usize, Turn)> = Vec::new();
        // A turn at place m is retraced by pairs of places whose indices sum to 2 m.
        let mut row: Option<(usize, usize)> = None;
        for index in 0..self.places.len() {
            let Some(sum) = self.passed_before(index).map(|before| before + index) else { continue };
            let known = turns.last().is_some_and(|(known, _)| sum.abs_diff(*known) <= 2 * SHIFT);
            row = match row {
                _ if known => None,
                Some((first, count)) if sum.abs_diff(first) <= SHIFT => Some((first, count + 1)),
                _ => Some((sum, 1)),
            };
            if let Some((first, count)) = row
                && count >= RETRACED
            {
                let (run, t, _) = self.places[(first / 2).min(index)];
                turns.push((first, Turn { run, t }));
                row = None;
            }
        }
        turns.into_iter().map(|(_, turn)| turn).collect()
    }
}
