//! Eight real drives, where their recordings lie beside the checkout: energy, charge and distance against figures that the
//! trapezoid rule gives on the published, unquantised columns.
//!
//! Source: M. Steinstraeter, J. Buberger, D. Trifonov, "Battery and Heating Data in Real Driving Cycles", IEEE DataPort, 2020,
//! doi 10.21227/6jr9-5235. Nothing of the recordings enters the repository; the table of results is docs/validation.md.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{companion, figure, real_drives, root, scratch, stdout};

const ROLES: &str = r#"
[roles.pack_voltage]
signal = "PACK_FAST.PackVoltage"
[roles.pack_current]
signal = "PACK_FAST.PackCurrent"
positive = "charge"
[roles.pack_temperature]
signal = "PACK_FAST.PackTemperature"
[roles.soc]
signal = "PACK_SOC.SocDisplayed"
[roles.soc_internal]
signal = "PACK_SOC.SocInternal"
[roles.speed]
signal = "MOTION.Speed"
[roles.heater_power]
signal = "CLIMATE.HeaterPower"
[roles.compressor_power]
signal = "CLIMATE.CompressorPower"
[roles.ambient_temperature]
signal = "CLIMATE.AmbientTemperature"
"#;

/// Ingests one drive and gives its run folder.
fn ingest(drives: &Path, trip: &str, map: &Path, data: &Path) -> PathBuf {
    let recording = drives.join(format!("{trip}.log"));
    let printed = stdout(
        companion()
            .arg("ingest")
            .arg(recording)
            .arg("--map")
            .arg(map)
            .args(["--vehicle", "hatchback", "--into"])
            .arg(data),
    );
    PathBuf::from(printed.lines().next().expect("a run").split(" (").next().expect("a folder"))
}

fn reduce(runs: &[&PathBuf]) -> Value {
    serde_json::from_str(&stdout(companion().arg("reduce").args(runs).arg("--json"))).expect("JSON")
}

/// The same by the battery computer's own state of charge: the card's word.
fn reduce_by_internal(runs: &[&PathBuf], card: &Path) -> Value {
    let printed = stdout(companion().arg("reduce").args(runs).arg("--card").arg(card).arg("--json"));
    serde_json::from_str(&printed).expect("JSON")
}

/// What of the reference is compared, where it stands in our JSON, and by how much it may differ (in parts).
const COMPARED: [(&str, &[&str], f64); 5] = [
    ("net_kwh", &["energy", "net_kwh"], 2e-4),
    ("out_kwh", &["energy", "out_kwh"], 1e-3),
    ("in_kwh", &["energy", "in_kwh"], 1e-3),
    ("charge_ah", &["charge_net_ah"], 2e-4),
    ("distance_km", &["distance_km"], 2e-4),
];

fn at<'a>(value: &'a Value, path: &[&str]) -> &'a Value {
    path.iter().fold(value, |value, key| &value[key])
}

#[test]
fn eight_real_drives() {
    let Some(drives) = real_drives() else {
        println!("no recordings beside the checkout: nothing compared");
        return;
    };
    let folder = scratch();
    let (map, data) = (folder.path().join("map.toml"), folder.path().join("DATA"));
    fs::copy(drives.join("real-drives.dbc"), folder.path().join("real-drives.dbc")).expect("the DBC");
    fs::write(&map, format!("dbc = \"real-drives.dbc\"\n{ROLES}")).expect("a map");
    let reference = fs::read_to_string(drives.join("reference.jsonl")).expect("the reference");
    let mut table = String::new();
    let mut runs = Vec::new();
    for line in reference.lines() {
        let expected: Value = serde_json::from_str(line).expect("JSON");
        let trip = expected["trip"].as_str().expect("a name").trim_end_matches(".csv").to_owned();
        let run = ingest(&drives, &trip, &map, &data);
        let reduced = reduce(&[&run]);
        write!(table, "| {trip} |").expect("text");
        for (key, path, tolerance) in COMPARED {
            let (ours, theirs) = (figure(at(&reduced, path)), expected[key].as_f64().expect("a number"));
            let off = ours / theirs - 1.0;
            assert!(off.abs() <= tolerance, "{trip}: {key} is {ours}, reference {theirs}, off by {:.4} %", off * 100.0);
            write!(table, " {ours:.4} | {:+.4} % |", off * 100.0).expect("text");
        }
        table.push('\n');
        runs.push((trip, run));
    }
    assert_eq!(runs.len(), 8);
    let page = fs::read_to_string(root().join("docs/validation.md")).expect("docs/validation.md");
    let tables = [table, joined(&runs), capacities(&runs, folder.path())];
    let missing: Vec<&str> = tables.iter().filter(|table| !page.contains(*table)).map(String::as_str).collect();
    assert!(missing.is_empty(), "docs/validation.md does not hold:\n{}", missing.join("\n"));
}

/// Drives that follow each other on one charge, and the season.
const DISCHARGES: [(&[&str], &str); 3] = [
    (&["TripA03", "TripA04", "TripA05"], "summer"),
    (&["TripA06", "TripA07"], "summer"),
    (&["TripB16", "TripB17"], "winter"),
];

fn folders<'a>(runs: &'a [(String, PathBuf)], of: &[&str]) -> Vec<&'a PathBuf> {
    runs.iter().filter(|(trip, _)| of.contains(&&**trip)).map(|(_, folder)| folder).collect()
}

fn with_interval(value: &Value) -> String {
    match value["value"].as_f64() {
        Some(number) => format!("{number:.2} ± {:.2}", value["u95"].as_f64().expect("an interval")),
        None => "not measured".to_owned(),
    }
}

/// Joined, their net energy is the sum of the parts.
fn joined(runs: &[(String, PathBuf)]) -> String {
    let mut table = String::from(
        "| joined | season | net energy, kWh | distance, km | energy per distance, Wh/km | mean voltage, V |\n| --- | --- | --- | --- | --- | --- |\n",
    );
    for (discharge, season) in DISCHARGES {
        let folders = folders(runs, discharge);
        let whole = reduce(&folders);
        let parts: f64 = folders.iter().map(|folder| figure(&reduce(&[folder])["energy"]["net_kwh"])).sum();
        let net = figure(&whole["energy"]["net_kwh"]);
        assert!((net / parts - 1.0).abs() < 1e-9, "{discharge:?}: {net} kWh joined, {parts} kWh in parts");
        writeln!(
            table,
            "| {} | {season} | {} | {} | {} | {:.0} |",
            discharge.join(" + "),
            with_interval(&whole["energy"]["net_kwh"]),
            with_interval(&whole["distance_km"]),
            with_interval(&whole["consumption_wh_per_km"]),
            net * 1e3 / figure(&whole["charge_net_ah"]),
        )
        .expect("text");
    }
    table
}

/// Usable capacity by the displayed and by the battery computer's own state of charge.
fn capacities(runs: &[(String, PathBuf)], folder: &Path) -> String {
    let card = folder.join("internal.toml");
    fs::write(&card, "state_of_charge = \"internal\"\n").expect("a card");
    let mut table = String::from(
        "| joined | by | span, % | usable capacity, kWh | usable charge, Ah |\n| --- | --- | --- | --- | --- |\n",
    );
    for (discharge, _) in DISCHARGES {
        let folders = folders(runs, discharge);
        for (by, whole) in [("display", reduce(&folders)), ("battery computer", reduce_by_internal(&folders, &card))] {
            let capacity = &whole["usable_capacity"];
            let span = capacity["span_percent"].as_f64().map_or_else(|| "none".to_owned(), |span| format!("{span:.1}"));
            let (kwh, ah) = (with_interval(&capacity["kwh"]), with_interval(&capacity["ah"]));
            writeln!(table, "| {} | {by} | {span} | {kwh} | {ah} |", discharge.join(" + ")).expect("text");
        }
    }
    table
}
