//! Makes a `run.json` for a run that has none that can be read and no state to go on from: from the files that are there.
//!
//! Only what the files themselves say: no counts, no gaps, no clock. Says so in the run's troubles. Recomputes no sum (the
//! trace's last row holds them).

use std::path::Path;
use std::sync::Arc;

use serde_json::{Map as Json, Value, json};

use super::recorder::Plan;
use super::run_file::{self, Ended, MadeBy, RunFile, Trouble};
use super::table_files::{TableFiles, describe};
use super::{StoreError, check_file, disk, journal, parts, reader, recover, set_aside};
use crate::map::{self, Map};
use crate::schema::tables::TRACE_SUMS;

/// Puts what is left of the journal aside, and every file that cannot be read; then lists the rest in a new `run.json`.
///
/// For a folder without a readable `run.json`; that the caller has put aside.
pub fn from_files(run_folder: &Path, vehicle: &str) -> Result<RunFile, StoreError> {
    recover::tidy(run_folder)?;
    let had_one = set_aside::list(run_folder)?.iter().any(|aside| aside.file.ends_with(run_file::NAME));
    let why = if had_one { "run.json was damaged and put aside" } else { "cut, with no sound state to go on from" };
    let was_recording = run_folder.join(journal::FOLDER).exists();
    for path in parts::entries(&run_folder.join(journal::FOLDER))? {
        set_aside::put(run_folder, &path, "the run could not be gone on with from it")?;
    }
    let mut tables = Vec::new();
    let mut last = 0;
    for table in parts::table_folders(run_folder)? {
        tables.extend(table_of_files(run_folder, &table, &mut last)?);
    }
    let made_by = if was_recording { MadeBy::Daemon } else { MadeBy::Ingest };
    let mut file = plan(run_folder, vehicle, made_by)?.run_file;
    file.run = super::recorder::run_name(run_folder);
    file.ended = Ended::Recovered;
    file.duration_s = last as f64 / 1e6;
    file.source_files = run_file::source_digests(run_folder)?;
    let text = format!("{why}; this was made again from the files, without counts, gaps, clock and sources");
    file.troubles.push(Trouble { t_us: last, text });
    file.set_aside = set_aside::list(run_folder)?;
    file.tables = tables;
    file.sums = sums(run_folder).unwrap_or(Value::Null);
    file.save(run_folder)?;
    disk::remove_folder(&run_folder.join(journal::FOLDER))?;
    Ok(file)
}

/// A table's readable files as `run.json` lists them; `last` becomes the latest run time seen, us.
fn table_of_files(run_folder: &Path, table: &Path, last: &mut i64) -> Result<Option<TableFiles>, StoreError> {
    let folder = table.strip_prefix(run_folder).unwrap_or(table).to_string_lossy().into_owned();
    let mut whole: Option<TableFiles> = None;
    for part in parts::list(table)?.0 {
        let mut latest = *last;
        let read = check_file::pages(&part.path, None, |times| {
            latest = times.iter().copied().max().unwrap_or(0).max(latest);
        });
        if let Err(error) = read {
            set_aside::put(run_folder, &part.path, &error.to_string())?;
            continue;
        }
        *last = latest;
        let one = describe(&folder, [&*part.path])?;
        match &mut whole {
            None => whole = Some(one),
            Some(whole) => {
                whole.rows += one.rows;
                whole.bytes += one.bytes;
                whole.files.extend(one.files);
            }
        }
    }
    Ok(whole)
}

/// What the run's own copy of its map tells; without one, roles and their tolerances are not known.
fn plan(run_folder: &Path, vehicle: &str, made_by: MadeBy) -> Result<Plan, StoreError> {
    let map = find_map(run_folder)?.unwrap_or_else(|| Map {
        name: String::new(),
        digest: String::new(),
        messages: Vec::new(),
        roles: Vec::new(),
        soc_counts: crate::schema::Role::Soc,
        files: Vec::new(),
    });
    Ok(Plan::new(Arc::new(map), vehicle, made_by, Vec::new()))
}

/// The one map among the run's source files.
fn find_map(run_folder: &Path) -> Result<Option<Map>, StoreError> {
    let toml = |path: &std::path::PathBuf| path.extension().is_some_and(|extension| extension == "toml");
    let files = parts::entries(&run_folder.join(run_file::SOURCE_FILES))?;
    let maps = files.iter().filter(|path| toml(path)).filter_map(|path| map::load_copy(path).map);
    Ok(maps.max_by_key(|map| map.messages.len()))
}

/// The sums in the trace's last row.
fn sums(run_folder: &Path) -> Option<Value> {
    let names: Vec<&str> = TRACE_SUMS.iter().map(|(name, ..)| *name).collect();
    let mut last: Option<Vec<f64>> = None;
    let read = reader::read_floats(run_folder, "trace", &names, |chunk| {
        last = chunk.columns.iter().map(|column| column.last().copied()).collect::<Option<_>>().or(last.take());
    });
    read.ok()?;
    let pairs = names.iter().zip(last?).map(|(name, value)| ((*name).to_owned(), json!(value)));
    Some(Value::Object(pairs.collect::<Json<_, _>>()))
}
