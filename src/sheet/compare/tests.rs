//! What a comparison says: snapshots, and what must hold of every line.

use super::*;
use crate::reduce::compare::tests::{facts, fairness::sized};
use crate::reduce::compare::{Options, Reason, compare};
use crate::reduce::{Estimate, json};
use crate::time::WallClock;

/// The heron twice, the wren, the siskin that needs far more, and the finch on a wet road.
pub(super) fn comparison(options: &Options) -> Comparison {
    let mut tests = [
        sized(facts("heron-monday", "heron"), 1.0, 1.0),
        sized(facts("heron-tuesday", "heron"), 1.02, 1.004),
        sized(facts("wren", "wren"), 0.99, 0.985),
        sized(facts("siskin", "siskin"), 1.3, 0.7),
        sized(facts("finch", "finch"), 1.1, 1.2),
    ];
    tests[0].facts.start = WallClock::parse_iso("2027-03-15T06:00:00Z");
    tests[4].facts.wet_percent = Some(30.0);
    [1, 3].iter().for_each(|at| tests[4].figures[*at] = Err("not restated: measured only: the road was wet".into()));
    compare(&tests, options)
}

#[test]
fn the_table() {
    insta::assert_snapshot!(super::compare(&comparison(&Options::default()), ConsumptionUnit::WhPerKm));
}

#[test]
fn days_of_one_car_in_miles_and_what_was_waived() {
    let mut tests = [("monday", 1.0, 1.0), ("tuesday", 1.22, 1.0), ("wednesday", 1.07, 0.96)]
        .map(|(name, consumption, usable)| sized(facts(name, "heron"), consumption, usable));
    tests[2].facts.wind = Some(6.0);
    let options = Options { despite: vec![Reason::Wind], each: true };
    insta::assert_snapshot!(super::compare(&compare(&tests, &options), ConsumptionUnit::MiPerKwh));
}

#[test]
fn every_line_fits_and_every_figure_compared_is_the_jsons() {
    use ConsumptionUnit::*;
    for units in [WhPerKm, KwhPer100Km, WhPerMi, MiPerKwh] {
        for options in [Options::default(), Options { despite: vec![Reason::WetRoad], each: true }] {
            let comparison = comparison(&options);
            let text = super::compare(&comparison, units);
            assert!(text.lines().all(|line| line.chars().count() <= format::COLUMNS), "{text}");
            let json: serde_json::Value = serde_json::from_str(&json::compare(&comparison)).unwrap();
            let pairs =
                json["figures"].as_array().unwrap().iter().flat_map(|figure| figure["pairs"].as_array().unwrap());
            let compared = pairs.filter(|pair| !pair["difference"].is_null()).count();
            // A label may stand before the first word of a line.
            let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
            let told = [" used ", " went ", " has ", " gave ", "no difference shown"]
                .iter()
                .map(|verb| flat.matches(verb).count())
                .sum::<usize>();
            assert_eq!(told, compared, "{text}");
        }
    }
}

#[test]
fn a_reciprocal_unit_says_the_same_with_the_same_chance() {
    let comparison = comparison(&Options::default());
    let figure = &comparison.figures[2];
    let (pair, difference) = figure.differences().find(|(pair, _)| pair.sides == [0, 2]).unwrap();
    let told = |units| Words { comparison: &comparison, units }.sentence(figure, pair, difference);
    let wh = told(ConsumptionUnit::WhPerKm);
    let mi = told(ConsumptionUnit::MiPerKwh);
    assert!(wh.starts_with("heron used ") && wh.ends_with(" less than siskin: more than its uncertainty"), "{wh}");
    assert!(mi.starts_with("heron went ") && mi.contains(" mi/kWh further than siskin: more than"), "{mi}");
    // By hand: 1.01 and 1.3 times 600 J/m in mi/kWh, and the interval by the same secant.
    let [a, b] = [606.0, 780.0].map(|joule_per_metre| 3.6e6 / joule_per_metre / 1_609.344);
    let size = format::figure(a - b, Some(difference.value.u95() * (a - b) / 174.0), "mi/kWh");
    assert!(mi.contains(&size), "{mi} does not say {size}");
    let none = Estimate::exact(606.0);
    assert_eq!(
        Words { comparison: &comparison, units: ConsumptionUnit::WhPerMi }.written(What::Consumption, &none),
        "271 ± 0 Wh/mi"
    );
}
