//! Reads a table's columns back: run time as whole microseconds, everything else as floats, a row group at a time.
//!
//! The Parquet crate reads the footer, which says where the columns asked for lie; `pages` unpacks them and `decode_page` reads their
//! values, all into memory that is kept from row group to row group. Reads what this program writes, not every Parquet file; does not read
//! frames' payloads.

use std::fs::File;
use std::ops::Range;
use std::path::{Path, PathBuf};

use parquet::basic::Type;
use parquet::file::metadata::{ColumnChunkMetaData, ParquetMetaData, ParquetMetaDataReader, RowGroupMetaData};

use super::pages::{self, Pages};
use super::read_once::{ReadOnce, Window};
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

pub(super) const NO_TIME: &str = "the run time cannot be read";
pub(super) const NO_VALUES: &str = "a column's values cannot be read";
pub(super) const NO_ENTRIES: &str = "a list of distinct values cannot be read";
pub(super) const NOT_OURS: &str = "a column is laid out in a way that this program does not write";

/// How many rows a group has.
pub(super) fn group_rows(group: &RowGroupMetaData) -> Result<usize, String> {
    let rows = usize::try_from(group.num_rows()).ok().filter(|rows| *rows <= GROUP_LIMIT);
    rows.ok_or_else(|| "a row group is too long".into())
}

/// What is kept between chunks and files.
pub(super) struct Scan<'c> {
    columns: &'c [&'c str],
    times: Vec<i64>,
    cells: Vec<Vec<f64>>,
    names: Vec<Vec<String>>,
    entries: Vec<f64>,
    /// Rows of the longest group to come: room is made once.
    room: usize,
    /// Made when it is first needed.
    pages: Option<Pages>,
    window: Window,
}

impl<'c> Scan<'c> {
    pub fn new(columns: &'c [&'c str]) -> Self {
        Self {
            columns,
            times: Vec::new(),
            cells: vec![Vec::new(); columns.len()],
            names: vec![Vec::new(); columns.len()],
            entries: Vec::new(),
            room: 0,
            pages: None,
            window: Window::default(),
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

/// A table's file, open, its footer read and found sound.
pub(super) struct OpenFile {
    path: PathBuf,
    file: File,
    footer: ParquetMetaData,
}

impl OpenFile {
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let opening = |error| StoreError::io(path, "open", error);
        let file = File::open(path).map_err(opening)?;
        let length = file.metadata().map_err(opening)?.len();
        let footer = ParquetMetaDataReader::new().parse_and_finish(&file);
        let footer = footer.map_err(|error| StoreError::damaged(path, error))?;
        if !is_sound(&footer, length) {
            return Err(StoreError::damaged(path, "its footer speaks of bytes that are not there"));
        }
        Ok(Self { path: path.to_owned(), file, footer })
    }

    /// What it says of its row groups.
    pub fn into_footer(self) -> ParquetMetaData {
        self.footer
    }

    /// Where a column stands.
    pub fn find(&self, name: &str) -> Result<usize, StoreError> {
        let leaves = self.footer.file_metadata().schema_descr().columns();
        let found = leaves.iter().position(|leaf| leaf.name() == name);
        found.ok_or_else(|| StoreError::damaged(&self.path, format!("there is no column '{name}'")))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The file itself.
    pub fn file(&self) -> &File {
        &self.file
    }

    /// What it says of its row groups.
    pub fn row_groups(&self) -> &[RowGroupMetaData] {
        self.footer.row_groups()
    }

    /// How many row groups it has.
    pub fn groups(&self) -> usize {
        self.footer.num_row_groups()
    }

    /// Reads some row groups.
    pub fn scan(
        &self,
        groups: Range<usize>,
        state: &mut Scan<'_>,
        mut each: impl FnMut(Chunk<'_>),
    ) -> Result<(), StoreError> {
        let time = self.find("t_us")?;
        let wanted = state.columns.iter().map(|name| self.find(name)).collect::<Result<Vec<_>, _>>()?;
        let longest = groups.clone().map(|group| self.footer.row_group(group).num_rows()).max().unwrap_or(0);
        state.room = usize::try_from(longest).unwrap_or(0).min(GROUP_LIMIT);
        for group in groups {
            scan_group(&self.file, self.footer.row_group(group), time, &wanted, state)
                .map_err(|what| StoreError::damaged(&self.path, what))?;
            each(state.chunk());
        }
        Ok(())
    }
}

/// Reads one file, or some of its row groups.
pub(super) fn scan(
    path: &Path,
    groups: Option<Range<usize>>,
    state: &mut Scan<'_>,
    each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    let file = OpenFile::open(path)?;
    file.scan(groups.unwrap_or(0..file.groups()), state, each)
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

/// The error is what is wrong, without the file's name.
fn scan_group(
    file: &File,
    group: &RowGroupMetaData,
    time: usize,
    wanted: &[usize],
    state: &mut Scan<'_>,
) -> Result<(), String> {
    let rows = group_rows(group)?;
    let mut pages = match state.pages.take() {
        Some(pages) => pages,
        None => Pages::new().map_err(|error| error.to_string())?,
    };
    let mut file = ReadOnce::plain(file, std::mem::take(&mut state.window));
    state.times.clear();
    state.times.reserve_exact(rows.max(state.room));
    pages.clear();
    let moments = pages.read(&mut file, group.column(time))?;
    match pages.data(&moments) {
        (header, page)
            if header.encoding == pages::DELTA_BINARY_PACKED
                && decode_page::deltas(page, rows, &mut state.times).is_some() => {}
        _ => return Err(NO_TIME.into()),
    }
    for (index, column) in wanted.iter().enumerate() {
        let column = group.column(*column);
        pages.clear();
        let chunk = pages.read(&mut file, column)?;
        read_column((&pages, &chunk), column, rows, state, index)?;
    }
    state.pages = Some(pages);
    (_, state.window) = file.finish().map_err(|error| error.to_string())?;
    Ok(())
}

/// Reads a column of a row group: a page of values, where they are in a list a page of the distinct ones before it.
fn read_column(
    (pages, chunk): (&Pages, &pages::Chunk),
    column: &ColumnChunkMetaData,
    rows: usize,
    state: &mut Scan<'_>,
    index: usize,
) -> Result<(), String> {
    let nullable = column.column_descr().max_def_level() > 0;
    let kind = column.column_type();
    let (cells, names, entries) = (&mut state.cells[index], &mut state.names[index], &mut state.entries);
    let dictionary = pages.dictionary(chunk);
    if let Some((header, page)) = dictionary {
        read_entries(kind, page, header.values, names, entries).ok_or(NO_ENTRIES)?;
    }
    let (header, page) = pages.data(chunk);
    cells.clear();
    // Doubling, as a growing vector does, would take twice the memory of the longest group.
    cells.reserve_exact(rows.max(state.room));
    let read = match (header.encoding, kind) {
        (pages::RLE_DICTIONARY, Type::DOUBLE | Type::INT32 | Type::BYTE_ARRAY) if dictionary.is_some() => {
            decode_page::Entries::new(page, nullable, rows, entries).and_then(|mut read| read.take(rows, cells))
        }
        (pages::PLAIN, Type::DOUBLE) => decode_page::words(page, nullable, rows, cells, f64::from_le_bytes),
        (pages::PLAIN, Type::INT32) => {
            decode_page::words(page, nullable, rows, cells, |word| f64::from(i32::from_le_bytes(word)))
        }
        (pages::PLAIN, Type::BYTE_ARRAY) if !nullable => {
            let mut last = 0;
            decode_page::strings(page, rows, |text| {
                last = index_of(text, names, last);
                cells.push(last as f64);
            })
        }
        _ => return Err(NOT_OURS.into()),
    };
    match read {
        Some(()) if cells.len() == rows => Ok(()),
        Some(()) => Err(format!("a column has {} rows, others {rows}", cells.len())),
        None => Err(NO_VALUES.into()),
    }
}

/// The distinct values of a column as the cells they stand for.
pub(super) fn read_entries(
    kind: Type,
    page: &[u8],
    count: usize,
    names: &mut Vec<String>,
    entries: &mut Vec<f64>,
) -> Option<()> {
    entries.clear();
    match kind {
        Type::DOUBLE => decode_page::words(page, false, count, entries, f64::from_le_bytes),
        Type::INT32 => decode_page::words(page, false, count, entries, |word| f64::from(i32::from_le_bytes(word))),
        Type::BYTE_ARRAY => {
            decode_page::strings(page, count, |text| entries.push(index_of(text, names, entries.len()) as f64))
        }
        _ => None,
    }
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
