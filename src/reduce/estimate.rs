//! An estimate: a value and what each independent source of error adds to it, kept apart until the end.
//!
//! Follows JCGM 100:2008 (GUM), first order (5.1.2): every component is a sensitivity times a standard uncertainty, with
//! its sign, under the name of its source. Two figures that share a source therefore share its error: it cancels in a
//! difference or a ratio as it should, and `x - x` is 0 ± 0. Weak step: first order only, so a product of two large
//! relative uncertainties (above some 10 %) is not to be trusted to the second digit.
//!
//! Does not format and does not know which sources a car has.

use std::borrow::Cow;

use statrs::distribution::{ContinuousCDF, StudentsT};

/// The name of an independent source of error: the same name is the same error.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Source(pub Cow<'static, str>);

impl Source {
    /// A source with a fixed name.
    pub const fn named(name: &'static str) -> Self {
        Self(Cow::Borrowed(name))
    }
    /// A source whose name is made up at run time (one of several alike).
    pub fn numbered(name: &str, number: usize) -> Self {
        Self(Cow::Owned(format!("{name} {number}")))
    }
}

/// How a component was evaluated (GUM 2.3.2, 2.3.3).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// By statistics of repeated observations.
    A,
    /// By any other means: data sheet, resolution, common practice.
    B,
}

/// The source's own standard uncertainty, where it is one of a quantity of its own (an ampere of the zero, a share of a gain).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Input {
    /// Standard uncertainty, in its unit.
    pub u: f64,
    /// Its unit; "1" for a share.
    pub unit: &'static str,
}

/// What one source adds.
#[derive(Clone, PartialEq, Debug)]
pub struct Component {
    /// The source.
    pub source: Source,
    /// Its own standard uncertainty; `None` where the source is known by what it adds alone.
    pub input: Option<Input>,
    /// Sensitivity times standard uncertainty, signed, in the value's unit.
    pub contribution: f64,
    /// How it was evaluated.
    pub kind: Kind,
    /// Degrees of freedom; `None` for infinitely many.
    pub dof: Option<f64>,
    /// Part of a group of correlated inputs ([`jointly`]): Welch-Satterthwaite does not hold with it.
    pub joint: bool,
}

impl Component {
    /// What a unit of the source's own quantity changes in the value (GUM 5.1.3), in the value's unit by the source's.
    pub fn sensitivity(&self) -> Option<f64> {
        self.input.filter(|input| input.u > 0.0).map(|input| self.contribution / input.u)
    }
}

/// A value with its components, sorted by source, each source once.
#[derive(Clone, PartialEq, Debug)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    components: Vec<Component>,
}

impl Estimate {
    /// A value without any error.
    pub fn exact(value: f64) -> Self {
        Self { value, components: Vec::new() }
    }

    /// With a component added; a source that is there already is added to, with its sign.
    pub fn with(mut self, source: Source, contribution: f64, kind: Kind, dof: Option<f64>) -> Self {
        self.components = merge(
            &self.components,
            1.0,
            &[Component { source, input: None, contribution, kind, dof, joint: false }],
            1.0,
        );
        self
    }

    /// With a component of a source with a standard uncertainty of its own, times the value's sensitivity to it.
    pub fn with_input(mut self, source: Source, input: Input, sensitivity: f64, kind: Kind, dof: Option<f64>) -> Self {
        let contribution = sensitivity * input.u;
        let one = Component { source, input: Some(input), contribution, kind, dof, joint: false };
        self.components = merge(&self.components, 1.0, &[one], 1.0);
        self
    }

    /// [`Self::with_input`] of one known by other means than statistics, in a unit, with infinitely many degrees of freedom.
    pub fn with_sensor(self, source: Source, u: f64, unit: &'static str, sensitivity: f64) -> Self {
        self.with_input(source, Input { u, unit }, sensitivity, Kind::B, None)
    }

    /// With a component of standard uncertainty known by other means, infinitely many degrees of freedom.
    pub fn with_b(self, source: Source, contribution: f64) -> Self {
        self.with(source, contribution, Kind::B, None)
    }

    /// With a component of which only the bound is known: a rectangle of this half-width, u = a / sqrt 3 (GUM 4.3.7).
    pub fn with_bound(self, source: Source, half_width: f64) -> Self {
        self.with_b(source, half_width / 3f64.sqrt())
    }

    /// As of one of several parts: what is by chance in a part is not that of another.
    pub fn of_part(&self, part: usize, chance: &[Source]) -> Self {
        let own = |figure: Self, source: &Source| figure.renamed(source, &Source::numbered(&source.0, part));
        chance.iter().fold(self.clone(), own)
    }

    /// With one source under another name: of parts of a whole, an error that each part has for itself.
    pub fn renamed(&self, source: &Source, name: &Source) -> Self {
        let rename = |c: &Component| Component { source: name.clone(), ..c.clone() };
        let (named, others): (Vec<Component>, Vec<Component>) =
            self.components.iter().cloned().partition(|c| c.source == *source);
        let named: Vec<Component> = named.iter().map(rename).collect();
        Self { value: self.value, components: merge(&others, 1.0, &named, 1.0) }
    }

    /// With every component under the name that `name` gives it; those that then share one are added, with their signs.
    pub fn named_by(&self, name: impl Fn(&Component) -> Source) -> Self {
        let named = self.components.iter().map(|c| Component { source: name(c), ..c.clone() });
        let components = named.fold(Vec::new(), |sum, one| merge(&sum, 1.0, &[one], 1.0));
        Self { value: self.value, components }
    }

    /// The same value with those components alone that `wanted` picks.
    pub fn only(&self, wanted: impl Fn(&Component) -> bool) -> Self {
        Self { value: self.value, components: self.components.iter().filter(|c| wanted(c)).cloned().collect() }
    }

    /// What each source adds, sorted by source.
    pub fn components(&self) -> &[Component] {
        &self.components
    }

    /// The contribution of one source, 0 if it has none.
    pub fn contribution(&self, source: &Source) -> f64 {
        self.components.iter().find(|c| c.source == *source).map_or(0.0, |c| c.contribution)
    }

    /// Combined standard uncertainty: the root of the sum of squares over independent sources (GUM 5.1.2).
    pub fn u(&self) -> f64 {
        self.components.iter().map(|c| c.contribution * c.contribution).sum::<f64>().sqrt()
    }

    /// Effective degrees of freedom by Welch-Satterthwaite (GUM G.4.1); infinite where all components have infinitely many.
    ///
    /// `None`, refused, where correlated inputs with finite degrees of freedom take part: the formula does not hold there.
    pub fn effective_dof(&self) -> Option<f64> {
        let mut sum = 0.0;
        for component in self.components.iter().filter(|c| c.contribution != 0.0) {
            match component.dof {
                Some(_) if component.joint => return None,
                Some(dof) => sum += component.contribution.powi(4) / dof,
                None => {}
            }
        }
        Some(if sum > 0.0 { self.u().powi(4) / sum } else { f64::INFINITY })
    }

    /// Degrees of freedom that an interval rests on: the effective ones; where those are refused, the fewest that any
    /// component has, which never makes an interval too narrow. Infinite where none has any.
    pub fn dof(&self) -> f64 {
        let fewest = || self.components.iter().filter_map(|c| c.dof).fold(f64::INFINITY, f64::min);
        self.effective_dof().unwrap_or_else(fewest)
    }

    /// Half-width of the 95 % interval: u times Student's t at [`Self::dof`].
    pub fn u95(&self) -> f64 {
        coverage_factor_95(self.dof()) * self.u()
    }

    /// Sum.
    pub fn add(&self, other: &Self) -> Self {
        self.combined(self.value + other.value, 1.0, other, 1.0)
    }

    /// Difference.
    pub fn sub(&self, other: &Self) -> Self {
        self.combined(self.value - other.value, 1.0, other, -1.0)
    }

    /// Times an exact factor.
    pub fn scale(&self, factor: f64) -> Self {
        self.combined(self.value * factor, factor, &Self::exact(0.0), 0.0)
    }

    /// Product.
    pub fn product(&self, other: &Self) -> Self {
        self.combined(self.value * other.value, other.value, other, self.value)
    }

    /// Ratio; `None` where the divisor is 0 or the ratio not finite.
    pub fn ratio(&self, other: &Self) -> Option<Self> {
        let value = self.value / other.value;
        let estimate = self.combined(value, 1.0 / other.value, other, -value / other.value);
        (value.is_finite() && estimate.u().is_finite()).then_some(estimate)
    }

    /// A function's value, given its derivatives by `self` and `other`.
    pub fn combined(&self, value: f64, by_self: f64, other: &Self, by_other: f64) -> Self {
        Self { value, components: merge(&self.components, by_self, &other.components, by_other) }
    }
}

fn merge(a: &[Component], ka: f64, b: &[Component], kb: f64) -> Vec<Component> {
    let scaled = |c: &Component, k: f64| Component { contribution: c.contribution * k, ..c.clone() };
    let mut merged: Vec<Component> = a.iter().map(|c| scaled(c, ka)).collect();
    for component in b {
        match merged.binary_search_by(|c| c.source.cmp(&component.source)) {
            Ok(at) => merged[at].contribution += component.contribution * kb,
            Err(at) => merged.insert(at, scaled(component, kb)),
        }
    }
    merged
}

/// Estimates of inputs observed together: `covariance` is of the values themselves (of their means), row by row.
///
/// The errors are turned into independent sources `name 1`, `name 2`, ... by Cholesky's factor, so that every later
/// figure carries the correlation by itself. Degrees of freedom are those of the joint observation. `None` where the
/// matrix has the wrong size or is not positive semidefinite to rounding.
pub fn jointly(name: &str, values: &[f64], covariance: &[f64], dof: Option<f64>) -> Option<Vec<Estimate>> {
    let n = values.len();
    if covariance.len() != n * n {
        return None;
    }
    let factor = nalgebra::DMatrix::from_row_slice(n, n, covariance).cholesky()?.l();
    let estimate = |(row, value): (usize, &f64)| Estimate {
        value: *value,
        components: (0..=row)
            .map(|column| Component {
                source: Source::numbered(name, column + 1),
                input: None,
                contribution: factor[(row, column)],
                kind: Kind::A,
                dof,
                joint: true,
            })
            .collect(),
    };
    let mut estimates: Vec<Estimate> = values.iter().enumerate().map(estimate).collect();
    estimates.iter_mut().for_each(|e| e.components.sort_by(|a, b| a.source.cmp(&b.source)));
    Some(estimates)
}

/// Student's t that covers 95 % (two-sided) at so many degrees of freedom (GUM table G.2), at least 1 of them.
pub fn coverage_factor_95(dof: f64) -> f64 {
    /// The normal distribution's factor, to which t falls.
    const NORMAL_95: f64 = 1.959_963_984_540_054;
    if !dof.is_finite() || dof > 1e6 {
        return NORMAL_95;
    }
    StudentsT::new(0.0, 1.0, dof.max(1.0)).map_or(NORMAL_95, |t| t.inverse_cdf(0.975))
}

#[cfg(test)]
mod tests;
