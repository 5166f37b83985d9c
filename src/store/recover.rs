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

fn remove_temporary(folder: &Path) -> Result<(), StoreError> {
    for path in parts::entries(folder)? {
        if path.extension().is_some_and(|extension| extension == "tmp") && path.is_file() {
            disk::remove(&path)?;
        }
    }
    Ok(())
}
