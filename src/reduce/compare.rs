//! Several tests against each other: range, energy per distance, usable capacity; which differences exceed their uncertainty.
//!
//! Tests of one car driven alike are repeats: their mean stands for the car, their scatter tells the spread from day to day.
//! Each pair of cars has a difference with its uncertainty and p value, Holm's correction over all pairs of a figure, and
//! one word. What is not alike is refused with its reason. `docs/compare.md` says how and why.
//!
//! Pure; reads no file, writes no words for people but reasons, and forms no figure of a single test.

mod difference;
mod facts;
mod holm;
mod notes;
mod reasons;
mod repeats;
mod side;
mod spread;

use super::conditions::Conditions;
use super::estimate::Estimate;
use super::reduction::Reduction;
use super::trend::DAY_TO_DAY as CAPACITY_DAY_TO_DAY;
use super::usable::Method;
pub use difference::{Difference, Verdict};
pub use facts::{Facts, Setup};
pub use holm::holm;
pub use reasons::{Reason, Refusal};
pub use repeats::{LIMIT, Repeats, repeatability};
pub use side::Side;
pub use spread::{Basis, Spread};

/// Driving tests differ by so much from day to day (traffic, wind, road), one standard deviation in parts of energy per
/// distance: common practice, no source.
const ROAD_DAY_TO_DAY: f64 = 0.02;

/// A figure of a test.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// Usable energy by energy per distance, m.
    Range,
    /// Net energy per distance while driving, J/m.
    Consumption,
    /// Usable energy, J.
    Usable,
}

/// A figure, at the conditions of the drive or restated at reference conditions.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Asked {
    /// Which.
    pub what: What,
    /// At reference conditions.
    pub restated: bool,
}

impl Asked {
    /// All that is compared, in the order in which it is told.
    pub const ALL: [Self; 5] = [
        Self { what: What::Range, restated: false },
        Self { what: What::Range, restated: true },
        Self { what: What::Consumption, restated: false },
        Self { what: What::Consumption, restated: true },
        Self { what: What::Usable, restated: false },
    ];

    /// What is assumed of the spread from day to day, in parts: of the road, of the pack (as in a trend), or of both.
    fn prior(self) -> f64 {
        match self.what {
            What::Range => ROAD_DAY_TO_DAY.hypot(CAPACITY_DAY_TO_DAY),
            What::Consumption => ROAD_DAY_TO_DAY,
            What::Usable => CAPACITY_DAY_TO_DAY,
        }
    }

    /// Whether it rests on the road driven.
    fn is_of_road(self) -> bool {
        self.what != What::Usable
    }

    /// Whether it rests on usable energy.
    fn is_of_pack(self) -> bool {
        self.what != What::Consumption
    }

    /// Of a test.
    fn of(self, reduction: &Reduction) -> Result<Estimate, String> {
        let Conditions { restated, range, why, .. } = &reduction.conditions;
        let usable = &reduction.usable;
        let found = match (self.what, self.restated) {
            (What::Range, false) => range.0.as_ref(),
            (What::Range, true) => range.1.as_ref(),
            (What::Consumption, false) => reduction.consumption.net.as_ref(),
            (What::Consumption, true) => restated.as_ref().map(|restated| &restated.value),
            (What::Usable, _) => usable.energy.as_ref(),
        };
        if let Some(found) = found.filter(|found| found.value > 0.0 && found.u().is_finite()) {
            return Ok(found.clone());
        }
        Err(match self.what {
            What::Range | What::Usable if usable.method == Method::NotMeasured => {
                format!("usable capacity is not measured: {}", usable.why)
            }
            _ if self.restated && !why.is_empty() => format!("not restated: {why}"),
            _ => "energy per distance is not measured".into(),
        })
    }
}

/// A test as it is compared.
#[derive(Clone, Debug)]
pub struct Test {
    /// What it was.
    pub facts: Facts,
    /// Its figures in the order of [`Asked::ALL`], or why there is none.
    pub figures: [Result<Estimate, String>; 5],
}

impl Test {
    /// With the figures of a reduction.
    pub fn of(facts: Facts, reduction: &Reduction) -> Self {
        Self { facts, figures: Asked::ALL.map(|asked| asked.of(reduction)) }
    }
}

/// What is asked of a comparison.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Options {
    /// Reasons that refuse nothing.
    pub despite: Vec<Reason>,
    /// Every test for itself, none a repeat of another; else the mean of a car's repeats stands for it.
    pub each: bool,
}

/// What came of a pair.
#[derive(Clone, PartialEq, Debug)]
pub enum Outcome {
    /// A difference, and what would have been refused.
    Compared(Box<Difference>, Vec<Refusal>),
    /// Why it is not compared.
    Refused(Vec<Refusal>),
    /// Which of both has no figure, and why.
    NotMeasured(String),
}

/// A pair of sides.
#[derive(Clone, PartialEq, Debug)]
pub struct Pair {
    /// Which two, by their place among the sides.
    pub sides: [usize; 2],
    /// What came of it.
    pub outcome: Outcome,
}

impl Pair {
    /// The difference, where there is one.
    pub fn difference(&self) -> Option<&Difference> {
        match &self.outcome {
            Outcome::Compared(difference, _) => Some(difference),
            _ => None,
        }
    }
}

/// One figure compared.
#[derive(Clone, PartialEq, Debug)]
pub struct Compared {
    /// Which.
    pub asked: Asked,
    /// Of each test, as `reduce` gives it, or why there is none.
    pub tests: Vec<Result<Estimate, String>>,
    /// Of each side: the mean of its tests with the spread from day to day, or why there is none.
    pub sides: Vec<Result<Estimate, String>>,
    /// Which tests each side's mean is of.
    pub used: Vec<Vec<usize>>,
    /// The spread from day to day.
    pub spread: Spread,
    /// Repeatability of each car that was driven alike at least twice, by the name of its side.
    pub repeats: Vec<(String, Repeats)>,
    /// What was waived for any of the pairs, each reason once.
    pub waived: Vec<Refusal>,
    /// Every pair.
    pub pairs: Vec<Pair>,
}

impl Compared {
    /// Pairs that were compared.
    pub fn differences(&self) -> impl Iterator<Item = (&Pair, &Difference)> {
        self.pairs.iter().filter_map(|pair| Some((pair, pair.difference()?)))
    }

    /// The sides from the smallest to the largest, where there are at least three and every difference exceeds its uncertainty.
    pub fn order(&self) -> Option<Vec<usize>> {
        let exceeds = |pair: &Pair| pair.difference().is_some_and(|found| found.verdict == Verdict::Exceeds);
        if self.sides.len() < 3 || !self.pairs.iter().all(exceeds) {
            return None;
        }
        let mut order: Vec<(usize, f64)> =
            self.sides.iter().enumerate().filter_map(|(at, side)| Some((at, side.as_ref().ok()?.value))).collect();
        order.sort_by(|a, b| a.1.total_cmp(&b.1));
        Some(order.into_iter().map(|(at, _)| at).collect())
    }
}

/// Tests against each other.
#[derive(Clone, PartialEq, Debug)]
pub struct Comparison {
    /// What the tests were.
    pub tests: Vec<Facts>,
    /// What is compared: cars with their repeats, or tests.
    pub sides: Vec<Side>,
    /// Every test stands for itself.
    pub each: bool,
    /// Figure by figure.
    pub figures: Vec<Compared>,
    /// What a reader must know besides, in plain words.
    pub notes: Vec<String>,
}

impl Comparison {
    /// Whether any pair of any figure was compared.
    pub fn is_any_compared(&self) -> bool {
        self.figures.iter().any(|figure| figure.differences().next().is_some())
    }

    /// Whether any pair was refused.
    pub fn is_any_refused(&self) -> bool {
        let refused = |pair: &Pair| matches!(pair.outcome, Outcome::Refused(_));
        self.figures.iter().any(|figure| figure.pairs.iter().any(refused))
    }
}

/// Compares tests; each figure by itself.
pub fn compare(tests: &[Test], options: &Options) -> Comparison {
    let facts: Vec<Facts> = tests.iter().map(|test| test.facts.clone()).collect();
    let groups = side::groups(&facts);
    // Days of one car that was always driven alike are compared as days: its mean has nothing to stand against.
    let each = options.each || groups.len() == 1;
    let apart = || (0..facts.len()).map(|test| vec![test]).collect();
    let sides = side::named(if each { apart() } else { groups.clone() }, &facts);
    let groups = side::named(groups, &facts);
    let compared = |(at, asked): (usize, &Asked)| {
        let values: Vec<Result<Estimate, String>> = tests.iter().map(|test| test.figures[at].clone()).collect();
        difference::compared(*asked, &facts, &values, &sides, &groups, &options.despite)
    };
    let figures: Vec<Compared> = Asked::ALL.iter().enumerate().map(compared).collect();
    let notes = notes::of(&facts, &figures);
    Comparison { tests: facts, sides, each, figures, notes }
}

#[cfg(test)]
pub(crate) mod tests;
