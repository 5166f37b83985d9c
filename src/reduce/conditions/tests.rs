//! Restated figures of rehearsed drives in other air, other wind and at other temperatures.
//!
//! The yardstick is the spread of one car's figures over the conditions: restating must make it smaller by a factor. The
//! car's true figure at reference conditions is the rehearsal in those very conditions.

use super::*;
use crate::document::Document;
use crate::reduce::rehearsed::{COURSE, SCENARIO, run};
use crate::reduce::{Options, Reduction, reduce};

/// What one test meets.
#[derive(Clone, Copy, Debug)]
struct Met {
    degc: f64,
    hpa: f64,
    /// From behind when driving out, and across.
    wind: f64,
    across: f64,
    kmh: f64,
    /// Tyres that are so much worse when cold, decaying over 15 min.
    cold: f64,
}

const REFERENCE: Met = Met { degc: 20.0, hpa: 982.1, wind: 0.0, across: 0.0, kmh: 110.0, cold: 0.0 };
const LOAD: &str =
    "[road_load]\nrolling_resistance = 0.009\ndrag_area_m2 = 0.6\n[load]\ncar_kg = 1700\nload_kg = 100\n";

fn drive(met: &Met) -> crate::reduce::RunInput {
    drive_on(met, COURSE)
}

fn drive_on(met: &Met, course: &str) -> crate::reduce::RunInput {
    let density = air::density(met.degc, met.hpa * 100.0, 0.0);
    let rolling = 0.009 / (1.0 + TYRES_PER_K * (met.degc - 20.0));
    let scenario = SCENARIO
        .replace("rolling_resistance = 0.009", &format!("rolling_resistance = {rolling}"))
        .replace(
            "density_kg_per_m3 = 1.16753",
            &format!("density_kg_per_m3 = {density}\nwind_out_mps = {}\nwind_across_mps = {}", met.wind, met.across),
        )
        .replace("[air]\ntemperature_degc = 20", &format!("[air]\ntemperature_degc = {}", met.degc))
        .replace("target_kmh = 110", &format!("target_kmh = {}", met.kmh))
        .replace(
            "drive_efficiency",
            &format!("cold_tyres = {{ share = {}, time_s = 900 }}\ndrive_efficiency", met.cold),
        );
    run(&scenario, course).0
}

fn level(met: &Met) -> Reduction {
    let course =
        COURSE.replace("elevation_m = 160", "elevation_m = 100").replace("elevation_m = 120", "elevation_m = 100");
    with_card(drive_on(met, &course), met, LOAD, &said(met))
}

/// The car in the reference conditions on the level: what restating aims at.
fn truth() -> Reduction {
    level(&REFERENCE)
}

fn reduced(met: &Met, load: &str, wind: &str) -> Reduction {
    with_card(drive(met), met, load, wind)
}

fn with_card(run: crate::reduce::RunInput, met: &Met, load: &str, wind: &str) -> Reduction {
    let Met { degc, hpa, .. } = met;
    let weather = format!(
        "[driving]\ntarget_kmh = 110\ntolerance_kmh = 5\n{load}[weather]\ntemperature_degc = {degc}\npressure_hpa = {hpa}\n\
         pressure_of = 'the place'\nhumidity_percent = 0\n{wind}"
    );
    let (card, faults) = Card::parse(&Document::from_text("card.toml", weather), std::path::Path::new(""));
    assert!(faults.is_empty(), "{faults:?}");
    reduce(&[run], card.as_ref(), &Options::default())
}

/// The wind as a card says it: the road runs east, so one from behind when driving out comes from 270 degrees.
fn said(met: &Met) -> String {
    let from = if met.wind >= 0.0 { 270 } else { 90 };
    format!("wind_mps = {}\nwind_from_deg = {from}\n", met.wind.abs())
}

fn spread(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (values.len() - 1) as f64).sqrt() / mean
}

fn met() -> Vec<Met> {
    let rows = [
        (6.0, 1_000.0, 3.0),
        (10.0, 960.0, -4.0),
        (15.0, 1_020.0, 0.0),
        (20.0, 940.0, 2.0),
        (25.0, 990.0, -3.0),
        (29.0, 970.0, 4.5),
    ];
    rows.map(|(degc, hpa, wind)| Met { degc, hpa, wind, ..REFERENCE }).to_vec()
}

/// Measured and restated figures, J/m, of every condition; the intervals hold the truth `at`.
fn both(all: &[Met], load: &str, at: f64, restated: impl Fn(&Reduction) -> Estimate) -> (Vec<f64>, Vec<f64>) {
    let mut figures = (Vec::new(), Vec::new());
    for met in all {
        let reduction = reduced(met, load, &said(met));
        let figure = restated(&reduction);
        let off = (figure.value - at).abs();
        println!("{met:?}: {:?}", reduction.conditions.wind);
        assert!(off <= figure.u95(), "{met:?}: {} ± {}, truth {at}", figure.value, figure.u95());
        figures.0.push(reduction.consumption.net.as_ref().unwrap().value);
        figures.1.push(figure.value);
    }
    figures
}

fn restated(reduction: &Reduction) -> Estimate {
    let conditions = &reduction.conditions;
    conditions.restated.as_ref().unwrap_or_else(|| panic!("{}", conditions.why)).value.clone()
}

#[test]
fn restating_shrinks_the_spread_fivefold_where_the_car_is_like_the_model() {
    let truth = truth().consumption.net.unwrap().value;
    let (measured, restated) = both(&met(), LOAD, truth, restated);
    let (before, after) = (spread(&measured), spread(&restated));
    println!("measured {:.2} %, restated {:.3} %: a factor of {:.1}", before * 100.0, after * 100.0, before / after);
    println!("truth {truth:.1} J/m, measured {measured:.1?}, restated {restated:.1?}");
    assert!(before > 0.03, "the conditions hardly differ: {before}");
    assert!(after < before / 5.0, "{before} {after}\n{measured:?}\n{restated:?}");
}

#[test]
fn restating_shrinks_the_spread_twofold_under_what_it_does_not_know() {
    let truth = truth().consumption.net.unwrap().value;
    // The colder, the worse the tyres at first; and a wind across the road that nobody wrote down.
    let across = [2.0, 0.0, 3.0, 1.0, 2.5, 0.0];
    let all: Vec<Met> = met()
        .into_iter()
        .zip(across)
        .map(|(met, across)| Met { across, cold: 0.06 + 0.008 * (20.0 - met.degc), ..met })
        .map(|met| Met { cold: met.cold.max(0.0), ..met })
        .collect();
    let (mut measured, mut figures) = (Vec::new(), Vec::new());
    for met in &all {
        let reduction = reduced(met, LOAD, &said(met));
        measured.push(reduction.consumption.net.as_ref().unwrap().value);
        figures.push(restated(&reduction).value);
    }
    let (before, after) = (spread(&measured), spread(&figures));
    println!("measured {:.2} %, restated {:.3} %: a factor of {:.1}", before * 100.0, after * 100.0, before / after);
    println!(
        "mean off the car without these effects: {:.2} %",
        (figures.iter().sum::<f64>() / 6.0 / truth - 1.0) * 100.0
    );
    assert!(after < before / 2.0, "{before} {after}\n{measured:?}\n{figures:?}");
}

#[test]
fn another_speed_is_restated_to_the_target() {
    let truth = truth().conditions.at_target.unwrap().1.measured.value;
    for kmh in [106.0, 114.0] {
        let met = Met { kmh, ..REFERENCE };
        let (speed, held) = level(&met).conditions.at_target.unwrap();
        assert!((speed * 3.6 - 110.0).abs() < 1e-9);
        let (off, was) = (held.value.value / truth - 1.0, held.measured.value / truth - 1.0);
        assert!(was.abs() > 0.03 && off.abs() < was.abs() / 8.0, "{kmh}: {was} {off}");
        assert!((held.value.value - truth).abs() <= held.value.u95());
    }
}

#[test]
fn a_pair_of_legs_shows_the_wind_along_the_road() {
    for wind in [-3.0, 0.0, 4.0] {
        let met = Met { wind, ..REFERENCE };
        let conditions = reduced(&met, LOAD, "").conditions;
        let (found, by) = conditions.wind.unwrap();
        // The size is told as from ahead along the axis: only its amount is asked here.
        assert!(by == WindBy::Pair && (found.abs() - wind.abs()).abs() < 0.7, "{wind}: {found} {by:?}");
    }
}

#[test]
fn an_unknown_wind_adds_uncertainty_and_corrects_nothing() {
    let met = Met { wind: 3.0, ..REFERENCE };
    // Without a mass the legs' heights cannot be taken off, so the legs show nothing.
    let load = "[road_load]\na_n = 158.9\nb_n_per_kmh = 0\nc_n_per_kmh2 = 0.02703\n";
    let [calm, unknown] = ["wind_mps = 0\n", ""].map(|wind| reduced(&met, load, wind).conditions);
    assert_eq!(unknown.wind.unwrap().1, WindBy::Nothing);
    let [calm, unknown] = [calm, unknown].map(|conditions| conditions.restated.unwrap());
    assert!((calm.value.value - unknown.value.value).abs() < 1e-9);
    assert!(unknown.added.contribution(&sources::WIND) > calm.added.contribution(&sources::WIND));
    assert!(unknown.added.u() > 0.0 && unknown.value.u() > unknown.measured.u() * 0.99);
}

#[test]
fn the_drive_carries_a_road_load_only_where_its_speeds_part() {
    let conditions = reduced(&REFERENCE, "[load]\ncar_kg = 1700\nload_kg = 100\n", "wind_mps = 0\n").conditions;
    assert!(conditions.restated.is_none() && conditions.why.contains("does not carry"), "{}", conditions.why);
    // With slow stretches on the same road it does.
    let slow = "[[drive.traffic]]\nstart_km = 3\nlength_km = 9\nspeed_kmh = 60\n[[drive.traffic]]\nstart_km = 22\nlength_km = 9\nspeed_kmh = 80\n[air]";
    let scenario = SCENARIO.replace("[air]", slow).replace("capacity_ah = 24", "capacity_ah = 32");
    let (run, _) = run(&scenario, COURSE);
    let card = "[load]\ncar_kg = 1700\nload_kg = 100\n[weather]\ntemperature_degc = 20\npressure_hpa = 982.1\npressure_of = 'the place'\nwind_mps = 0\n";
    let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0;
    let conditions = reduce(&[run], card.as_ref(), &Options::default()).conditions;
    let ([a, _, c], from, _) = conditions.load.unwrap_or_else(|| panic!("{}", conditions.why));
    assert_eq!(from, "the drive itself");
    // As the pack sees it: over 90 % of the drive train. C 0.35026 / 0.9, A 158.87 / 0.9.
    assert!((a / 176.5 - 1.0).abs() < 0.15, "{a}");
    assert!((c / 0.3892 - 1.0).abs() < 0.10, "{c}");
}

#[test]
fn what_forbids_restating_is_said() {
    let base = reduced(&REFERENCE, LOAD, &said(&REFERENCE));
    assert!(base.conditions.restated.is_some());
    let run = drive(&REFERENCE);
    let why = |text: &str| {
        let card = Card::parse(&Document::from_text("card.toml", text), std::path::Path::new("")).0;
        let conditions = reduce(std::slice::from_ref(&run), card.as_ref(), &Options::default()).conditions;
        assert!(conditions.restated.is_none() && conditions.range.1.is_none());
        conditions.why
    };
    let weather = |degc: f64, wind: f64, rest: &str| {
        format!(
            "{LOAD}[weather]\ntemperature_degc = {degc}\npressure_hpa = 990\npressure_of = 'the place'\nwind_mps = {wind}\n{rest}"
        )
    };
    assert!(why(&weather(3.0, 1.0, "")).contains("outside 5 to 30 degC"));
    assert!(why(&weather(12.0, 6.0, "")).contains("above 5 m/s"));
    assert!(why(&weather(12.0, 1.0, "[road]\nwet_percent = 20\n")).contains("wet"));
    assert!(why(&weather(12.0, 1.0, "[trailer]\n")).contains("trailer"));
    assert!(why(LOAD).contains("temperature"));
    assert!(
        why("[weather]\ntemperature_degc = 12\npressure_hpa = 990\npressure_of = 'the place'\n").contains("road load")
    );
}
