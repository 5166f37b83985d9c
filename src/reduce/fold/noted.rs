//! What people noted during a run, in place of roles that the map does not have: the displayed state of charge, displayed 0 %,
//! the distance that the car says it can go.
//!
//! A noted state of charge stands in the trace for a moment only, long enough to count as held; it is never carried on until
//! the next note. What a person notes late comes late: the figures add [`NOTED_S`] for it.

use super::soc::{HOLD_S, WAKING_S};
use crate::observation::{Mark, MarkKind};

/// A person notes a change of the display within so many seconds: common practice, no source.
pub const NOTED_S: f64 = 20.0;
/// A noted state of charge stands for so long, s.
const STANDS_S: f64 = HOLD_S + 5.0;
/// A noted distance stands for so long before and after, s.
const REST_STANDS_S: f64 = 60.0;

/// What people noted.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Noted {
    /// Every mark with its moment, s of run time, times not falling.
    pub marks: Vec<(f64, Mark)>,
    /// The displayed state of charge is theirs: no signal gives it.
    pub soc: bool,
    /// The displayed rest is theirs.
    pub rest: bool,
}

impl Noted {
    /// The state of charge noted at a moment, percent; NaN where none stands.
    pub(super) fn soc_at(&self, t: f64) -> f64 {
        let value = |mark: &Mark| match mark.kind {
            MarkKind::ShowsZero => Some(0.0),
            MarkKind::Soc => mark.value,
            _ => None,
        };
        // The first readings after waking never count, but what a person read then is no battery computer finding its feet.
        let stands = |noted: f64| noted <= t && t <= noted.max(WAKING_S) + STANDS_S;
        self.latest(|at, mark| value(mark).filter(|_| stands(at)))
    }

    /// The distance noted about a moment, m; NaN where none stands.
    pub(super) fn rest_at(&self, t: f64) -> f64 {
        let near = |at: f64| (t - at).abs() <= REST_STANDS_S;
        self.latest(|at, mark| mark.value.filter(|_| mark.kind == MarkKind::DisplayedRest && near(at)))
    }

    fn latest(&self, wanted: impl Fn(f64, &Mark) -> Option<f64>) -> f64 {
        self.marks.iter().rev().find_map(|(at, mark)| wanted(*at, mark)).unwrap_or(f64::NAN)
    }

    /// Leaves out what lies outside two moments.
    pub fn retain(&mut self, from: f64, to: f64) {
        self.marks.retain(|(at, _)| (from..=to).contains(at));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_stands_for_its_moment_alone() {
        let mark = |kind, value| Mark { kind, value, text: String::new() };
        let marks = vec![
            (4.0, mark(MarkKind::Soc, Some(100.0))),
            (900.0, mark(MarkKind::DisplayedRest, Some(80_000.0))),
            (930.0, mark(MarkKind::Soc, Some(57.0))),
            (2_000.0, mark(MarkKind::ShowsZero, None)),
        ];
        let noted = Noted { marks, soc: true, rest: true };
        assert_eq!((noted.soc_at(4.0), noted.soc_at(45.0)), (100.0, 100.0));
        assert!(noted.soc_at(3.9).is_nan() && noted.soc_at(45.1).is_nan());
        assert_eq!((noted.soc_at(930.0), noted.soc_at(945.0), noted.soc_at(2_011.0)), (57.0, 57.0, 0.0));
        assert!(noted.soc_at(946.0).is_nan());
        assert_eq!((noted.rest_at(840.0), noted.rest_at(930.0)), (80_000.0, 80_000.0));
        assert!(noted.rest_at(839.0).is_nan() && noted.rest_at(961.0).is_nan());
    }
}
