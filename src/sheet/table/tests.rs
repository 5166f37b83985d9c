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
    let trip = Trip::to_and_fro();
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

#[test]
fn a_charge_with_a_dispensers_reading() {
    let run = crate::reduce::charging::tests::charge(9.5, 2_200, crate::reduce::charging::tests::tapering, None);
    let card = "[charge]\ncurrent = 'DC'\nenergy_kwh = 54.4\nmetered_at = 'dispenser'\nmeter_class = 'C'\n";
    let report = report(&[run], Some(card), ConsumptionUnit::WhPerKm);
    assert!(report.lines().all(|line| line.chars().count() <= format::COLUMNS), "{report}");
    insta::assert_snapshot!(report.split("\nWhat the uncertainty").next().unwrap_or_default());
}

#[test]
fn figures_at_reference_conditions() {
    use crate::reduce::rehearsed::{COURSE, SCENARIO, run};
    let (run, _) = run(SCENARIO, COURSE);
    let card = "[driving]\ntarget_kmh = 110\n[load]\ncar_kg = 1700\nload_kg = 100\n[road_load]\nrolling_resistance = 0.009\n\
                drag_area_m2 = 0.6\nreference = 'WLTP'\n[weather]\ntemperature_degc = 20\npressure_hpa = 982.1\n\
                pressure_of = 'the place'\nwind_mps = 0\n[[rated]]\nname = 'cycle'\nrange_km = 45\n";
    let told = report(std::slice::from_ref(&run), Some(card), ConsumptionUnit::WhPerMi);
    assert!(told.lines().all(|line| line.chars().count() <= format::COLUMNS), "{told}");
    insta::assert_snapshot!(told.split("\nBy tenth").next().unwrap_or_default());
    let wet = report(&[run], Some(&format!("{card}[road]\nwet_percent = 10\n")), ConsumptionUnit::WhPerKm);
    assert!(wet.contains("not restated: measured only: the road was wet"), "{wet}");
}
