//! A replay that is watched: by the companion, by the page, by what people note. What is recorded beside the marks is, byte for byte,
//! what `ingest` makes of the same frames.
//!
//! Does not judge what is advised; the plan's own tests and the trial `turning` do.

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Output};
use std::thread::sleep;
use std::time::{Duration, Instant};

use drawdown::observation::MarkKind;
use drawdown::store::reader::read_marks;
use serde_json::Value;

use crate::identity::{ingest, parquet_files, short_recording};
use crate::support::{companion, daemon, root, scratch};

const RUN: &str = "vehicle=heron/run=20270314T061502Z";

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // A test that failed must leave no daemon behind.
        let _ = self.0.kill();
    }
}

/// A daemon that replays the demo's first seconds as they were, with course, card, page and socket.
fn start(folder: &Path) -> Running {
    let recording = short_recording(folder, 1_500);
    fs::write(folder.join("test.toml"), "claimed_usable_kwh = 48\n[driving]\ntarget_kmh = 110\ntolerance_kmh = 3\n")
        .expect("a card");
    let text = format!(
        "vehicle = 'heron'\ndata = 'DATA'\nmap = '{}'\nstatus_socket = 'status'\ncourse = '{}'\ncard = 'test.toml'\n\
         free_space_floor_mb = 0\n[car]\nwh_per_km = 170\n[page]\nlisten = '127.0.0.1:0'\n\
         [speech]\ncommand = ['tee', '-a', '{}']\n[[source]]\nkind = 'replay'\nrecordings = ['{}']\npace = 'real time'\n",
        root().join("signal-maps/demo.toml").display(),
        root().join("recordings/demo-course.toml").display(),
        folder.join("said").display(),
        recording.display(),
    );
    fs::write(folder.join("car.toml"), text).expect("a configuration");
    let log = fs::File::create(folder.join("log")).expect("a log");
    let mut command = daemon();
    command.arg("--config").arg(folder.join("car.toml")).stderr(log);
    Running(command.spawn().expect("the daemon"))
}

/// The companion on the daemon's socket.
fn ask(folder: &Path, arguments: &[&str]) -> Output {
    companion().args(arguments).arg("--socket").arg(folder.join("status")).output().expect("the companion")
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
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

/// Where the page is, as the log says it.
fn page(folder: &Path) -> String {
    wait_for("the page", || {
        let log = fs::read_to_string(folder.join("log")).ok()?;
        let rest = log.split("the page: http://").nth(1)?;
        Some(rest.split('/').next()?.to_owned())
    })
}

/// What the page answers; `None` once the daemon has ended.
fn get(address: &str, path: &str) -> Option<String> {
    let mut stream = TcpStream::connect(address).ok()?;
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    Some(answer)
}

/// Everything but what people noted, with its bytes.
fn without_marks(run: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    parquet_files(run).into_iter().filter(|(path, _)| !path.starts_with("marks")).collect()
}

#[test]
fn watching_changes_nothing_and_what_is_noted_is_in_the_run() {
    let place = scratch();
    let folder = place.path();
    let mut child = start(folder);
    let address = page(folder);
    wait_for("a run", || ask(folder, &["ready"]).stdout.starts_with(b"heron: no-go").then_some(()));

    let noted = ask(folder, &["mark", "soc", "99.5"]);
    assert!(noted.status.success() && said(&noted).contains("in run 20270314T061502Z: soc 99.5 %"), "{}", said(&noted));
    assert!(ask(folder, &["mark", "displayed_rest", "100 mi", "--text", "dash"]).status.success());
    let refused = ask(folder, &["mark", "soc", "101"]);
    assert_eq!(
        (refused.status.code(), &*said(&refused)),
        (Some(1), "not noted: a state of charge of 101 % can't be; give what is displayed, 0 to 100 %\n")
    );
    assert!(said(&ask(folder, &["mark", "turnd"])).contains("did you mean 'turned'?"));

    // Those who watch, until the recording is at its end.
    let mut looks = 0;
    while child.0.try_wait().expect("asked").is_none() {
        let watched = ask(folder, &["watch", "--times", "1"]);
        let state = get(&address, "/api/v1/state").is_some_and(|answer| answer.starts_with("HTTP/1.1 200"));
        looks += usize::from(said(&watched).contains("State of charge") && state);
    }
    assert!(looks >= 5, "{looks}");
    assert!(child.0.wait().expect("ended").success());

    // What was noted was said aloud.
    let spoken = fs::read_to_string(folder.join("said")).unwrap_or_default();
    assert!(spoken.contains("99.5"), "{spoken}");

    let run = folder.join("DATA").join(RUN);
    let marks: Vec<_> = read_marks(&run).expect("marks").into_iter().map(|(_, mark)| mark).collect();
    let told: Vec<_> = marks.iter().map(|mark| (mark.kind, mark.value, &*mark.text)).collect();
    // The international mile: 1609.344 m.
    assert_eq!(told, [(MarkKind::Soc, Some(99.5), ""), (MarkKind::DisplayedRest, Some(160_934.4), "dash")]);

    let whole = folder.join("whole");
    ingest(&folder.join("short.log"), &whole, &[]);
    let (watched, alone) = (without_marks(&run), without_marks(&whole.join(RUN)));
    let names = |files: &[(PathBuf, Vec<u8>)]| files.iter().map(|(path, _)| path.clone()).collect::<Vec<_>>();
    assert_eq!(names(&watched), names(&alone));
    for ((path, ours), (_, theirs)) in watched.iter().zip(&alone) {
        assert!(ours == theirs, "{} differs", path.display());
    }
}

#[test]
fn what_people_read_and_who_may_read_it() {
    let place = scratch();
    let folder = place.path();
    let child = start(folder);
    let address = page(folder);
    let known = |ready: &String| ["100 %", "the car is on it"].iter().all(|what| ready.contains(what));
    let ready = wait_for("a picture", || Some(said(&ask(folder, &["ready"]))).filter(known));
    // Free space and the computer's clock are what they are.
    let varies = |line: &&str| !line.contains(" disk ") && !line.contains(" clock ");
    let lines: Vec<&str> = ready.lines().filter(varies).collect();
    insta::assert_snapshot!(lines.join("\n"));
    assert!(ready.lines().all(|line| line.chars().count() <= 80), "{ready}");
    let json = ask(folder, &["ready", "--json"]);
    let json: Value = serde_json::from_slice(&json.stdout).expect("JSON");
    assert_eq!((&json["go"], json["checks"][0]["name"].as_str()), (&Value::Bool(false), Some("recording")));

    let watched = said(&ask(folder, &["watch", "--times", "2"]));
    assert_eq!(watched.lines().count(), 2, "{watched}");
    assert!(watched.lines().all(|line| line.contains("Z | ")), "{watched}");

    // The token is its owner's alone, and a log that anybody may read does not tell it.
    let token = folder.join("page-token");
    assert_eq!(fs::metadata(&token).expect("a token").permissions().mode() & 0o777, 0o600);
    let token = fs::read_to_string(&token).expect("a token");
    assert!(!fs::read_to_string(folder.join("log")).expect("a log").contains(token.trim()));
    assert!(get(&address, "/api/v1/state").is_some_and(|answer| answer.starts_with("HTTP/1.1 200")));
    assert_eq!(fs::metadata(folder.join("status")).expect("a socket").permissions().mode() & 0o777, 0o660);
    drop(child);

    let none = companion().args(["watch", "--socket", "/nowhere/status"]).output().expect("the companion");
    assert_eq!(none.status.code(), Some(2));
    assert!(said(&none).contains("no daemon answers"), "{}", said(&none));
    let none = companion().args(["ready", "--socket", "/nowhere/status"]).output().expect("the companion");
    assert_eq!(none.status.code(), Some(2));
}
