//! `drawdown verify` on the demo's recording: what it says, its exit status, and `run.json`'s own digest by `sha256sum`.
//!
//! That every kind of damage is found is the trial `corruption`.

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;

use crate::identity::{ingest, short_recording};
use crate::support::{companion, run, scratch, stdout};

/// Exit status and standard output.
fn verify(arguments: &[&str]) -> (i32, String) {
    let output = companion().arg("verify").args(arguments).output().expect("verify runs");
    (output.status.code().expect("a status"), String::from_utf8(output.stdout).expect("UTF-8"))
}

/// The digest that `sha256sum` (coreutils) gives.
fn sha256sum(bytes: &[u8]) -> String {
    let mut child =
        Command::new("sha256sum").stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("sha256sum starts");
    child.stdin.take().expect("a pipe").write_all(bytes).expect("it reads");
    let output = child.wait_with_output().expect("it ends").stdout;
    String::from_utf8_lossy(&output).split_whitespace().next().unwrap_or_default().to_owned()
}

#[test]
fn what_is_sound_and_what_is_not_is_said_with_its_file() {
    let folder = scratch();
    let data = folder.path().join("DATA");
    // Long enough for two parts.
    ingest(&short_recording(folder.path(), 60_000), &data, &[]);
    let path = data.join("vehicle=heron/run=20270314T061502Z");
    let (place, one) = (data.to_str().expect("UTF-8"), path.to_str().expect("UTF-8"));

    let (status, text) = verify(&[place]);
    assert_eq!((status, text.lines().last()), (0, Some("1 sound, 0 not sound")), "{text}");
    assert!(!text.contains("note:"), "nothing was passed over: {text}");
    assert_eq!(verify(&[one]).0, 0);
    let (status, text) = verify(&[one, "--json"]);
    let told: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!((status, &told["runs"][0]["sound"], &told["sound"]), (0, &Value::from(true), &Value::from(1)));

    // The last key of run.json is the digest of what stands before its comma.
    let text = fs::read(path.join("run.json")).expect("run.json");
    let json: Value = serde_json::from_slice(&text).expect("JSON");
    let end = text.windows(12).rposition(|window| window == b",\n  \"sha256\"").expect("the last key");
    assert_eq!(json["sha256"], sha256sum(&text[..end]));
    let listed = &json["source_files"][0];
    let name = listed["name"].as_str().expect("a name");
    assert_eq!(listed["sha256"], sha256sum(&fs::read(path.join("source-files").join(name)).expect("a copy")));

    damaged(&path, place);
    assert_eq!(verify(&[folder.path().join("none").to_str().expect("UTF-8")]).0, 2);
    let nothing = scratch();
    assert_eq!(verify(&[nothing.path().to_str().expect("UTF-8")]).0, 2, "no data set");
}

fn damaged(run_folder: &Path, place: &str) {
    let trace = run_folder.join("trace/part-00000-00001.parquet");
    let trace = if trace.exists() { trace } else { run_folder.join("trace/part-00000.parquet") };
    let mut bytes = fs::read(&trace).expect("a trace");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    fs::write(&trace, bytes).expect("written");
    let (status, text) = verify(&[place]);
    assert_eq!((status, text.lines().last()), (1, Some("0 sound, 1 not sound")), "{text}");
    assert!(text.contains(&format!("  {}: its digest is not the one in run.json", trace.display())), "{text}");
    assert!(text.contains("row group 0, column '") && text.contains("drawdown ingest RUN --map"), "{text}");
    let reduced = companion().arg("reduce").arg(run_folder).output().expect("reduce runs");
    assert_eq!(reduced.status.code(), Some(2), "no figure rests on a damaged trace");

    // Put aside, the rest is still read, and the trace can be made again from the frames.
    assert_eq!(verify(&[place, "--set-aside"]).0, 1);
    let note = run_folder.join("set-aside/trace").join(format!("{}.why.txt", trace.file_name().unwrap().display()));
    assert!(fs::read_to_string(note).expect("a note").contains("its digest"));
    assert!(verify(&[place]).1.contains("was put aside"));
    let again = run_folder.join("../../again");
    let map = run_folder.join("source-files/demo.toml");
    // Exit status 1: it says that something of the run had been put aside.
    let made = companion()
        .args(["ingest", "--vehicle", "heron", "--map"])
        .arg(&map)
        .arg("--into")
        .arg(&again)
        .arg(run_folder)
        .output()
        .expect("ingest runs");
    assert_eq!(made.status.code(), Some(1), "{}", String::from_utf8_lossy(&made.stderr));
    assert!(String::from_utf8_lossy(&made.stderr).contains("was put aside"));
    assert!(stdout(companion().arg("verify").arg(&again)).contains("1 sound, 0 not sound"));
    run(companion().arg("reduce").arg(again.join("vehicle=heron/run=20270314T061502Z")));
}
