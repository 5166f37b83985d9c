//! Merges a table's parts into one file, so that a cut at any moment loses nothing and doubles nothing.
//!
//! Row groups are copied as they are encoded; short ones beside each other (a slow message has a few hundred rows a
//! part) are joined into longer ones, which makes files smaller and faster to read. The merged file gets its name, which
//! says which parts it covers, only when it is whole and on the disk; then the parts go.

use std::fs::File;
use std::path::{Path, PathBuf};

use bytes::Bytes;
use parquet::errors::Result as ParquetResult;
use parquet::file::metadata::ParquetMetaData;
use parquet::file::reader::ChunkReader;
use parquet::file::writer::SerializedFileWriter;

use super::disk::{self, Output};
use super::encode::{Encoder, closed};
use super::reader::{OpenFile, Scan, scan};
use super::rows::RowBuffer;
use super::schema_of::FileSchema;
use super::{StoreError, parts};
use crate::schema::ColumnKind;

/// Row groups shorter than this are joined with their neighbours ...
const JOIN_BELOW: i64 = 4_096;
/// ... up to this many bytes of rows.
const JOIN_BYTES: usize = 6 << 20;
/// Part files up to this long are read in one go.
const WHOLE_FILE: u64 = 8 << 20;

/// Begins a file that will be called `path` when it is whole.
pub(super) fn create(path: &Path, schema: &FileSchema) -> Result<SerializedFileWriter<Output>, StoreError> {
    let output = Output::create(&disk::temp_name(path))?;
    SerializedFileWriter::new(output, schema.root.clone(), schema.properties.clone())
        .map_err(|error| StoreError::writing(path, error))
}

/// Ends a file and gives it its name.
pub(super) fn finish(file: SerializedFileWriter<Output>, path: &Path, sync: bool) -> Result<(), StoreError> {
    let mut output = file.into_inner().map_err(|error| StoreError::writing(path, error))?;
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
    if let [only] = &found[..] {
        // Parts may not have been synced one by one; the one that stays is.
        let file = File::open(&only.path).map_err(|error| StoreError::io(&only.path, "open", error))?;
        file.sync_all().map_err(|error| StoreError::io(&only.path, "sync", error))?;
        disk::rename(&only.path, &path)?;
        disk::sync_folder(folder)?;
        return Ok(Some(path));
    }
    let footers = found.iter().map(|part| metadata(&part.path)).collect::<Result<Vec<_>, _>>()?;
    let pieces = footers.iter().enumerate().flat_map(|(file, footer)| {
        let groups = footer.row_groups().iter().enumerate();
        groups.map(move |(group, metadata)| Piece { file, group, rows: metadata.num_rows() })
    });
    let merged = write(&path, pieces, &found, &footers, schema, encoder);
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

fn write(
    path: &Path,
    pieces: impl Iterator<Item = Piece>,
    found: &[parts::Part],
    footers: &[ParquetMetaData],
    schema: &FileSchema,
    encoder: &mut Encoder,
) -> Result<(), StoreError> {
    let mut out = create(path, schema)?;
    for stretch in stretches(pieces, schema) {
        match &stretch[..] {
            [piece] => copy(&mut out, &found[piece.file].path, &footers[piece.file], piece.group)?,
            several => join(&mut out, several, found, schema, encoder)?,
        }
    }
    finish(out, path, true)
}

/// Which row groups become one: neighbours that are all short, up to a limit. Frames keep their groups, since their order
/// holds within a group only; tables with byte strings keep theirs, being small.
fn stretches(pieces: impl Iterator<Item = Piece>, schema: &FileSchema) -> Vec<Vec<Piece>> {
    let joins = |kind: ColumnKind| !matches!(kind, ColumnKind::Bytes8 | ColumnKind::Bytes | ColumnKind::Text);
    let may_join = schema.table.columns.iter().all(|column| joins(column.kind));
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

fn copy(
    out: &mut SerializedFileWriter<Output>,
    from: &Path,
    footer: &ParquetMetaData,
    group: usize,
) -> Result<(), StoreError> {
    let reading = |error| StoreError::io(from, "read", error);
    let file = File::open(from).map_err(reading)?;
    let copied = if file.metadata().map_err(reading)?.len() <= WHOLE_FILE {
        copy_group(out, &Bytes::from(std::fs::read(from).map_err(reading)?), footer, group)
    } else {
        copy_group(out, &file, footer, group)
    };
    copied.map_err(|error| StoreError::writing(from, error))
}

fn copy_group(
    out: &mut SerializedFileWriter<Output>,
    from: &impl ChunkReader,
    footer: &ParquetMetaData,
    group: usize,
) -> ParquetResult<()> {
    let group = footer.row_group(group);
    let mut copy = out.next_row_group()?;
    for column in group.columns() {
        copy.append_column(from, closed(column.clone(), group.num_rows().max(0) as usize))?;
    }
    copy.close().map(|_| ())
}

fn join(
    out: &mut SerializedFileWriter<Output>,
    pieces: &[Piece],
    found: &[parts::Part],
    schema: &FileSchema,
    encoder: &mut Encoder,
) -> Result<(), StoreError> {
    let columns: Vec<&str> = schema.table.columns.iter().skip(1).map(|column| &*column.name).collect();
    let name_at = schema.table.columns.iter().skip(1).position(|column| column.kind == ColumnKind::Name);
    let mut rows = RowBuffer::new(&schema.table);
    let mut state = Scan::new(&columns);
    let mut numbers = Vec::new();
    for piece in pieces {
        let groups = piece.group..piece.group + 1;
        scan(&found[piece.file].path, Some(groups), &mut state, |chunk| {
            for (row, at) in chunk.t_us.iter().enumerate() {
                numbers.clear();
                let cells = chunk.columns.iter().enumerate().filter(|(index, _)| Some(*index) != name_at);
                numbers.extend(cells.map(|(_, column)| column[row]));
                let name = name_at.map_or(0, |index| chunk.columns[index][row] as u8);
                rows.push(*at, name, &numbers);
            }
        })?;
    }
    let names: Vec<&str> = name_at.map_or(Vec::new(), |index| state.names(index).iter().map(String::as_str).collect());
    rows.pack(schema, &names, encoder)
        .and_then(|packed| packed.append(out))
        .map_err(|error| StoreError::writing(&found[pieces[0].file].path, error))
}
