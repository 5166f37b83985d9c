//! The same recording gives the same bytes: whatever the batch size, the pace, and whether the daemon or `ingest` reads it.
//!
//! Compares files, not figures.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::support::{companion, daemon, root, run, scratch};

/// Every Parquet file below a folder by its path inside it.
pub fn parquet_files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap_or_else(|error| panic!("{}: {error}", next.display())) {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "parquet") {
                let inside = path.strip_prefix(folder).expect("inside").to_path_buf();
                found.insert(inside, fs::read(&path).expect("a readable file"));
            }
        }
    }
    assert!(found.len() > 3, "{} holds only {} Parquet files", folder.display(), found.len());
    found
}

fn demo_files() -> (PathBuf, PathBuf) {
    (root().join("recordings/demo.log.zst"), root().join("signal-maps/demo.toml"))
}

pub fn assert_same(one: &Path, other: &Path) {
    let (one, other) = (parquet_files(one), parquet_files(other));
    assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>());
    for (path, bytes) in &one {
        assert!(*bytes == other[path], "{} differs", path.display());
    }
}

/// The first lines of the demo's recording, so that debug builds stay quick.
pub fn short_recording(folder: &Path, lines: usize) -> PathBuf {
    let text = zstd::decode_all(fs::File::open(demo_files().0).expect("the demo's recording")).expect("zstd");
    let end = text
        .iter()
        .enumerate()
        .filter(|(_, byte)| **byte == b'\n')
        .nth(lines.saturating_sub(1))
        .map_or(text.len(), |(at, _)| at + 1);
    let path = folder.join("short.log");
    fs::write(&path, &text[..end]).expect("a recording");
    path
}

pub fn ingest(recording: &Path, data: &Path, extra: &[&str]) {
    let map = demo_files().1;
    run(companion()
        .arg("ingest")
        .arg(recording)
        .arg("--map")
        .arg(map)
        .args(["--vehicle", "heron", "--into"])
        .arg(data)
        .args(extra));
}

fn replay(recording: &Path, folder: &Path, pace: &str) -> PathBuf {
    replay_in(recording, folder, pace, None)
}

/// The same where the computer stands in a time zone.
fn replay_in(recording: &Path, folder: &Path, pace: &str, zone: Option<&str>) -> PathBuf {
    let (config, data) = (folder.join(format!("{pace}.toml")), folder.join(format!("daemon {pace}")));
    let text = format!(
        "vehicle = 'heron'\ndata = '{}'\nmap = '{}'\n[[source]]\nkind = 'replay'\nrecordings = ['{}']\npace = '{pace}'\n",
        data.display(),
        demo_files().1.display(),
        recording.display(),
    );
    fs::write(&config, text).expect("a configuration");
    let mut daemon = daemon();
    if let Some(zone) = zone {
        daemon.env("TZ", zone);
    }
    run(daemon.arg("--config").arg(&config));
    data
}

#[test]
fn how_many_threads_read_changes_nothing() {
    let folder = scratch();
    let plain = short_recording(folder.path(), 60_000);
    let packed = folder.path().join("short.log.zst");
    fs::write(&packed, zstd::encode_all(&fs::read(&plain).expect("a recording")[..], 1).expect("zstd"))
        .expect("written");
    let data = |name: &str, recording: &Path, threads: &str| {
        let data = folder.path().join(name);
        ingest(recording, &data, &["--threads", threads]);
        data
    };
    let alone = data("alone", &plain, "1");
    assert_same(&alone, &data("two", &plain, "2"));
    assert_same(&alone, &data("five", &plain, "5"));
    assert_same(&alone, &data("packed", &packed, "3"));
}

#[test]
fn batch_size_and_daemon_change_no_byte() {
    let folder = scratch();
    // Long enough to cross part boundaries.
    let recording = short_recording(folder.path(), 150_000);
    let whole = folder.path().join("whole");
    ingest(&recording, &whole, &[]);
    for frames in ["7", "777"] {
        let data = folder.path().join(frames);
        ingest(&recording, &data, &["--batch-frames", frames]);
        assert_same(&whole, &data);
    }
    assert_same(&whole, &replay(&recording, folder.path(), "fast"));
}

/// Zones on either side of the date line, by the rules of POSIX (IEEE 1003.1, section 8.3, TZ): none needs a time zone database.
#[test]
fn the_computers_time_zone_changes_no_byte_name_or_date() {
    let folder = scratch();
    let recording = short_recording(folder.path(), 20_000);
    let utc = replay_in(&recording, folder.path(), "fast", Some("UTC0"));
    let run = "vehicle=heron/run=20270314T061502Z";
    let told = |data: &Path| {
        let text = fs::read_to_string(data.join(run).join("run.json")).expect("run.json");
        let told: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        // The recording's first stamp, 1805004902.000229 s, as `date --utc` puts it.
        assert_eq!(told["start_utc"], "2027-03-14T06:15:02.000229Z");
        (told["anchors"].clone(), told["sums"].clone(), told["tables"].clone())
    };
    for zone in ["EAST-13", "WEST+11SUMMER,M3.2.0,M11.1.0"] {
        let place = scratch();
        let there = replay_in(&recording, place.path(), "fast", Some(zone));
        assert_same(&utc, &there);
        assert_eq!(told(&utc), told(&there), "{zone}");
    }
}

#[test]
fn replay_in_real_time_changes_no_byte() {
    let folder = scratch();
    let recording = short_recording(folder.path(), 1_500);
    let whole = folder.path().join("whole");
    ingest(&recording, &whole, &[]);
    assert_same(&whole, &replay(&recording, folder.path(), "real time"));
}

#[test]
fn the_data_sets_own_frames_are_a_recording_of_the_same_run() {
    let folder = scratch();
    let recording = short_recording(folder.path(), 60_000);
    let (first, again) = (folder.path().join("first"), folder.path().join("again"));
    ingest(&recording, &first, &[]);
    ingest(&first.join("vehicle=heron/run=20270314T061502Z"), &again, &[]);
    assert_same(&first, &again);
}
