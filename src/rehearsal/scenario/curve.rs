//! Curves of a scenario: points with straight lines between them.
//!
//! Knows nothing of what they stand for.

use serde::Deserialize;

/// A curve through points, straight between them and level past the ends.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(transparent)]
pub struct Curve(pub Vec<(f64, f64)>);

impl Curve {
    /// Its value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        let points = &self.0;
        let after = points.iter().position(|point| x < point.0).unwrap_or(points.len());
        match (after.checked_sub(1).and_then(|before| points.get(before)), points.get(after)) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * ((x - a.0) / (b.0 - a.0)),
            (Some(only), None) | (None, Some(only)) => only.1,
            (None, None) => 0.0,
        }
    }

    /// Its integral from its first point to `x`.
    pub fn integral(&self, x: f64) -> f64 {
        let mut sum = 0.0;
        for pair in self.0.windows(2) {
            let (from, to) = (pair[0].0, pair[1].0.min(x));
            if from < to {
                sum += (self.at(from) + self.at(to)) / 2.0 * (to - from);
            }
        }
        sum
    }
}
