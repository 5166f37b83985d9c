//! Shares with their bounds, medians, and what all outcomes of a rule come to.
//!
//! Holds no opinion on what is enough; `main` does.

use statrs::distribution::{Beta, ContinuousCDF};

use super::outcome::Outcome;

/// So many of so many.
#[derive(Clone, Copy, Debug, Default)]
pub struct Share {
    pub count: usize,
    pub of: usize,
}

impl Share {
    pub fn share(self) -> f64 {
        self.count as f64 / self.of.max(1) as f64
    }
    /// One-sided 95 % bounds of the share (Clopper and Pearson 1934, doi:10.1093/biomet/26.4.404).
    pub fn bounds(self) -> [f64; 2] {
        let (k, n) = (self.count as f64, self.of as f64);
        let at = |a: f64, b: f64, p: f64| Beta::new(a, b).map_or(f64::NAN, |beta| beta.inverse_cdf(p));
        let low = if self.count == 0 { 0.0 } else { at(k, n - k + 1.0, 0.05) };
        let high = if self.count >= self.of { 1.0 } else { at(k + 1.0, n - k, 0.95) };
        [low, high]
    }
    pub fn of<'a>(all: impl Iterator<Item = &'a Outcome>, what: impl Fn(&Outcome) -> bool) -> Self {
        let mut share = Self::default();
        for outcome in all {
            share.of += 1;
            share.count += usize::from(what(outcome));
        }
        share
    }
    /// `3 of 4000 = 0.075 % (at most 0.194 %)`.
    pub fn said(self) -> String {
        let percent = |share: f64| share * 100.0;
        format!(
            "{} of {} = {:.3} % (at most {:.3} %)",
            self.count,
            self.of,
            percent(self.share()),
            percent(self.bounds()[1])
        )
    }
}

/// A quantile of values; NaN of none.
pub fn quantile(mut values: Vec<f64>, p: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let at = ((values.len() as f64 - 1.0) * p).round().max(0.0) as usize;
    values.get(at).copied().unwrap_or(f64::NAN)
}

/// What some tests come to under one rule.
#[derive(Clone, Copy, Debug)]
pub struct Tally {
    pub stopped: Share,
    pub zero: Share,
    pub stranded: Share,
    /// Left on arrival, parts of usable: median and 90th percentile; the same in km.
    pub left: [f64; 2],
    pub left_km: [f64; 2],
}

impl Tally {
    pub fn of<'a>(all: impl Iterator<Item = &'a Outcome> + Clone) -> Self {
        let left: Vec<(f64, f64)> = all.clone().filter_map(|outcome| outcome.left).collect();
        let part = |p: f64| quantile(left.iter().map(|left| left.0).collect(), p);
        let km = |p: f64| quantile(left.iter().map(|left| left.1 / 1e3).collect(), p);
        Self {
            stopped: Share::of(all.clone(), |outcome| outcome.stopped),
            zero: Share::of(all.clone(), |outcome| outcome.zero),
            stranded: Share::of(all.filter(|outcome| outcome.stranded.is_some()), |outcome| {
                outcome.stranded == Some(true)
            }),
            left: [part(0.5), part(0.9)],
            left_km: [km(0.5), km(0.9)],
        }
    }
}
