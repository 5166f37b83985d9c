//! Puts a run's folder right after a cut: left-overs of work that was not finished go, damaged files are put aside.
//!
//! Replays no journal (the recorder does). Every step can be cut and done again.

use std::path::{Path, PathBuf};

use super::{StoreError, digests, disk, journal, parts, run_file, set_aside, state};

/// Removes unfinished files and parts that a merged file covers. Safe at any time on a run that nobody is writing.
pub fn tidy(run_folder: &Path) -> Result<(), StoreError> {
    disk::remove_folder(&run_folder.join(DROPPED))?;
    remove_temporary(run_folder)?;
    remove_temporary(&run_folder.join(journal::FOLDER))?;
    remove_temporary(&run_folder.join(run_file::SOURCE_FILES))?;
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

/// Whether a run's folder holds no observation: it was cut between being made and the first sync.
pub fn holds_nothing(run_folder: &Path) -> Result<bool, StoreError> {
    if run_folder.join(run_file::NAME).exists() || run_folder.join(set_aside::FOLDER).exists() {
        return Ok(false);
    }
    for table in parts::table_folders(run_folder)? {
        // Even a part that is not whole says that there was something.
        if !parts::entries(&table)?.is_empty() {
            return Ok(false);
        }
    }
    let blocks = |path: &PathBuf| {
        let bytes = path.metadata().map_or(0, |file| file.len());
        path.extension().is_some_and(|extension| extension == "zst") && bytes > 0
    };
    Ok(!parts::entries(&run_folder.join(journal::FOLDER))?.iter().any(blocks))
}

/// A second copy of the run's source files, while it is recorded: without its map a run can't be recovered.
fn sources_again(run_folder: &Path) -> PathBuf {
    run_folder.join(journal::FOLDER).join("source-files.bin")
}

/// Keeps source files, given by their names in their folder, a second time.
pub fn keep_sources_again(run_folder: &Path, files: &[(String, Vec<u8>)]) -> Result<(), StoreError> {
    let path = sources_again(run_folder);
    let bytes = postcard::to_stdvec(files).map_err(|error| StoreError::damaged(&path, error))?;
    state::save_packed(&path, &bytes)
}

/// The second copies; `None` where none were kept.
fn load_sources_again(run_folder: &Path) -> Result<Option<Vec<(String, Vec<u8>)>>, StoreError> {
    let path = sources_again(run_folder);
    if !path.exists() {
        return Ok(None);
    }
    let files = postcard::from_bytes(&state::load_packed(&path)?);
    files.map(Some).map_err(|error| StoreError::damaged(&path, error))
}

/// Source files of an unfinished run that are not what they were, each with the reason; or the second copies that tell.
pub fn damaged_sources(run_folder: &Path) -> Result<Vec<(PathBuf, String)>, StoreError> {
    let files = match load_sources_again(run_folder) {
        Ok(files) => files.unwrap_or_default(),
        Err(error) => return Ok(vec![(sources_again(run_folder), error.to_string())]),
    };
    let differs = |(name, bytes): (String, Vec<u8>)| {
        let path = run_folder.join(run_file::SOURCE_FILES).join(name);
        let same = std::fs::read(&path).is_ok_and(|found| found == bytes);
        (!same).then(|| (path, "it is no longer what was copied".to_owned()))
    };
    Ok(files.into_iter().filter_map(differs).collect())
}

/// Puts source files that are no longer what they were aside, and their second copies in their place.
pub fn restore_sources(run_folder: &Path) -> Result<(), StoreError> {
    let files = match load_sources_again(run_folder) {
        Ok(files) => files.unwrap_or_default(),
        // Not needed if the files themselves are sound; the map's digest tells.
        Err(error) => return set_aside::put(run_folder, &sources_again(run_folder), &error.to_string()),
    };
    for (name, bytes) in files {
        let path = run_folder.join(run_file::SOURCE_FILES).join(name);
        if std::fs::read(&path).is_ok_and(|found| found == bytes) {
            continue;
        }
        if path.exists() {
            set_aside::put(run_folder, &path, "it was no longer what was copied; a second copy took its place")?;
        }
        disk::replace(&path, &bytes)?;
    }
    Ok(())
}

/// Puts finished parts, states and digests that are damaged aside; what is to go on from is part `next_part`.
///
/// Returns finished parts that are no longer there.
pub fn put_damaged_aside(run_folder: &Path, next_part: u32) -> Result<Vec<String>, StoreError> {
    let found = digests::check(run_folder, next_part)?;
    let states = state::damaged(run_folder)?;
    found.damaged.iter().chain(&states).try_for_each(|(path, why)| set_aside::put(run_folder, path, why))?;
    Ok(found.missing)
}

fn remove_temporary(folder: &Path) -> Result<(), StoreError> {
    for path in parts::entries(folder)? {
        if disk::is_temporary(&path) && path.is_file() {
            disk::remove(&path)?;
        }
    }
    Ok(())
}
