//! Repeatability of one car driven several times alike, as ISO 5725-2 and ISO 5725-6 have it.
//!
//! One laboratory's repeats alone: it says nothing of other testers, other instruments or other roads.

use statrs::distribution::{ChiSquared, ContinuousCDF};

/// Two repeats differ by more than so many repeatability standard deviations in 5 of 100 cases: 1.96 times the root of 2,
/// which ISO 5725-6 (4.1.4) rounds to 2.8.
pub const LIMIT: f64 = 2.8;

/// Repeats of one car.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Repeats {
    /// How many.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation, s_r.
    pub sd: f64,
    /// The true one lies between these times `sd` in 95 of 100 cases.
    pub between: [f64; 2],
}

impl Repeats {
    /// The repeatability limit r.
    pub fn limit(&self) -> f64 {
        LIMIT * self.sd
    }
    /// Degrees of freedom.
    pub fn dof(&self) -> f64 {
        self.n as f64 - 1.0
    }
}

/// Of at least two values; `None` of fewer.
pub fn repeatability(values: &[f64]) -> Option<Repeats> {
    let n = values.len();
    if n < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let dof = n as f64 - 1.0;
    let chi = ChiSquared::new(dof).ok()?;
    let between = [0.975, 0.025].map(|share| (dof / chi.inverse_cdf(share)).sqrt());
    Some(Repeats { n, mean, sd: (squares / dof).sqrt(), between })
}
