//! Rows of the tables `fixes`, `polls`, `supply` and `marks` as items.
//!
//! The columns are those of `schema::tables`. These tables are small: they are read row by row. Does not open files.

use parquet::errors::{ParquetError, Result};
use parquet::file::reader::RowGroupReader;
use parquet::record::{Field, Row};

use crate::observation::{BusNames, CanId, Fix, Item, Mark, MarkKind, Reply, Stamped};
use crate::time::{Span, Steady};

/// A table whose rows are items.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ItemTable {
    /// Satellite fixes.
    Fixes,
    /// Replies to requests.
    Polls,
    /// Supply voltage.
    Supply,
    /// Marks.
    Marks,
}

/// All of them.
pub const ITEM_TABLES: [ItemTable; 4] = [ItemTable::Fixes, ItemTable::Polls, ItemTable::Supply, ItemTable::Marks];

impl ItemTable {
    /// Its folder inside the run's.
    pub fn folder(self) -> &'static str {
        match self {
            Self::Fixes => "fixes",
            Self::Polls => "polls",
            Self::Supply => "supply",
            Self::Marks => "marks",
        }
    }
}

/// The items of a row group.
///
/// # Errors
/// If a row lacks what its table must have, or holds it in another kind.
pub fn read(table: ItemTable, rows: &dyn RowGroupReader, start: Span, names: &mut BusNames) -> Result<Vec<Stamped>> {
    let mut items = Vec::new();
    for row in rows.get_row_iter(None)? {
        let row = Cells(row?);
        let at = Steady(row.whole("t_us")?) + start;
        let item = match table {
            ItemTable::Fixes => Item::Fix(fix(&row)?),
            ItemTable::Polls => Item::Reply(reply(&row, names)?),
            ItemTable::Supply => Item::Supply(row.need(row.float("voltage"), "voltage")?),
            ItemTable::Marks => Item::Mark(mark(&row)?),
        };
        items.push(Stamped { at, item });
    }
    Ok(items)
}

fn fix(row: &Cells) -> Result<Fix> {
    Ok(Fix {
        latitude_deg: row.float("latitude"),
        longitude_deg: row.float("longitude"),
        altitude_m: row.float("altitude"),
        speed_mps: row.float("speed"),
        track_deg: row.float("track"),
        mode: row.small("mode")?,
        satellites: row.get("satellites").map(|_| row.small("satellites")).transpose()?,
        hdop: row.float("hdop"),
    })
}

fn reply(row: &Cells, names: &mut BusNames) -> Result<Reply> {
    let (id, extended) = (row.whole("id")?, row.whole("extended")? != 0);
    let from = match (u16::try_from(id), u32::try_from(id)) {
        (_, Ok(id)) if extended => CanId::Extended(id),
        (Ok(id), _) if !extended => CanId::Standard(id),
        _ => return Err(ParquetError::General("a reply from an identifier that no frame has".into())),
    };
    let bus = names.intern(&row.text("bus")?);
    Ok(Reply { bus: row.need(bus, "bus")?, from, request: row.bytes("request")?, payload: row.bytes("reply")? })
}

fn mark(row: &Cells) -> Result<Mark> {
    let kind = MarkKind::from_key(&row.text("kind")?);
    Ok(Mark { kind: row.need(kind, "kind")?, value: row.float("value"), text: row.text("text")? })
}

/// A row whose cells are found by name.
struct Cells(Row);

impl Cells {
    /// A cell that is there and not null.
    fn get(&self, name: &str) -> Option<&Field> {
        let cell = self.0.get_column_iter().find(|(column, _)| *column == name).map(|(_, cell)| cell);
        cell.filter(|cell| !matches!(cell, Field::Null))
    }
    fn need<T>(&self, value: Option<T>, name: &str) -> Result<T> {
        value.ok_or_else(|| ParquetError::General(format!("column '{name}' is missing or not of its kind")))
    }
    fn float(&self, name: &str) -> Option<f64> {
        match self.get(name)? {
            Field::Double(value) => Some(*value),
            _ => None,
        }
    }
    fn whole(&self, name: &str) -> Result<i64> {
        let value = match self.get(name) {
            Some(Field::Int(value)) => Some(i64::from(*value)),
            Some(Field::Long(value)) => Some(*value),
            _ => None,
        };
        self.need(value, name)
    }
    fn small(&self, name: &str) -> Result<u8> {
        self.need(u8::try_from(self.whole(name)?).ok(), name)
    }
    fn bytes(&self, name: &str) -> Result<Vec<u8>> {
        let value = match self.get(name) {
            Some(Field::Bytes(value)) => Some(value.data().to_vec()),
            _ => None,
        };
        self.need(value, name)
    }
    fn text(&self, name: &str) -> Result<String> {
        let value = match self.get(name) {
            Some(Field::Str(value)) => Some(value.clone()),
            Some(Field::Bytes(value)) => std::str::from_utf8(value.data()).ok().map(str::to_owned),
            _ => None,
        };
        self.need(value, name)
    }
}
