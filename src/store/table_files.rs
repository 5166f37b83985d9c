//! A table's files as `run.json` lists them, with their rows, bytes and digests.
//!
//! Does not look into them further: `verify` does.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::run_file::FileDigest;
use super::{StoreError, digest, merge};
use crate::digest::Hasher;

/// A table's files after a run, as `run.json` lists them.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct TableFiles {
    /// The table's folder inside the run's.
    pub folder: String,
    /// Rows in all files.
    pub rows: u64,
    /// Bytes of all files.
    pub bytes: u64,
    /// The files inside the table's folder.
    pub files: Vec<FileDigest>,
}

impl TableFiles {
    /// Counts rows and bytes again, of the files that are listed.
    pub(super) fn count_again(&mut self, run_folder: &Path) -> Result<(), StoreError> {
        (self.rows, self.bytes) = (0, 0);
        for listed in &self.files {
            let one = describe(&self.folder, [&*run_folder.join(&self.folder).join(&listed.name)])?;
            self.rows += one.rows;
            self.bytes += one.bytes;
        }
        Ok(())
    }
}

/// A table's files with their rows, bytes and digests.
pub(super) fn describe<'a>(folder: &str, paths: impl IntoIterator<Item = &'a Path>) -> Result<TableFiles, StoreError> {
    let mut table = TableFiles { folder: folder.to_owned(), rows: 0, bytes: 0, files: Vec::new() };
    for path in paths {
        table.rows += merge::metadata(path)?.file_metadata().num_rows().max(0) as u64;
        let (bytes, digest) = digest(path, Hasher::of_much())?;
        table.bytes += bytes;
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        table.files.push(FileDigest { name, digest });
    }
    Ok(table)
}
