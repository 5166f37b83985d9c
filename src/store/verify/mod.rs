//! Whether a run is what was written: every file, page, row and figure of it, recomputed where it can be.
//!
//! Reads a row group at a time, so memory does not grow with the run. Changes nothing but in [`set_aside`].

mod again;
mod files;
mod ledger;
mod rows;
mod samples;
mod unfinished;

use std::path::{Path, PathBuf};

use super::data_set::RunFolder;
use super::run_file::{self, RunFile};
use super::{StoreError, check_file, journal, recover, start};
use crate::digest::Digest;
use crate::document::Fault;
use crate::map::{self, Map};

/// How a run stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// It has ended.
    Finished,
    /// It is being recorded, or was cut and is not yet put right.
    Unfinished,
    /// Its folder was made and nothing was recorded in it.
    Nothing,
}

/// What was found of a run.
#[derive(Clone, PartialEq, Debug)]
pub struct Report {
    /// How it stands.
    pub kind: Kind,
    /// What is wrong, each with file, place and remedy; empty for a sound run.
    pub faults: Vec<Fault>,
    /// What is worth knowing and not wrong.
    pub notes: Vec<String>,
    /// Files that are damaged, each with the reason: what [`set_aside`] puts aside.
    pub damaged: Vec<(PathBuf, String)>,
    /// From the first observation to the last, s; `None` where that cannot be read.
    pub duration_s: Option<f64>,
    /// Rows of all tables.
    pub rows: u64,
    /// Bytes of all tables.
    pub bytes: u64,
}

/// The remedy where a damaged file has no other source.
const COPY_AGAIN: &str = "copy it again from where it was recorded, or put it aside with `drawdown verify --set-aside`";

impl Report {
    fn new(kind: Kind) -> Self {
        let (faults, notes, damaged) = (Vec::new(), Vec::new(), Vec::new());
        Self { kind, faults, notes, damaged, duration_s: None, rows: 0, bytes: 0 }
    }

    /// Whether nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.faults.is_empty()
    }

    fn fault(&mut self, file: &Path, what: impl Into<String>, remedy: &str) {
        self.faults.push(Fault::whole(file.display().to_string(), what).remedy(remedy));
    }

    /// A file of the run that is damaged.
    fn damaged(&mut self, file: &Path, what: String, remedy: &str) {
        self.damaged.push((file.to_owned(), what.clone()));
        self.fault(file, what, remedy);
    }
}

/// What a store's error says beside the file's name.
fn reason(error: &StoreError) -> String {
    match error {
        StoreError::Io { operation, error, .. } => format!("cannot {operation}: {error}"),
        StoreError::Damaged { what, .. } | StoreError::Refused { what, .. } => what.clone(),
    }
}

/// Checks one run; `progress` is told how many bytes of the run's tables were gone through, about
/// [`expected_bytes`] in all.
///
/// # Errors
/// If the run's folder or `run.json` cannot be opened for another reason than damage: that is no verdict on it.
pub fn run(run: &RunFolder, progress: &mut dyn FnMut(u64)) -> Result<Report, StoreError> {
    let path = run.path.join(run_file::NAME);
    match run.read_run_file() {
        Ok(file) => finished(run, &file, progress),
        Err(error @ StoreError::Refused { .. }) => Err(error),
        Err(StoreError::Io { error, .. }) if error.kind() == std::io::ErrorKind::NotFound => {
            if recover::holds_nothing(&run.path)? {
                let mut report = Report::new(Kind::Nothing);
                report.notes.push("nothing was recorded in it; the daemon's next start removes it".into());
                return Ok(report);
            }
            unfinished::check(run)
        }
        Err(error @ StoreError::Io { .. }) => Err(error),
        Err(error) => {
            let unfinished = run.path.join(journal::FOLDER).exists();
            let mut report = if unfinished { unfinished::check(run)? } else { Report::new(Kind::Finished) };
            report.damaged(&path, reason(&error), COPY_AGAIN);
            Ok(report)
        }
    }
}

/// How many bytes [`run`] goes through, about.
pub fn expected_bytes(run: &RunFolder) -> u64 {
    let table = |file: &RunFile, folder: &str| {
        file.tables.iter().filter(|table| table.folder == folder).map(|table| table.bytes).sum::<u64>()
    };
    run.read_run_file().map_or(0, |file| {
        file.tables.iter().map(|table| table.bytes).sum::<u64>() + table(&file, "frames") + table(&file, "trace")
    })
}

fn finished(run: &RunFolder, file: &RunFile, progress: &mut dyn FnMut(u64)) -> Result<Report, StoreError> {
    let mut report = Report::new(Kind::Finished);
    report.duration_s = Some(file.duration_s);
    let map = own_map(run, file, &mut report);
    let sound = files::check(run, file, map.as_ref(), &mut report, progress)?;
    for aside in super::set_aside::list(&run.path)? {
        let what = format!("was put aside: {}", aside.why);
        let remedy = "what it held is missing unless that says otherwise; copy it again from where it was recorded";
        report.fault(&run.path.join(super::set_aside::FOLDER).join(&aside.file), what, remedy);
    }
    if let Some(bundled) = &file.bundled {
        report.notes.extend(bundled.done.iter().map(|done| format!("out of a bundle: {done}")));
    }
    let of_a_cut = |text: &str| text.starts_with("cut: ") || text.contains("journal");
    for trouble in file.troubles.iter().filter(|trouble| of_a_cut(&trouble.text)) {
        report.notes.push(trouble.text.clone());
    }
    let Some(map) = map else {
        report.notes.push("without its map, samples and sums were not computed again".into());
        return Ok(report);
    };
    let again = again::Again { run, file, map: &map, sound: &sound };
    for table in [run.path.join("frames"), run.path.join("trace")] {
        // Every page was read before, so nothing should fail now; a disk that fails meanwhile is told like damage.
        let checked = check_file::guarded(&table, || {
            if table.ends_with("frames") {
                samples::check(&again, &mut report, progress)
            } else {
                ledger::check(&again, &mut report, progress)
            }
        });
        if let Err(error) = checked {
            report.faults.push(error.into());
        }
    }
    Ok(report)
}

/// The run's own copy of its map, if it is the one that it was recorded with.
fn own_map(run: &RunFolder, file: &RunFile, report: &mut Report) -> Option<Map> {
    if file.map.name.is_empty() {
        return None;
    }
    let path = run.path.join(run_file::SOURCE_FILES).join(&file.map.name);
    let map = map::load_copy(&path).map;
    match map {
        Some(map) if file.map.digest == Digest::Sha256(map.digest.clone()) => Some(map),
        _ => {
            let what = "it and its DBC are not the map that the run was recorded with: their SHA-256 differs";
            report.fault(&path, what, "put copies of the map and DBC of that time in their place");
            None
        }
    }
}

/// Puts the damaged files of a finished run aside; what was done, or `None` where there was nothing to do.
///
/// A run that is not finished is left to the daemon's next start: it may be being recorded.
pub fn set_aside(run: &RunFolder, report: &Report) -> Result<Option<start::Done>, StoreError> {
    if report.kind != Kind::Finished || report.damaged.is_empty() {
        return Ok(None);
    }
    start::put_aside(run, report.damaged.clone())
}

#[cfg(test)]
mod tests;
