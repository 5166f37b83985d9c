//! Column chunks made by hand: one dictionary page where values repeat, one data page, zstd with one context an encoder. The bytes do
//! not hang on which encoder made them.
//!
//! The `parquet` crate frames the file; what it would hash or box value by value (names, small whole numbers, fixed bytes,
//! floats with nulls) is laid out here directly, since it comes in long runs or is a plain copy. Every page carries
//! zstd's own checksum of its content, which every reader checks when it unpacks. Layouts: Apache Parquet format, `Encodings.md` (PLAIN, RLE,
//! RLE_DICTIONARY, DELTA_BINARY_PACKED) and `README.md` (data page version 1). Decides nothing about which rows go where.

mod bits;
mod delta;
mod entries;
mod rows8;
mod zstd;

use std::collections::HashMap;
use std::hash::Hash;

use bytes::Bytes;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::page::{CompressedPage, Page, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::errors::Result;
use parquet::file::metadata::ColumnChunkMetaData;
use parquet::file::statistics::Statistics;
use parquet::file::writer::{SerializedPageWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;

use self::entries::Distinct;
use self::rows8::Matcher;
use self::zstd::Context;
use super::leb128;
use super::merge::TableFile;
use super::schema_of::ZSTD_LEVEL;

/// A row group, its columns laid out and compressed: made by anyone, appended to its file in its turn.
pub(super) struct Packed(Vec<(Bytes, ColumnCloseResult)>);

impl Packed {
    /// Appends it as the file's next row group.
    pub fn append(self, file: &mut TableFile) -> Result<()> {
        let mut group = file.next_row_group()?;
        for (bytes, closed) in self.0 {
            group.append_column(&bytes, closed)?;
        }
        group.close().map(|_| ())
    }
}

/// Lays out column chunks, each of which becomes the next column of the row group being packed; keeps its memory between them.
pub(super) struct Encoder {
    zstd: Context,
    matcher: Matcher,
    distinct: Distinct,
    /// Makes frames that store; made when it is first needed.
    stored: Option<Context>,
    /// The data page before compression.
    page: Vec<u8>,
    /// Values of a page whose levels are not yet known.
    values: Vec<u8>,
    /// The columns so far of the group being packed.
    columns: Vec<(Bytes, ColumnCloseResult)>,
    #[cfg(test)]
    as_before: bool,
}

impl Encoder {
    pub fn new() -> Self {
        let zstd = Context::new(ZSTD_LEVEL).expect("memory for a zstd context");
        Self {
            zstd,
            matcher: Matcher::default(),
            distinct: Distinct::default(),
            stored: None,
            page: Vec::new(),
            values: Vec::new(),
            columns: Vec::new(),
            #[cfg(test)]
            as_before: false,
        }
    }

    /// One that lays out floats as layouts 1 and 2 had them.
    #[cfg(test)]
    pub fn of_before() -> Self {
        Self { as_before: true, ..Self::new() }
    }

    /// The row group that `columns` lays out column by column.
    pub fn group(&mut self, columns: impl FnOnce(&mut Self) -> Result<()>) -> Result<Packed> {
        self.columns.clear();
        columns(self)?;
        Ok(Packed(std::mem::take(&mut self.columns)))
    }

    /// Moments, us: differences, bit-packed, with the least and the greatest for readers that skip groups.
    pub fn times(&mut self, column: &ColumnDescPtr, times: &[i64]) -> Result<()> {
        self.begin_page(None);
        delta::encode(times, &mut self.page);
        let (least, greatest) = (times.iter().min().copied(), times.iter().max().copied());
        let statistics = Statistics::int64(least, greatest, None, Some(0), false);
        self.append(column, times.len(), None, Encoding::DELTA_BINARY_PACKED, Some(statistics))
    }

    /// Whole numbers that come in runs of equal ones.
    pub fn integer_runs(&mut self, column: &ColumnDescPtr, runs: impl Iterator<Item = (i32, usize)>) -> Result<()> {
        self.dictionary_runs(column, runs, |value, out| out.extend_from_slice(&value.to_le_bytes()))
    }

    /// Texts that come in runs of equal ones.
    pub fn text_runs<'t>(
        &mut self,
        column: &ColumnDescPtr,
        runs: impl Iterator<Item = (&'t str, usize)>,
    ) -> Result<()> {
        self.dictionary_runs(column, runs, |value, out| plain_bytes(value.as_bytes(), out))
    }

    fn dictionary_runs<V: Hash + Eq + Copy>(
        &mut self,
        column: &ColumnDescPtr,
        runs: impl Iterator<Item = (V, usize)>,
        plain: impl Fn(&V, &mut Vec<u8>),
    ) -> Result<()> {
        let mut dictionary = Vec::new();
        let mut known: HashMap<V, u32> = HashMap::new();
        let mut indexed = Vec::new();
        let mut last: Option<(V, u32)> = None;
        for (value, count) in runs {
            let index = match last {
                Some((same, index)) if same == value => index,
                _ => {
                    let next = known.len() as u32;
                    *known.entry(value).or_insert_with(|| {
                        plain(&value, &mut dictionary);
                        next
                    })
                }
            };
            last = Some((value, index));
            indexed.push((index, count));
        }
        let entries = known.len() as u32;
        let width = (u32::BITS - entries.saturating_sub(1).leading_zeros()).max(1);
        let mut page = Runs::new(width);
        page.out.push(width as u8);
        let mut rows = 0;
        for (index, count) in indexed {
            page.push(index, count);
            rows += count;
        }
        self.page = page.finish();
        self.append(column, rows, Some((dictionary, entries)), Encoding::RLE_DICTIONARY, None)
    }

    /// Floats taken from a table of rows; what is not finite is null where the column may be. Files are read far more often than written:
    /// values that come again and again are listed once, and what zstd makes little smaller is stored as it is.
    pub fn floats(&mut self, column: &ColumnDescPtr, rows: impl ExactSizeIterator<Item = f64> + Clone) -> Result<()> {
        #[cfg(test)]
        if self.as_before {
            return self.nullable_words(column, rows.map(|value| (value.to_le_bytes(), value.is_finite())));
        }
        let (count, nullable) = (rows.len(), column.max_def_level() > 0);
        let is_valid = |value: &f64| value.is_finite() || !nullable;
        if count > 0 && !rows.clone().any(|value| is_valid(&value)) {
            return self.nulls(column, count);
        }
        if !self.distinct.list(rows.clone().filter(is_valid).map(f64::to_bits), count) {
            self.lay_words(nullable, rows.map(|value| (value.to_le_bytes(), value.is_finite())));
            let page = self.pack_or_store(Encoding::PLAIN)?;
            return self.append_packed(column, count, None, page, None);
        }
        self.begin_page(nullable.then(|| {
            let mut levels = Runs::new(1);
            rows.for_each(|value| levels.push(u32::from(is_valid(&value)), 1));
            levels
        }));
        let width = self.distinct.width();
        self.page.push(width as u8);
        entries::hybrid(&self.distinct.numbers, width, &mut self.page);
        let list: Vec<u8> = self.distinct.entries.iter().flat_map(|bits| bits.to_le_bytes()).collect();
        let entries = self.distinct.entries.len() as u32;
        let page = self.pack_or_store(Encoding::RLE_DICTIONARY)?;
        self.append_packed(column, count, Some((list, entries)), page, None)
    }

    /// Whole numbers taken from a table of rows held as floats; what is not finite is null.
    pub fn integers(&mut self, column: &ColumnDescPtr, rows: impl ExactSizeIterator<Item = f64> + Clone) -> Result<()> {
        self.nullable_words(column, rows.map(|value| ((value as i32).to_le_bytes(), value.is_finite())))
    }

    fn nullable_words<const N: usize>(
        &mut self,
        column: &ColumnDescPtr,
        cells: impl ExactSizeIterator<Item = ([u8; N], bool)> + Clone,
    ) -> Result<()> {
        let rows = cells.len();
        self.lay_words(column.max_def_level() > 0, cells);
        self.append(column, rows, None, Encoding::PLAIN, None)
    }

    /// Lays out a data page of plain words.
    fn lay_words<const N: usize>(
        &mut self,
        nullable: bool,
        cells: impl ExactSizeIterator<Item = ([u8; N], bool)> + Clone,
    ) {
        let rows = cells.len();
        // Most columns have no null: then the levels are known before the values.
        let mut levels = Runs::new(1);
        levels.push(1, rows);
        self.begin_page(nullable.then_some(levels));
        let values_at = self.page.len();
        self.page.resize(values_at + rows * N, 0);
        let places = self.page[values_at..].as_chunks_mut::<N>().0;
        let filled = places.iter_mut().zip(cells.clone()).try_for_each(|(place, (cell, valid))| {
            *place = cell;
            (valid || !nullable).then_some(())
        });
        if filled.is_none() {
            self.words_with_nulls(cells);
        }
    }

    /// Compresses the page, unless that saves less than a quarter: then its frame stores it, and unpacking it is a copy.
    fn pack_or_store(&mut self, encoding: Encoding) -> Result<Compressed> {
        let mut packed = self.zstd.compress(&self.page)?;
        if packed.len() > self.page.len() / 4 * 3 {
            let stored = match &mut self.stored {
                Some(stored) => stored,
                // At the lowest of its levels zstd neither looks for matches nor codes literals.
                none => none.insert(Context::new(*::zstd::compression_level_range().start())?),
            };
            packed = stored.compress(&self.page)?;
        }
        Ok(Compressed { encoding, packed, plain: self.page.len() })
    }

    /// The page of values some of which are null.
    fn words_with_nulls<const N: usize>(&mut self, cells: impl Iterator<Item = ([u8; N], bool)>) {
        let mut levels = Runs::new(1);
        self.values.clear();
        for (cell, valid) in cells {
            levels.push(u32::from(valid), 1);
            if valid {
                self.values.extend_from_slice(&cell);
            }
        }
        self.begin_page(Some(levels));
        self.page.extend_from_slice(&self.values);
    }

    /// Byte strings, one a row; `None` is null.
    pub fn blobs<'b>(&mut self, column: &ColumnDescPtr, cells: impl Iterator<Item = Option<&'b [u8]>>) -> Result<()> {
        let nullable = column.max_def_level() > 0;
        let mut levels = Runs::new(1);
        let mut rows = 0;
        self.values.clear();
        for cell in cells {
            rows += 1;
            levels.push(u32::from(cell.is_some()), 1);
            if let Some(bytes) = cell {
                plain_bytes(bytes, &mut self.values);
            } else if !nullable {
                plain_bytes(&[], &mut self.values);
            }
        }
        self.begin_page(nullable.then_some(levels));
        self.page.extend_from_slice(&self.values);
        self.append(column, rows, None, Encoding::PLAIN, None)
    }

    /// A nullable column without any value.
    pub fn nulls(&mut self, column: &ColumnDescPtr, rows: usize) -> Result<()> {
        let mut levels = Runs::new(1);
        levels.push(0, rows);
        self.begin_page(Some(levels));
        self.append(column, rows, None, Encoding::PLAIN, None)
    }

    /// Eight bytes a row, as they are; `runs` are the lengths of stretches of rows that are alike.
    pub fn fixed_bytes(
        &mut self,
        column: &ColumnDescPtr,
        rows: &[[u8; 8]],
        runs: impl Iterator<Item = usize>,
    ) -> Result<()> {
        let plain = rows.as_flattened();
        let packed = self.zstd.compress_matched(plain, self.matcher.sequences(rows, runs))?;
        let page = Compressed { encoding: Encoding::PLAIN, packed, plain: plain.len() };
        self.append_packed(column, rows.len(), None, page, None)
    }

    /// Starts a data page with its definition levels, if the column has any.
    fn begin_page(&mut self, levels: Option<Runs>) {
        self.page.clear();
        if let Some(levels) = levels {
            let levels = levels.finish();
            self.page.extend_from_slice(&(levels.len() as u32).to_le_bytes());
            self.page.extend_from_slice(&levels);
        }
    }

    /// Compresses the page and takes it, behind its dictionary if it has one, as the group's next column.
    fn append(
        &mut self,
        column: &ColumnDescPtr,
        rows: usize,
        dictionary: Option<(Vec<u8>, u32)>,
        encoding: Encoding,
        statistics: Option<Statistics>,
    ) -> Result<()> {
        let page = Compressed { encoding, packed: self.zstd.compress(&self.page)?, plain: self.page.len() };
        self.append_packed(column, rows, dictionary, page, statistics)
    }

    /// The same with a page that is compressed already.
    fn append_packed(
        &mut self,
        column: &ColumnDescPtr,
        rows: usize,
        dictionary: Option<(Vec<u8>, u32)>,
        page: Compressed,
        statistics: Option<Statistics>,
    ) -> Result<()> {
        let mut chunk = TrackedWrite::new(Vec::with_capacity(page.packed.len() + 256));
        let mut encodings = vec![Encoding::RLE, page.encoding];
        let (mut compressed, mut uncompressed) = (0, 0);
        let mut data_at = 0;
        let has_dictionary = dictionary.is_some();
        let mut writer = SerializedPageWriter::new(&mut chunk);
        if let Some((plain, entries)) = dictionary {
            encodings.push(Encoding::PLAIN);
            let buf = self.zstd.compress(&plain)?;
            let names = Page::DictionaryPage { buf, num_values: entries, encoding: Encoding::PLAIN, is_sorted: false };
            let spec = writer.write_page(CompressedPage::new(names, plain.len()))?;
            compressed += spec.compressed_size;
            uncompressed += spec.uncompressed_size;
            data_at = spec.bytes_written;
        }
        let data = Page::DataPage {
            buf: page.packed,
            num_values: rows as u32,
            encoding: page.encoding,
            def_level_encoding: Encoding::RLE,
            rep_level_encoding: Encoding::RLE,
            statistics: None,
        };
        let spec = writer.write_page(CompressedPage::new(data, page.plain))?;
        compressed += spec.compressed_size;
        uncompressed += spec.uncompressed_size;
        let mut metadata = ColumnChunkMetaData::builder(column.clone())
            .set_encodings(encodings)
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
            .set_num_values(rows as i64)
            .set_total_compressed_size(compressed as i64)
            .set_total_uncompressed_size(uncompressed as i64)
            .set_data_page_offset(data_at as i64)
            .set_dictionary_page_offset(has_dictionary.then_some(0));
        if let Some(statistics) = statistics {
            metadata = metadata.set_statistics(statistics);
        }
        let metadata = metadata.build()?;
        self.columns.push((Bytes::from(chunk.into_inner()?), closed(metadata, rows)));
        Ok(())
    }
}

/// A data page, compressed.
struct Compressed {
    encoding: Encoding,
    packed: Bytes,
    /// Its length before, bytes.
    plain: usize,
}

/// What the crate wants to know of a finished chunk.
pub(super) fn closed(metadata: ColumnChunkMetaData, rows: usize) -> ColumnCloseResult {
    ColumnCloseResult {
        bytes_written: metadata.compressed_size().max(0) as u64,
        rows_written: rows as u64,
        metadata,
        bloom_filter: None,
        column_index: None,
        offset_index: None,
    }
}

fn plain_bytes(bytes: &[u8], out: &mut Vec<u8>) {
    out.extend_from_slice(&(bytes.len() as u32).to_le_bytes());
    out.extend_from_slice(bytes);
}

/// Runs of equal numbers in Parquet's RLE form (runs only, no bit-packing: zstd takes care of short ones).
struct Runs {
    out: Vec<u8>,
    bytes: usize,
    value: u32,
    count: usize,
}

impl Runs {
    fn new(width: u32) -> Self {
        Self { out: Vec::new(), bytes: width.div_ceil(8) as usize, value: 0, count: 0 }
    }

    fn push(&mut self, value: u32, count: usize) {
        if value != self.value {
            self.end_run();
            self.value = value;
        }
        self.count += count;
    }

    fn end_run(&mut self) {
        if self.count > 0 {
            leb128::put(&mut self.out, (self.count as u64) << 1);
            self.out.extend_from_slice(&self.value.to_le_bytes()[..self.bytes]);
        }
        self.count = 0;
    }

    fn finish(mut self) -> Vec<u8> {
        self.end_run();
        self.out
    }
}
