//! Damaged files of a run: put aside inside the run's folder with the reason beside them, never deleted.
//!
//! `set-aside/` repeats the run's own folders: `trace/part-00003.parquet` becomes `set-aside/trace/part-00003.parquet`,
//! and `part-00003.parquet.why.txt` beside it says why. The folder is the whole truth; `run.json` only repeats it. Does not
//! judge what is damaged.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::parts::entries;
use super::{StoreError, disk};

/// The folder inside the run's.
pub const FOLDER: &str = "set-aside";
/// What a reason's name ends in.
const WHY: &str = ".why.txt";

/// A file that was put aside.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct SetAside {
    /// Where it was inside the run's folder, such as `trace/part-00003.parquet`.
    pub file: String,
    /// What was found wrong with it.
    pub why: String,
}

/// Moves a file of a run aside; durable when this returns. A cut leaves it where it was or aside, never neither.
pub fn put(run_folder: &Path, path: &Path, why: &str) -> Result<(), StoreError> {
    let target = prepare(run_folder, path, why, true)?;
    disk::rename(path, &target)?;
    sync(run_folder, path)?;
    sync(run_folder, &target)
}

/// Keeps a copy of a file that is still needed where it is; done again, the copy is made anew.
pub fn copy(run_folder: &Path, path: &Path, why: &str) -> Result<(), StoreError> {
    let target = prepare(run_folder, path, why, false)?;
    disk::copy(path, &target)?;
    sync(run_folder, &target)
}

/// What lies aside in a run's folder, sorted; none where there is no such folder.
pub fn list(run_folder: &Path) -> Result<Vec<SetAside>, StoreError> {
    let root = run_folder.join(FOLDER);
    let mut found = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        for path in entries(&folder)? {
            if path.is_dir() {
                folders.push(path);
            } else if !disk::is_temporary(&path) && !path.to_string_lossy().ends_with(WHY) {
                let note = std::fs::read_to_string(note_of(&path)).unwrap_or_default();
                let why = note.lines().next().unwrap_or("no note beside it says why").to_owned();
                let file = path.strip_prefix(&root).unwrap_or(&path).to_string_lossy().into_owned();
                found.push(SetAside { file, why });
            }
        }
    }
    found.sort_by(|one, other| one.file.cmp(&other.file));
    Ok(found)
}

fn note_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(WHY);
    name.into()
}

/// Where a file goes, its note already there: a note without its file counts for nothing.
fn prepare(run_folder: &Path, path: &Path, why: &str, fresh: bool) -> Result<PathBuf, StoreError> {
    let inside = path
        .strip_prefix(run_folder)
        .map_err(|_| StoreError::refused(path, format!("does not lie in {}", run_folder.display())))?;
    let whole = run_folder.join(FOLDER).join(inside);
    let name = whole.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let mut target = whole.clone();
    let mut count = 1;
    while fresh && target.exists() {
        count += 1;
        target = whole.with_file_name(format!("{count}-{name}"));
    }
    let note = format!(
        "{}\n\n{} was put aside because of that. Nothing else of the run was changed, and this file neither.\n",
        why.replace('\n', " "),
        inside.display()
    );
    disk::replace(&note_of(&target), note.as_bytes())?;
    Ok(target)
}

/// Makes the entries of every folder between a run's and a file durable.
fn sync(run_folder: &Path, path: &Path) -> Result<(), StoreError> {
    let inside = |folder: &&Path| folder.starts_with(run_folder);
    path.ancestors().skip(1).take_while(inside).filter(|folder| folder.exists()).try_for_each(disk::sync_folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_put_aside_is_kept_with_its_reason() {
        let folder = tempfile::tempdir().unwrap();
        let run = folder.path();
        let path = run.join("samples/message=M/part-00003.parquet");
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        assert_eq!(list(run).unwrap(), []);
        for (bytes, why) in [("one", "its footer\nis torn"), ("two", "no")] {
            std::fs::write(&path, bytes).unwrap();
            put(run, &path, why).unwrap();
            assert!(!path.exists());
        }
        std::fs::write(&path, "three").unwrap();
        copy(run, &path, "half of it").unwrap();
        assert!(path.exists(), "a copy leaves the file");
        let found = list(run).unwrap();
        let found: Vec<(&str, &str)> = found.iter().map(|aside| (&*aside.file, &*aside.why)).collect();
        assert_eq!(
            found,
            [("samples/message=M/2-part-00003.parquet", "no"), ("samples/message=M/part-00003.parquet", "half of it")]
        );
        assert!(put(run, Path::new("/elsewhere"), "").is_err());
        std::fs::remove_file(run.join(FOLDER).join("samples/message=M/part-00003.parquet")).unwrap();
        assert_eq!(list(run).unwrap().len(), 1, "a note alone is nothing");
    }
}
