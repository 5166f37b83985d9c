//! What every command says and writes alike: faults and damage on standard error, a new file that replaces none.
//!
//! Does not decide what faults mean for the exit status.

use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::Path;

use serde::Serialize;

use super::Outcome;
use crate::document::{Fault, Place};
use crate::store::run_file::Damage;

/// Prints faults, one a line; returns whether any of them is an error.
pub fn faults(faults: &[Fault]) -> bool {
    for fault in faults {
        eprintln!("{fault}");
    }
    faults.iter().any(Fault::is_error)
}

/// A fault as every `--json` writes it.
#[derive(Serialize)]
pub struct FaultJson<'a> {
    file: &'a str,
    line: Option<u64>,
    severity: &'static str,
    what: &'a str,
    remedy: Option<&'a str>,
}

impl<'a> From<&'a Fault> for FaultJson<'a> {
    fn from(fault: &'a Fault) -> Self {
        let line = if let Place::Line(line) = fault.place { Some(line) } else { None };
        let severity = if fault.is_error() { "error" } else { "warning" };
        Self { file: &fault.file, line, severity, what: &fault.what, remedy: fault.remedy.as_deref() }
    }
}

/// Prints a report as pretty JSON with a line end.
pub fn json(report: &impl Serialize) {
    // Plain values: there is nothing in them that could fail to be written.
    println!("{}", serde_json::to_string_pretty(report).unwrap_or_default());
}

/// Prints why a command was not done.
pub fn not_done(fault: &Fault) -> Outcome {
    eprintln!("{fault}");
    Outcome::NotDone
}

/// Prints what could not be read of recordings: the first few places, then how many more; returns whether there was any.
pub fn damage(damage: &[Damage]) -> bool {
    for damage in damage {
        damage.first.iter().for_each(|text| eprintln!("{text}"));
        let more = damage.count.saturating_sub(damage.first.len() as u64);
        if more > 0 {
            eprintln!("{}: and {more} more places that could not be read; the rest was read", damage.source);
        }
    }
    !damage.is_empty()
}

/// Writes a file that must not be there yet, since what is there is someone's work, and says its name.
pub fn new_file(path: &Path, text: &str) -> Outcome {
    let file = File::options().write(true).create_new(true).open(path);
    match file.and_then(|mut file| file.write_all(text.as_bytes())) {
        Ok(()) => {
            println!("{}", path.display());
            Outcome::Done
        }
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            not_done(&Fault::whole(path.display().to_string(), "is there already").remedy("name another file"))
        }
        Err(error) => not_done(&Fault::io(path, "write", &error)),
    }
}
