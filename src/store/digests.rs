//! Digests of a run's finished parts while it is recorded, so that a part damaged before the run's end is not merged
//! into a file that then looks sound.
//!
//! `journal/digests-00003.bin` lists the files of part 3, written when they are; `run.json` takes over at the run's end.
//! Does not put anything aside itself.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::{StoreError, check_file, digest, journal, parts, state};
use crate::digest::Hasher;

fn path(run_folder: &Path, part: u32) -> PathBuf {
    run_folder.join(journal::FOLDER).join(format!("digests-{part:05}.bin"))
}

fn sha256(file: &Path) -> Result<String, StoreError> {
    digest(file, Hasher::sha256()).map(|(_, digest)| digest.hex().to_owned())
}

/// A file's path inside the run's folder.
fn inside(run_folder: &Path, file: &Path) -> String {
    file.strip_prefix(run_folder).unwrap_or(file).to_string_lossy().into_owned()
}

/// Notes the files of a part that was just finished; durable when this returns.
pub fn save(run_folder: &Path, part: u32, files: &[PathBuf]) -> Result<(), StoreError> {
    let digest = |file: &PathBuf| Ok((inside(run_folder, file), sha256(file)?));
    let listed = files.iter().map(digest).collect::<Result<Vec<(String, String)>, StoreError>>()?;
    let path = path(run_folder, part);
    let bytes = postcard::to_stdvec(&listed).map_err(|error| StoreError::damaged(&path, error))?;
    state::save_packed(&path, &bytes)
}

/// A part's digests.
fn load(path: &Path) -> Result<BTreeMap<String, String>, StoreError> {
    let listed = postcard::from_bytes::<Vec<(String, String)>>(&state::load_packed(path)?);
    listed.map(|listed| listed.into_iter().collect()).map_err(|error| StoreError::damaged(path, error))
}

/// What is wrong with the parts before `next_part`.
#[derive(Default, Debug)]
pub struct Found {
    /// Damaged files, each with the reason.
    pub damaged: Vec<(PathBuf, String)>,
    /// Files that were finished and are no longer there, by their path inside the run's folder.
    pub missing: Vec<String>,
}

/// Holds every finished part against its digest; where that is not known, reads all its pages.
pub fn check(run_folder: &Path, next_part: u32) -> Result<Found, StoreError> {
    let mut found = Found::default();
    let mut known: BTreeMap<u32, Option<BTreeMap<String, String>>> = BTreeMap::new();
    for part in 0..next_part {
        let path = path(run_folder, part);
        let digests = load(&path);
        if let Err(error) = &digests
            && path.exists()
        {
            found.damaged.push((path, error.to_string()));
        }
        known.insert(part, digests.ok());
    }
    for table in parts::table_folders(run_folder)? {
        let files = parts::list(&table)?.0;
        for file in files.iter().filter(|file| file.from < next_part) {
            let name = inside(run_folder, &file.path);
            let digests = known.get(&file.from).and_then(Option::as_ref).filter(|_| file.from == file.to);
            let wrong = match digests.and_then(|digests| digests.get(&name)) {
                Some(expected) => match sha256(&file.path) {
                    Ok(found) if found == *expected => None,
                    Ok(_) => Some("it is no longer the file that was written: its digest differs".to_owned()),
                    Err(error) => Some(error.to_string()),
                },
                None => check_file::pages(&file.path, None, |_| ()).err().map(|error| error.to_string()),
            };
            found.damaged.extend(wrong.map(|why| (file.path.clone(), why)));
        }
        let there = |part: u32| files.iter().any(|file| (file.from..=file.to).contains(&part));
        let folder = inside(run_folder, &table);
        for (part, digests) in &known {
            let name = format!("{folder}/{}", parts::file_name(*part, *part));
            if digests.as_ref().is_some_and(|digests| digests.contains_key(&name)) && !there(*part) {
                found.missing.push(name);
            }
        }
    }
    Ok(found)
}
