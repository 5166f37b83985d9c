//! A table's rows one after another, a row group in memory at a time.
//!
//! Compares nothing.

use std::path::{Path, PathBuf};

use crate::store::reader::{Chunk, OpenFile, Scan};
use crate::store::{StoreError, merge, parts};

/// Rows of a table, some columns of it.
pub(super) struct Rows<'c> {
    /// The files that are not yet open, the last first.
    files: Vec<PathBuf>,
    file: Option<OpenFile>,
    group: usize,
    state: Scan<'c>,
    /// The next row of the group in memory.
    row: usize,
}

impl<'c> Rows<'c> {
    /// A table by its folder's path; one that is not there has no rows.
    pub fn open(table: &Path, columns: &'c [&'c str]) -> Result<Self, StoreError> {
        let files = parts::list(table)?.0.into_iter().map(|part| part.path).rev().collect();
        Ok(Self { files, file: None, group: 0, state: Scan::new(columns), row: 0 })
    }

    /// The run time of the next row, us; `None` after the last.
    pub fn at(&mut self) -> Result<Option<i64>, StoreError> {
        loop {
            if let Some(at) = self.state.chunk().t_us.get(self.row) {
                return Ok(Some(*at));
            }
            match &self.file {
                Some(file) if self.group < file.groups() => {
                    file.scan(self.group..self.group + 1, &mut self.state, |_| ())?;
                }
                _ => {
                    let Some(path) = self.files.pop() else { return Ok(None) };
                    (self.file, self.group) = (Some(OpenFile::open(&path)?), 0);
                    continue;
                }
            }
            self.group += 1;
            self.row = 0;
        }
    }

    /// The next row: the group in memory and the row's place in it. Only after [`Self::at`] said that there is one.
    pub fn here(&self) -> (Chunk<'_>, usize) {
        (self.state.chunk(), self.row)
    }

    /// Goes on by a row.
    pub fn pass(&mut self) {
        self.row += 1;
    }
}

/// The most rows of a row group of a table.
pub(super) fn longest_group(table: &Path) -> Result<usize, StoreError> {
    let mut most = 0;
    for part in parts::list(table)?.0 {
        let footer = merge::metadata(&part.path)?;
        most = footer.row_groups().iter().map(|group| group.num_rows().max(0) as usize).max().unwrap_or(0).max(most);
    }
    Ok(most)
}
