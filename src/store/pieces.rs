//! Some columns of a table, a few thousand rows at a time however long its row groups are, each file read once: for its rows, and for the
//! digest that `run.json` has of it.
//!
//! A row group's pages are unpacked, in the file's order, into memory that is kept from group to group and from table to table; the cells are read off them piece by
//! piece. What was given out counts only once the digest was found right. Reads numbers and names from a list, not texts.

use std::path::Path;

use parquet::basic::Type;
use parquet::file::metadata::{ColumnChunkMetaData, RowGroupMetaData};

use super::data_set::{NOT_AS_LISTED, RunFolder};
use super::decode_page::{self, Deltas, Entries, Words};
use super::pages::{self, Pages};
use super::read_once::{ReadOnce, Window};
use super::reader::{Chunk, NO_ENTRIES, NO_TIME, NO_VALUES, NOT_OURS, OpenFile, group_rows, read_entries};
use super::run_file::RunFile;
use super::{StoreError, parts};
use crate::digest::Hasher;

/// Rows that are given out at a time, about: the cells of a few dozen columns stay near the processor.
const PIECE: usize = 1_024;

/// What is wanted of a table.
#[derive(Clone, Copy)]
pub struct Wanted<'a> {
    /// The table's folder inside the run's.
    pub table: &'a str,
    /// The columns, in the order in which they are given out.
    pub columns: &'a [&'a str],
    /// The first of two columns is read only in row groups in which the second has a null.
    pub instead: Option<(&'a str, &'a str)>,
    /// What lists the table's files: each that is listed must be, byte for byte, the one that was written. One that is not is read as it is.
    pub listed: Option<&'a RunFile>,
}

/// Reads a table in the order of its files; a column of which a row group has nothing but nulls has no cells in its [`Chunk`]s. A table that
/// is not there has no rows.
///
/// # Errors
/// A file that is damaged, or lacks a column, is an error that names it. The rows before it have been given out by then, and so have those of
/// a file whose digest turns out wrong at its end: an error says that nothing of it counts.
pub fn read(
    run_folder: &Path,
    wanted: Wanted<'_>,
    memory: &mut Memory,
    each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    let read = read_files(run_folder, &wanted, memory, each);
    if let (Err(_), Some(listed)) = (&read, wanted.listed) {
        // Of a file that is not the one that was written, that is what is wrong with it, whatever else was met first.
        RunFolder::open(run_folder)?.check(listed, wanted.table)?;
    }
    read
}

fn read_files(
    run_folder: &Path,
    wanted: &Wanted<'_>,
    memory: &mut Memory,
    mut each: impl FnMut(Chunk<'_>),
) -> Result<(), StoreError> {
    memory.begin(wanted.columns.len());
    let tables = wanted.listed.iter().flat_map(|file| &file.tables).filter(|table| table.folder == wanted.table);
    let mut listed: Vec<_> = tables.flat_map(|table| &table.files).collect();
    let folder = run_folder.join(wanted.table);
    for part in parts::list(&folder)?.0 {
        let file = OpenFile::open(&part.path)?;
        let place = listed.iter().position(|file| part.path.file_name().is_some_and(|name| name == &*file.name));
        let expected = place.map(|place| &listed.swap_remove(place).digest);
        let window = std::mem::take(&mut memory.window);
        let mut bytes = match expected {
            Some(digest) => ReadOnce::hashed(file.file(), Hasher::like(digest), window),
            None => ReadOnce::plain(file.file(), window),
        };
        let places = Places::find(&file, wanted)?;
        for group in file.row_groups() {
            memory
                .group(&mut bytes, group, &places, &mut each)
                .map_err(|what| StoreError::damaged(&part.path, what))?;
        }
        let found;
        (found, memory.window) = bytes.finish().map_err(|error| StoreError::io(&part.path, "read", error))?;
        if found.as_ref().map(|(_, digest)| digest) != expected {
            return Err(StoreError::damaged(&part.path, NOT_AS_LISTED));
        }
    }
    // Listed, but no part of the table by now.
    for left in listed {
        let path = folder.join(&left.name);
        if !left.is_of(&path)? {
            return Err(StoreError::damaged(&path, NOT_AS_LISTED));
        }
    }
    Ok(())
}

/// Where the columns stand in a file.
struct Places {
    time: usize,
    columns: Vec<usize>,
    instead: Option<(usize, usize)>,
}

impl Places {
    fn find(file: &OpenFile, wanted: &Wanted<'_>) -> Result<Self, StoreError> {
        let columns = wanted.columns.iter().map(|name| file.find(name)).collect::<Result<Vec<_>, _>>()?;
        let place = |name: &str| wanted.columns.iter().position(|column| *column == name);
        let instead = wanted.instead.and_then(|(one, other)| place(one).zip(place(other)));
        Ok(Self { time: file.find("t_us")?, columns, instead })
    }
}

/// Memory that is kept from row group to row group, and from table to table.
#[derive(Default)]
pub struct Memory {
    window: Window,
    pages: Option<Pages>,
    /// The values of each column's list.
    entries: Vec<Vec<f64>>,
    names: Vec<Vec<String>>,
    /// The rows given out.
    times: Vec<i64>,
    cells: Vec<Vec<f64>>,
}

impl Memory {
    /// Begins a table of so many columns, whose names are its own.
    fn begin(&mut self, columns: usize) {
        self.window.shrink();
        self.entries.resize(columns, Vec::new());
        self.names.clear();
        self.names.resize(columns, Vec::new());
        self.cells.resize(columns, Vec::new());
    }

    /// Gives out a row group; the error is what is wrong, without the file's name.
    fn group(
        &mut self,
        bytes: &mut ReadOnce<'_>,
        group: &RowGroupMetaData,
        places: &Places,
        each: &mut impl FnMut(Chunk<'_>),
    ) -> Result<(), String> {
        let rows = group_rows(group)?;
        let Self { pages, entries, names, times, cells, .. } = self;
        let pages = match pages {
            Some(pages) => pages,
            none => none.insert(Pages::new().map_err(|error| error.to_string())?),
        };
        pages.clear();
        pages.expect(places.columns.iter().chain([&places.time]).map(|column| group.column(*column)));
        let time = pages.read(bytes, group.column(places.time))?;
        let chunks = unpack(pages, bytes, group, places)?;
        let (header, page) = pages.data(&time);
        let moments = (header.encoding == pages::DELTA_BINARY_PACKED).then(|| Deltas::new(page, rows));
        let mut moments = moments.flatten().ok_or(NO_TIME)?;
        let mut cursors = Vec::with_capacity(chunks.len());
        for (index, (chunk, values)) in chunks.iter().zip(entries).enumerate() {
            let column = group.column(places.columns[index]);
            cursors.push(match chunk {
                Some(chunk) => Cursor::new((pages, chunk), column, rows, values, &mut names[index])?,
                None => Cursor::Blank,
            });
        }
        let mut read = 0;
        while read < rows {
            times.clear();
            moments.take(PIECE, times).filter(|()| !times.is_empty()).ok_or(NO_TIME)?;
            for (cursor, cells) in cursors.iter_mut().zip(&mut *cells) {
                cells.clear();
                cursor.take(times.len(), cells).ok_or(NO_VALUES)?;
            }
            read += times.len();
            each(Chunk { t_us: times, columns: cells, names });
        }
        Ok(())
    }
}

/// Unpacks a row group's columns in the file's order; one may be left out.
fn unpack(
    pages: &mut Pages,
    bytes: &mut ReadOnce<'_>,
    group: &RowGroupMetaData,
    places: &Places,
) -> Result<Vec<Option<pages::Chunk>>, String> {
    let column = |index: usize| group.column(places.columns[index]);
    let waits = places.instead.map(|(index, _)| index);
    let mut order: Vec<usize> = (0..places.columns.len()).filter(|index| Some(*index) != waits).collect();
    order.sort_by_key(|index| places.columns[*index]);
    let mut chunks = vec![None; places.columns.len()];
    for index in order {
        chunks[index] = Some(pages.read(bytes, column(index))?);
    }
    if let Some((index, other)) = places.instead {
        let nullable = column(other).column_descr().max_def_level() > 0;
        let rows = group_rows(group)?;
        let is_whole = |chunk: &pages::Chunk| !nullable || decode_page::all_level(pages.data(chunk).1, rows, 1);
        if !chunks[other].as_ref().is_some_and(is_whole) {
            chunks[index] = Some(pages.read(bytes, column(index))?);
        }
    }
    Ok(chunks)
}

/// Where a column's cells are read on.
enum Cursor<'a> {
    /// All are null.
    Blank,
    Doubles(Words<'a, 8>),
    Integers(Words<'a, 4>),
    Entries(Entries<'a>),
}

impl<'a> Cursor<'a> {
    fn new(
        (pages, chunk): (&'a Pages, &pages::Chunk),
        column: &ColumnChunkMetaData,
        rows: usize,
        entries: &'a mut Vec<f64>,
        names: &mut Vec<String>,
    ) -> Result<Self, String> {
        let nullable = column.column_descr().max_def_level() > 0;
        let kind = column.column_type();
        let (header, page) = pages.data(chunk);
        if nullable && decode_page::all_level(page, rows, 0) {
            return Ok(Self::Blank);
        }
        let cursor = match (header.encoding, kind, pages.dictionary(chunk)) {
            (pages::PLAIN, Type::DOUBLE, None) => Words::new(page, nullable, rows).map(Self::Doubles),
            (pages::PLAIN, Type::INT32, None) => Words::new(page, nullable, rows).map(Self::Integers),
            (pages::RLE_DICTIONARY, _, Some((listed, list))) => {
                read_entries(kind, list, listed.values, names, entries).ok_or(NO_ENTRIES)?;
                Entries::new(page, nullable, rows, entries).map(Self::Entries)
            }
            _ => return Err(NOT_OURS.into()),
        };
        cursor.ok_or_else(|| NO_VALUES.into())
    }

    fn take(&mut self, rows: usize, cells: &mut Vec<f64>) -> Option<()> {
        match self {
            Self::Blank => Some(()),
            Self::Doubles(words) => words.take(rows, cells, f64::from_le_bytes),
            Self::Integers(words) => words.take(rows, cells, |word| f64::from(i32::from_le_bytes(word))),
            Self::Entries(entries) => entries.take(rows, cells),
        }
        .filter(|()| matches!(self, Self::Blank) || cells.len() == rows)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::schema::tables;
    use crate::store::encode::Encoder;
    use crate::store::rows::RowBuffer;
    use crate::store::run_file::FileDigest;
    use crate::store::run_file::tests::example;
    use crate::store::schema_of::FileSchema;
    use crate::store::table_files::TableFiles;
    use crate::store::writer::tests::Noise;
    use crate::store::{check_file, merge, reader};

    const ROWS: usize = 9_000;
    const COLUMNS: [&str; 8] =
        ["energy_out", "distance", "speed", "soc", "pack_current", "pack_power", "plug", "phase"];

    /// What stands in a column: what only climbs, what comes again, what comes again with nulls, one value, nothing.
    fn value(name: &str, row: usize, noise: &mut Noise) -> f64 {
        let random = noise.below(1_000) as f64;
        match name {
            "energy_out" | "distance" => row as f64 * 7.3 + random / 977.0,
            "speed" => random / 3.6,
            "pack_current" if row % 4_500 == 7 => f64::NAN,
            "soc" | "pack_current" => [f64::NAN, 1.0, -0.0, 0.0, 1e-310][1 + (random as usize) % 4],
            "pack_power" => random * random,
            "plug" | "latitude" => f64::NAN,
            _ => 0.25,
        }
    }

    /// Two row groups of a trace in a table's folder.
    fn write(run: &Path, folder: &str, mut encoder: Encoder) -> (Vec<i64>, Vec<Vec<f64>>) {
        let table = crate::schema::Table { folder: folder.into(), ..tables::trace() };
        let schema = FileSchema::new(table, run).unwrap();
        let path = run.join(folder).join("part-00000.parquet");
        std::fs::create_dir_all(run.join(folder)).unwrap();
        let mut file = merge::create(&path, &schema).unwrap();
        let (mut noise, mut times, mut cells) = (Noise(3), Vec::new(), vec![Vec::new(); COLUMNS.len()]);
        for group in 0..2 {
            let mut rows = RowBuffer::new(&schema.table);
            for row in 0..ROWS {
                times.push((group * ROWS + row) as i64 * 100_000);
                let numbers: Vec<f64> =
                    schema.table.columns[2..].iter().map(|column| value(&column.name, row, &mut noise)).collect();
                for (cells, name) in cells.iter_mut().zip(COLUMNS) {
                    let at = schema.table.columns[2..].iter().position(|column| column.name == name);
                    cells.push(at.map_or((row % 3) as f64, |at| numbers[at]));
                }
                rows.push(*times.last().unwrap(), (row % 3) as u8, &numbers);
            }
            rows.pack(&schema, &["drive", "stand", "charge"], &mut encoder).unwrap().append(&mut file).unwrap();
        }
        merge::finish(file, &path, false).unwrap();
        assert_eq!(check_file::pages(&path, Some(&schema), |_| ()).unwrap(), 2 * ROWS as u64);
        (times, cells)
    }

    fn bits(cells: &[f64]) -> Vec<Option<u64>> {
        cells.iter().map(|cell| (!cell.is_nan()).then_some(cell.to_bits())).collect()
    }

    #[test]
    fn what_was_written_is_read_in_the_layout_of_today_and_of_before() {
        let folder = tempfile::tempdir().unwrap();
        for (table, encoder, lists) in [("trace", Encoder::new(), true), ("as-before", Encoder::of_before(), false)] {
            let (times, cells) = write(folder.path(), table, encoder);
            let footer = merge::metadata(&folder.path().join(table).join("part-00000.parquet")).unwrap();
            let columns = footer.row_group(0).columns().iter();
            let mut soc = columns.filter(|column| column.column_path().string() == "soc");
            assert_eq!(soc.next().unwrap().dictionary_page_offset().is_some(), lists, "{table}");
            let (mut found_times, mut found) = (Vec::new(), vec![Vec::new(); COLUMNS.len()]);
            let wanted = Wanted { table, columns: &COLUMNS, instead: None, listed: None };
            read(folder.path(), wanted, &mut Memory::default(), |chunk| {
                assert!(chunk.t_us.len() < PIECE + 128);
                assert!(chunk.columns[6].is_empty(), "nothing but nulls has no cells");
                found_times.extend_from_slice(chunk.t_us);
                found.iter_mut().zip(chunk.columns).for_each(|(all, cells)| all.extend_from_slice(cells));
            })
            .unwrap();
            found[6] = vec![f64::NAN; 2 * ROWS];
            assert_eq!(found_times, times);
            for (at, name) in COLUMNS.iter().enumerate() {
                assert_eq!(bits(&found[at]), bits(&cells[at]), "{table}, {name}");
            }
            // A row group at a time, by what others read.
            let mut groups = vec![Vec::new(); COLUMNS.len()];
            reader::read_floats(folder.path(), table, &COLUMNS, |chunk| {
                groups.iter_mut().zip(chunk.columns).for_each(|(all, cells)| all.extend_from_slice(cells));
            })
            .unwrap();
            (0..COLUMNS.len())
                .for_each(|at| assert_eq!(bits(&groups[at]), bits(&cells[at]), "{table}, {}", COLUMNS[at]));
        }
    }

    /// What lists a trace's file as it is.
    fn listing(path: &Path) -> RunFile {
        let (bytes, digest) = crate::store::digest(path, Hasher::of_much()).unwrap();
        let files = vec![FileDigest { name: "part-00000.parquet".into(), digest }];
        let mut file = example();
        file.tables = vec![TableFiles { folder: "trace".into(), rows: 2 * ROWS as u64, bytes, files }];
        file
    }

    #[test]
    fn a_column_stands_in_only_where_the_other_has_a_null() {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), "trace", Encoder::new());
        let file = listing(&folder.path().join("trace/part-00000.parquet"));
        let look = |one, other| {
            // The column that may stand in is read last, behind those that follow it in the file: once more, where a digest is formed.
            let [alone, listed] = [None, Some(&file)].map(|listed| {
                let mut cells = vec![Vec::new(); COLUMNS.len()];
                let wanted = Wanted { table: "trace", columns: &COLUMNS, instead: Some((one, other)), listed };
                read(folder.path(), wanted, &mut Memory::default(), |chunk| {
                    cells.iter_mut().zip(chunk.columns).for_each(|(all, cells)| all.extend_from_slice(cells));
                })
                .unwrap();
                cells
            });
            for (alone, listed) in alone.iter().zip(&listed) {
                assert_eq!(bits(alone), bits(listed));
            }
            listed[5].len()
        };
        assert_eq!(look("pack_power", "pack_current"), 2 * ROWS);
        assert_eq!(look("pack_power", "speed"), 0);
        assert_eq!(look("pack_power", "plug"), 2 * ROWS);
    }

    #[test]
    fn a_file_that_is_not_the_one_listed_is_an_error_whatever_can_be_read_of_it() {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), "trace", Encoder::new());
        let path = folder.path().join("trace/part-00000.parquet");
        let sound = std::fs::read(&path).unwrap();
        let file = listing(&path);
        let wanted = Wanted { table: "trace", columns: &["speed"], instead: None, listed: Some(&file) };
        let mut rows = 0;
        read(folder.path(), wanted, &mut Memory::default(), |chunk| rows += chunk.t_us.len()).unwrap();
        assert_eq!(rows, 2 * ROWS);
        let said = |bytes: &[u8]| {
            std::fs::write(&path, bytes).unwrap();
            read(folder.path(), wanted, &mut Memory::default(), |_| ()).unwrap_err().to_string()
        };
        let expected = format!("trace/part-00000.parquet: damaged: {NOT_AS_LISTED}");
        // In a column that is read, in one that is not, in the footer, at the end, and behind it.
        for at in (4..sound.len()).step_by(sound.len() / 40).chain([sound.len() - 9, sound.len() - 1]) {
            let mut changed = sound.clone();
            changed[at] ^= 1;
            assert!(said(&changed).ends_with(&expected), "byte {at}: {}", said(&changed));
        }
        assert!(said(&[&sound[..], b"x"].concat()).ends_with(&expected));
        assert!(said(&sound[..sound.len() / 2]).ends_with(&expected));
        std::fs::remove_file(&path).unwrap();
        assert!(
            read(folder.path(), wanted, &mut Memory::default(), |_| ())
                .unwrap_err()
                .to_string()
                .contains("part-00000.parquet: cannot open")
        );
    }
}
