//! A comparison of tests as JSON.
//!
//! Rounds nothing.

use serde::Serialize;

use super::{Figure, JOULE_PER_METRE_IN_WH_PER_KM, figure};
use crate::quantity::JOULE_PER_KWH;
use crate::reduce::compare::{
    Asked, Compared, Comparison, Difference, Facts, Outcome, Pair, Refusal, Repeats, Spread, What,
};
use crate::reduce::estimate::Estimate;

#[derive(Serialize)]
struct ComparisonJson<'a> {
    schema: u32,
    tests: Vec<TestJson<'a>>,
    sides: Vec<SideJson<'a>>,
    each: bool,
    figures: Vec<FigureJson<'a>>,
    notes: &'a [String],
}

#[derive(Serialize)]
struct TestJson<'a> {
    name: &'a str,
    vehicle: &'a str,
    start_utc: Option<String>,
    runs: &'a [String],
}

#[derive(Serialize)]
struct SideJson<'a> {
    name: &'a str,
    tests: Vec<&'a str>,
}

#[derive(Serialize)]
struct FigureJson<'a> {
    figure: &'static str,
    at: &'static str,
    unit: &'static str,
    tests: Vec<OfJson<'a>>,
    sides: Vec<OfJson<'a>>,
    day_to_day: SpreadJson,
    repeatability: Vec<RepeatsJson<'a>>,
    pairs: Vec<PairJson<'a>>,
    order: Option<Vec<&'a str>>,
}

#[derive(Serialize)]
struct OfJson<'a> {
    name: &'a str,
    figure: Option<Figure>,
    /// Tests that a side's mean is of.
    #[serde(skip_serializing_if = "Option::is_none")]
    of: Option<Vec<&'a str>>,
    why: Option<&'a str>,
}

#[derive(Serialize)]
struct SpreadJson {
    percent: f64,
    dof: f64,
    rests_on: &'static str,
    contained_percent: f64,
    repeats_percent: Option<f64>,
    repeats_dof: Option<f64>,
}

#[derive(Serialize)]
struct RepeatsJson<'a> {
    name: &'a str,
    n: usize,
    mean: f64,
    s_r: f64,
    s_r_between: [f64; 2],
    limit: f64,
}

#[derive(Serialize)]
struct PairJson<'a> {
    a: &'a str,
    b: &'a str,
    difference: Option<Figure>,
    u: Option<f64>,
    dof: Option<f64>,
    p: Option<f64>,
    p_holm: Option<f64>,
    verdict: Option<&'static str>,
    budget: Vec<LineJson<'a>>,
    refused: Vec<RefusalJson<'a>>,
    despite: Vec<RefusalJson<'a>>,
    why: Option<&'a str>,
}

#[derive(Serialize)]
struct LineJson<'a> {
    source: &'a str,
    u: f64,
    dof: Option<f64>,
}

#[derive(Serialize)]
struct RefusalJson<'a> {
    reason: &'static str,
    text: &'a str,
}

/// The comparison as pretty JSON with a line end.
pub fn compare(comparison: &Comparison) -> String {
    let test = |facts: &'_ Facts| facts.start.map(|at| at.iso());
    let name = |at: &usize| comparison.tests[*at].name.as_str();
    let tests = comparison.tests.iter().map(|facts| TestJson {
        name: &facts.name,
        vehicle: &facts.vehicle,
        start_utc: test(facts),
        runs: &facts.runs,
    });
    let sides =
        comparison.sides.iter().map(|side| SideJson { name: &side.name, tests: side.tests.iter().map(name).collect() });
    let json = ComparisonJson {
        schema: super::SCHEMA,
        tests: tests.collect(),
        sides: sides.collect(),
        each: comparison.each,
        figures: comparison.figures.iter().map(|figure| one(comparison, figure)).collect(),
        notes: &comparison.notes,
    };
    // Plain structs of numbers and texts: there is nothing in them that could fail to be written.
    serde_json::to_string_pretty(&json).unwrap_or_default() + "\n"
}

/// Name, unit, and that unit in the figure's own.
fn unit(asked: Asked) -> (&'static str, &'static str, f64) {
    match asked.what {
        What::Range => ("range", "km", 1e3),
        What::Consumption => ("consumption", "Wh/km", JOULE_PER_METRE_IN_WH_PER_KM),
        What::Usable => ("usable_capacity", "kWh", JOULE_PER_KWH),
    }
}

fn one<'a>(comparison: &'a Comparison, compared: &'a Compared) -> FigureJson<'a> {
    let (what, symbol, unit) = unit(compared.asked);
    let test = |at: usize| comparison.tests[at].name.as_str();
    let side = |at: usize| comparison.sides[at].name.as_str();
    let of = |name: &'a str, found: &'a Result<Estimate, String>, of: Option<Vec<&'a str>>| OfJson {
        name,
        figure: found.as_ref().ok().map(|found| figure(found, unit)),
        of,
        why: found.as_ref().err().map(String::as_str),
    };
    let used = |at: usize| Some(compared.used[at].iter().map(|used| test(*used)).collect());
    let repeats = |(name, repeats): &'a (String, Repeats)| RepeatsJson {
        name,
        n: repeats.n,
        mean: repeats.mean / unit,
        s_r: repeats.sd / unit,
        s_r_between: repeats.between.map(|times| times * repeats.sd / unit),
        limit: repeats.limit() / unit,
    };
    FigureJson {
        figure: what,
        at: if compared.asked.restated { "reference" } else { "measured" },
        unit: symbol,
        tests: compared.tests.iter().enumerate().map(|(at, found)| of(test(at), found, None)).collect(),
        sides: compared.sides.iter().enumerate().map(|(at, found)| of(side(at), found, used(at))).collect(),
        day_to_day: spread(&compared.spread),
        repeatability: compared.repeats.iter().map(repeats).collect(),
        pairs: compared.pairs.iter().map(|one| pair(one, one.sides.map(side), unit)).collect(),
        order: compared.order().map(|order| order.into_iter().map(side).collect()),
    }
}

fn spread(spread: &Spread) -> SpreadJson {
    SpreadJson {
        percent: 100.0 * spread.parts,
        dof: spread.dof,
        rests_on: spread.basis.key(),
        contained_percent: 100.0 * spread.contained,
        repeats_percent: spread.repeats.map(|(parts, _)| 100.0 * parts),
        repeats_dof: spread.repeats.map(|(_, dof)| dof),
    }
}

fn pair<'a>(pair: &'a Pair, [a, b]: [&'a str; 2], unit: f64) -> PairJson<'a> {
    let refusals = |all: &'a [Refusal]| -> Vec<RefusalJson<'a>> {
        all.iter().map(|refusal| RefusalJson { reason: refusal.reason.key(), text: &refusal.text }).collect()
    };
    let (refused, despite, why) = match &pair.outcome {
        Outcome::Compared(_, waived) => (Vec::new(), refusals(waived), None),
        Outcome::Refused(refused) => (refusals(refused), Vec::new(), None),
        Outcome::NotMeasured(why) => (Vec::new(), Vec::new(), Some(why.as_str())),
    };
    let found = pair.difference();
    PairJson {
        a,
        b,
        difference: found.map(|found| figure(&found.value, unit)),
        u: found.map(|found| found.value.u() / unit),
        dof: found.map(|found| found.dof).filter(|dof| dof.is_finite()),
        p: found.map(|found| found.p),
        p_holm: found.map(|found| found.p_holm),
        verdict: found.map(|found| found.verdict.key()),
        budget: found.map(|found| budget(found, unit)).unwrap_or_default(),
        refused,
        despite,
        why,
    }
}

/// Every source of a difference, by falling contribution.
fn budget(difference: &Difference, unit: f64) -> Vec<LineJson<'_>> {
    let parts = difference.value.components().iter().filter(|part| part.contribution != 0.0);
    let mut lines: Vec<LineJson<'_>> =
        parts.map(|part| LineJson { source: &part.source.0, u: part.contribution / unit, dof: part.dof }).collect();
    lines.sort_by(|a, b| b.u.abs().total_cmp(&a.u.abs()).then(a.source.cmp(b.source)));
    lines
}
