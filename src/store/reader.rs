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
    each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    read_all(run_folder, table_folder, Scan::new(columns), each)
}

/// The same, but a column of which a row group holds nothing but nulls has no cells in its [`Chunk`]: of a trace that are most roles.
pub fn read_sparse(
    run_folder: &Path,
    table_folder: &str,
    columns: &[&str],
    each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    read_all(run_folder, table_folder, Scan { sparse: true, ..Scan::new(columns) }, each)
}

fn read_all(
    run_folder: &Path,
    table_folder: &str,
    mut state: Scan<'_>,
    mut each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
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

/// Rows that [`read_series`] gives out at a time, about.
const PIECE: usize = 4_096;

/// Reads one column of numbers of all rows of a table, a few thousand rows at a time however long the row groups are; null is NaN.
///
/// Errors are those of [`read_floats`].
pub fn read_series(
    run_folder: &Path,
    table_folder: &str,
    column: &str,
    mut each: impl FnMut(&[i64], &[f64]),
) -> Result<(), StoreError> {
    let mut memory = Series { times: Vec::new(), cells: Vec::new(), pages: [None, None] };
    for part in parts::list(&run_folder.join(table_folder))?.0 {
        let file = OpenFile::open(&part.path)?;
        let places = [file.find("t_us")?, file.find(column)?];
        for group in file.footer.row_groups() {
            memory.group(&file.file, group, places, &mut each).map_err(|what| StoreError::damaged(&part.path, what))?;
        }
    }
    Ok(())
}

/// The memory of [`read_series`]: of run time and column the page at hand, and the rows given out.
struct Series {
    times: Vec<i64>,
    cells: Vec<f64>,
    pages: [Option<Pages>; 2],
}

impl Series {
    fn group(
        &mut self,
        file: &File,
        group: &RowGroupMetaData,
        [time, wanted]: [usize; 2],
        each: &mut impl FnMut(&[i64], &[f64]),
    ) -> Result<(), String> {
        let rows = group_rows(group)?;
        let column = group.column(wanted);
        let nullable = column.column_descr().max_def_level() > 0;
        let [times, cells] = &mut self.pages;
        let (header, page) = opened(times)?.read(file, group.column(time))?.data;
        let moments = Some(page).filter(|_| header.encoding == pages::DELTA_BINARY_PACKED);
        let mut moments = moments.and_then(|page| decode_page::Deltas::new(page, rows)).ok_or(NO_TIME)?;
        let (header, page) = opened(cells)?.read(file, column)?.data;
        if header.encoding != pages::PLAIN || column.column_type() != Type::DOUBLE {
            return Err(NOT_OURS.into());
        }
        let mut values = decode_page::Words::<8>::new(page, nullable, rows).ok_or(NO_VALUES)?;
        let mut read = 0;
        while read < rows {
            self.times.clear();
            self.cells.clear();
            moments.take(PIECE, &mut self.times).filter(|()| !self.times.is_empty()).ok_or(NO_TIME)?;
            values.take(self.times.len(), &mut self.cells, f64::from_le_bytes).ok_or(NO_VALUES)?;
            read += self.times.len();
            each(&self.times, &self.cells);
        }
        Ok(())
    }
}

const NO_TIME: &str = "the run time cannot be read";
const NO_VALUES: &str = "a column's values cannot be read";
const NOT_OURS: &str = "a column is laid out in a way that this program does not write";

/// How many rows a group has.
fn group_rows(group: &RowGroupMetaData) -> Result<usize, String> {
    let rows = usize::try_from(group.num_rows()).ok().filter(|rows| *rows <= GROUP_LIMIT);
    rows.ok_or_else(|| "a row group is too long".into())
}

/// Memory for pages, made when it is first needed.
fn opened(pages: &mut Option<Pages>) -> Result<&mut Pages, String> {
    match pages {
        Some(pages) => Ok(pages),
        none => Ok(none.insert(Pages::new().map_err(|error| error.to_string())?)),
    }
}

/// What is kept between chunks and files.
pub(super) struct Scan<'c> {
    columns: &'c [&'c str],
    times: Vec<i64>,
    cells: Vec<Vec<f64>>,
    names: Vec<Vec<String>>,
    /// Of which columns the cells are all null, so that those of the next group need not be written if they are too.
    blank: Vec<bool>,
    /// Such columns have no cells.
    sparse: bool,
    entries: Vec<f64>,
    /// Rows of the longest group to come: room is made once.
    room: usize,
    pages: Option<Pages>,
}

impl<'c> Scan<'c> {
    pub fn new(columns: &'c [&'c str]) -> Self {
        Self {
            columns,
            times: Vec::new(),
            cells: vec![Vec::new(); columns.len()],
            names: vec![Vec::new(); columns.len()],
            blank: vec![false; columns.len()],
            sparse: false,
            entries: Vec::new(),
            room: 0,
            pages: None,
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
    fn find(&self, name: &str) -> Result<usize, StoreError> {
        let leaves = self.footer.file_metadata().schema_descr().columns();
        let found = leaves.iter().position(|leaf| leaf.name() == name);
        found.ok_or_else(|| StoreError::damaged(&self.path, format!("there is no column '{name}'")))
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
    let mut pages = state.pages.take();
    let unpacked = opened(&mut pages)?;
    state.times.clear();
    state.times.reserve_exact(rows.max(state.room));
    let times = unpacked.read(file, group.column(time))?;
    match times.data {
        (header, page)
            if header.encoding == pages::DELTA_BINARY_PACKED
                && decode_page::deltas(page, rows, &mut state.times).is_some() => {}
        _ => return Err(NO_TIME.into()),
    }
    for (index, column) in wanted.iter().enumerate() {
        read_column(file, group.column(*column), rows, unpacked, state, index)?;
    }
    state.pages = pages;
    Ok(())
}

/// Reads a column of a row group: a page of values, of names a page of the distinct ones before it.
fn read_column(
    file: &File,
    column: &ColumnChunkMetaData,
    rows: usize,
    pages: &mut Pages,
    state: &mut Scan<'_>,
    index: usize,
) -> Result<(), String> {
    let nullable = column.column_descr().max_def_level() > 0;
    let kind = column.column_type();
    let (cells, names, entries) = (&mut state.cells[index], &mut state.names[index], &mut state.entries);
    let chunk = pages.read(file, column)?;
    entries.clear();
    if let Some((header, page)) = chunk.dictionary {
        read_entries(kind, page, header.values, names, entries).ok_or("a list of names cannot be read")?;
    }
    let (header, page) = chunk.data;
    let numbers = header.encoding == pages::PLAIN && matches!(kind, Type::DOUBLE | Type::INT32);
    if nullable && numbers && decode_page::is_blank(page, rows) {
        let was_blank = std::mem::replace(&mut state.blank[index], true);
        cells.truncate(if was_blank { rows } else { 0 });
        cells.resize(if state.sparse { 0 } else { rows }, f64::NAN);
        return Ok(());
    }
    state.blank[index] = false;
    cells.clear();
    // Doubling, as a growing vector does, would take twice the memory of the longest group.
    cells.reserve_exact(rows.max(state.room));
    let read = match (header.encoding, kind) {
        (pages::RLE_DICTIONARY, Type::INT32 | Type::BYTE_ARRAY) if !nullable => {
            from_entries(page, rows, entries, cells)
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
