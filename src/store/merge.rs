//! Merges a table's parts into one file, so that a cut at any moment loses nothing and doubles nothing.
//!
//! Row groups are copied as they are encoded; short ones beside each other (a slow message has a few hundred rows a
//! part) are joined into longer ones, which makes files smaller and faster to read. The merged file gets its name, which
//! says which parts it covers, only when it is whole and on the disk; then the parts go.

use std::fs::File;
use std::io::{self, BufWriter, IntoInnerError};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use bytes::{Buf, Bytes};
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::metadata::{ParquetMetaData, RowGroupMetaData};
use parquet::file::reader::{ChunkReader, Length};
use parquet::file::writer::SerializedFileWriter;

use super::disk::{self, Output};
use super::encode::{Encoder, closed};
use super::reader::{OpenFile, Scan};
use super::rows::{RowBuffer, equal_runs, pack_numbers};
use super::schema_of::FileSchema;
use super::{StoreError, parts};
use crate::schema::ColumnKind;

/// Row groups shorter than this are joined with their neighbours ...
const JOIN_BELOW: i64 = 4_096;
/// ... up to this many bytes of rows.
const JOIN_BYTES: usize = 6 << 20;
/// What gathers before it is written to a file, bytes; there is one such buffer a table.
const WRITE_AT_ONCE: usize = 32 << 10;

/// A Parquet file being written.
pub(super) type TableFile = SerializedFileWriter<BufWriter<Output>>;

/// Begins a file that will be called `path` when it is whole.
pub(super) fn create(path: &Path, schema: &FileSchema) -> Result<TableFile, StoreError> {
    let output = BufWriter::with_capacity(WRITE_AT_ONCE, Output::create(&disk::temp_name(path))?);
    SerializedFileWriter::new(output, schema.root.clone(), schema.properties.clone())
        .map_err(|error| StoreError::writing(path, error))
}

/// Ends a file and gives it its name.
pub(super) fn finish(file: TableFile, path: &Path, sync: bool) -> Result<(), StoreError> {
    let buffer = file.into_inner().map_err(|error| StoreError::writing(path, error))?;
    let written = buffer.into_inner().map_err(IntoInnerError::into_error);
    let mut output = written.map_err(|error| StoreError::io(path, "write", error))?;
    if sync {
        output.sync()?;
    }
    disk::rename(output.path(), path)?;
    match path.parent() {
        Some(folder) if sync => disk::sync_folder(folder),
        _ => Ok(()),
    }
}

/// A Parquet file's footer.
pub(super) fn metadata(path: &Path) -> Result<ParquetMetaData, StoreError> {
    OpenFile::open(path).map(OpenFile::into_footer)
}

/// A row group to go into the merged file.
#[derive(Clone, Copy)]
struct Piece {
    file: usize,
    group: usize,
    rows: i64,
}

/// Merges the parts of one table, whose last is `last`, into one file; `None` when it has no part.
pub(super) fn merge(
    folder: &Path,
    schema: &FileSchema,
    last: u32,
    encoder: &mut Encoder,
) -> Result<Option<PathBuf>, StoreError> {
    let (found, _) = parts::list(folder)?;
    if found.is_empty() {
        return Ok(None);
    }
    let path = folder.join(parts::file_name(0, last));
    let mut files = Files { found: &found, open: None };
    let mut pieces = Vec::new();
    for file in 0..found.len() {
        let groups = files.get(file)?.row_groups().iter().enumerate();
        pieces.extend(groups.map(|(group, metadata)| Piece { file, group, rows: metadata.num_rows() }));
    }
    let stretches = stretches(pieces, schema);
    if let [only] = &found[..]
        && stretches.iter().all(|stretch| stretch.len() == 1)
    {
        // Parts may not have been synced one by one; the one that stays is.
        let file = File::open(&only.path).map_err(|error| StoreError::io(&only.path, "open", error))?;
        file.sync_all().map_err(|error| StoreError::io(&only.path, "sync", error))?;
        disk::rename(&only.path, &path)?;
        disk::sync_folder(folder)?;
        return Ok(Some(path));
    }
    let merged = write(&path, &stretches, &mut files, schema, encoder);
    if merged.is_err() {
        // What is not whole holds room that the recording may need; if it can't go now, recovery removes it.
        let _ = disk::remove(&disk::temp_name(&path));
    }
    merged?;
    for part in parts::list(folder)?.1 {
        disk::remove(&part.path)?;
    }
    disk::sync_folder(folder)?;
    Ok(Some(path))
}

/// The files to be merged; the one read last stays open, since what comes next mostly lies in it.
struct Files<'a> {
    found: &'a [parts::Part],
    open: Option<(usize, OpenFile)>,
}

impl Files<'_> {
    fn get(&mut self, file: usize) -> Result<&OpenFile, StoreError> {
        let open = match self.open.take() {
            Some((at, open)) if at == file => open,
            _ => OpenFile::open(&self.found[file].path)?,
        };
        Ok(&self.open.insert((file, open)).1)
    }
}

fn write(
    path: &Path,
    stretches: &[Vec<Piece>],
    files: &mut Files<'_>,
    schema: &FileSchema,
    encoder: &mut Encoder,
) -> Result<(), StoreError> {
    let mut out = create(path, schema)?;
    for stretch in stretches {
        match &stretch[..] {
            [piece] => copy(&mut out, files.get(piece.file)?, piece.group)?,
            several => join(&mut out, several, files, schema, encoder)?,
        }
    }
    finish(out, path, true)
}

/// Whether short row groups of a table are joined. Frames keep their groups, since their order holds within a group only; tables with byte
/// strings keep theirs, being small.
pub(super) fn may_join(schema: &FileSchema) -> bool {
    let joins = |kind: ColumnKind| !matches!(kind, ColumnKind::Bytes8 | ColumnKind::Bytes | ColumnKind::Text);
    schema.table.columns.iter().all(|column| joins(column.kind))
}

/// Which row groups become one: neighbours that are all short, up to a limit.
fn stretches(pieces: Vec<Piece>, schema: &FileSchema) -> Vec<Vec<Piece>> {
    let may_join = may_join(schema);
    let most = (JOIN_BYTES / RowBuffer::row_bytes(&schema.table)) as i64;
    let mut stretches: Vec<Vec<Piece>> = Vec::new();
    let mut open = 0;
    for piece in pieces {
        let short = may_join && piece.rows < JOIN_BELOW;
        match stretches.last_mut() {
            Some(stretch) if short && open > 0 && open + piece.rows <= most => {
                stretch.push(piece);
                open += piece.rows;
            }
            _ => {
                stretches.push(vec![piece]);
                open = if short { piece.rows } else { 0 };
            }
        }
    }
    stretches
}

/// Copies a row group as it is encoded.
fn copy(out: &mut TableFile, from: &OpenFile, group: usize) -> Result<(), StoreError> {
    let group = &from.row_groups()[group];
    let packed = GroupBytes::read(from.file(), group).map_err(|error| StoreError::io(from.path(), "read", error))?;
    let mut append = || {
        let mut copy = out.next_row_group()?;
        for column in group.columns() {
            copy.append_column(&packed, closed(column.clone(), group.num_rows().max(0) as usize))?;
        }
        copy.close().map(|_| ())
    };
    append().map_err(|error| StoreError::writing(from.path(), error))
}

/// The part of a file that holds a row group, read in one go.
struct GroupBytes {
    /// Where it begins in the file.
    start: u64,
    bytes: Bytes,
}

impl GroupBytes {
    fn read(file: &File, group: &RowGroupMetaData) -> io::Result<Self> {
        let ranges = group.columns().iter().map(|column| column.byte_range());
        let start = ranges.clone().map(|(start, _)| start).min().unwrap_or(0);
        let end = ranges.map(|(start, length)| start.saturating_add(length)).max().unwrap_or(0);
        // A footer that says more than the file has asks for no memory.
        let end = end.min(file.metadata()?.len()).max(start);
        let mut bytes = vec![0; (end - start) as usize];
        file.read_exact_at(&mut bytes, start)?;
        Ok(Self { start, bytes: bytes.into() })
    }
}

impl Length for GroupBytes {
    fn len(&self) -> u64 {
        self.start + self.bytes.len() as u64
    }
}

impl ChunkReader for GroupBytes {
    type T = bytes::buf::Reader<Bytes>;

    fn get_read(&self, start: u64) -> ParquetResult<Self::T> {
        let length = self.len().saturating_sub(start) as usize;
        self.get_bytes(start, length).map(Buf::reader)
    }

    fn get_bytes(&self, start: u64, length: usize) -> ParquetResult<Bytes> {
        let from = start.checked_sub(self.start).map(|from| from as usize);
        let range = from.and_then(|from| Some(from..from.checked_add(length)?));
        let range = range.filter(|range| range.end <= self.bytes.len());
        range.map(|range| self.bytes.slice(range)).ok_or_else(|| ParquetError::EOF("a row group ends early".into()))
    }
}

/// Joins row groups column by column: a row of the trace is long, and a column picked out of many rows would come from all over the memory.
fn join(
    out: &mut TableFile,
    pieces: &[Piece],
    files: &mut Files<'_>,
    schema: &FileSchema,
    encoder: &mut Encoder,
) -> Result<(), StoreError> {
    let names: Vec<&str> = schema.table.columns.iter().skip(1).map(|column| &*column.name).collect();
    let rows = pieces.iter().map(|piece| piece.rows.max(0) as usize).sum();
    let mut times = Vec::with_capacity(rows);
    let mut columns: Vec<Vec<f64>> = names.iter().map(|_| Vec::with_capacity(rows)).collect();
    let mut state = Scan::new(&names);
    for piece in pieces {
        files.get(piece.file)?.scan(piece.group..piece.group + 1, &mut state, |chunk| {
            times.extend_from_slice(chunk.t_us);
            columns.iter_mut().zip(chunk.columns).for_each(|(joined, cells)| joined.extend_from_slice(cells));
        })?;
    }
    let packed = encoder.group(|encoder| {
        encoder.times(&schema.columns.column(0), &times)?;
        for (index, (spec, cells)) in schema.table.columns.iter().skip(1).zip(&columns).enumerate() {
            let column = schema.columns.column(index + 1);
            if spec.kind == ColumnKind::Name {
                let text = |name: f64| state.names(index).get(name as usize).map_or("", String::as_str);
                encoder.text_runs(&column, equal_runs(cells).map(|(name, count)| (text(name), count)))?;
            } else {
                pack_numbers(spec, cells.iter().copied(), &column, encoder)?;
            }
        }
        Ok(())
    });
    packed
        .and_then(|packed| packed.append(out))
        .map_err(|error| StoreError::writing(&files.found[pieces[0].file].path, error))
}
