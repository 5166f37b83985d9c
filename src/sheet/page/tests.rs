//! Sheets of invented tests: what they say, and every number held against the JSON by another program.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use super::*;
use crate::card::{Card, Change, ChangeKind, Verdict};
use crate::document::Document;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, RunInput, reduce_and_trace};
use crate::sheet::plot;

const CARD: &str = r#"
label = "Heron, grey"
full_charge = "ended by the car"
claimed_usable_kwh = 58
note = "windscreen: ZZ9HERN27RA000042; map in /home/someone/maps/heron.toml"
[driving]
target_kmh = 110
tolerance_kmh = 3
assist = "cruise control"
leave_out = ["turn", "stop"]
[tyres]
label = "215/55 R17"
set_psi = [38, 41]
[load]
car_kg = 1750
load_kg = 140
by = "weighed"
[climate]
setting = "automatic"
cabin_degc = 20.5
[charge]
current = "DC"
end = 2027-03-14T05:40:00+01:00
energy_kwh = 54.4
metered_at = "dispenser"
meter_class = "C"
[weather]
temperature_degc = 11.5
pressure_hpa = 1013.25
pressure_of = "the place"
wind_mps = 0
[road]
wet_percent = 0
[road_load]
rolling_resistance = 0.009
drag_area_m2 = 0.6
reference = "WLTP"
[[rated]]
name = "combined cycle"
range_km = 340
consumption_wh_per_km = 155
[tolerances.pack_current]
limit_gain = 0.01
limit_offset = 0.5
basis = "data sheet"
"#;

const RUN: &str = r#"{
    "schema": 1, "program": "drawdown 0.1.0", "vehicle": "heron", "run": "20270314T061502Z", "start_utc": null,
    "duration_s": 7200.5, "ended": "recovered", "made_by": "ingest", "map": {"name": "heron.toml", "sha256": "00aa"},
    "soc_counts": "soc", "sources": [{"name": "heron.log", "blake3": "11bb"}], "anchors": [],
    "counts": {"frames": 1386418, "frames_no_map_knows": 12, "messages": {"PACK": {"frames": 5, "signals": {
        "Amps": {"available": 3, "not_available": 2, "not_finite": 0, "out_of_range": 0, "too_short": 0}}}},
        "roles": {"roles": [{"slot": {"role": "PackCurrent", "pack": 0}, "samples": 51348, "period_s": 0.02, "gaps": 1}]}},
    "gaps": [], "roles": [{"role": "pack_current", "signal": "PACK.Amps", "unit": "A", "factor": 1, "offset": 0,
        "tolerance": {"gain": 0.01, "offset": 0.5, "basis": "data sheet"}, "sent": "cyclic"}],
    "buses": ["can0"], "troubles": [{"t_us": 5, "text": "the bus fell silent for 3 s"}],
    "damage": [{"source": "heron.log", "count": 17, "first": []}], "tables": [], "sums": {}, "by_phase": {}
}"#;

/// A sheet as a command would make it, with its JSON.
fn sheet(runs: &[RunInput], card: Option<&str>, units: ConsumptionUnit, files: &[RunFile]) -> (String, Value) {
    let parsed = card.map(|text| Card::parse(&Document::from_text("card.toml", text), Path::new("")).0.unwrap());
    let (mut reduction, trail) = reduce_and_trace(runs, parsed.as_ref(), &Options::default());
    reduction.seal = card.map(|_| sealed());
    let value = reduction.to_value();
    let plots = plot::plots(&reduction, &trail, units);
    let (faults, places) = (["'target_kmh' is 1100: no road allows that".to_owned()], []);
    let html = page(&Input {
        value: &value,
        card,
        asked: "",
        faults: &faults,
        runs: files,
        files: &[],
        places: &places,
        plots: &plots,
        units,
        publish: Publish::default(),
    });
    (html, value)
}

/// Sealed, and one key changed since.
fn sealed() -> Verdict {
    let change = ChangeKind::Changed("[38, 40]".into(), "[38, 41]".into());
    Verdict {
        is_sealed: true,
        why: "sealed at 2027-03-14T05:02:11Z, 72 min before counting started".into(),
        at: None,
        code: Some("3f9a-1c02-77de-0b1e".into()),
        changes: Some(vec![Change { of: "card", key: Some("tyres.set_psi".into()), kind: change }]),
    }
}

fn full() -> RunInput {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    drive.run_with_gap("20270314T061502Z", drive.window(100.0, 0.0), Some(2_000..2_030))
}

fn run_file(source: &str) -> RunFile {
    serde_json::from_str(&RUN.replace(r#"{"name": "heron.log", "blake3": "11bb"}"#, source)).unwrap()
}

const RECORDED: &str = r#"{"name": "heron.log", "blake3": "11bb"}"#;
const REHEARSED: &str = r#"{"name": "rehearsal of vcan0, 1 times real time", "sha256": null}"#;

/// What a reader sees: the text of every element but plots (they have tests of their own), a line for each block and a tab between cells.
fn visible(html: &str) -> String {
    let mut text = String::new();
    let mut hidden: Option<&str> = None;
    for part in html.split('<').skip(1) {
        let (tag, words) = part.split_once('>').unwrap_or((part, ""));
        let name = tag.trim_start_matches('/').split([' ', '/']).next().unwrap_or_default();
        let is_end = tag.starts_with('/');
        match hidden {
            Some(of) if is_end && of == name => hidden = None,
            Some(_) => continue,
            None if ["figure", "style", "title"].contains(&name) && !is_end => {
                hidden = Some(name);
                continue;
            }
            None => {}
        }
        let breaks = ["p", "h1", "h2", "h3", "li", "tr", "dt", "section", "caption", "summary", "pre", "strong"];
        if breaks.contains(&name) && (!is_end || name.starts_with('h')) {
            text.push('\n');
        } else if ["td", "th", "dd"].contains(&name) && !is_end {
            text.push('\t');
        }
        text.push_str(words);
    }
    let entities = [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&amp;", "&")];
    let text = entities.iter().fold(text, |text, (entity, char)| text.replace(entity, char));
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    lines.join("\n") + "\n"
}

#[test]
fn a_full_discharge_as_it_is_published() {
    let (html, _) = sheet(&[full()], Some(CARD), ConsumptionUnit::KwhPer100Km, &[run_file(RECORDED)]);
    insta::assert_snapshot!(visible(&html).replace(env!("CARGO_PKG_VERSION"), "VERSION"));
}

#[test]
fn nothing_private_is_published_unasked() {
    let (html, _) = sheet(&[full()], Some(CARD), ConsumptionUnit::WhPerKm, &[run_file(RECORDED)]);
    for private in ["ZZ9HERN27RA000042", "/home", "someone"] {
        assert!(!html.contains(private), "{private}");
    }
    assert!(html.contains("windscreen: (vehicle number removed); map in heron.toml"));
}

#[test]
fn a_rehearsal_is_called_one_before_anything_else() {
    let runs = [full()];
    let of = |source: &str| visible(&sheet(&runs, None, ConsumptionUnit::WhPerKm, &[run_file(source)]).0);
    let text = of(REHEARSED);
    assert!(
        text.starts_with("Nothing was measured. An invented car was driven: this is a rehearsal.\nTest sheet\n"),
        "{text}"
    );
    assert!(!of(RECORDED).contains("rehearsal"));
}

#[test]
fn what_the_words_of_others_hold_is_no_markup() {
    let card = "label = '<script>alert(1)</script>'\nnote = '\"><img src=x onerror=y>'";
    let (html, _) = sheet(&[full()], Some(card), ConsumptionUnit::WhPerKm, &[]);
    assert!(!html.contains("<script") && !html.contains("<img"));
    assert!(html.contains("<title>Test sheet: &lt;script&gt;"), "{html}");
}

#[test]
fn a_sheet_of_nothing_says_so() {
    let (html, _) = sheet(&[], None, ConsumptionUnit::WhPerKm, &[]);
    let text = visible(&html);
    assert!(text.contains("Range\nnot measured") && text.contains("Usable capacity\nnot measured"), "{text}");
    assert!(!html.contains("NaN") && !html.contains(">inf"), "{text}");
}

/// Holds every number of a sheet by `tests/sheet/hold_numbers.py`.
fn held(name: &str, html: &str, value: &Value, card: Option<&str>, units: ConsumptionUnit) {
    let folder = tempfile::tempdir().unwrap();
    let run = folder.path().join("run=20270314T061502Z");
    for sub in ["source-files", "trace"] {
        std::fs::create_dir_all(run.join(sub)).unwrap();
    }
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::File::create(&path).unwrap().write_all(text.as_bytes()).unwrap();
        path
    };
    file("run=20270314T061502Z/run.json", &serde_json::to_string(&run_file(RECORDED)).unwrap());
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut command = Command::new("python3");
    command.arg(root.join("tests/sheet/hold_numbers.py"));
    command.arg(file(&format!("{name}.html"), html)).arg(file("figures.json", &value.to_string()));
    command.args(["--units", units.symbol(), "--any-digest", "--run"]).arg(&run);
    if let Some(card) = card {
        command.arg("--card").arg(file("card.toml", card));
    }
    let told = command.stdout(Stdio::piped()).stderr(Stdio::piped()).output().expect("python3 is installed");
    assert!(
        told.status.success(),
        "{name}: {}{}",
        String::from_utf8_lossy(&told.stdout),
        String::from_utf8_lossy(&told.stderr)
    );
}

#[test]
fn every_number_is_that_of_the_json() {
    use crate::reduce::charging::tests::{charge, tapering};
    use crate::reduce::trip::Trip;
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    let parts = [(90.0, 60.0), (59.0, 45.0)].map(|(a, b)| drive.run(&format!("from-{a}"), drive.window(a, b)));
    let trip = Trip::to_and_fro();
    let with_seal = "[driving]\ntarget_mph = 68\n[load]\ncar_kg = 1850\nload_kg = 150\n";
    let tests: [(&str, Vec<RunInput>, Option<&str>, ConsumptionUnit); 6] = [
        ("full", vec![full()], Some(CARD), ConsumptionUnit::KwhPer100Km),
        ("full-in-miles", vec![full()], Some(CARD), ConsumptionUnit::MiPerKwh),
        ("parts", parts.to_vec(), None, ConsumptionUnit::WhPerMi),
        ("to-and-fro", vec![trip.run("20270314T061502Z")], Some(with_seal), ConsumptionUnit::MiPerKwh),
        ("charge", vec![charge(9.5, 2_200, tapering, None)], Some(CARD), ConsumptionUnit::WhPerKm),
        (
            "no-speed",
            vec![Drive::of(&Car::plain(), &mut Chance::new(1)).without(&["speed", "distance"]).run("a", 0..3_000)],
            None,
            ConsumptionUnit::WhPerKm,
        ),
    ];
    for (name, runs, card, units) in tests {
        let (html, value) = sheet(&runs, card, units, &[run_file(RECORDED)]);
        held(name, &html, &value, card, units);
    }
}
