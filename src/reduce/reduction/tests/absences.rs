//! What a run lacks is named and takes only the figures with it that rest on it.

use super::*;
use serde_json::Value;

fn reduced(run: RunInput, card: Option<&Card>) -> Value {
    serde_json::from_str(&reduce(&[run], card, &Options::default()).to_json()).unwrap()
}

fn problems(json: &Value) -> String {
    json["problems"].as_array().unwrap().iter().filter_map(Value::as_str).collect::<Vec<_>>().join("\n")
}

fn measured(json: &Value, place: &str) -> bool {
    let figure = json.pointer(place).unwrap_or_else(|| panic!("there is no {place}"));
    assert!(figure.is_null() || figure["value"].is_number() && figure["u95"].is_number(), "{place}: {figure}");
    !figure.is_null()
}

#[test]
fn without_a_state_of_charge_energy_and_distance_stand() {
    let drive = plain().without(&["soc"]);
    let json = reduced(drive.run("run=1", 0..3_000), None);
    assert!(measured(&json, "/energy/net_kwh") && measured(&json, "/consumption_wh_per_km"));
    assert_eq!(json["usable_capacity"]["method"], "not measured");
    assert_eq!(json["usable_capacity"]["why"], "no state of charge was read");
    assert_eq!(json["soc_percent"], serde_json::json!({"role": "soc", "first": null, "last": null, "noted": false}));
    assert!(json["tenths"].as_array().unwrap().iter().all(|tenth| tenth["kwh"].is_null() && tenth["km"].is_null()));
}

#[test]
fn without_a_speed_energy_and_capacity_stand() {
    let drive = plain().without(&["speed", "distance"]);
    let json = reduced(drive.run("run=1", drive.window(100.0, 0.0)), None);
    assert!(measured(&json, "/energy/net_kwh") && measured(&json, "/usable_capacity/kwh"));
    assert!(!measured(&json, "/distance_km") && !measured(&json, "/consumption_wh_per_km"));
    assert!(measured(&json, "/tenths/3/kwh") && !measured(&json, "/tenths/3/km"));
    assert!(problems(&json).contains("distance is not measured: no speed, no odometer and no fixes"));
}

#[test]
fn without_gaps_nothing_is_estimated() {
    let drive = plain();
    let json = reduced(drive.run("run=1", drive.window(100.0, 0.0)), None);
    assert_eq!((&json["energy"]["estimated_share"], &json["unobserved_s"]), (&0.0.into(), &0.0.into()));
    assert_eq!((&json["gaps"], &json["problems"]), (&serde_json::json!([]), &serde_json::json!([])));
    assert_eq!(json["observed_s"], json["duration_s"]);
}

#[test]
fn an_empty_trace_measures_nothing() {
    let drive = plain();
    for rows in [0..0, 0..1] {
        let json = reduced(drive.run("run=1", rows), None);
        for place in ["/distance_km", "/energy/out_kwh", "/energy/in_kwh", "/energy/net_kwh", "/charge_net_ah"] {
            assert!(!measured(&json, place), "{place}");
        }
        assert_eq!(json["usable_capacity"]["method"], "not measured");
        assert!(problems(&json).contains("run=1: the run holds no trace to reduce"), "{json}");
    }
}

#[test]
fn the_map_says_which_state_of_charge_counts_and_the_card_has_the_last_word() {
    let drive = plain();
    let mut run = drive.run("run=1", drive.window(90.0, 40.0));
    let role = |run: &RunInput, card: Option<&Card>| reduced(run.clone(), card)["soc_percent"]["role"].clone();
    let (displayed, internal) = (card("state_of_charge = 'displayed'"), card("state_of_charge = 'internal'"));
    assert_eq!((role(&run, None), role(&run, Some(&internal))), ("soc".into(), "soc_internal".into()));
    run.soc_counts = Role::SocInternal;
    assert_eq!((role(&run, None), role(&run, Some(&displayed))), ("soc_internal".into(), "soc".into()));

    let missing = reduced(run.clone(), Some(&internal));
    assert!(problems(&missing).contains("the card counts the internal state of charge, which these runs do not have"));
    let inside = plain().with_soc_inside();
    let mut run = inside.run("run=1", inside.window(90.0, 40.0));
    run.soc_counts = Role::SocInternal;
    let json = reduced(run, None);
    let why = json["usable_capacity"]["why"].as_str().unwrap();
    assert!(why.ends_with("by the battery computer's own state of charge, which is of the whole pack"), "{why}");
}
