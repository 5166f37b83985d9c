//! A daemon that is killed: the next start makes a proper run of what was recorded, and nothing of it is wrong.
//!
//! Kills the process, so what the kernel holds survives; cutting the power is a trial of its own.

use std::fs;
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::identity::{assert_same, ingest, short_recording};
use crate::support::{daemon, root, scratch};

fn run_json(run: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(run.join("run.json")).expect("run.json")).expect("JSON")
}

/// Waits until a condition holds, for at most 20 s.
fn wait_for(what: &str, mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < Duration::from_secs(20), "{what} did not happen");
        sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_killed_daemon_loses_the_last_second_at_most() {
    let folder = scratch();
    let (config, data) = (folder.path().join("car.toml"), folder.path().join("DATA"));
    let text = format!(
        "vehicle = 'heron'\ndata = 'DATA'\nmap = '{}'\nsync_every_s = 0.2\n[[source]]\nkind = 'replay'\nrecordings = ['{}']\npace = 'real time'\n",
        root().join("signal-maps/demo.toml").display(),
        root().join("recordings/demo.log.zst").display(),
    );
    fs::write(&config, text).expect("a configuration");
    let mut child = daemon().arg("--config").arg(&config).spawn().expect("the daemon");
    let run = data.join("vehicle=heron/run=20270314T061502Z");
    wait_for("the journal", || run.join("journal/part-00000.zst").exists());
    let began = Instant::now();
    sleep(Duration::from_millis(2_500));
    child.kill().expect("killed");
    child.wait().expect("ended");
    let recorded_s = began.elapsed().as_secs_f64();
    assert!(!run.join("run.json").exists(), "the run was still going on");

    let mut child = daemon().arg("--config").arg(&config).spawn().expect("the daemon");
    wait_for("the recovery", || run.join("run.json").exists() && !run.join("journal").exists());
    // The second drive has a name of its own, and an orderly stop makes it whole.
    let second = data.join("vehicle=heron/run=20270314T061502Z-2");
    wait_for("the next run", || second.join("journal").exists());
    let pid = child.id().to_string();
    std::process::Command::new("kill").args(["-TERM", &pid]).status().expect("kill");
    let stopping = Instant::now();
    assert!(child.wait().expect("ended").success());
    assert!(stopping.elapsed() < Duration::from_secs(2), "a stop takes {:?}", stopping.elapsed());
    assert_eq!(run_json(&second)["ended"], "stopped");

    let recovered = run_json(&run);
    assert_eq!(recovered["ended"], "recovered");
    let duration = recovered["duration_s"].as_f64().expect("a duration");
    assert!(duration > recorded_s - 1.2, "{duration} s of {recorded_s} s were kept");
    // What was kept is what ingest makes of the same frames, byte for byte.
    let frames = recovered["counts"]["frames"].as_u64().expect("frames") as usize;
    let whole = folder.path().join("whole");
    ingest(&short_recording(folder.path(), frames), &whole, &[]);
    assert_same(&whole.join("vehicle=heron/run=20270314T061502Z"), &run);
}
