//! The daemon with live sources: the example configurations start as written, say how they fare, and stop in order.
//!
//! Needs no CAN interface; what an interface gives is shown on the bench (docs/bench.md).

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Child;
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::identity::short_recording;
use crate::support::{companion, daemon, root, scratch};

/// Every configuration that the documents and `systemd/` show, with where it stands.
fn examples() -> Vec<(String, String)> {
    let mut examples = Vec::new();
    for folder in ["docs", "systemd"] {
        let mut paths: Vec<PathBuf> =
            fs::read_dir(root().join(folder)).expect("a folder").map(|entry| entry.expect("an entry").path()).collect();
        paths.sort();
        for path in paths {
            let name = path.strip_prefix(root()).expect("inside").display().to_string();
            let text = fs::read_to_string(&path).unwrap_or_default();
            if name.ends_with(".toml") {
                examples.push((name, text));
            } else if name.ends_with(".md") {
                let blocks = text.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next());
                let configurations = blocks.filter(|block| block.contains("[[source]]") && block.contains("vehicle ="));
                examples.extend(configurations.map(|block| (name.clone(), block.to_owned())));
            }
        }
    }
    examples
}

/// The example in a folder of its own: only its data set, its map and its status socket lie elsewhere.
fn install(folder: &Path, text: &str) -> PathBuf {
    fs::copy(root().join("signal-maps/demo.toml"), folder.join("car.toml")).expect("a map");
    fs::copy(root().join("signal-maps/demo.dbc"), folder.join("demo.dbc")).expect("a DBC");
    fs::rename(short_recording(folder, 200), folder.join("drive.log")).expect("a recording");
    let lines = text.lines().filter(|line| !line.starts_with("data =") && !line.starts_with("status_socket ="));
    let text: Vec<&str> = ["data = 'DATA'", "status_socket = 'status'"].into_iter().chain(lines).collect();
    let config = folder.join("config.toml");
    fs::write(&config, text.join("\n").replace("drive.log.zst", "drive.log")).expect("a configuration");
    config
}

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // A test that failed must leave no daemon behind.
        let _ = self.0.kill();
    }
}

fn status(folder: &Path) -> Option<Value> {
    let output =
        companion().arg("status").arg("--json").arg("--socket").arg(folder.join("status")).output().expect("status");
    serde_json::from_slice(&output.stdout).ok()
}

fn wait_for<T>(what: &str, mut get: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(got) = get() {
            return got;
        }
        assert!(start.elapsed() < Duration::from_secs(20), "{what} did not happen");
        sleep(Duration::from_millis(50));
    }
}

#[test]
fn every_example_configuration_starts_as_written() {
    let examples = examples();
    let kinds = ["socketcan", "slcan", "at adapter", "nmea", "gpsd", "replay"];
    for kind in kinds {
        let written = format!("kind = \"{kind}\"");
        assert!(examples.iter().any(|(_, text)| text.contains(&written)), "no example of a source of kind {kind}");
    }
    for (place, text) in examples {
        let folder = scratch();
        let config = install(folder.path(), &text);
        let mut child = Running(daemon().arg("--config").arg(&config).spawn().expect("the daemon"));
        if text.contains("kind = \"replay\"") {
            assert!(child.0.wait().expect("ended").success(), "{place}:\n{text}");
            continue;
        }
        // Every source was tried, and what is not there was said with its reason.
        let status = wait_for("status", || {
            assert!(child.0.try_wait().expect("asked").is_none(), "{place}: the daemon ended:\n{text}");
            let status = status(folder.path())?;
            let sources = status["sources"].as_array()?;
            let tried = |source: &Value| source[1]["condition"].as_str().is_some_and(|said| said != "starting");
            (!sources.is_empty() && sources.iter().all(tried)).then_some(status)
        });
        assert_eq!(status["sources"].as_array().map(Vec::len), Some(text.matches("[[source]]").count()), "{place}");
        let pid = child.0.id().to_string();
        std::process::Command::new("kill").args(["-TERM", &pid]).status().expect("kill");
        let stopping = Instant::now();
        assert!(child.0.wait().expect("ended").success(), "{place}");
        assert!(stopping.elapsed() < Duration::from_secs(2), "{place}: a stop takes {:?}", stopping.elapsed());
        assert!(!folder.path().join("status").exists(), "{place}: the socket stayed");
    }
}
