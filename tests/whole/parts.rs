//! Parts of the demo's recording, and two of them joined by a card: usable capacity must still hold the truth that the
//! rehearsal's model knows.
//!
//! The truth is the project's own; how often intervals hold it over many cars is the trial `calibration`.

use std::io::{BufRead, BufReader, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{companion, figure, root, scratch, stdout};

/// Ingests some lines of the demo's recording into a data set of its own; gives the run's folder.
fn part(lines: Range<usize>, folder: &Path) -> PathBuf {
    let recording = std::fs::File::open(root().join("recordings/demo.log.zst")).expect("the recording");
    let recording = BufReader::new(zstd::Decoder::new(recording).expect("a zstd stream"));
    let log = folder.join(format!("from-{}.log", lines.start));
    let mut out = std::io::BufWriter::new(std::fs::File::create(&log).expect("a scratch file"));
    for line in recording.lines().skip(lines.start).take(lines.len()) {
        writeln!(out, "{}", line.expect("a line")).expect("written");
    }
    out.into_inner().expect("written");
    let map = root().join("signal-maps/demo.toml");
    let mut ingest = companion();
    ingest.arg("ingest").arg(&log).arg("--map").arg(map).args(["--vehicle", "heron", "--into"]).arg(folder);
    PathBuf::from(stdout(&mut ingest).trim_end())
}

fn reduced(arguments: &[&Path]) -> Value {
    serde_json::from_str(&stdout(companion().arg("reduce").args(arguments).arg("--json"))).expect("JSON")
}

/// Whether usable capacity holds the truth, in intervals no wider than this share of it.
fn holds_the_truth(json: &Value, widest: f64) {
    let text = std::fs::read_to_string(root().join("recordings/demo.truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    for (ours, theirs) in [("kwh", "net_kwh"), ("ah", "charge_net_ah")] {
        let ours = &json["usable_capacity"][ours];
        let (value, truth) = (figure(ours), truth["usable"][theirs].as_f64().expect("a number"));
        let u95 = ours["u95"].as_f64().expect("an interval");
        assert!((value - truth).abs() <= u95, "{value} ± {u95} {theirs}, truth {truth}");
        assert!(u95 < widest * value, "{value} ± {u95} says little");
    }
}

#[test]
fn a_part_of_the_discharge_gives_the_whole() {
    let folder = scratch();
    // From 100 % to 38 %, and from 60 % to 21 %, displayed.
    let (upper, lower) = (part(0..880_000, folder.path()), part(590_000..1_085_000, folder.path()));
    for (run, span, widest) in [(&upper, 55.0..62.0, 0.06), (&lower, 35.0..42.0, 0.08)] {
        let json = reduced(&[run]);
        assert_eq!(json["usable_capacity"]["method"], "partial", "{json}");
        let spanned = json["usable_capacity"]["span_percent"].as_f64().expect("a span");
        assert!(span.contains(&spanned), "{spanned} %");
        holds_the_truth(&json, widest);
    }
}

#[test]
fn a_card_joins_two_runs_of_one_discharge() {
    let folder = scratch();
    let runs = [part(0..880_000, folder.path()), part(888_000..2_000_000, folder.path())];
    let inside = |run: &Path| run.strip_prefix(folder.path()).expect("inside").display().to_string();
    let card = folder.path().join("card.toml");
    let text = format!(
        "vehicle = 'heron'\nruns = ['{}', '{}']\nfull_charge = 'ended by the car'\nunits = 'mi-per-kwh'\n\
         distance = 'speed'\nclaimed_usable_kwh = 49\n",
        inside(&runs[1]),
        inside(&runs[0])
    );
    std::fs::write(&card, text).expect("a card");
    let json = reduced(&[Path::new("--card"), &card]);
    holds_the_truth(&json, 0.03);
    assert_eq!(json["usable_capacity"]["method"], "full");
    assert_eq!(json["usable_capacity"]["why"], "from a charge that the car ended to displayed 0 %");
    assert_eq!(json["usable_capacity"]["claimed_kwh"], 49.0);
    assert_eq!((&json["distances"]["counts"], &json["distances"]["by_card"]), (&"speed".into(), &true.into()));
    let joins = json["joins"].as_array().expect("joins");
    assert_eq!((joins.len(), &joins[0]["estimated_from"]), (1, &"the car's energy counters".into()));
    // About a minute went unrecorded: the pause is in usable capacity alone.
    assert!((0.5..2.0).contains(&joins[0]["minutes"].as_f64().expect("minutes")), "{}", joins[0]);
    assert!(figure(&joins[0]["energy_kwh"]) > 0.0);
    assert_eq!(json["tenths"].as_array().map(|tenths| tenths.iter().filter(|t| !t["kwh"].is_null()).count()), Some(9));

    let report = stdout(companion().arg("reduce").arg("--card").arg(&card));
    assert!(report.contains(" mi/kWh") && report.contains(" mi, by integrated speed, as the card says"), "{report}");
    let told = stdout(companion().arg("reduce").arg("--card").arg(&card).args(["--units", "wh-per-km"]));
    assert!(told.contains(" Wh/km") && told.contains(" km, by integrated speed"), "the command line has the last word");
}
