//! One table of a run written again with some cells left out or changed, row group by row group, in the one schema.
//!
//! Decides nothing about which cells.

use std::path::Path;

use crate::schema::{ColumnKind, Table};
use crate::store::encode::Encoder;
use crate::store::reader::{Scan, scan};
use crate::store::rows::RowBuffer;
use crate::store::schema_of::FileSchema;
use crate::store::table_files::{TableFiles, describe};
use crate::store::writer::GROUP_ROWS;
use crate::store::{StoreError, merge, parts};

/// What is done to a row before it is written: its run time, its numbers in the order of the columns, its texts.
pub(super) type Change<'a> = &'a mut dyn FnMut(i64, &mut [f64], &mut [String]);

/// Writes a table of the run in `from` into the run in `to`; `None` where it has no file.
pub(super) fn table(
    from: &Path,
    to: &Path,
    table: Table,
    change: Change<'_>,
) -> Result<Option<TableFiles>, StoreError> {
    let folder = table.folder.clone();
    let found = parts::list(&from.join(&folder))?.0;
    let (Some(first), Some(last)) = (found.first(), found.last()) else { return Ok(None) };
    let path = to.join(&folder).join(parts::file_name(first.from, last.to));
    let schema = FileSchema::new(table, to)?;
    let columns: Vec<&str> = schema.table.columns.iter().skip(1).map(|column| &*column.name).collect();
    let kinds: Vec<ColumnKind> = schema.table.columns.iter().skip(1).map(|column| column.kind).collect();
    let at = |wanted: fn(ColumnKind) -> bool| {
        let places = kinds.iter().enumerate().filter(move |(_, kind)| wanted(**kind));
        places.map(|(place, _)| place).collect::<Vec<usize>>()
    };
    let names_at = at(|kind| kind == ColumnKind::Name).first().copied();
    let numbers_at = at(|kind| matches!(kind, ColumnKind::Float | ColumnKind::Integer));
    let texts_at = at(|kind| kind == ColumnKind::Text);
    let mut file = merge::create(&path, &schema)?;
    let (mut rows, mut encoder) = (RowBuffer::new(&schema.table), Encoder::new());
    let mut state = Scan::new(&columns);
    let mut failed = None;
    let (mut numbers, mut texts) = (vec![0.0; numbers_at.len()], vec![String::new(); texts_at.len()]);
    for part in &found {
        scan(&part.path, None, &mut state, |chunk| {
            for (row, t_us) in chunk.t_us.iter().enumerate() {
                numbers.iter_mut().zip(&numbers_at).for_each(|(cell, at)| *cell = chunk.columns[*at][row]);
                for (text, at) in texts.iter_mut().zip(&texts_at) {
                    let known = chunk.names[*at].get(chunk.columns[*at][row] as usize);
                    *text = known.cloned().unwrap_or_default();
                }
                change(*t_us, &mut numbers, &mut texts);
                let name = names_at.map_or(0, |at| chunk.columns[at][row] as u8);
                rows.push(*t_us, name, &numbers);
                rows.push_blobs(&texts.iter().map(|text| text.as_bytes()).collect::<Vec<_>>());
            }
            let names: Vec<&str> =
                names_at.map_or(Vec::new(), |at| chunk.names[at].iter().map(String::as_str).collect());
            if failed.is_none() && rows.len() > 0 {
                let packed = rows.pack(&schema, &names, &mut encoder);
                failed = packed.and_then(|packed| packed.append(&mut file)).err();
            }
        })?;
    }
    if let Some(error) = failed {
        return Err(StoreError::writing(&path, error));
    }
    merge::finish(file, &path, false)?;
    describe(&folder, [&*path]).map(Some)
}

/// Writes a table anew from rows: run time, the place of its name among `names`, numbers. `None` where there is no row.
pub(super) fn made<const N: usize>(
    to: &Path,
    table: Table,
    names: &[&str],
    made: &[(i64, u8, [f64; N])],
) -> Result<Option<TableFiles>, StoreError> {
    if made.is_empty() {
        return Ok(None);
    }
    let folder = table.folder.clone();
    let path = to.join(&folder).join(parts::file_name(0, 0));
    let schema = FileSchema::new(table, to)?;
    let mut file = merge::create(&path, &schema)?;
    let (mut rows, mut encoder) = (RowBuffer::new(&schema.table), Encoder::new());
    for group in made.chunks(GROUP_ROWS) {
        group.iter().for_each(|(t_us, name, numbers)| rows.push(*t_us, *name, numbers));
        let packed = rows.pack(&schema, names, &mut encoder);
        packed.and_then(|packed| packed.append(&mut file)).map_err(|error| StoreError::writing(&path, error))?;
    }
    merge::finish(file, &path, false)?;
    describe(&folder, [&*path]).map(Some)
}
