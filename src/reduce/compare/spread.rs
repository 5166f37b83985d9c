//! The spread from day to day: what tests of one car differ by though everything is alike, in parts of the figure.
//!
//! Pooled from repeats (ISO 5725-2) with what is known beforehand, which counts as five degrees of freedom of its own; where
//! the repeats contradict that, they alone count. Assumes that the spread grows with the figure and is alike in all cars.
//! `docs/compare.md` says why. Does not know which tests are repeats.

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// Degrees of freedom of what is assumed: common practice, no source.
pub const PRIOR_DOF: f64 = 5.0;
/// Repeats contradict what is assumed where an F test says so at this level, one-sided.
const CONTRADICTED: f64 = 0.025;

/// What a spread rests on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Basis {
    /// Nothing was driven twice: what is assumed.
    Assumed,
    /// The repeats, and what is assumed.
    Both,
    /// The repeats alone, which contradict what is assumed.
    Repeats,
}

impl Basis {
    /// As written.
    pub fn key(self) -> &'static str {
        match self {
            Self::Assumed => "assumed",
            Self::Both => "repeats and assumed",
            Self::Repeats => "repeats",
        }
    }
}

/// The spread.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Spread {
    /// Standard deviation of a test about its car's mean, in parts of the figure.
    pub parts: f64,
    /// Its degrees of freedom.
    pub dof: f64,
    /// What it rests on.
    pub basis: Basis,
    /// What of it is the tests' own measurement by chance, in parts: that must not be counted again.
    pub contained: f64,
    /// The repeats' own pooled standard deviation, in parts, and its degrees of freedom.
    pub repeats: Option<(f64, f64)>,
}

/// A repeat: its value, and what is by chance in its measurement, in parts of it.
pub type Repeat = (f64, f64);

/// Of groups of repeats, groups of one left out; `prior` is what is assumed of the spread, in parts.
pub fn spread(groups: &[Vec<Repeat>], prior: f64) -> Spread {
    let repeated = groups.iter().filter(|group| group.len() > 1);
    let (mut squares, mut chance, mut dof) = (0.0, 0.0, 0.0);
    for group in repeated {
        let n = group.len() as f64;
        let mean = group.iter().map(|(value, _)| value).sum::<f64>() / n;
        squares += group.iter().map(|(value, _)| (value / mean - 1.0).powi(2)).sum::<f64>();
        chance += (n - 1.0) * group.iter().map(|(_, own)| own * own).sum::<f64>() / n;
        dof += n - 1.0;
    }
    if dof == 0.0 {
        return Spread { parts: prior, dof: PRIOR_DOF, basis: Basis::Assumed, contained: 0.0, repeats: None };
    }
    let (seen, chance) = (squares / dof, chance / dof);
    // Repeats scatter by the days and by their own measurement together: so does what is held against them.
    let assumed = prior * prior + chance;
    let (variance, dof_all, basis) = if contradicted(seen, dof, assumed) {
        (seen, dof, Basis::Repeats)
    } else {
        let both = (squares + PRIOR_DOF * assumed) / (dof + PRIOR_DOF);
        (both, dof + PRIOR_DOF, Basis::Both)
    };
    // Of repeats that agree better than their own measurement lets them, no more is contained than they show.
    let contained = chance.min(variance).sqrt();
    Spread { parts: variance.sqrt(), dof: dof_all, basis, contained, repeats: Some((seen.sqrt(), dof)) }
}

/// Whether the repeats' variance is not one of the assumed: larger, or, of more degrees of freedom than the assumed has, smaller.
/// Of few repeats a small one is chance.
fn contradicted(seen: f64, dof: f64, assumed: f64) -> bool {
    let above = |ratio: f64, over: f64, under: f64| {
        FisherSnedecor::new(over, under).is_ok_and(|f| ratio.is_finite() && f.sf(ratio) < CONTRADICTED)
    };
    above(seen / assumed, dof, PRIOR_DOF) || dof > PRIOR_DOF && above(assumed / seen, PRIOR_DOF, dof)
}
