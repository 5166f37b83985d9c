//! Puts a run's folder right after a cut: left-overs of work that was not finished go, nothing else changes.
//!
//! Replays no journal (the recorder does).

use std::path::Path;

use super::{StoreError, disk, journal, parts};

/// Removes unfinished files and parts that a merged file covers. Safe at any time on a run that nobody is writing.
pub fn tidy(run_folder: &Path) -> Result<(), StoreError> {
    disk::remove_folder(&run_folder.join(DROPPED))?;
    remove_temporary(run_folder)?;
    remove_temporary(&run_folder.join(journal::FOLDER))?;
    for table in parts::table_folders(run_folder)? {
        remove_temporary(&table)?;
        for part in parts::list(&table)?.1 {
            disk::remove(&part.path)?;
        }
    }
    Ok(())
}

/// The journal while it is being removed.
const DROPPED: &str = ".journal-dropped";

/// Removes a finished run's journal and states: in one step, so that a cut leaves all of them or none that counts.
pub fn drop_journal(run_folder: &Path) -> Result<(), StoreError> {
    let (journal, dropped) = (run_folder.join(journal::FOLDER), run_folder.join(DROPPED));
    if journal.exists() {
        disk::remove_folder(&dropped)?;
        disk::rename(&journal, &dropped)?;
        disk::sync_folder(run_folder)?;
        disk::remove_folder(&dropped)?;
    }
    Ok(())
}

/// Removes the folder of a run that was cut before its first observation could be kept: it holds no row and no byte of a
/// journal. Whether it was one.
pub fn remove_if_empty(run_folder: &Path) -> Result<bool, StoreError> {
    if run_folder.join(super::run_file::NAME).exists() {
        return Ok(false);
    }
    let mut holds = false;
    for table in parts::table_folders(run_folder)? {
        let (counting, covered) = parts::list(&table)?;
        holds |= !counting.is_empty() || !covered.is_empty();
    }
    for file in parts::entries(&run_folder.join(journal::FOLDER))? {
        let is_journal = file.extension().is_some_and(|extension| extension == "zst");
        holds |= is_journal && std::fs::metadata(&file).is_ok_and(|found| found.len() > 0);
    }
    if !holds {
        disk::remove_folder(run_folder)?;
    }
    Ok(!holds)
}

fn remove_temporary(folder: &Path) -> Result<(), StoreError> {
    for path in parts::entries(folder)? {
        if path.extension().is_some_and(|extension| extension == "tmp") && path.is_file() {
            disk::remove(&path)?;
        }
    }
    Ok(())
}
