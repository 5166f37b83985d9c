//! The Parquet parts of one table, a row group after the other; what cannot be read is damage and passed over.
//!
//! Does not know any table's columns.

use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use parquet::errors::{ParquetError, Result};
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};

use crate::document::Fault;
use crate::source::{Damage, Progress};

/// A table's parts being read.
pub struct Parts {
    /// The paths with their sizes, in order.
    files: Vec<(PathBuf, u64)>,
    /// Files finished; the one at this index is open or next.
    finished: usize,
    open: Option<SerializedFileReader<File>>,
    /// The next row group of the open file.
    group: usize,
    /// Bytes of the open file's row groups that were read.
    in_file: u64,
}

/// `part-00003.parquet` holds part 3, `part-00000-00011.parquet` parts 0 to 11.
fn range(path: &Path) -> Option<(u32, u32)> {
    let text = path.file_name()?.to_str()?.strip_prefix("part-")?.strip_suffix(".parquet")?;
    let (from, to) = text.split_once('-').unwrap_or((text, text));
    Some((from.parse().ok()?, to.parse().ok()?))
}

impl Parts {
    /// The parts in a table's folder; none if it is not there.
    ///
    /// # Errors
    /// If the folder is there and cannot be listed.
    pub fn list(folder: &Path) -> std::result::Result<Self, Fault> {
        let failed = |error: &std::io::Error| Fault::io(folder, "list", error);
        let mut found = Vec::new();
        if folder.is_dir() {
            for entry in std::fs::read_dir(folder).map_err(|error| failed(&error))? {
                let path = entry.map_err(|error| failed(&error))?.path();
                if let Some((from, to)) = range(&path) {
                    let size = path.metadata().map_or(0, |data| data.len());
                    found.push((from, std::cmp::Reverse(to), path, size));
                }
            }
        }
        found.sort();
        // A part that a merged one before it covers was left over by a merge that was cut short.
        let mut covered = None;
        found.retain(|(from, to, ..)| {
            let counts = covered.is_none_or(|covered| *from > covered);
            covered = covered.max(Some(to.0));
            counts
        });
        let files = found.into_iter().map(|(_, _, path, size)| (path, size)).collect();
        Ok(Self { files, finished: 0, open: None, group: 0, in_file: 0 })
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.files.is_empty()
    }

    /// Reads the next row group that can be read; `None` at the end.
    pub fn next_group<T>(
        &mut self,
        damage: &mut Damage,
        mut read: impl FnMut(&dyn RowGroupReader) -> Result<T>,
    ) -> Option<T> {
        loop {
            let (path, _) = self.files.get(self.finished)?;
            let name = path.display().to_string();
            let reader = match &self.open {
                Some(reader) => reader,
                None => match guarded(|| SerializedFileReader::new(File::open(path)?)) {
                    Ok(reader) => self.open.insert(reader),
                    Err(error) => {
                        damage.add(|| Fault::whole(name, format!("cannot be read: {error}")));
                        self.finish_file();
                        continue;
                    }
                },
            };
            if self.group >= reader.num_row_groups() {
                self.finish_file();
                continue;
            }
            let number = self.group;
            self.group += 1;
            let size = reader.metadata().row_group(number).compressed_size();
            self.in_file = self.in_file.saturating_add(u64::try_from(size).unwrap_or(0));
            match guarded(|| read(&*reader.get_row_group(number)?)) {
                Ok(rows) => return Some(rows),
                Err(error) => damage.add(|| Fault::whole(name, format!("row group {number} cannot be read: {error}"))),
            }
        }
    }

    fn finish_file(&mut self) {
        (self.open, self.group, self.in_file) = (None, 0, 0);
        self.finished += 1;
    }

    /// How far they have been read.
    pub fn progress(&self) -> Progress {
        let total = self.files.iter().map(|(_, size)| size).sum();
        let before: u64 = self.files.iter().take(self.finished).map(|(_, size)| size).sum();
        Progress { done: before.saturating_add(self.in_file).min(total), total: Some(total) }
    }
}

/// The crate `parquet` answers some damaged files with a panic; here that is one more damaged file.
fn guarded<T>(work: impl FnOnce() -> Result<T>) -> Result<T> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| Err(ParquetError::General("damaged".into())))
}
