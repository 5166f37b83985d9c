//! The shape of the JSON.

use serde_json::Value;

use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, Reduction, reduce};

fn reduction(from: f64, to: f64) -> Reduction {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    reduce(&[drive.run("20270314T061502Z", drive.window(from, to))], None, &Options::default())
}

fn parsed(reduction: &Reduction) -> Value {
    serde_json::from_str(&reduction.to_json()).unwrap()
}

#[test]
fn measured_figures_have_value_and_u95_and_the_rest_is_null() {
    let json = parsed(&reduction(100.0, 0.0));
    let figures = [
        "/distance_km",
        "/energy/out_kwh",
        "/energy/in_kwh",
        "/energy/net_kwh",
        "/charge_net_ah",
        "/consumption_wh_per_km",
        "/consumption_gross_wh_per_km",
        "/usable_capacity/kwh",
        "/usable_capacity/ah",
        "/tenths/0/kwh",
        "/tenths/9/km",
    ];
    for place in figures {
        let figure = json.pointer(place).unwrap_or_else(|| panic!("there is no {place}"));
        let number = |key: &str| figure.get(key).and_then(Value::as_f64).unwrap_or_else(|| panic!("{place}: {figure}"));
        assert!(number("value").is_finite() && number("u95") >= 0.0, "{place}: {figure}");
    }
    assert_eq!(json["schema"], 1);
    assert_eq!(json["runs"], serde_json::json!(["20270314T061502Z"]));
    assert_eq!(json["usable_capacity"]["method"], "full");
    assert_eq!(json["usable_capacity"]["why"], "full charge not confirmed");
    assert_eq!(json["soc_percent"], serde_json::json!({"role": "soc", "first": 100.0, "last": 0.0, "noted": false}));
    assert_eq!((&json["tenths"][0]["from"], &json["tenths"][0]["to"]), (&100.into(), &90.into()));
    assert_eq!(json["energy"]["charged_kwh"], Value::Null);

    let part = parsed(&reduction(60.0, 52.0));
    assert_eq!(part["usable_capacity"]["method"], "not measured");
    assert_eq!((&part["usable_capacity"]["kwh"], &part["tenths"][0]["kwh"]), (&Value::Null, &Value::Null));
}

#[test]
fn the_keys_that_readers_rely_on_stay() {
    let json = parsed(&reduction(90.0, 40.0));
    let has = |place: &str, keys: &[&str]| {
        let object = json.pointer(place).and_then(Value::as_object).unwrap_or_else(|| panic!("no object at {place:?}"));
        keys.iter().for_each(|key| assert!(object.contains_key(*key), "{place} lost {key}"));
    };
    has("", &["schema", "runs", "duration_s", "observed_s", "unobserved_s", "distance_km", "energy", "charge_net_ah"]);
    has("", &["consumption_wh_per_km", "soc_percent", "usable_capacity", "tenths", "problems"]);
    has("/energy", &["out_kwh", "in_kwh", "net_kwh"]);
    has("/soc_percent", &["first", "last"]);
    has("/usable_capacity", &["method", "why", "span_percent", "kwh", "ah"]);
    (0..10).for_each(|at| has(&format!("/tenths/{at}"), &["from", "to", "kwh", "km"]));
    assert_eq!(json["usable_capacity"]["method"], "partial");
    assert_eq!(json["observed_s"].as_f64().unwrap() + json["unobserved_s"].as_f64().unwrap(), json["duration_s"]);
}

#[test]
fn the_budget_adds_up_to_the_figure() {
    let json = parsed(&reduction(90.0, 40.0));
    let squares: f64 =
        json["budgets"]["usable_kwh"].as_array().unwrap().iter().map(|l| l["u"].as_f64().unwrap().powi(2)).sum();
    let u95 = json["usable_capacity"]["kwh"]["u95"].as_f64().unwrap();
    // The coverage factor lies between the normal one and that of a few degrees of freedom.
    assert!((1.95..2.6).contains(&(u95 / squares.sqrt())), "{}", u95 / squares.sqrt());
}

/// A comparison with repeats, a difference and a refusal.
fn compared() -> String {
    use crate::reduce::compare::tests::{facts, fairness::sized};
    use crate::reduce::compare::{Options, compare};
    let mut tests = [("1", "heron"), ("2", "heron"), ("3", "wren"), ("4", "finch")]
        .map(|(name, car)| sized(facts(name, car), 1.0, 1.0));
    tests[3].facts.wet_percent = Some(5.0);
    super::compare(&compare(&tests, &Options::default()))
}

#[test]
fn every_key_is_documented() {
    let document = include_str!("../../../docs/reduce-json.md");
    fn keys(value: &Value, found: &mut std::collections::BTreeSet<String>) {
        match value {
            Value::Object(map) => map.iter().for_each(|(key, inner)| {
                found.insert(key.clone());
                keys(inner, found);
            }),
            Value::Array(list) => list.iter().for_each(|inner| keys(inner, found)),
            _ => {}
        }
    }
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    let split =
        [(100.0, 60.0), (60.0, 0.0)].map(|(from, to)| drive.run(&format!("run={from}"), drive.window(from, to)));
    let gap = drive.run_with_gap("run=gap", drive.window(100.0, 0.0), Some(2_000..2_030));
    let mut found = std::collections::BTreeSet::new();
    keys(&parsed(&reduce(&split, None, &Options::default())), &mut found);
    keys(&parsed(&reduce(&[gap], None, &Options::default())), &mut found);
    let metered = "[charge]\ncurrent = 'DC'\nenergy_kwh = 48\nmetered_at = 'dispenser'\nmeter_class = 'C'\n";
    let metered = crate::document::Document::from_text("card.toml", metered);
    let card = crate::card::Card::parse(&metered, std::path::Path::new("")).0;
    let charge = crate::reduce::charging::tests::charge(9.5, 1_700, |_| 100e3, Some((1_600, 5.0)));
    keys(&parsed(&reduce(&[charge], card.as_ref(), &Options::default())), &mut found);
    let load = "[driving]\ntarget_kmh = 110\n[load]\ncar_kg = 1700\nload_kg = 100\n[road_load]\nrolling_resistance = 0.009\ndrag_area_m2 = 0.6\n\
                [weather]\ntemperature_degc = 20\n";
    let load = crate::document::Document::from_text("card.toml", load);
    let card = crate::card::Card::parse(&load, std::path::Path::new("")).0;
    let (rehearsed, _) =
        crate::reduce::rehearsed::run(crate::reduce::rehearsed::SCENARIO, crate::reduce::rehearsed::COURSE);
    keys(&parsed(&reduce(&[rehearsed], card.as_ref(), &Options::default())), &mut found);
    assert!(found.contains("drag_share") && found.contains("held_wh_per_km"), "{found:?}");
    keys(&serde_json::from_str(&compared()).unwrap(), &mut found);
    assert!(found.contains("p_holm") && found.contains("s_r") && found.contains("order"), "{found:?}");
    for key in found {
        assert!(document.contains(&format!("`{key}`")), "docs/reduce-json.md does not describe `{key}`");
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    assert_eq!(reduction(90.0, 40.0).to_json(), reduction(90.0, 40.0).to_json());
}
