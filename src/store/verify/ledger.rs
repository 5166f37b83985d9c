//! The trace and the sums of `run.json` against the samples that they came from: integrated again by the same ledger.
//!
//! The ledger's figures depend on samples and stamps alone, so every cell is the same bits; 1e-12 of a value is allowed, for
//! compilers to come and for numbers that went through JSON. Judges no sample.

use serde_json::Value;

use super::Report;
use super::again::Again;
use super::rows::Rows;
use crate::decode::Tap;
use crate::ledger::{Ledger, TraceRow};
use crate::schema::role::ROLES;
use crate::schema::tables::TRACE_SUMS;
use crate::store::{StoreError, run_file};
use crate::time::RunTime;

/// How far two figures may differ, in parts.
const TOLERANCE: f64 = 1e-12;

/// A samples table that feeds roles.
struct Feed<'a> {
    rows: Rows<'a>,
    taps: Vec<Tap>,
    values: Vec<f64>,
}

/// Computes the trace again and compares every cell, then what `run.json` says of the sums.
pub(super) fn check(again: &Again<'_>, report: &mut Report, progress: &mut dyn FnMut(u64)) -> Result<(), StoreError> {
    let feeding: Vec<usize> = (0..again.map.messages.len())
        .filter(|index| again.map.roles.iter().any(|role| role.message == *index))
        .collect();
    let folder_of = |index: &usize| again.map.messages[*index].table().folder;
    let needed = feeding.iter().map(folder_of).chain(["fixes".into(), "trace".into()]);
    if let Some(lacking) = needed.into_iter().find(|folder| !again.is_whole(folder)) {
        report.notes.push(format!("'{lacking}' is not all there, so the sums were not computed again"));
        return Ok(());
    }
    let columns: Vec<Vec<&str>> = feeding
        .iter()
        .map(|index| again.map.messages[*index].signals.iter().map(|signal| &*signal.name).collect())
        .collect();
    let mut feeds = Vec::new();
    for (index, columns) in feeding.iter().zip(&columns) {
        let rows = Rows::open(&again.run.path.join(folder_of(index)), columns)?;
        let roles = again.map.roles.iter().enumerate().filter(|(_, role)| role.message == *index);
        let taps = roles.map(|(number, role)| Tap::new(number, role)).collect();
        feeds.push(Feed { rows, taps, values: Vec::new() });
    }
    let trace_columns = trace_columns();
    let trace = Rows::open(&again.run.path.join("trace"), &trace_columns)?;
    let without_positions = again.file.bundled.is_some();
    let mut compared = Compared { trace, names: &trace_columns, without_positions, wrong: None };
    let ledger = integrate(again, &mut feeds, &mut compared)?;
    if compared.wrong.is_none()
        && let Some(at) = compared.trace.at()?
    {
        compared.wrong = Some(format!("a row at {at} us that the samples do not give"));
    }
    if let Some(what) = compared.wrong {
        report.fault(&again.run.path.join("trace"), what, &again.remedy());
    }
    told(again, &ledger, report);
    progress(again.file.tables.iter().filter(|table| table.folder == "trace").map(|table| table.bytes).sum());
    Ok(())
}

/// Feeds samples and fixes in time order to a new ledger and hands its rows on.
fn integrate(again: &Again<'_>, feeds: &mut [Feed<'_>], compared: &mut Compared<'_>) -> Result<Ledger, StoreError> {
    let mut ledger = Ledger::for_map(again.map);
    let mut fixes = Rows::open(&again.run.path.join("fixes"), &["latitude", "longitude"])?;
    let mut taken = 0u64;
    loop {
        let mut next: Option<(i64, usize)> = None;
        for (number, feed) in feeds.iter_mut().enumerate() {
            if let Some(at) = feed.rows.at()?
                && next.is_none_or(|(earliest, _)| at < earliest)
            {
                next = Some((at, number));
            }
        }
        let fix = fixes.at()?.filter(|fix| next.is_none_or(|(earliest, _)| *fix < earliest));
        if let Some(at) = fix {
            let (chunk, row) = fixes.here();
            let [latitude, longitude] = [0, 1].map(|column: usize| chunk.columns[column][row]);
            if latitude.is_finite() && longitude.is_finite() {
                ledger.position(RunTime(at), latitude, longitude);
            }
            fixes.pass();
        } else if let Some((at, number)) = next {
            feeds[number].give(at, &mut ledger);
        } else {
            break;
        }
        taken += 1;
        if taken.is_multiple_of(1_024) {
            compared.drain(&mut ledger)?;
        }
    }
    ledger.finish(RunTime(again.end()));
    compared.drain(&mut ledger)?;
    Ok(ledger)
}

impl Feed<'_> {
    fn give(&mut self, at: i64, ledger: &mut Ledger) {
        let (chunk, row) = self.rows.here();
        self.values.clear();
        self.values.extend(chunk.columns.iter().map(|column| column[row]));
        for tap in &self.taps {
            if let Some(value) = tap.value(&self.values) {
                ledger.sample(tap.role, RunTime(at), value);
            }
        }
        self.rows.pass();
    }
}

fn trace_columns() -> Vec<&'static str> {
    let sums = TRACE_SUMS.iter().map(|(name, ..)| *name);
    let roles = ROLES.iter().map(|info| info.key);
    std::iter::once("phase").chain(sums).chain(roles).chain(["latitude", "longitude"]).collect()
}

/// The trace as written, beside the one that is made again.
struct Compared<'a> {
    trace: Rows<'a>,
    names: &'a [&'a str],
    /// A bundle left positions out, of the fixes too.
    without_positions: bool,
    wrong: Option<String>,
}

impl Compared<'_> {
    fn drain(&mut self, ledger: &mut Ledger) -> Result<(), StoreError> {
        let mut result = Ok(());
        ledger.drain_trace(|row| {
            if result.is_ok() && self.wrong.is_none() {
                result = self.hold(row);
            }
        });
        result
    }

    fn hold(&mut self, row: &TraceRow) -> Result<(), StoreError> {
        let found = self.trace.at()?;
        if found != Some(row.at.0) {
            self.wrong = Some(match found {
                Some(at) => format!("a row at {at} us where the samples give one at {} us", row.at.0),
                None => format!("it ends before the row at {} us that the samples give", row.at.0),
            });
            return Ok(());
        }
        let (chunk, at) = self.trace.here();
        let [phases, cells @ ..] = chunk.columns else { return Ok(()) };
        let phase = chunk.names[0].get(phases[at] as usize).map_or("", String::as_str);
        let sums = row.sums.in_column_order();
        let mut given = sums.iter().chain(&row.roles).chain([&row.latitude_deg, &row.longitude_deg]);
        if phase != row.phase.key() {
            let text = format!("row at {} us: phase '{phase}' is there", row.at.0);
            self.wrong = Some(format!("{text}, the samples give '{}'", row.phase.key()));
        }
        for (column, name) in cells.iter().zip(&self.names[1..]) {
            let (there, given) = (column[at], given.next().copied().unwrap_or(f64::NAN));
            // What is not finite is null in the file.
            let given = if given.is_finite() { given } else { f64::NAN };
            let left_out = self.without_positions && matches!(*name, "latitude" | "longitude");
            if self.wrong.is_none() && !left_out && !same(there, given) {
                let text = format!("row at {} us, column '{name}': {there} is there", row.at.0);
                self.wrong = Some(format!("{text}, the samples give {given}"));
            }
        }
        self.trace.pass();
        Ok(())
    }
}

/// Whether two figures are the same bits, or nearly.
fn same(one: f64, other: f64) -> bool {
    one.to_bits() == other.to_bits()
        || one.is_nan() && other.is_nan()
        || (one - other).abs() <= TOLERANCE * one.abs().max(other.abs())
}

/// Holds what `run.json` says of the ledger against it.
fn told(again: &Again<'_>, ledger: &Ledger, report: &mut Report) {
    let file = again.file;
    let by_phase = ledger.by_phase();
    let phases = [("drive", by_phase[0]), ("stand", by_phase[1]), ("charge", by_phase[2])];
    let phases = phases.map(|(name, sums)| (name.to_owned(), serde_json::to_value(sums).unwrap_or_default()));
    let value = |value: Result<Value, serde_json::Error>| value.unwrap_or_default();
    let pairs = [
        ("sums", &file.sums, value(serde_json::to_value(ledger.sums()))),
        ("by_phase", &file.by_phase, Value::Object(phases.into_iter().collect())),
        ("gaps", &file.gaps, value(serde_json::to_value(ledger.gaps()))),
        ("counts.roles", &file.counts["roles"], value(serde_json::to_value(ledger.observed()))),
    ];
    for (name, said, given) in pairs {
        // A run.json that was made again from the files says only what they say.
        if !said.is_null() && !alike(said, &given) {
            let path = again.run.path.join(run_file::NAME);
            report.fault(&path, format!("'{name}' is not what the samples give"), &again.remedy());
        }
    }
}

/// Whether two JSON values are the same but for the tolerance of numbers.
fn alike(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(one), Value::Number(other)) => {
            one == other || same(one.as_f64().unwrap_or(f64::NAN), other.as_f64().unwrap_or(f64::NAN))
        }
        (Value::Array(one), Value::Array(other)) => {
            one.len() == other.len() && one.iter().zip(other).all(|(one, other)| alike(one, other))
        }
        (Value::Object(one), Value::Object(other)) => {
            one.len() == other.len()
                && one.iter().all(|(key, value)| other.get(key).is_some_and(|other| alike(value, other)))
        }
        _ => one == other,
    }
}
