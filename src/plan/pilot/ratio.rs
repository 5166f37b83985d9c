//! How far the wheels' distance is off: distance over the ground, or along the course, per distance by the wheels, learned while
//! there are fixes.
//!
//! Stretches in which the two differ by more than any wheel does (turns, ferries, faults of a fix) say nothing. Does not
//! know the course.

use crate::plan::outlook::Guess;

/// Wheels are off by this much, in parts, before anything was learned, one standard deviation: common practice, no source.
const BEFORE_U: f64 = 0.02;
/// A stretch of this length is compared, m.
const STRETCH_M: f64 = 400.0;
/// What the two ends of a stretch are off by together, m: common practice, no source.
const ENDS_M: f64 = 15.0;
/// More than this is no wheel's error, in parts.
const MOST: f64 = 0.06;
/// What remains however long one compares (bends of the road, wheels that warm up), in parts: common practice, no source.
const FLOOR: f64 = 0.002;

/// The ratio, as far as it is known.
#[derive(Clone, Debug)]
pub struct Ratio {
    known: Guess,
    wheel: f64,
}

impl Default for Ratio {
    fn default() -> Self {
        Self { known: Guess::new(1.0, BEFORE_U), wheel: 0.0 }
    }
}

impl Ratio {
    /// Distance over the ground per distance by the wheels.
    pub fn guess(&self) -> Guess {
        Guess::new(self.known.mean, self.known.u.hypot(FLOOR))
    }

    /// The wheels went on.
    pub fn wheel(&mut self, distance: f64) {
        self.wheel += distance;
    }

    /// A new stretch begins here.
    pub fn restart(&mut self) {
        self.wheel = 0.0;
    }

    /// Whether a stretch is long enough to be compared.
    pub fn is_due(&self) -> bool {
        self.wheel >= STRETCH_M
    }

    /// The stretch was this long; begins a new one.
    pub fn learn(&mut self, distance: f64) {
        let (ratio, u) = (distance / self.wheel, ENDS_M / self.wheel);
        self.wheel = 0.0;
        if !ratio.is_finite() || (ratio - 1.0).abs() > MOST {
            return;
        }
        let before = self.known.u * self.known.u;
        let share = before / (before + u * u);
        self.known = Guess::new(self.known.mean + share * (ratio - self.known.mean), (before * (1.0 - share)).sqrt());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ratio_comes_near_what_is_driven() {
        let mut ratio = Ratio::default();
        for _ in 0..100 {
            ratio.wheel(500.0);
            ratio.learn(495.0);
        }
        // A turn looks like a wheel that is off by half.
        ratio.wheel(500.0);
        ratio.learn(250.0);
        assert!((ratio.guess().mean - 0.99).abs() < 0.000_5, "{:?}", ratio.guess());
        assert!(ratio.guess().u < 0.004);
    }
}
