//! Where the seal of a card lies, and what its runs say of it: the card's folder and the runs' folders.
//!
//! No command of its own; what a seal holds and when it counts is the card room's.

use std::path::{Path, PathBuf};

use super::output::folder_of;
use crate::card::{Bound, Card, RunSpan, Seal, Verdict, code, judge};
use crate::digest::Digest;
use crate::document::{Document, Fault};
use crate::store::run_file::{self, RunFile};
use crate::time::{Span, WallClock};

/// The name of a seal's copy among a run's source files.
const IN_RUN: &str = "seal.toml";

/// A seal that was found, and the digest's begin that is its code.
pub struct Found {
    pub seal: Seal,
    pub code: String,
}

/// Where a card's seal lies: `test.seal.toml` beside `test.toml`.
pub fn path_of(card: &Path) -> PathBuf {
    let stem = card.file_stem().unwrap_or(card.as_os_str()).to_string_lossy();
    folder_of(card).join(format!("{stem}.seal.toml"))
}

/// Where a run keeps a copy.
pub fn path_in(run: &Path) -> PathBuf {
    run.join(run_file::SOURCE_FILES).join(IN_RUN)
}

/// Reads a seal; `None` where there is no such file.
pub fn read(path: &Path) -> Result<Option<Found>, Fault> {
    if !path.exists() {
        return Ok(None);
    }
    let document = Document::read(path)?;
    let seal = Seal::parse(&document)?;
    Ok(Some(Found { seal, code: code(document.text.as_bytes()) }))
}

/// A run as its `run.json` tells of it, and where it lies.
pub struct Finished {
    pub folder: PathBuf,
    pub file: RunFile,
    pub span: Option<RunSpan>,
}

impl Finished {
    /// Of a run's folder.
    pub fn load(folder: &Path) -> Result<Self, Fault> {
        let file = RunFile::load(folder)?;
        let start = file.start_utc.as_deref().and_then(WallClock::parse_iso);
        let span = start.map(|start| RunSpan { start, end: start + Span::from_seconds(file.duration_s) });
        Ok(Self { folder: folder.to_owned(), file, span })
    }
}

/// When counting started as far as card and finished runs say.
pub fn counted_start(card: &Card, runs: &[Finished]) -> Option<WallClock> {
    let starts = |run: &&Finished| match card.counting.start {
        // A run in which the car never moved is no start.
        Bound::Movement => {
            run.file.sums.get("distance").and_then(serde_json::Value::as_f64).is_some_and(|way| way > 0.0)
        }
        _ => true,
    };
    match card.counting.start {
        Bound::At(at) => Some(at),
        _ => runs.iter().filter(starts).filter_map(|run| Some(run.span.as_ref()?.start)).min(),
    }
}

/// Whether a card is sealed, and what contradicts its seal, in plain words.
pub fn judged(path: &Path, runs: &[Finished], counted_start: Option<WallClock>) -> (Verdict, Vec<String>) {
    let mut said = Vec::new();
    let mut of = |path: &Path| match read(path) {
        Ok(found) => found,
        Err(fault) => {
            said.push(fault.to_string());
            None
        }
    };
    let beside = of(&path_of(path));
    let copies: Vec<(String, Found)> =
        runs.iter().filter_map(|run| Some((run.file.run.clone(), of(&path_in(&run.folder))?))).collect();
    let found = beside.as_ref().or(copies.first().map(|(_, found)| found));
    let now = found.and_then(|found| match Seal::gather(path, found.seal.at, None) {
        Ok(now) => Some(now),
        Err(fault) => {
            said.push(format!("what changed since the card was sealed is not known: {fault}"));
            None
        }
    });
    for (run, copy) in &copies {
        if let Some(other) = found.filter(|found| found.code != copy.code) {
            said.push(format!("{run} holds the seal {}, not {}", copy.code, other.code));
        }
    }
    if let Some(sealed) = found.and_then(|found| found.seal.map_and_dbc.as_ref()) {
        for run in runs.iter().filter(|run| run.file.map.digest != Digest::Sha256(sealed.clone())) {
            said.push(format!("{} was recorded with another map than the sealed one", run.file.run));
        }
    }
    (judge(found.map(|found| (&found.seal, found.code.clone())), now.as_ref(), counted_start), said)
}
