//! What can be held by code about the code: headers, the order of the rooms, sizes, leftovers, the top level.
//!
//! Does not judge style; rustfmt and clippy do.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::root;

/// Every Rust file below a folder, sorted.
fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap_or_else(|error| panic!("{}: {error}", next.display())) {
            let path = entry.expect("a folder entry").path();
            if path.is_dir() {
                if path.file_name().is_none_or(|name| name != "target" && name != "corpus") {
                    folders.push(path);
                }
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                files.push(path);
            }
        }
    }
    files.sort();
    assert!(!files.is_empty(), "no Rust file below {}", folder.display());
    files
}

fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A file's opening `//!` lines.
fn header(text: &str) -> String {
    text.lines().take_while(|line| line.starts_with("//!")).collect::<Vec<_>>().join("\n")
}

#[test]
fn every_file_opens_with_what_it_does() {
    for folder in ["src", "tests"] {
        for path in rust_files(&root().join(folder)) {
            assert!(
                !header(&read(&path)).is_empty(),
                "{}: open it with `//!`: what it does and does not",
                path.display()
            );
        }
    }
}

/// Whether a file holds tests, or what only they need.
fn is_for_tests(path: &Path) -> bool {
    let names = ["tests", "tests.rs", "test_support.rs"];
    path.strip_prefix(root()).is_ok_and(|inside| inside.iter().any(|part| names.iter().any(|name| part == *name)))
}

#[test]
fn every_room_says_what_it_does_not_do() {
    let negations = ["not ", "n't ", "no ", "nothing", "never", "none", "only "];
    for path in rust_files(&root().join("src")) {
        if is_for_tests(&path) {
            continue;
        }
        let header = header(&read(&path)).to_lowercase();
        assert!(
            negations.iter().any(|word| header.contains(word)),
            "{}: its header says what it does, but not what it does not do",
            path.display()
        );
    }
}

/// The rooms in the order in which `src/lib.rs` declares them, which is the order of the flow.
fn rooms() -> Vec<String> {
    read(&root().join("src/lib.rs"))
        .lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';').map(str::to_owned))
        .collect()
}

/// The room that a source file belongs to; `None` for the crate root and the binaries.
fn room_of(path: &Path) -> Option<String> {
    let inside = path.strip_prefix(root().join("src")).ok()?;
    let first = inside.iter().next()?.to_str()?;
    let name = first.strip_suffix(".rs").unwrap_or(first);
    (name != "lib" && name != "bin").then(|| name.to_owned())
}

#[test]
fn rooms_know_only_those_before_them_in_the_flow() {
    let rooms = rooms();
    for path in rust_files(&root().join("src")) {
        let Some(room) = room_of(&path) else { continue };
        let own =
            rooms.iter().position(|known| *known == room).unwrap_or_else(|| panic!("{room} is not in src/lib.rs"));
        for (number, line) in read(&path).lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            for used in code.split("crate::").skip(1) {
                let name: String = used.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect();
                if let Some(other) = rooms.iter().position(|known| *known == name) {
                    assert!(
                        other <= own,
                        "{}:{}: {room} imports {name}, which comes after it in the flow",
                        path.display(),
                        number + 1
                    );
                }
            }
        }
    }
}

#[test]
fn files_are_about_one_thing() {
    const LINES_MAX: usize = 580;
    for folder in ["src", "tests"] {
        for path in rust_files(&root().join(folder)) {
            let lines = read(&path).lines().count();
            assert!(lines <= LINES_MAX, "{}: {lines} lines; split it (at most {LINES_MAX})", path.display());
        }
    }
}

#[test]
fn nothing_is_left_over() {
    let marks = [
        concat!("TO", "DO"),
        concat!("FIX", "ME"),
        concat!("todo", "!("),
        concat!("unimplemented", "!("),
        concat!("dbg", "!("),
    ];
    for folder in ["src", "tests"] {
        for path in rust_files(&root().join(folder)) {
            for (number, line) in read(&path).lines().enumerate() {
                for mark in marks {
                    assert!(!line.contains(mark), "{}:{}: {mark}", path.display(), number + 1);
                }
            }
        }
    }
}

/// Rooms that may print, exit or read the environment; all others take values and return values.
const AT_THE_EDGE: [&str; 2] = ["cli", "daemon"];
/// The one file besides them that reads the clock: it stamps what is read live.
const CLOCK: &str = "source/clock.rs";

#[test]
fn only_the_edge_prints_exits_or_reads_the_environment() {
    for path in rust_files(&root().join("src")) {
        let Some(room) = room_of(&path) else { continue };
        if AT_THE_EDGE.contains(&&*room) || is_for_tests(&path) {
            continue;
        }
        let text = read(&path);
        let program = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
        for (number, line) in program.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            let calls = ["println!(", "print!(", "process::exit", "env::var", "env::args"];
            let clocks = ["SystemTime::now", "Instant::now"];
            let clocks = if path.ends_with(CLOCK) { &[][..] } else { &clocks[..] };
            for call in calls.iter().chain(clocks) {
                assert!(!code.contains(call), "{}:{}: {call} outside cli and daemon", path.display(), number + 1);
            }
        }
    }
}

#[test]
fn the_top_level_holds_what_it_should() {
    let wanted = [
        "Cargo.toml",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "src",
        "tests",
        "signal-maps",
        "recordings",
        "systemd",
        "docs",
    ];
    let tools = ["Cargo.lock", "rustfmt.toml", "target"];
    for name in wanted {
        assert!(root().join(name).exists(), "{name} is missing at the top level");
    }
    for entry in fs::read_dir(root()).expect("the project's root") {
        let name = entry.expect("a folder entry").file_name().into_string().expect("a UTF-8 name");
        assert!(
            name.starts_with('.') || wanted.contains(&&*name) || tools.contains(&&*name),
            "{name} does not belong at the top level"
        );
    }
}
