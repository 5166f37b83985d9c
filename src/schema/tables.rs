//! The tables of a run: which columns each has, of what kind, unit and meaning.
//!
//! Does not know Parquet's encodings (the store chooses them by [`ColumnKind`]).

use super::role::ROLES;
use crate::quantity::Dimension;

/// What a column holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ColumnKind {
    /// Microseconds of run time, increasing or repeating within a (bus, id) block.
    Time,
    /// A 64-bit float; null where not available.
    Float,
    /// A small whole number.
    Integer,
    /// A short text from a small set.
    Name,
    /// A longer text.
    Text,
    /// Exactly 8 bytes.
    Bytes8,
    /// Bytes of any length; null where it has none.
    Bytes,
}

/// A column: name, kind, unit, meaning.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Column {
    /// Its name in the file.
    pub name: String,
    /// What it holds.
    pub kind: ColumnKind,
    /// Its unit; empty for what has none.
    pub unit: String,
    /// What it means.
    pub meaning: String,
    /// Whether a cell may be null.
    pub nullable: bool,
}

impl Column {
    /// A column that always holds something.
    pub fn new(name: &str, kind: ColumnKind, unit: &str, meaning: &str) -> Self {
        Self { name: name.into(), kind, unit: unit.into(), meaning: meaning.into(), nullable: false }
    }
    /// A column whose cells may be null.
    pub fn nullable(name: &str, kind: ColumnKind, unit: &str, meaning: &str) -> Self {
        Self { nullable: true, ..Self::new(name, kind, unit, meaning) }
    }
}

/// A table of a run: one folder of Parquet parts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Table {
    /// Its folder inside the run's, such as `frames` or `samples/message=PACK_FAST`.
    pub folder: String,
    /// What a row is.
    pub meaning: String,
    /// Its columns.
    pub columns: Vec<Column>,
}

fn time() -> Column {
    Column::new("t_us", ColumnKind::Time, "us", "run time since the run's first observation")
}

fn bus() -> Column {
    Column::new("bus", ColumnKind::Name, "", "the bus it was received on")
}

/// Every frame as received.
pub fn frames() -> Table {
    use ColumnKind::{Bytes, Bytes8, Integer};
    Table {
        folder: "frames".into(),
        meaning: "a CAN frame as received; within a row group ordered by bus, identifier, time".into(),
        columns: vec![
            time(),
            bus(),
            Column::new("id", Integer, "", "identifier without flag bits; of an error frame, the error class bits"),
            Column::new(
                "flags",
                Integer,
                "",
                "sum of 1 extended, 2 remote, 4 error, 8 FD, 16 bit rate switch, 32 error state",
            ),
            Column::new("len", Integer, "byte", "payload length; of a remote frame, the length asked for"),
            Column::new("data", Bytes8, "", "the first 8 bytes of the payload, zero-padded"),
            Column::nullable("data_fd", Bytes, "", "the payload from its ninth byte on; null where there is none"),
        ],
    }
}

/// Satellite fixes.
pub fn fixes() -> Table {
    use ColumnKind::{Float, Integer};
    Table {
        folder: "fixes".into(),
        meaning: "a satellite fix".into(),
        columns: vec![
            time(),
            Column::nullable("latitude", Float, "deg", "degrees north, WGS84"),
            Column::nullable("longitude", Float, "deg", "degrees east, WGS84"),
            Column::nullable("altitude", Float, "m", "height above mean sea level"),
            Column::nullable("speed", Float, "m/s", "speed over ground"),
            Column::nullable("track", Float, "deg", "direction of travel from true north"),
            Column::new("mode", Integer, "", "0 none, 1 no fix, 2 two-dimensional, 3 three-dimensional"),
            Column::nullable("satellites", Integer, "", "satellites used"),
            Column::nullable("hdop", Float, "", "horizontal dilution of precision"),
        ],
    }
}

/// Replies to our own requests.
pub fn polls() -> Table {
    use ColumnKind::{Bytes, Integer};
    Table {
        folder: "polls".into(),
        meaning: "a reply to a request of ours, transport framing removed".into(),
        columns: vec![
            time(),
            bus(),
            Column::new("id", Integer, "", "the identifier that answered"),
            Column::new("extended", Integer, "", "1 if that identifier has 29 bits"),
            Column::new("request", Bytes, "", "the request's bytes"),
            Column::new("reply", Bytes, "", "the reply's bytes, service first"),
        ],
    }
}

/// Supply voltage.
pub fn supply() -> Table {
    Table {
        folder: "supply".into(),
        meaning: "a reading of the supply voltage at the computer or adapter".into(),
        columns: vec![time(), Column::new("voltage", ColumnKind::Float, "V", "supply voltage")],
    }
}

/// Marks.
pub fn marks() -> Table {
    Table {
        folder: "marks".into(),
        meaning: "what a person noted during the run".into(),
        columns: vec![
            time(),
            Column::new(
                "kind",
                ColumnKind::Name,
                "",
                "soc, displayed_rest, shows_zero, trip_figure, power_warning, turned, climate or note",
            ),
            Column::nullable("value", ColumnKind::Float, "", "the value noted, in the kind's unit (percent, m)"),
            Column::new("text", ColumnKind::Text, "", "the text noted, may be empty"),
        ],
    }
}

/// What stands in for the places of the fixes in a bundle.
pub fn way() -> Table {
    use ColumnKind::{Float, Integer, Name};
    Table {
        folder: "way".into(),
        meaning: "a satellite fix without its place, and what of the way ends at it (in bundles only)".into(),
        columns: vec![
            time(),
            Column::new(
                "by",
                Name,
                "",
                "how that way is known: speed, line or unknown; fix where none ends, aside where the fix was not believed",
            ),
            Column::nullable("from_us", Float, "us", "run time at which that way begins"),
            Column::nullable("metres", Float, "m", "length of the line; from end to end where the way is unknown"),
            Column::nullable("speed_from", Float, "m/s", "the receiver's speed where it begins"),
            Column::nullable("speed_to", Float, "m/s", "the receiver's speed where it ends"),
            Column::nullable("dilution", Float, "", "the larger horizontal dilution of precision of both ends"),
            Column::nullable("altitude", Float, "m", "height above mean sea level"),
            Column::nullable("along", Float, "m", "distance along the course, where one is named and it was kept"),
            Column::new("turned", Integer, "", "1 where the path turned, as far as only the path tells"),
        ],
    }
}

/// The columns of the trace that come after `t_us` and `phase` and before the roles.
pub const TRACE_SUMS: [(&str, &str, &str); 8] = [
    ("energy_out", "J", "energy out of the pack so far, observed time only"),
    ("energy_in", "J", "energy into the pack so far, energy from a plug left out"),
    ("energy_charged", "J", "energy into the pack from a plug so far"),
    ("charge_out", "C", "charge out of the pack so far"),
    ("charge_in", "C", "charge into the pack so far, charge from a plug left out"),
    ("charge_charged", "C", "charge into the pack from a plug so far"),
    ("distance", "m", "integral of the wheel speed so far"),
    ("time_unobserved", "s", "time so far in which the pack's power was unobserved"),
];

/// Ten rows a second, and one at the run's end: the ledger's sums, the phase and the latest value of every role.
pub fn trace() -> Table {
    use ColumnKind::{Float, Name, Time};
    let mut columns = vec![
        Column::new("t_us", Time, "us", "run time since the run's first observation"),
        Column::new("phase", Name, "", "drive, stand or charge"),
    ];
    columns.extend(TRACE_SUMS.iter().map(|(name, unit, meaning)| Column::nullable(name, Float, unit, meaning)));
    columns.extend(ROLES.iter().map(|info| {
        let unit = info.dimension.base_unit();
        let unit = if info.dimension == Dimension::State { "0 or 1" } else { unit };
        let meaning = if info.role.per_pack() {
            match info.role {
                super::Role::PackVoltage => "voltage at the first pack's terminals".into(),
                _ => format!("{}; all packs together", info.meaning),
            }
        } else {
            info.meaning.to_owned()
        };
        Column::nullable(info.key, Float, unit, &meaning)
    }));
    columns.push(Column::nullable("latitude", Float, "deg", "latest fix, degrees north, WGS84"));
    columns.push(Column::nullable("longitude", Float, "deg", "latest fix, degrees east, WGS84"));
    Table {
        folder: "trace".into(),
        meaning: "the ledger and the latest value of every role at a moment".into(),
        columns,
    }
}

/// The samples of one message: `t_us`, `bus` and one column a signal.
///
/// `signals` gives name, unit (as the map writes it) and meaning of each.
pub fn samples<'a>(message: &str, signals: impl IntoIterator<Item = (&'a str, &'a str, &'a str)>) -> Table {
    let mut columns = vec![time(), bus()];
    columns.extend(
        signals.into_iter().map(|(name, unit, meaning)| Column::nullable(name, ColumnKind::Float, unit, meaning)),
    );
    Table {
        folder: format!("samples/message={message}"),
        meaning: format!("a received {message}, decoded; null = not available, out of range, or not in this frame"),
        columns,
    }
}
