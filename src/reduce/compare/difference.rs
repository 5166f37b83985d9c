//! One figure of all sides: their means, the difference of every pair, and which of them exceed their uncertainty.
//!
//! Decides nothing about what may be compared: `reasons` does.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::holm::holm;
use super::reasons::{self, Reason, Refusal};
use super::repeats::repeatability;
use super::side::{self, Mean, Side};
use super::spread::{Basis, Spread, spread};
use super::{Asked, Compared, Facts, Outcome, Pair};
use crate::reduce::estimate::{Estimate, Kind};
use crate::reduce::sources;
use crate::reduce::usable::Method;

/// The level at which a difference exceeds its uncertainty, over all pairs of a figure together.
pub const LEVEL: f64 = 0.05;

/// Whether a difference exceeds its uncertainty.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verdict {
    /// It does, all pairs of the figure reckoned with.
    Exceeds,
    /// It would if the pair stood alone.
    OnlyAlone,
    /// It does not.
    NotShown,
}

impl Verdict {
    /// As written.
    pub fn key(self) -> &'static str {
        match self {
            Self::Exceeds => "exceeds its uncertainty",
            Self::OnlyAlone => "would exceed its uncertainty if the pair stood alone",
            Self::NotShown => "does not exceed its uncertainty",
        }
    }
}

/// The first side less the second.
#[derive(Clone, PartialEq, Debug)]
pub struct Difference {
    /// The difference with everything that it rests on.
    pub value: Estimate,
    /// Degrees of freedom of its uncertainty (Welch-Satterthwaite).
    pub dof: f64,
    /// Two-sided p value of this pair alone.
    pub p: f64,
    /// By Holm's correction over all pairs compared.
    pub p_holm: f64,
    /// The word.
    pub verdict: Verdict,
}

/// Two-sided p value of a difference by its standard uncertainty, Student's t.
pub fn two_sided(t: f64, dof: f64) -> f64 {
    let beyond = |t: f64| match dof {
        dof if dof.is_finite() && dof < 1e6 => StudentsT::new(0.0, 1.0, dof.max(1.0)).map(|of| of.sf(t)).ok(),
        _ => Some(Normal::standard().sf(t)),
    };
    match t.abs() {
        t if t.is_finite() => (2.0 * beyond(t).unwrap_or(0.5)).min(1.0),
        // No uncertainty at all: any difference exceeds it, and none is none.
        infinite if infinite.is_infinite() => 0.0,
        _ => 1.0,
    }
}

/// A figure of every side and pair.
pub fn compared(
    asked: Asked,
    tests: &[Facts],
    values: &[Result<Estimate, String>],
    sides: &[Side],
    groups: &[Side],
    despite: &[Reason],
) -> Compared {
    let of = One { asked, tests, values, sides, despite };
    let spread = of.spread();
    let mut pairs: Vec<Pair> = (0..sides.len())
        .flat_map(|a| (a + 1..sides.len()).map(move |b| [a, b]))
        .map(|sides| Pair { sides, outcome: of.pair(sides, &spread) })
        .collect();
    judge(&mut pairs);
    let repeats = groups.iter().filter_map(|group| {
        let values: Vec<f64> = of.used(group).iter().map(|(_, value)| value.value).collect();
        Some((group.name.clone(), repeatability(&values)?))
    });
    Compared {
        asked,
        tests: values.to_vec(),
        sides: sides.iter().map(|side| of.mean(side, &spread).map(|mean| with_days(&mean, &spread))).collect(),
        used: sides.iter().map(|side| of.which(side)).collect(),
        spread,
        repeats: repeats.collect(),
        waived: of.waived(&pairs),
        pairs,
    }
}

/// Holm's correction over the pairs that were compared, and the word for each.
fn judge(pairs: &mut [Pair]) {
    let p: Vec<f64> = pairs.iter().filter_map(|pair| Some(pair.difference()?.p)).collect();
    let compared = pairs.iter_mut().filter_map(|pair| match &mut pair.outcome {
        Outcome::Compared(difference, _) => Some(difference),
        _ => None,
    });
    for (difference, p_holm) in compared.zip(holm(&p)) {
        difference.p_holm = p_holm;
        difference.verdict = match (p_holm <= LEVEL, difference.p <= LEVEL) {
            (true, _) => Verdict::Exceeds,
            (false, true) => Verdict::OnlyAlone,
            (false, false) => Verdict::NotShown,
        };
    }
}

/// Kind of what a spread adds (GUM 2.3).
fn kind(spread: &Spread) -> Kind {
    if spread.basis == Basis::Assumed { Kind::B } else { Kind::A }
}

fn with_days(mean: &Mean, spread: &Spread) -> Estimate {
    let days = spread.parts * mean.weight;
    mean.estimate.clone().with(sources::BETWEEN_TESTS, days, kind(spread), Some(spread.dof))
}

/// One figure and all that its pairs need.
struct One<'a> {
    asked: Asked,
    tests: &'a [Facts],
    values: &'a [Result<Estimate, String>],
    sides: &'a [Side],
    despite: &'a [Reason],
}

impl One<'_> {
    /// The tests of a side that its mean is of: those with a figure; of usable capacity from full discharges alone, if there are any.
    fn which(&self, side: &Side) -> Vec<usize> {
        let is_full = |test: &usize| self.tests[*test].method == Method::Full;
        let known: Vec<usize> = side.tests.iter().copied().filter(|test| self.values[*test].is_ok()).collect();
        match self.asked.is_of_pack() && known.iter().any(is_full) {
            true => known.into_iter().filter(is_full).collect(),
            false => known,
        }
    }

    fn used(&self, side: &Side) -> Vec<(&Facts, &Estimate)> {
        let of = |test: usize| Some((&self.tests[test], self.values[test].as_ref().ok()?));
        self.which(side).into_iter().filter_map(of).collect()
    }

    /// The spread from day to day by the sides' own repeats; where every test stands for itself, there are none.
    fn spread(&self) -> Spread {
        let repeat = |(_, value): &(&Facts, &Estimate)| (value.value, side::by_chance(value));
        let groups: Vec<_> = self.sides.iter().map(|side| self.used(side).iter().map(repeat).collect()).collect();
        spread(&groups, self.asked.prior())
    }

    fn mean(&self, side: &Side, spread: &Spread) -> Result<Mean, String> {
        let used = self.used(side);
        if used.is_empty() {
            let why = side.tests.iter().find_map(|test| self.values[*test].as_ref().err());
            return Err(why.cloned().unwrap_or_default());
        }
        Ok(side::mean(side, &used, spread.contained))
    }

    fn pair(&self, [a, b]: [usize; 2], spread: &Spread) -> Outcome {
        let pair = [&self.sides[a], &self.sides[b]];
        let [one, other] = match pair.map(|side| self.mean(side, spread)) {
            [Ok(one), Ok(other)] => [one, other],
            [one, other] => {
                let why = pair.iter().zip([one, other]).filter_map(|(side, mean)| Some((side, mean.err()?)));
                let why: Vec<String> = why.map(|(side, why)| format!("{}: {why}", side.name)).collect();
                return Outcome::NotMeasured(why.join("; "));
            }
        };
        let (waived, refused): (Vec<Refusal>, Vec<Refusal>) =
            self.refusals(pair).into_iter().partition(|refusal| self.despite.contains(&refusal.reason));
        if !refused.is_empty() {
            return Outcome::Refused(refused);
        }
        // Both share one spread, known to so many degrees of freedom and not to twice as many: one source of both.
        let days = spread.parts * one.weight.hypot(other.weight);
        let value = one.estimate.sub(&other.estimate);
        let value = value.with(sources::BETWEEN_TESTS, days, kind(spread), Some(spread.dof));
        let dof = value.dof();
        let p = two_sided(value.value / value.u(), dof);
        let verdict = Verdict::NotShown;
        Outcome::Compared(Box::new(Difference { value, dof, p, p_holm: p, verdict }), waived)
    }

    /// What was waived for any pair, told once: what stands against tests with all of their names, and what was unlike.
    fn waived(&self, pairs: &[Pair]) -> Vec<Refusal> {
        let mut sides: Vec<usize> = Vec::new();
        let mut told: Vec<&Refusal> = Vec::new();
        for pair in pairs {
            if let Outcome::Compared(_, waived) = &pair.outcome {
                told.extend(waived);
                sides.extend(pair.sides.iter().filter(|_| !waived.is_empty()));
            }
        }
        sides.sort_unstable();
        sides.dedup();
        let tests: Vec<&Facts> =
            sides.iter().flat_map(|side| self.used(&self.sides[*side])).map(|(test, _)| test).collect();
        let mut all = reasons::of_pair(&tests, &[]);
        all.retain(|refusal| refusal.reason.concerns(self.asked) && self.despite.contains(&refusal.reason));
        for refusal in told {
            if all.iter().all(|known| known.reason != refusal.reason) {
                all.push(refusal.clone());
            }
        }
        all
    }

    /// What stands against a pair in this figure.
    fn refusals(&self, pair: [&Side; 2]) -> Vec<Refusal> {
        let [one, other] = pair.map(|side| self.used(side).into_iter().map(|(test, _)| test).collect::<Vec<_>>());
        let mut all = reasons::of_pair(&one, &other);
        all.retain(|refusal| refusal.reason.concerns(self.asked));
        all
    }
}
