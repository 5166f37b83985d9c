//! Reads every page of a Parquet file that this program wrote, and says where it is damaged.
//!
//! Keeps one page at a time. Compares with no other file and gives out nothing but run times.

use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use parquet::basic::{Encoding, Type};
use parquet::column::page::Page;
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::metadata::FileMetaData;
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};

use super::schema_of::FileSchema;
use super::{StoreError, decode_page, reader};
use crate::schema::{SCHEMA_OLDEST, SCHEMA_VERSION};

/// Reads all pages and hands each row group's run times to `times`; returns the rows.
///
/// With a schema, columns and schema version must be its own. An error names the row group and column.
pub(super) fn pages(
    path: &Path,
    schema: Option<&FileSchema>,
    mut times: impl FnMut(&[i64]),
) -> Result<u64, StoreError> {
    guarded(path, || {
        let damaged = |error: ParquetError| StoreError::damaged(path, error);
        let file = File::open(path).map_err(|error| StoreError::io(path, "open", error))?;
        let length = file.metadata().map_err(|error| StoreError::io(path, "open", error))?.len();
        let reader = SerializedFileReader::new(file).map_err(damaged)?;
        if !reader::is_sound(reader.metadata(), length) {
            return Err(StoreError::damaged(path, "its footer speaks of bytes that are not there"));
        }
        let footer = reader.metadata().file_metadata();
        if let Some(what) = schema.and_then(|schema| differs(footer, schema)) {
            return Err(StoreError::damaged(path, what));
        }
        let mut rows = 0;
        for index in 0..reader.num_row_groups() {
            let group = reader.get_row_group(index).map_err(damaged)?;
            rows += group_pages(&*group, &mut times)
                .map_err(|(column, error)| place(path, index, footer.schema_descr().column(column).name(), &error))?;
        }
        match u64::try_from(footer.num_rows()) {
            Ok(said) if said == rows => Ok(rows),
            _ => Err(StoreError::damaged(path, format!("its footer says {} rows, it has {rows}", footer.num_rows()))),
        }
    })
}

/// The crate `parquet` answers some damaged files with a panic; here that is one more damaged file.
pub(super) fn guarded<T>(path: &Path, work: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| Err(StoreError::damaged(path, "it cannot be read")))
}

fn place(path: &Path, group: usize, column: &str, error: &ParquetError) -> StoreError {
    StoreError::damaged(path, format!("row group {group}, column '{column}': {error}"))
}

/// How a file's columns differ from the one definition of them.
fn differs(footer: &FileMetaData, schema: &FileSchema) -> Option<String> {
    let version = footer.key_value_metadata().into_iter().flatten().find(|pair| pair.key == "schema_version");
    let version = version.and_then(|pair| pair.value.as_deref()).unwrap_or("none");
    if !(SCHEMA_OLDEST..=SCHEMA_VERSION).any(|known| known.to_string() == version) {
        return Some(format!("its schema has version {version}, this program checks up to {SCHEMA_VERSION}"));
    }
    let (found, wanted) = (footer.schema_descr().columns(), schema.columns.columns());
    for (found, wanted) in found.iter().zip(wanted) {
        if found.self_type() != wanted.self_type() {
            let text = format!("column '{}' is not as table '{}' has it", found.name(), schema.table.folder);
            return Some(format!("{text}: '{}' stands there", wanted.name()));
        }
    }
    let (found, wanted) = (found.len(), wanted.len());
    (found != wanted).then(|| format!("it has {found} columns, table '{}' has {wanted}", schema.table.folder))
}

/// Reads a row group; an error comes with the column's number.
fn group_pages(group: &dyn RowGroupReader, times: &mut impl FnMut(&[i64])) -> Result<u64, (usize, ParquetError)> {
    let rows = usize::try_from(group.metadata().num_rows()).ok().filter(|rows| *rows <= reader::GROUP_LIMIT);
    let rows = rows.ok_or_else(|| (0, wrong("the row group is too long")))?;
    let mut moments = Vec::new();
    for column in 0..group.num_columns() {
        column_pages(group, column, rows, &mut moments).map_err(|error| (column, error))?;
    }
    times(&moments);
    Ok(rows as u64)
}

fn wrong(what: &str) -> ParquetError {
    ParquetError::General(what.into())
}

fn column_pages(group: &dyn RowGroupReader, index: usize, rows: usize, times: &mut Vec<i64>) -> ParquetResult<()> {
    let column = group.metadata().column(index);
    let (nullable, kind) = (column.column_descr().max_def_level() > 0, column.column_type());
    let mut pages = group.get_column_page_reader(index)?;
    let mut page = pages.get_next_page()?;
    let mut entries = None;
    if let Some(Page::DictionaryPage { buf, num_values, .. }) = &page {
        let count = *num_values as usize;
        values(kind, buf, count).ok_or_else(|| wrong("its list of values cannot be read"))?;
        entries = Some(count);
        page = pages.get_next_page()?;
    }
    let Some(Page::DataPage { buf, encoding, num_values, .. }) = &page else {
        return Err(wrong("it has no values"));
    };
    if *num_values as usize != rows {
        return Err(wrong(&format!("it has {num_values} rows, the row group {rows}")));
    }
    let read = match (encoding, entries, kind) {
        (Encoding::DELTA_BINARY_PACKED, None, Type::INT64) => decode_page::deltas(buf, rows, times),
        (Encoding::RLE_DICTIONARY, Some(entries), _) => {
            let (mut values, mut cells) = (vec![0.0; entries.min(reader::GROUP_LIMIT)], Vec::new());
            let read = decode_page::Entries::new(buf, nullable, rows, &mut values);
            read.and_then(|mut read| read.take(rows, &mut cells)).filter(|()| cells.len() == rows)
        }
        (Encoding::PLAIN, None, _) if nullable => decode_page::levels(buf).and_then(|(levels, plain)| {
            let mut held = 0;
            decode_page::runs(levels, 1, rows, |level, count| held += if level == 0 { 0 } else { count })?;
            values(kind, plain, held)
        }),
        (Encoding::PLAIN, None, _) => values(kind, buf, rows),
        _ => return Err(wrong("it is laid out in a way that this program does not write")),
    };
    read.ok_or_else(|| wrong("its values cannot be read"))?;
    match pages.get_next_page()? {
        None => Ok(()),
        Some(_) => Err(wrong("it has more pages than this program writes")),
    }
}

/// Whether so many plain values stand there.
fn values(kind: Type, page: &[u8], count: usize) -> Option<()> {
    let plain = |size: usize| (page.len() == count.checked_mul(size)?).then_some(());
    match kind {
        Type::INT32 => plain(4),
        Type::DOUBLE | Type::FIXED_LEN_BYTE_ARRAY => plain(8),
        Type::BYTE_ARRAY => decode_page::strings(page, count, |_| ()),
        _ => None,
    }
}
