//! `drawdown trend` on a data set: the same drive rehearsed twice, dated a year apart, so that the change is known to be none.
//!
//! No outside source: the trend's arithmetic is checked in its own room.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{companion, figure, root, scratch, stdout};

/// Rehearses the demo's car with a small pack on a date, reads it in, and writes a card; gives the card.
fn test_of(folder: &Path, year: &str) -> PathBuf {
    let scenario = fs::read_to_string(root().join("recordings/demo-scenario.toml")).expect("the scenario");
    let course = root().join("recordings/demo-course.toml");
    let scenario = scenario
        .replace("capacity_ah = 148", "capacity_ah = 6")
        .replace("start = \"2027-", &format!("start = \"{year}-"))
        .replace("course = \"demo-course.toml\"", &format!("course = \"{}\"", course.display()))
        .replace("start_s = 4321.7", "start_s = 300.0");
    let (file, log) = (folder.join(format!("{year}.toml")), folder.join(format!("{year}.log.zst")));
    fs::write(&file, scenario).expect("a scenario");
    let map = root().join("signal-maps/demo.toml");
    stdout(companion().arg("rehearse").arg(&file).arg("--map").arg(&map).arg("-o").arg(&log));
    let data = folder.join("DATA");
    let runs = stdout(
        companion().arg("ingest").arg(&log).arg("--map").arg(&map).args(["--vehicle", "heron", "--into"]).arg(&data),
    );
    let card = folder.join(format!("{year}-card.toml"));
    fs::write(&card, format!("full_charge = 'ended by the car'\nruns = ['{}']\n", runs.trim())).expect("a card");
    card
}

#[test]
fn two_tests_of_one_car_that_did_not_change() {
    let folder = scratch();
    let cards = ["2028", "2027"].map(|year| test_of(folder.path(), year));
    let json: Value = serde_json::from_str(&stdout(companion().arg("trend").args(&cards).arg("--json"))).expect("JSON");
    let energy = &json["energy"];
    assert_eq!((&energy["tests"][0]["name"], &energy["unit"]), (&"2027-card.toml".into(), &"kWh".into()));
    let kept = &energy["per_year"]["kept_percent"];
    assert!((figure(kept) - 100.0).abs() < 1e-9, "{kept}");
    // At least 1 % from day to day at each of two tests; the display's bend, which both share, leaves a little more.
    let u95 = kept["u95"].as_f64().expect("an interval");
    assert!((2.7..8.0).contains(&u95), "{u95}");
    // From 14 March 2027 to 14 March 2028 there are 366 days, of the 365.25 of a year.
    assert!((energy["per_year"]["span"].as_f64().expect("years") - 366.0 / 365.25).abs() < 1e-6);
    let why = energy["why"][0].as_str().unwrap_or_default();
    assert!(energy["per_ten_thousand_km"].is_null() && why.contains("same odometer"), "{why}");
    let report = stdout(companion().arg("trend").args(&cards));
    assert!(report.lines().all(|line| line.chars().count() <= 80), "{report}");
    assert!(report.contains("GTR No. 22") && report.contains("% kept"), "{report}");
    let twice = companion().arg("trend").args([&cards[0], &cards[0]]).output().expect("it runs");
    let said = String::from_utf8_lossy(&twice.stderr);
    assert!(twice.status.code() == Some(2) && said.contains("has a run in common with 2028-card.toml"), "{said}");
    let one = companion().arg("trend").arg(&cards[0]).output().expect("it runs");
    assert!(String::from_utf8_lossy(&one.stdout).contains("needs two tests"));
}
