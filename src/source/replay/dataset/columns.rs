//! A row group of the table `frames`, column by column, as frames.
//!
//! The columns are those of `schema::tables::frames`. Does not open files.

use parquet::basic::Type as Physical;
use parquet::column::reader::get_typed_column_reader;
use parquet::data_type::{
    AsBytes, ByteArray, ByteArrayType, DataType, FixedLenByteArray, FixedLenByteArrayType, Int32Type, Int64Type,
};
use parquet::errors::{ParquetError, Result};
use parquet::file::reader::RowGroupReader;

use crate::observation::{Batch, Bus, BusNames, FrameFlags};
use crate::time::{Span, Steady};

/// The most rows that a row group may say it has: many times what is ever written, and still little memory.
const ROWS_MAX: i64 = 4_000_000;

fn wrong(what: impl Into<String>) -> ParquetError {
    ParquetError::General(what.into())
}

/// A column's values; of one that may be null, those that are not, and with them which rows these are.
fn column<T: DataType>(rows: &dyn RowGroupReader, name: &str, physical: Physical) -> Result<(Vec<T::T>, Vec<i16>)> {
    let count = rows.metadata().num_rows();
    let schema = rows.metadata().schema_descr();
    let place = schema.columns().iter().position(|column| column.name() == name);
    let place = place.ok_or_else(|| wrong(format!("column '{name}' is missing")))?;
    let described = schema.column(place);
    if described.physical_type() != physical || described.max_rep_level() != 0 {
        return Err(wrong(format!("column '{name}' is not of the kind that the data set has there")));
    }
    let count = usize::try_from(count.clamp(0, ROWS_MAX)).unwrap_or(0);
    let (mut values, mut levels) = (Vec::new(), Vec::new());
    let nullable = described.max_def_level() > 0;
    let mut reader = get_typed_column_reader::<T>(rows.get_column_reader(place)?);
    let mut read = 0;
    while read < count {
        let (got, ..) = reader.read_records(count - read, nullable.then_some(&mut levels), None, &mut values)?;
        if got == 0 {
            return Err(wrong(format!("column '{name}' ends early")));
        }
        read += got;
    }
    if !nullable {
        levels.resize(count, 1);
    }
    Ok((values, levels.into_iter().map(|level| i16::from(level > 0)).collect()))
}

/// A column that has a value in every row.
fn full<T: DataType>(rows: &dyn RowGroupReader, name: &str, physical: Physical) -> Result<Vec<T::T>> {
    let (values, levels) = column::<T>(rows, name, physical)?;
    if values.len() == levels.len() { Ok(values) } else { Err(wrong(format!("column '{name}' holds a null"))) }
}

/// Reads the frames of a row group in the order of its rows, in place of what `into` held.
///
/// # Errors
/// If a column is missing, of another kind, or damaged, or a row is no frame; `into` is left alone then.
pub fn frames(rows: &dyn RowGroupReader, start: Span, into: &mut Batch, names: &mut BusNames) -> Result<()> {
    let at = full::<Int64Type>(rows, "t_us", Physical::INT64)?;
    let bus = full::<ByteArrayType>(rows, "bus", Physical::BYTE_ARRAY)?;
    let id = full::<Int32Type>(rows, "id", Physical::INT32)?;
    let flags = full::<Int32Type>(rows, "flags", Physical::INT32)?;
    let len = full::<Int32Type>(rows, "len", Physical::INT32)?;
    let data = full::<FixedLenByteArrayType>(rows, "data", Physical::FIXED_LEN_BYTE_ARRAY)?;
    let (data_fd, has_fd) = column::<ByteArrayType>(rows, "data_fd", Physical::BYTE_ARRAY)?;
    let mut data_fd = data_fd.iter();
    let mut batch = Batch::default();
    let fixed = at.iter().zip(&bus).zip(&id).zip(&flags);
    let payload = len.iter().zip(&data).zip(&has_fd);
    for ((((at, bus), id), flags), ((len, data), has_fd)) in fixed.zip(payload) {
        let tail = if *has_fd > 0 { data_fd.next().map_or(&[][..], AsBytes::as_bytes) } else { &[] };
        let bus = bus_of(bus, names)?;
        let (id, flags) = (u32::try_from(*id).ok(), u8::try_from(*flags).ok());
        let (Some(id), Some(flags)) = (id.filter(|id| *id <= 0x1FFF_FFFF), flags.map(FrameFlags)) else {
            return Err(wrong("a row whose identifier or flags no frame has"));
        };
        let payload =
            payload_of(*len, flags, data, tail).ok_or_else(|| wrong("a row whose length and payload differ"))?;
        batch.push(Steady(*at) + start, bus, id, flags, &payload);
        if let Some(pushed) = batch.frames.last_mut() {
            pushed.len = *len as u8;
        }
    }
    *into = batch;
    Ok(())
}

fn bus_of(name: &ByteArray, names: &mut BusNames) -> Result<Bus> {
    let name = std::str::from_utf8(name.as_bytes()).map_err(|_| wrong("a bus name that is not text"))?;
    names.intern(name).ok_or_else(|| wrong("more buses than can be told apart"))
}

/// The payload of a row, empty for a remote frame; `None` if the row contradicts itself.
fn payload_of(len: i32, flags: FrameFlags, data: &FixedLenByteArray, tail: &[u8]) -> Option<Vec<u8>> {
    let len = usize::try_from(len).ok().filter(|len| *len <= 64)?;
    if flags.has(FrameFlags::REMOTE) {
        return Some(Vec::new());
    }
    let head = data.as_bytes().get(..len.min(8))?;
    (tail.len() == len.saturating_sub(8)).then(|| [head, tail].concat())
}
