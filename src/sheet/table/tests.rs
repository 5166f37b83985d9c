//! The report of invented discharges, whole.

use super::*;
use crate::card::Card;
use crate::document::Document;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, RunInput, reduce};

fn drive() -> Drive {
    Drive::of(&Car::plain(), &mut Chance::new(1))
}

fn report(runs: &[RunInput], card: Option<&str>, units: ConsumptionUnit) -> String {
    let card =
        card.map(|text| Card::parse(&Document::from_text("card.toml", text), std::path::Path::new("")).0.unwrap());
    table(&reduce(runs, card.as_ref(), &Options::default()), units)
}

#[test]
fn a_full_discharge() {
    let drive = drive();
    let run = drive.run_with_gap("20270314T061502Z", drive.window(100.0, 0.0), Some(2_000..2_030));
    let card = "full_charge = 'ended by the car'\nclaimed_usable_kwh = 58";
    insta::assert_snapshot!(report(&[run], Some(card), ConsumptionUnit::KwhPer100Km));
}

#[test]
fn two_runs_of_a_part_in_miles() {
    let drive = drive();
    let runs = [(90.0, 60.0), (59.0, 45.0)].map(|(a, b)| drive.run(&format!("from-{a}"), drive.window(a, b)));
    insta::assert_snapshot!(report(&runs, None, ConsumptionUnit::MiPerKwh));
}

#[test]
fn nothing_to_report() {
    insta::assert_snapshot!(report(&[], None, ConsumptionUnit::WhPerKm));
}

#[test]
fn nothing_is_wider_than_the_terminal() {
    let drive = drive();
    for (from, to) in [(100.0, 0.0), (90.0, 40.0), (60.0, 55.0)] {
        for units in [ConsumptionUnit::WhPerKm, ConsumptionUnit::WhPerMi] {
            let report = report(&[drive.run("20270314T061502Z", drive.window(from, to))], None, units);
            for line in report.lines() {
                assert!(line.chars().count() <= format::COLUMNS, "{line}");
            }
        }
    }
}

#[test]
fn what_is_missing_reads_as_missing() {
    let full = |drive: Drive| drive.run("run=1", drive.window(100.0, 0.0));
    let said = |run: RunInput| {
        let report = report(&[run], None, ConsumptionUnit::WhPerKm);
        assert!(report.lines().all(|line| line.chars().count() <= format::COLUMNS), "{report}");
        assert!(!report.contains("NaN") && !report.contains("inf "), "{report}");
        report
    };
    let gapless = said(full(drive()));
    assert!(!gapless.contains("No pack power"), "{gapless}");
    let no_soc = said(drive().without(&["soc"]).run("run=1", 0..3_000));
    assert!(no_soc.contains("not measured: no state of charge was read\n") && !no_soc.contains("By tenth"), "{no_soc}");
    let no_speed = said(full(drive().without(&["speed", "distance"])));
    assert!(no_speed.contains("Energy per distance     not measured"), "{no_speed}");
    let empty = said(drive().run("run=1", 0..0));
    assert!(empty.contains("run=1: the run holds no trace to reduce"), "{empty}");
}

#[test]
fn a_drive_to_and_fro_with_satellites() {
    use crate::reduce::trip::Trip;
    let trip = Trip {
        wheels: 1.02,
        dial: (1.01, 0.8),
        per_metre: [650.0, 550.0],
        noise: (2.0, 0.1),
        ..Trip::legs(110.0 / 3.6, &[22_000.0, 22_000.0, 22_000.0, 22_000.0])
    };
    let card = "[driving]\ntarget_kmh = 110\n[load]\ncar_kg = 1850\nload_kg = 150\nby = 'weighed'";
    let units = [ConsumptionUnit::WhPerKm, ConsumptionUnit::MiPerKwh];
    let [metric, miles] = units.map(|units| report(&[trip.run("20270314T061502Z")], Some(card), units));
    assert!(metric.lines().chain(miles.lines()).all(|line| line.chars().count() <= format::COLUMNS), "{miles}");
    let section = |text: &str| {
        let from = text.find("Time ").expect("the measured part");
        text[from..text.find("What the uncertainty").expect("the next part")].to_owned()
    };
    insta::assert_snapshot!(format!("{}\n{}", section(&metric), section(&miles)));
}
