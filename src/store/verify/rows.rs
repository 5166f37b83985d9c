//! A table's rows one after another, a row group in memory at a time.
//!
//! Compares nothing.

use std::path::{Path, PathBuf};

use crate::store::reader::{Chunk, Scan, scan};
use crate::store::{StoreError, merge, parts};

/// Rows of a table, some columns of it.
pub(super) struct Rows<'c> {
    /// Files with how many row groups each has.
    files: Vec<(PathBuf, usize)>,
    file: usize,
    group: usize,
    state: Scan<'c>,
    /// The next row of the group in memory.
    row: usize,
}

impl<'c> Rows<'c> {
    /// A table by its folder's path; one that is not there has no rows.
    pub fn open(table: &Path, columns: &'c [&'c str]) -> Result<Self, StoreError> {
        let files = parts::list(table)?.0.into_iter().map(|part| {
            let groups = merge::metadata(&part.path)?.num_row_groups();
            Ok((part.path, groups))
        });
        let files = files.collect::<Result<Vec<_>, StoreError>>()?;
        Ok(Self { files, file: 0, group: 0, state: Scan::new(columns), row: 0 })
    }

    /// The run time of the next row, us; `None` after the last.
    pub fn at(&mut self) -> Result<Option<i64>, StoreError> {
        loop {
            if let Some(at) = self.state.chunk().t_us.get(self.row) {
                return Ok(Some(*at));
            }
            let Some((path, groups)) = self.files.get(self.file) else { return Ok(None) };
            if self.group >= *groups {
                (self.file, self.group) = (self.file + 1, 0);
                continue;
            }
            scan(path, Some(self.group..self.group + 1), &mut self.state, |_| ())?;
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
