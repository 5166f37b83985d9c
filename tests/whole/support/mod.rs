//! What whole-program tests share: the binaries, the Python of the reference libraries, scratch folders.

#![allow(dead_code)]

pub mod adapter;
pub mod cable;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The project's root.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The companion, ready for arguments.
pub fn companion() -> Command {
    Command::new(env!("CARGO_BIN_EXE_drawdown"))
}

/// The daemon, ready for arguments.
pub fn daemon() -> Command {
    Command::new(env!("CARGO_BIN_EXE_drawdownd"))
}

/// A script of `tests/oracles`, run by the Python that holds the reference libraries; fails with the remedy if there is none.
pub fn oracle(script: &str) -> Command {
    let python = root().join(".venv/bin/python");
    assert!(
        python.exists(),
        "{} is missing: run `bash tests/run` once, it installs the reference libraries",
        python.display()
    );
    let mut command = Command::new(python);
    command.arg(root().join("tests/oracles").join(script));
    command
}

/// Runs a command that must succeed; a failure shows the command and all it printed.
pub fn run(command: &mut Command) -> Output {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?} did not start: {error}"));
    assert!(
        output.status.success(),
        "{command:?} ended with {}\n--- stdout\n{}\n--- stderr\n{}",
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    output
}

/// What a command that must succeed printed.
pub fn stdout(command: &mut Command) -> String {
    String::from_utf8(run(command).stdout).expect("output is UTF-8")
}

/// A scratch folder that goes away with the value.
pub fn scratch() -> tempfile::TempDir {
    tempfile::tempdir().expect("a scratch folder")
}

/// The recordings with real physics beside the checkout, if they are there.
pub fn real_drives() -> Option<PathBuf> {
    let folder = root().join("../shared/real-drives");
    folder.join("reference.jsonl").exists().then_some(folder)
}

/// The value of a figure of `drawdown reduce --json`; every measured figure has an interval.
pub fn figure(figure: &serde_json::Value) -> f64 {
    assert!(figure["u95"].as_f64().is_some_and(|interval| interval >= 0.0), "no interval: {figure}");
    figure["value"].as_f64().unwrap_or_else(|| panic!("not measured: {figure}"))
}
