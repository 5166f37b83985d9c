//! Rows of every table but the frames, gathered until a row group is full, then packed column by column.
//!
//! Does not decide when: the writer does, by rows and run time alone.

use parquet::errors::Result;
use parquet::schema::types::ColumnDescPtr;

use super::encode::{Encoder, Packed};
use super::schema_of::FileSchema;
use crate::schema::{Column, ColumnKind, Table};

/// Where a column's cells are held.
#[derive(Clone, Copy)]
enum Held {
    Time,
    Name,
    /// Number `n` of a row's numbers.
    Number(usize),
    /// Blob `n` of a row's blobs.
    Blob(usize),
}

/// Rows waiting for their row group: a time, at most one name, numbers (NaN = null) and byte strings.
pub(super) struct RowBuffer {
    held: Vec<Held>,
    numbers: usize,
    blobs: usize,
    times: Vec<i64>,
    names: Vec<u8>,
    values: Vec<f64>,
    ends: Vec<usize>,
    bytes: Vec<u8>,
}

impl RowBuffer {
    pub fn new(table: &Table) -> Self {
        let (mut numbers, mut blobs) = (0, 0);
        let count = |n: &mut usize| {
            *n += 1;
            *n - 1
        };
        let held = table
            .columns
            .iter()
            .map(|column| match column.kind {
                ColumnKind::Time => Held::Time,
                ColumnKind::Name => Held::Name,
                ColumnKind::Float | ColumnKind::Integer => Held::Number(count(&mut numbers)),
                ColumnKind::Text | ColumnKind::Bytes | ColumnKind::Bytes8 => Held::Blob(count(&mut blobs)),
            })
            .collect();
        Self {
            held,
            numbers,
            blobs,
            times: Vec::new(),
            names: Vec::new(),
            values: Vec::new(),
            ends: Vec::new(),
            bytes: Vec::new(),
        }
    }

    /// How many numbers a row has.
    pub fn numbers(&self) -> usize {
        self.numbers
    }

    /// How many byte strings a row has.
    pub fn blobs(&self) -> usize {
        self.blobs
    }

    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Bytes that a row of this table takes here, byte strings left out.
    pub fn row_bytes(table: &Table) -> usize {
        let new = Self::new(table);
        9 + 8 * new.numbers
    }

    /// Adds a row; missing numbers are null, surplus ones are left out.
    #[inline]
    pub fn push(&mut self, at: i64, name: u8, numbers: &[f64]) {
        self.times.push(at);
        self.names.push(name);
        if numbers.len() == self.numbers {
            // A row is a few numbers: four at a time is less than a call of the system's copying.
            let (fours, rest) = numbers.as_chunks::<4>();
            fours.iter().for_each(|four| self.values.extend_from_slice(four));
            rest.iter().for_each(|one| self.values.push(*one));
        } else {
            self.values.extend(numbers.iter().copied().chain(std::iter::repeat(f64::NAN)).take(self.numbers));
        }
    }

    /// Adds the byte strings of the row just added.
    pub fn push_blobs(&mut self, blobs: &[&[u8]]) {
        for blob in blobs {
            self.bytes.extend_from_slice(blob);
            self.ends.push(self.bytes.len());
        }
    }

    /// Packs all rows as one row group and empties the buffer. `names` are the texts of the name column.
    pub fn pack(&mut self, schema: &FileSchema, names: &[impl AsRef<str>], encoder: &mut Encoder) -> Result<Packed> {
        let packed = encoder.group(|encoder| {
            let columns = self.held.iter().zip(&schema.table.columns).enumerate();
            columns.into_iter().try_for_each(|(index, (held, spec))| {
                self.pack_column(*held, spec, names, &schema.columns.column(index), encoder)
            })
        })?;
        self.times.clear();
        self.names.clear();
        self.values.clear();
        self.ends.clear();
        self.bytes.clear();
        Ok(packed)
    }

    fn pack_column(
        &self,
        held: Held,
        spec: &Column,
        names: &[impl AsRef<str>],
        column: &ColumnDescPtr,
        encoder: &mut Encoder,
    ) -> Result<()> {
        match held {
            Held::Time => encoder.times(column, &self.times),
            Held::Name => {
                let text = |name: u8| names.get(usize::from(name)).map_or("", AsRef::as_ref);
                encoder.text_runs(column, equal_runs(&self.names).map(|(n, count)| (text(n), count)))
            }
            Held::Number(n) => {
                let cells = self.values[n..].iter().step_by(self.numbers.max(1)).copied();
                pack_numbers(spec, cells, column, encoder)
            }
            Held::Blob(n) => {
                let cell = |row: usize| {
                    let at = row * self.blobs + n;
                    let start = if at == 0 { 0 } else { self.ends[at - 1] };
                    Some(&self.bytes[start..self.ends[at]])
                };
                encoder.blobs(column, (0..self.len()).map(cell))
            }
        }
    }
}

/// Packs a column of numbers; NaN is null.
pub(super) fn pack_numbers(
    spec: &Column,
    cells: impl ExactSizeIterator<Item = f64> + Clone,
    column: &ColumnDescPtr,
    encoder: &mut Encoder,
) -> Result<()> {
    match (spec.kind, spec.nullable) {
        (ColumnKind::Integer, false) => encoder.integer_runs(column, cells.map(|value| (value as i32, 1))),
        (ColumnKind::Integer, true) => encoder.integers(column, cells),
        _ => encoder.floats(column, cells),
    }
}

/// Runs of equal items with their lengths.
pub(super) fn equal_runs<T: PartialEq + Copy>(items: &[T]) -> impl Iterator<Item = (T, usize)> {
    items.chunk_by(|a, b| a == b).map(|run| (run[0], run.len()))
}
