//! `drawdown runs` on a data set with sound, unfinished and damaged runs: what a person reads, the JSON, the exit status; and `verify` of one
//! vehicle's folder.
//!
//! No outside source: the figures are held against what `run.json` says, by arithmetic of this file alone.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::identity::{ingest, short_recording};
use crate::support::{companion, scratch, stdout};

/// Exit status, standard output and standard error.
fn runs(data: &Path, options: &[&str]) -> (i32, String, String) {
    let output = companion().arg("runs").arg(data).args(options).output().expect("it runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code().expect("a status"), text(output.stdout), text(output.stderr))
}

#[test]
fn a_data_set_is_listed_with_what_is_wrong_in_it() {
    let folder = scratch();
    let data = folder.path().join("DATA");
    ingest(&short_recording(folder.path(), 60_000), &data, &[]);
    let sound = data.join("vehicle=heron/run=20270314T061502Z");
    let (status, text, said) = runs(&data, &[]);
    assert_eq!((status, &*said), (0, ""), "{text}");
    assert!(text.ends_with("\n1 run\n"), "{text}");

    // Another car's run whose run.json was touched, one that was never finished, and one that lost a file.
    let other = data.join("vehicle=wren");
    for name in ["run=20270401T070000Z", "run=20270402T070000Z", "run=20270403T070000Z"] {
        fs::create_dir_all(other.join(name)).expect("a folder");
    }
    let json = fs::read_to_string(sound.join("run.json")).expect("run.json");
    fs::write(other.join("run=20270401T070000Z/run.json"), json.replace("heron", "raven")).expect("written");
    fs::create_dir(other.join("run=20270402T070000Z/journal")).expect("a journal");
    fs::copy(sound.join("run.json"), other.join("run=20270403T070000Z/run.json")).expect("a copy");
    let (status, text, said) = runs(&data, &[]);
    assert_eq!(status, 1, "{text}");
    insta::assert_snapshot!(text);
    assert!(said.contains("run=20270401T070000Z/run.json: damaged") && said.lines().count() == 1, "{said}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    assert!(runs(&data, &["--units", "wh-per-mi"]).1.contains(" mi "));

    let (status, text, said) = runs(&data, &["--vehicle", "heron", "--json"]);
    assert_eq!((status, &*said), (0, ""), "of the other car nothing was asked");
    let told: Value = serde_json::from_str(&text).expect("JSON");
    let (told, file): (&Value, Value) = (&told["runs"], serde_json::from_str(&json).expect("JSON"));
    assert_eq!(told.as_array().map(Vec::len), Some(1));
    let sum = |key: &str| file["sums"][key].as_f64().expect("a number");
    let near = |key: &str, wanted: f64| {
        let value = told[0][key].as_f64().expect("a number");
        assert!((value - wanted).abs() <= 1e-12 * wanted.abs(), "{key}: {value}, not {wanted}");
    };
    near("net_kwh", (sum("energy_out") - sum("energy_in")) / 3.6e6);
    near("distance_km", sum("distance") / 1_000.0);
    near("unobserved_s", sum("time_unobserved"));
    near("duration_s", file["duration_s"].as_f64().expect("a number"));
    assert_eq!((&told[0]["start_utc"], &told[0]["ended"]), (&file["start_utc"], &file["ended"]));

    let (status, _, said) = runs(&data, &["--vehicle", "finch"]);
    assert!(status == 2 && said.contains("no run of a vehicle 'finch'") && said.contains("heron, wren"), "{said}");
    assert_eq!(runs(folder.path(), &[]).0, 2, "no data set");

    // A vehicle's folder alone is verified, and none beside it.
    let verified = stdout(companion().arg("verify").arg(data.join("vehicle=heron")));
    assert!(verified.ends_with("1 sound, 0 not sound\n"), "{verified}");
    let whole = companion().arg("verify").arg(&data).output().expect("verify runs");
    assert!(String::from_utf8_lossy(&whole.stdout).contains("wren"), "{whole:?}");
}
