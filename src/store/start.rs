//! What the next start does with every run of a data set: unfinished ones are put right, damage that shows at once is put
//! aside.
//!
//! Reads no finished file through (`verify` does that). Not to be used on a data set that another program records into.

use std::path::PathBuf;

use super::data_set::{DataSet, RunFolder};
use super::recorder::Recorder;
use super::run_file::{self, FileDigest, RunFile};
use super::set_aside::SetAside;
use super::{StoreError, disk, recover, remake, set_aside, state};

/// What was done with a run.
#[derive(Debug)]
pub enum Done {
    /// A cut run is a proper one now; its troubles say up to when it was recorded.
    Recovered(Box<RunFile>),
    /// A cut run in which nothing was recorded is gone.
    NothingRecorded,
    /// Damaged files of a finished run were put aside.
    SetAside(Vec<SetAside>),
}

/// A run and what was done with it, or why nothing could be.
pub type Outcome = (RunFolder, Result<Done, StoreError>);

/// Puts every run right; those that need nothing are not in the answer. A run that cannot be put right is an error beside
/// the others, stays as it is, and is tried again on the next start.
pub fn put_right(data_set: &DataSet) -> Result<Vec<Outcome>, StoreError> {
    let mut all = Vec::new();
    for run in data_set.runs()? {
        match one(&run) {
            Ok(None) => {}
            Ok(Some(done)) => all.push((run, Ok(done))),
            Err(error) => all.push((run, Err(error))),
        }
    }
    Ok(all)
}

/// Puts one run right, if it needs it.
pub fn one(run: &RunFolder) -> Result<Option<Done>, StoreError> {
    let folder = &run.path;
    let can_go_on = || Ok(state::latest(folder)?.is_some());
    let recovered = |file: RunFile| Some(Done::Recovered(Box::new(file)));
    match run.read_run_file() {
        Ok(_) if run.is_unfinished() => Recorder::recover(folder).map(recovered),
        Ok(file) => {
            recover::tidy(folder)?;
            match at_first_sight(run, &file)? {
                wrong if wrong.is_empty() => Ok(None),
                wrong => put_aside(run, wrong),
            }
        }
        Err(StoreError::Damaged { .. }) if can_go_on()? => Recorder::recover(folder).map(recovered),
        Err(StoreError::Damaged { what, .. }) => put_aside(run, vec![(folder.join(run_file::NAME), what)]),
        Err(StoreError::Io { error, .. }) if error.kind() == std::io::ErrorKind::NotFound => {
            if recover::holds_nothing(folder)? {
                disk::remove_folder(folder)?;
                Ok(Some(Done::NothingRecorded))
            } else if can_go_on()? {
                Recorder::recover(folder).map(recovered)
            } else {
                remake::from_files(folder, &run.vehicle).map(recovered)
            }
        }
        Err(error) => Err(error),
    }
}

/// Listed files of tables that are not as long as they were, each with the reason.
fn at_first_sight(run: &RunFolder, file: &RunFile) -> Result<Vec<(PathBuf, String)>, StoreError> {
    let mut wrong = Vec::new();
    for table in &file.tables {
        let path = |listed: &FileDigest| run.path.join(&table.folder).join(&listed.name);
        let found: u64 = table.files.iter().map(|listed| path(listed).metadata().map_or(0, |data| data.len())).sum();
        if found == table.bytes {
            continue;
        }
        let why = format!("table '{}' has {found} bytes, run.json says {}", table.folder, table.bytes);
        let differs = |listed: &&FileDigest| !listed.is_of(&path(listed)).unwrap_or(false);
        wrong.extend(table.files.iter().filter(differs).map(|listed| (path(listed), why.clone())));
    }
    Ok(wrong)
}

/// Puts files of a finished run aside and makes its `run.json` say so; a damaged `run.json` is made again from the rest.
pub fn put_aside(run: &RunFolder, wrong: Vec<(PathBuf, String)>) -> Result<Option<Done>, StoreError> {
    let folder = &run.path;
    for (path, why) in wrong.iter().filter(|(path, _)| path.exists()) {
        set_aside::put(folder, path, why)?;
    }
    match run.read_run_file() {
        Ok(mut file) => {
            file.set_aside = set_aside::list(folder)?;
            for table in &mut file.tables {
                let there: Vec<bool> =
                    table.files.iter().map(|listed| folder.join(&table.folder).join(&listed.name).exists()).collect();
                if there.contains(&false) {
                    let mut kept = there.iter();
                    table.files.retain(|_| kept.next().copied().unwrap_or(false));
                    table.count_again(folder)?;
                }
            }
            file.tables.retain(|table| !table.files.is_empty());
            file.source_files.retain(|listed| folder.join(run_file::SOURCE_FILES).join(&listed.name).exists());
            file.save(folder)?;
            Ok(Some(Done::SetAside(file.set_aside)))
        }
        Err(StoreError::Io { error, .. }) if error.kind() == std::io::ErrorKind::NotFound => {
            let file = remake::from_files(folder, &run.vehicle)?;
            Ok(Some(Done::SetAside(file.set_aside)))
        }
        Err(error) => Err(error),
    }
}
