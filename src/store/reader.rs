//! Reads a table's columns back: run time as whole microseconds, everything else as floats, a row group at a time.
//!
//! The Parquet crate finds and unpacks the pages of the columns asked for; their values are read here without a copy in
//! between. Reads what this program writes, not every Parquet file; does not read frames' payloads.

use std::fs::File;
use std::ops::Range;
use std::path::Path;

use parquet::basic::{Encoding, Type};
use parquet::column::page::Page;
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::metadata::ParquetMetaData;
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};

use super::{StoreError, decode_page, parts};
use crate::observation::{Mark, MarkKind};
use crate::time::RunTime;

/// A row group of more rows is damage: this program writes none over 100,000.
pub(super) const GROUP_LIMIT: usize = 1 << 20;

/// Rows of a table: a few columns side by side.
#[derive(Clone, Copy, Debug)]
pub struct Chunk<'a> {
    /// Run time of each row, us.
    pub t_us: &'a [i64],
    /// The columns in the order asked for; null is NaN, of a name column each cell is an index into its [`Self::names`].
    pub columns: &'a [Vec<f64>],
    /// For each column, the texts known so far if it holds texts; an index keeps its text.
    pub names: &'a [Vec<String>],
}

/// Reads `columns` of all rows of a table in the files' order. A table that is not there has no rows.
///
/// A file that is damaged, or lacks a column, is an error that names it; the rows before it have been given out by then.
pub fn read_floats(
    run_folder: &Path,
    table_folder: &str,
    columns: &[&str],
    mut each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    let mut state = Scan::new(columns);
    for part in parts::list(&run_folder.join(table_folder))?.0 {
        scan(&part.path, None, &mut state, &mut each)?;
    }
    Ok(())
}

/// A fix of a run that has a place; NaN is 'not known'.
#[derive(Clone, Copy, Debug)]
pub struct Fix {
    /// Degrees north, WGS84.
    pub latitude: f64,
    /// Degrees east, WGS84.
    pub longitude: f64,
    /// Height above mean sea level, m.
    pub altitude: f64,
    /// Speed over ground, m/s.
    pub speed: f64,
    /// Horizontal dilution of precision.
    pub hdop: f64,
}

/// Reads the fixes of a run that have a place, each with its run time in us; modes below 2 are no fix.
pub fn read_fixes(run_folder: &Path, mut each: impl FnMut(i64, Fix)) -> Result<(), StoreError> {
    let columns = ["latitude", "longitude", "altitude", "speed", "hdop", "mode"];
    read_floats(run_folder, "fixes", &columns, |chunk| {
        for (row, t_us) in chunk.t_us.iter().enumerate() {
            let [latitude, longitude, altitude, speed, hdop, mode] = std::array::from_fn(|at| chunk.columns[at][row]);
            if latitude.is_finite() && longitude.is_finite() && mode >= 2.0 {
                each(*t_us, Fix { latitude, longitude, altitude, speed, hdop });
            }
        }
    })
}

/// Reads a run's marks in time order of the files.
pub fn read_marks(run_folder: &Path) -> Result<Vec<(RunTime, Mark)>, StoreError> {
    let mut marks = Vec::new();
    read_floats(run_folder, "marks", &["kind", "value", "text"], |chunk| {
        for (row, at) in chunk.t_us.iter().enumerate() {
            let text =
                |column: usize| chunk.names[column].get(chunk.columns[column][row] as usize).map_or("", String::as_str);
            // A kind of a later version is kept as the note that it is to this one.
            let kind = MarkKind::from_key(text(0)).unwrap_or(MarkKind::Note);
            let value = chunk.columns[1][row];
            let mark = Mark { kind, value: value.is_finite().then_some(value), text: text(2).to_owned() };
            marks.push((RunTime(*at), mark));
        }
    })?;
    Ok(marks)
}

/// What is kept between chunks and files.
pub(super) struct Scan<'c> {
    columns: &'c [&'c str],
    times: Vec<i64>,
    cells: Vec<Vec<f64>>,
    names: Vec<Vec<String>>,
}

impl<'c> Scan<'c> {
    pub fn new(columns: &'c [&'c str]) -> Self {
        Self {
            columns,
            times: Vec::new(),
            cells: vec![Vec::new(); columns.len()],
            names: vec![Vec::new(); columns.len()],
        }
    }

    /// What was read last.
    pub fn chunk(&self) -> Chunk<'_> {
        Chunk { t_us: &self.times, columns: &self.cells, names: &self.names }
    }

    /// The texts of a name column.
    pub fn names(&self, column: usize) -> &[String] {
        &self.names[column]
    }
}

/// Reads one file, or some of its row groups.
pub(super) fn scan(
    path: &Path,
    groups: Option<Range<usize>>,
    state: &mut Scan<'_>,
    mut each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    let damaged = |error: ParquetError| StoreError::damaged(path, error);
    let file = File::open(path).map_err(|error| StoreError::io(path, "open", error))?;
    let length = file.metadata().map_err(|error| StoreError::io(path, "open", error))?.len();
    let reader = SerializedFileReader::new(file).map_err(damaged)?;
    if !is_sound(reader.metadata(), length) {
        return Err(StoreError::damaged(path, "its footer speaks of bytes that are not there"));
    }
    let leaves = reader.metadata().file_metadata().schema_descr().columns();
    let find = |name: &str| {
        let found = leaves.iter().position(|leaf| leaf.name() == name);
        found.ok_or_else(|| StoreError::damaged(path, format!("there is no column '{name}'")))
    };
    let time = find("t_us")?;
    let wanted = state.columns.iter().map(|name| find(name)).collect::<Result<Vec<_>, _>>()?;
    for group in groups.unwrap_or(0..reader.num_row_groups()) {
        reader
            .get_row_group(group)
            .and_then(|group| scan_group(&*group, time, &wanted, state, &mut each))
            .map_err(damaged)?;
    }
    Ok(())
}

/// Whether a footer speaks only of what a file of this length can hold; the crate takes that for granted.
pub(super) fn is_sound(footer: &ParquetMetaData, length: u64) -> bool {
    let columns = footer.file_metadata().schema_descr().num_columns();
    footer.row_groups().iter().all(|group| {
        group.num_rows() >= 0
            && group.num_columns() == columns
            && group.columns().iter().all(|column| {
                let start = column.dictionary_page_offset().unwrap_or(column.data_page_offset());
                let end = start.checked_add(column.compressed_size());
                let inside = end.and_then(|end| u64::try_from(end).ok()).is_some_and(|end| end <= length);
                start >= 0 && column.compressed_size() >= 0 && column.data_page_offset() >= 0 && inside
            })
    })
}

fn scan_group(
    group: &dyn RowGroupReader,
    time: usize,
    wanted: &[usize],
    state: &mut Scan<'_>,
    each: &mut impl FnMut(Chunk<'_>),
) -> ParquetResult<()> {
    let rows = usize::try_from(group.metadata().num_rows()).ok().filter(|rows| *rows <= GROUP_LIMIT);
    let rows = rows.ok_or_else(|| not_ours("a row group is too long"))?;
    state.times.clear();
    let mut pages = group.get_column_page_reader(time)?;
    match pages.get_next_page()? {
        Some(Page::DataPage { buf, encoding: Encoding::DELTA_BINARY_PACKED, .. })
            if decode_page::deltas(&buf, rows, &mut state.times).is_some() => {}
        _ => return Err(not_ours("the run time cannot be read")),
    }
    for (index, column) in wanted.iter().enumerate() {
        let cells = &mut state.cells[index];
        cells.clear();
        read_column(group, *column, rows, cells, &mut state.names[index])?;
        if cells.len() != rows {
            return Err(not_ours(&format!("a column has {} rows, others {rows}", cells.len())));
        }
    }
    each(state.chunk());
    Ok(())
}

fn not_ours(what: &str) -> ParquetError {
    ParquetError::General(what.into())
}

/// Reads a column of a row group: a page of values, of names a page of the distinct ones before it.
fn read_column(
    group: &dyn RowGroupReader,
    index: usize,
    rows: usize,
    cells: &mut Vec<f64>,
    names: &mut Vec<String>,
) -> ParquetResult<()> {
    let column = group.metadata().column(index);
    let nullable = column.column_descr().max_def_level() > 0;
    let kind = column.column_type();
    let mut pages = group.get_column_page_reader(index)?;
    let mut entries = Vec::new();
    let mut page = pages.get_next_page()?;
    if let Some(Page::DictionaryPage { buf, num_values, .. }) = &page {
        read_entries(kind, buf, *num_values as usize, names, &mut entries)
            .ok_or_else(|| not_ours("a list of names cannot be read"))?;
        page = pages.get_next_page()?;
    }
    let Some(Page::DataPage { buf, encoding, .. }) = &page else {
        return Err(not_ours("a column has no values"));
    };
    let read = match (encoding, kind) {
        (Encoding::RLE_DICTIONARY, Type::INT32 | Type::BYTE_ARRAY) if !nullable => {
            from_entries(buf, rows, &entries, cells)
        }
        (Encoding::PLAIN, Type::DOUBLE) => decode_page::words(buf, nullable, rows, cells, f64::from_le_bytes),
        (Encoding::PLAIN, Type::INT32) => {
            decode_page::words(buf, nullable, rows, cells, |word| f64::from(i32::from_le_bytes(word)))
        }
        (Encoding::PLAIN, Type::BYTE_ARRAY) if !nullable => {
            let mut last = 0;
            decode_page::strings(buf, rows, |text| {
                last = index_of(text, names, last);
                cells.push(last as f64);
            })
        }
        _ => return Err(not_ours("a column is laid out in a way that this program does not write")),
    };
    read.ok_or_else(|| not_ours("a column's values cannot be read"))
}

/// The distinct values of a column as the cells they stand for.
fn read_entries(kind: Type, page: &[u8], count: usize, names: &mut Vec<String>, entries: &mut Vec<f64>) -> Option<()> {
    match kind {
        Type::INT32 => decode_page::words(page, false, count, entries, |word| f64::from(i32::from_le_bytes(word))),
        Type::BYTE_ARRAY => {
            decode_page::strings(page, count, |text| entries.push(index_of(text, names, entries.len()) as f64))
        }
        _ => None,
    }
}

fn from_entries(page: &[u8], rows: usize, entries: &[f64], cells: &mut Vec<f64>) -> Option<()> {
    let (&width, runs) = page.split_first()?;
    let mut known = true;
    decode_page::runs(runs, u32::from(width), rows, |entry, count| match entries.get(entry as usize) {
        Some(cell) => cells.resize(cells.len() + count, *cell),
        None => known = false,
    })?;
    known.then_some(())
}

/// The index of a text, added if new; most often it is the one before.
fn index_of(text: &[u8], names: &mut Vec<String>, last: usize) -> usize {
    if names.get(last).is_some_and(|name| name.as_bytes() == text) {
        return last;
    }
    names.iter().position(|name| name.as_bytes() == text).unwrap_or_else(|| {
        names.push(String::from_utf8_lossy(text).into_owned());
        names.len() - 1
    })
}
