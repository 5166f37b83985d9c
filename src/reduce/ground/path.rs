//! The way between a run's fixes, stretch by stretch: by the receiver's speed, by the line through the fixes, or unknown.
//!
//! The one place where positions become metres; what comes after needs none. Asks no wheels.

use super::super::input::Fix;
use super::clean::{APART_S, Clean, Kept, position};
use crate::geodesy::geodesic;

/// Chords of the line are at least this long, m.
pub const CHORD_M: f64 = 50.0;

/// How the way over a stretch is known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum How {
    /// By the receiver's speeds at both ends, m/s.
    Speed([f64; 2]),
    /// By a chord of the line.
    Line {
        /// Its length, m.
        metres: f64,
        /// The larger dilution of both ends; NaN where none is known.
        dilution: f64,
    },
    /// Not by the receiver.
    Unknown {
        /// From end to end, m, where both lie on one line.
        straight: Option<f64>,
    },
}

/// A stretch between two fixes.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stretch {
    /// From, s of run time.
    pub from: f64,
    /// To, s of run time.
    pub to: f64,
    /// What is known of it.
    pub how: How,
}

/// The way of a run as its fixes tell it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Path {
    /// The first and the last fix that is believed, s of run time.
    pub ends: Option<(f64, f64)>,
    /// In the order in which they end; a chord ends before what follows it is known.
    pub stretches: Vec<Stretch>,
    /// Fixes put aside because they jump.
    pub jumps: usize,
    /// Fixes put aside because the position stood still while the car drove.
    pub stuck: usize,
}

impl Path {
    /// Of fixes, as they were sorted.
    pub fn of(fixes: &[Fix], clean: &Clean) -> Self {
        let mut path = Self { jumps: clean.jumps, stuck: clean.stuck, ..Self::default() };
        let mut chord: Option<Kept<'_>> = None;
        let mut last: Option<Kept<'_>> = None;
        for fix in clean.kept(fixes) {
            if let Some(before) = last.take() {
                path.step(&before, &fix, &mut chord);
            }
            path.ends = Some((path.ends.map_or(fix.fix.t, |(first, _)| first), fix.fix.t));
            last = Some(fix);
        }
        if let Some(last) = &last {
            path.end_chord(last, &mut chord);
        }
        path
    }

    fn step<'a>(&mut self, a: &Kept<'a>, b: &Kept<'a>, chord: &mut Option<Kept<'a>>) {
        let (from, to) = (a.fix.t, b.fix.t);
        if b.breaks || to - from > APART_S {
            self.end_chord(a, chord);
            let straight = geodesic(position(a.fix), position(b.fix));
            self.stretches.push(Stretch { from, to, how: How::Unknown { straight: (!b.breaks).then_some(straight) } });
        } else if a.speed.is_finite() && b.speed.is_finite() {
            self.end_chord(a, chord);
            self.stretches.push(Stretch { from, to, how: How::Speed([a.speed, b.speed]) });
        } else {
            let begin = chord.get_or_insert(*a);
            if geodesic(position(begin.fix), position(b.fix)) >= CHORD_M {
                self.end_chord(b, chord);
            }
        }
    }

    fn end_chord<'a>(&mut self, at: &Kept<'a>, chord: &mut Option<Kept<'a>>) {
        let Some(begin) = chord.take() else { return };
        let metres = geodesic(position(begin.fix), position(at.fix));
        let dilution = f64::from(begin.fix.hdop.max(at.fix.hdop));
        self.stretches.push(Stretch { from: begin.fix.t, to: at.fix.t, how: How::Line { metres, dilution } });
    }
}
