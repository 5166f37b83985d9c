//! One table's files: row groups into the open part, parts that end, and at the end one file for the table.
//!
//! Does not decide when a row group is full or a part ends.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use parquet::errors::Result as ParquetResult;

use super::encode::{Encoder, Packed};
use super::merge::TableFile;
use super::schema_of::FileSchema;
use super::table_files::{TableFiles, describe};
use super::{StoreError, merge, parts, space};
use crate::schema::Table;

/// A table and its open file, which is made when its first row group is full.
pub(super) struct PartWriter {
    pub schema: Arc<FileSchema>,
    folder: PathBuf,
    open: Option<OpenPart>,
}

/// A part being written, or several as one file.
struct OpenPart {
    file: TableFile,
    /// The part it begins with, and the last that it has a row group of.
    first: u32,
    last: u32,
}

impl PartWriter {
    pub fn new(run_folder: &Path, table: Table) -> Result<Self, StoreError> {
        let folder = run_folder.join(&table.folder);
        Ok(Self { schema: Arc::new(FileSchema::new(table, run_folder)?), folder, open: None })
    }

    fn path(&self, part: u32) -> PathBuf {
        self.folder.join(parts::file_name(part, part))
    }

    /// Appends a row group of this part.
    pub fn append(&mut self, part: u32, packed: ParquetResult<Packed>) -> Result<(), StoreError> {
        let path = self.path(self.open.as_ref().map_or(part, |open| open.first));
        let open = match &mut self.open {
            Some(open) => open,
            none => none.insert(OpenPart { file: merge::create(&path, &self.schema)?, first: part, last: part }),
        };
        open.last = part;
        packed.and_then(|packed| packed.append(&mut open.file)).map_err(|error| StoreError::writing(&path, error))
    }

    /// Whether it has a row group of this part that is not yet in a finished file.
    pub fn has_some_of(&self, part: u32) -> bool {
        self.open.as_ref().is_some_and(|open| open.last == part)
    }

    /// A part ends. Where parts need not be durable, a table whose row groups are never joined goes on in one file: merging would only copy
    /// it. The others end theirs all the same, since an open file holds in memory what it will say of its row groups.
    pub fn end_part(&mut self, sync: bool) -> Result<Option<PathBuf>, StoreError> {
        if !sync && !merge::may_join(&self.schema) { Ok(None) } else { self.close(sync) }
    }

    /// Finishes the open file under its own name; where it is, if there was one.
    fn close(&mut self, sync: bool) -> Result<Option<PathBuf>, StoreError> {
        let Some(OpenPart { file, first, last }) = self.open.take() else { return Ok(None) };
        let path = self.folder.join(parts::file_name(first, last));
        merge::finish(file, &path, sync)?;
        Ok(Some(path))
    }

    /// Merges the parts, the last of which is `last`, into one durable file; durable parts may stay if the disk has no room for that.
    pub fn finish(
        mut self,
        last: u32,
        may_stay_parts: bool,
        encoder: &mut Encoder,
    ) -> Result<Option<TableFiles>, StoreError> {
        self.close(false)?;
        let folder = &self.schema.table.folder;
        if may_stay_parts && !has_room(&self.folder)? {
            let parts = parts::list(&self.folder)?.0;
            return describe(folder, parts.iter().map(|part| &*part.path)).map(Some);
        }
        let merged = merge::merge(&self.folder, &self.schema, last, encoder)?;
        merged.map(|path| describe(folder, [&*path])).transpose()
    }
}

/// Room that merging leaves for those who record meanwhile, bytes.
const MERGE_LEAVES: u64 = 32 << 20;

/// Whether the disk has room for a table's parts a second time. Durable parts are as good as a merged file where it has not.
fn has_room(folder: &Path) -> Result<bool, StoreError> {
    let parts = parts::list(folder)?.0;
    if parts.len() < 2 {
        return Ok(true);
    }
    let length = |part: &parts::Part| std::fs::metadata(&part.path).map_or(0, |found| found.len());
    let bytes: u64 = parts.iter().map(length).sum();
    Ok(space::free_bytes(folder)? >= bytes + MERGE_LEAVES)
}
