//! What every command has in common: help with examples and exit statuses, manual pages, completions, JSON, no colour in a pipe,
//! and nothing half-written on Ctrl-C.
//!
//! Completions are held against the shell itself (`bash -n`), manual pages against man(7), which asks for `.TH` first.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::support::{companion, daemon, root, run, scratch, stdout};

/// The names of all commands, and of those below them, as the manual has them.
fn pages(folder: &Path) -> Vec<String> {
    run(companion().args(["man", "--into"]).arg(folder));
    let names = std::fs::read_dir(folder).expect("pages").map(|entry| entry.expect("a page").file_name());
    let mut names: Vec<String> = names.map(|name| name.into_string().expect("UTF-8")).collect();
    names.sort();
    names
}

#[test]
fn every_command_teaches_by_examples_and_says_its_exit_statuses() {
    let folder = scratch();
    let pages = pages(folder.path());
    assert!(pages.len() > 25, "{pages:?}");
    for page in pages.iter().filter(|page| page.starts_with("drawdown-")) {
        let command = page.trim_start_matches("drawdown-").trim_end_matches(".1");
        // `course-from-gpx` is `course from-gpx`; `adapter-search` is one word.
        let words = match command.split_once('-') {
            Some((first @ ("course" | "card"), second)) => vec![first, second],
            _ => vec![command],
        };
        let help = stdout(companion().args(&words).arg("--help"));
        assert!(help.contains("Usage: drawdown"), "{command}: {help}");
        if words.len() == 1 {
            assert!(help.contains("Example"), "{command} --help has no example");
            assert!(help.contains("Exit status: 0"), "{command} --help does not say its exit statuses");
        }
        // The usage is one line however long it is: a reader copies it.
        let mut lines = help.lines().filter(|line| !line.starts_with("Usage:"));
        assert!(lines.all(|line| line.chars().count() <= 100), "{command} --help is too wide");
        assert!(!help.contains('\u{1b}'), "{command} --help has colours in a pipe");
        let text = std::fs::read_to_string(folder.path().join(page)).expect("a page");
        let begin =
            text.lines().find(|line| line.starts_with('.') && !line.starts_with(".ie") && !line.starts_with(".el"));
        assert!(begin.is_some_and(|line| line.starts_with(".TH")), "{page}: {begin:?}");
    }
    assert!(pages.contains(&"drawdown.1".into()) && pages.contains(&"drawdownd.1".into()));
    assert!(stdout(daemon().arg("--help")).contains("Exit status: 0"));
}

#[test]
fn completions_are_a_script_that_the_shell_reads() {
    let folder = scratch();
    let script = folder.path().join("drawdown.bash");
    std::fs::write(&script, stdout(companion().args(["completions", "bash"]))).expect("a script");
    run(Command::new("bash").arg("-n").arg(&script));
    // The shell itself completes `drawdown redu`.
    let ask = format!(
        "source {}; COMP_WORDS=(drawdown redu); COMP_CWORD=1; _drawdown drawdown redu drawdown; echo \"${{COMPREPLY[@]}}\"",
        script.display()
    );
    assert_eq!(stdout(Command::new("bash").args(["-c", &ask])).trim(), "reduce");
}

#[test]
fn what_reports_gives_json() {
    let map = root().join("signal-maps/demo.toml");
    let json = |command: &mut Command| -> Value { serde_json::from_str(&stdout(command)).expect("JSON") };
    let checked = json(companion().arg("check").arg(&map).arg("--json"));
    assert!(checked["roles"].as_array().is_some_and(|roles| roles.contains(&"pack_current".into())), "{checked}");
    assert_eq!(checked["against"], Value::Null);
    let course =
        json(companion().args(["course", "check"]).arg(root().join("recordings/demo-course.toml")).arg("--json"));
    assert_eq!(course["places"][0]["name"], "Quaymoor");
    assert_eq!(course["faults"], serde_json::json!([]));

    let folder = scratch();
    let log = folder.path().join("one.log");
    std::fs::write(&log, "(1805091302.000000) can0 155#000102\n(1805091303.000000) can0 155#zz\n").expect("a log");
    let against = companion().arg("check").arg(&map).arg("--against").arg(&log).arg("--json").output().expect("runs");
    assert_eq!(against.status.code(), Some(1), "a damaged line is told");
    let against: Value = serde_json::from_slice(&against.stdout).expect("JSON");
    assert_eq!(against["against"]["unknown"][0]["id"], "155");
    assert_eq!(against["against"]["damage"][0]["count"], 1);
    let into = folder.path().join("DATA");
    let mut ingest = companion();
    ingest.arg("ingest").arg(&log).arg("--map").arg(&map).args(["--vehicle", "heron", "--json", "--into"]).arg(&into);
    let done: Value = serde_json::from_slice(&ingest.output().expect("runs").stdout).expect("JSON");
    assert!(done["runs"][0]["path"].as_str().is_some_and(|path| Path::new(path).join("run.json").exists()), "{done}");
}

/// Starts a command, waits until something of it is there, sends SIGINT, and gives its exit status.
fn interrupted(command: &mut Command, has_begun: impl Fn() -> bool) -> Option<i32> {
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
    let start = Instant::now();
    while !has_begun() && start.elapsed() < Duration::from_secs(20) {
        assert!(child.try_wait().expect("a child").is_none(), "it ended before it could be interrupted");
        std::thread::sleep(Duration::from_millis(10));
    }
    assert!(has_begun(), "it never began");
    run(Command::new("kill").args(["-INT", &child.id().to_string()]));
    child.wait().expect("a child").code()
}

#[test]
fn ctrl_c_leaves_nothing_half_written() {
    let folder = scratch();
    let is_empty = |folder: &Path| std::fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_none());
    let own = folder.path();
    let mut rehearse = companion();
    rehearse.arg("rehearse").arg(root().join("recordings/demo-scenario.toml")).arg("-o").arg(own.join("drive.log.zst"));
    rehearse.arg("--map").arg(root().join("signal-maps/demo.toml"));
    // Shells say 128 and the signal's number.
    assert_eq!(interrupted(&mut rehearse, || !is_empty(own)), Some(130));
    assert!(is_empty(own), "{:?}", std::fs::read_dir(own).map(|entries| entries.count()));

    let into = own.join("DATA");
    let mut ingest = companion();
    ingest
        .arg("ingest")
        .arg(root().join("recordings/demo.log.zst"))
        .arg("--map")
        .arg(root().join("signal-maps/demo.toml"));
    ingest.args(["--vehicle", "heron", "--into"]).arg(&into);
    let staged = || into.join(".unfinished").exists();
    assert_eq!(interrupted(&mut ingest, staged), Some(2));
    assert!(is_empty(&into), "{:?}", std::fs::read_dir(&into).map(|entries| entries.count()));
}
