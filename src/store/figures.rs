//! A test's figures as one Parquet file: a row a figure, what the file is of in its metadata.
//!
//! Knows no figure by name: rows are given.

use std::path::Path;

use super::encode::Encoder;
use super::rows::RowBuffer;
use super::schema_of::FileSchema;
use super::{StoreError, merge};
use crate::schema::{Column, ColumnKind, Table};

/// A figure, or a word of the result.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FigureRow {
    /// Its path in the JSON of `drawdown reduce`.
    pub figure: String,
    /// Its value; NaN where it is a word.
    pub value: f64,
    /// Half-width of its 95 % interval; NaN where it has none.
    pub u95: f64,
    /// The unit of both; empty where it has none or is a word.
    pub unit: String,
    /// The word; empty where it is a number.
    pub text: String,
}

/// The table's columns.
pub fn table() -> Table {
    use ColumnKind::{Float, Text};
    Table {
        folder: "figures".into(),
        meaning: "a figure of a test, or a word of its result".into(),
        columns: vec![
            Column::new("figure", Text, "", "its path in the JSON of drawdown reduce"),
            Column::nullable("value", Float, "", "its value, in the unit that the column unit names; null for a word"),
            Column::nullable("u95", Float, "", "half-width of its 95 % interval, in that unit; null where it has none"),
            Column::new("unit", Text, "", "the unit; empty where it has none"),
            Column::new("text", Text, "", "the word; empty for a number"),
        ],
    }
}

/// Writes them to `path`; `about` says of what they are, in the file's metadata.
pub fn write(path: &Path, rows: &[FigureRow], about: Vec<(&str, String)>) -> Result<(), StoreError> {
    let schema = FileSchema::named(table(), path, Vec::new(), about)?;
    let mut file = merge::create(path, &schema)?;
    let (mut buffer, mut encoder) = (RowBuffer::new(&schema.table), Encoder::new());
    for row in rows {
        buffer.push(0, 0, &[row.value, row.u95]);
        buffer.push_blobs(&[row.figure.as_bytes(), row.unit.as_bytes(), row.text.as_bytes()]);
    }
    let packed = buffer.pack(&schema, &[""; 0], &mut encoder);
    packed.and_then(|packed| packed.append(&mut file)).map_err(|error| StoreError::writing(path, error))?;
    merge::finish(file, path, false)
}
