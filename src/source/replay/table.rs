//! A CSV of signals as a recording, laid out as a table of the map says; cells that cannot be read are counted by line.
//!
//! Chooses the table by the header. Values come out as written, in the table's units; nothing is scaled here.

use csv::ByteRecord;

use super::input::Input;
use super::{BATCH, Recording};
use crate::digest::Digest;
use crate::document::{Fault, Place, nearest};
use crate::map::{CsvTable, Map, Origin, TimeFormat};
use crate::observation::{Batch, BusNames, Item, Row, Stamped};
use crate::source::{Damage, Progress};
use crate::time::{Steady, US_PER_S, WallClock};

/// A CSV being read.
pub struct Signals {
    reader: csv::Reader<Input>,
    record: ByteRecord,
    file: String,
    layout: CsvTable,
    name: String,
    /// Index in the file of the time column, and of each signal's.
    time: usize,
    columns: Vec<usize>,
    batch: usize,
    ended: bool,
    damage: Damage,
}

/// Longest header that is looked at, bytes.
const HEADER_MAX: usize = 64 * 1024;

impl Signals {
    /// Reads from an input at a CSV's header.
    ///
    /// # Errors
    /// If no table of the map fits the header, or more than one does.
    pub fn new(mut input: Input, map: &Map) -> Result<Self, Fault> {
        input.fill_to(HEADER_MAX);
        let file = input.name().to_owned();
        let fits = fits(input.rest(), map);
        let whole: Vec<&Fit<'_>> = fits.iter().filter(|fit| fit.missing.is_empty()).collect();
        let fit = match whole.as_slice() {
            [fit] => *fit,
            [] => return Err(no_fit(file, fits)),
            several => {
                let names: Vec<&str> = several.iter().map(|fit| fit.name).collect();
                return Err(Fault::whole(
                    file,
                    format!("the header fits several tables of the map: {}", names.join(", ")),
                )
                .remedy("give the tables columns that tell them apart, or use a map with only one of them"));
            }
        };
        let (name, layout, time, columns) = (fit.name.to_owned(), fit.layout.clone(), fit.time, fit.columns.clone());
        let mut reader = builder(layout.delimiter).from_reader(input);
        let mut record = ByteRecord::new();
        // The header; that it can be read was just seen.
        let _ = reader.read_byte_record(&mut record);
        let (batch, ended, damage) = (BATCH, false, Damage::default());
        Ok(Self { reader, record, file, layout, name, time, columns, batch, ended, damage })
    }

    /// Takes one row. False at the end.
    fn take_row(&mut self, into: &mut Batch) -> bool {
        match self.reader.read_byte_record(&mut self.record) {
            Ok(true) => {}
            Ok(false) => return false,
            Err(error) => {
                let line = error.position().map_or(Place::Whole, |position| Place::Line(position.line()));
                let file = &self.file;
                self.damage.add(|| Fault::at(file, line, error.to_string()));
                return !error.is_io_error();
            }
        }
        let (line, byte) = self.record.position().map_or((0, 0), |position| (position.line(), position.byte()));
        let (file, damage, record) = (&self.file, &mut self.damage, &self.record);
        let mut spoil = |what: String| {
            damage.add(|| Fault::at(file, Place::Line(line), format!("{what} (byte {byte})")));
        };
        let cell = |column: usize| record.get(column).unwrap_or_default().trim_ascii();
        let Some(at) = moment(cell(self.time), &self.layout) else {
            spoil(format!("the time '{}' cannot be read; the row is left out", shown(cell(self.time))));
            return true;
        };
        let mut values = Vec::with_capacity(self.columns.len());
        for (column, header) in self.columns.iter().zip(&self.layout.columns) {
            values.push(number(cell(*column), self.layout.decimal_comma).unwrap_or_else(|| {
                spoil(format!("'{}' in column '{header}' is no number", shown(cell(*column))));
                f64::NAN
            }));
        }
        into.rest.push(Stamped { at, item: Item::Row(Row { table: self.name.clone(), values }) });
        true
    }
}

fn builder(delimiter: u8) -> csv::ReaderBuilder {
    let mut builder = csv::ReaderBuilder::new();
    builder.has_headers(false).flexible(true).delimiter(delimiter);
    builder
}

/// A table of the map against a header.
struct Fit<'a> {
    name: &'a str,
    layout: &'a CsvTable,
    header: Vec<String>,
    time: usize,
    columns: Vec<usize>,
    /// What keeps it from fitting.
    missing: Vec<String>,
}

fn fits<'a>(head: &[u8], map: &'a Map) -> Vec<Fit<'a>> {
    let fit = |message: &'a crate::map::Message| match &message.origin {
        Origin::Table(layout) => Some(fit(head, &message.name, layout)),
        _ => None,
    };
    map.messages.iter().filter_map(fit).collect()
}

fn fit<'a>(head: &[u8], name: &'a str, layout: &'a CsvTable) -> Fit<'a> {
    let mut record = ByteRecord::new();
    // A header that cannot be read has no columns, and says so by what it lacks.
    let _ = builder(layout.delimiter).from_reader(head).read_byte_record(&mut record);
    let header: Vec<String> = record.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect();
    let mut missing = Vec::new();
    let mut find = |wanted: &str| {
        let mut places = header.iter().enumerate().filter(|(_, cell)| *cell == wanted).map(|(place, _)| place);
        let place = places.next();
        if place.is_none() || places.next().is_some() {
            let twice = place.map_or_else(String::new, |_| " stands twice in the header".into());
            missing.push(format!("'{wanted}'{twice}"));
        }
        place.unwrap_or(usize::MAX)
    };
    let time = find(&layout.time_column);
    let columns = layout.columns.iter().map(|column| find(column)).collect();
    Fit { name, layout, header, time, columns, missing }
}

fn no_fit(file: String, fits: Vec<Fit<'_>>) -> Fault {
    let Some(best) = fits.into_iter().min_by_key(|fit| fit.missing.len()) else {
        return Fault::whole(file, "a CSV of signals, and the map has no [[table]]")
            .remedy("describe its columns in the map's [[table]]");
    };
    let what = format!(
        "no table of the map fits the header; of '{}' it lacks {}; it has: {}",
        best.name,
        best.missing.join(", "),
        best.header.join(", ")
    );
    let first = best.missing.first().map_or("", |wanted| wanted.trim_matches('\''));
    let fault = Fault::at(file, Place::Line(1), what);
    match nearest(first, best.header.iter().map(String::as_str)) {
        Some(near) => fault.remedy(format!("did the map mean '{near}'?")),
        None => fault.remedy("make the columns and the delimiter in the map's [[table]] those of the file"),
    }
}

/// The stamp that a time cell writes.
fn moment(cell: &[u8], layout: &CsvTable) -> Option<Steady> {
    match layout.time_format {
        TimeFormat::Iso8601 => WallClock::parse_iso(std::str::from_utf8(cell).ok()?).map(|wall| Steady(wall.0)),
        TimeFormat::Seconds { start } => {
            let micros = micros(cell, layout.decimal_comma)?;
            start.0.checked_add(micros).map(Steady)
        }
    }
}

/// Decimal seconds in whole microseconds, floored exactly: a double near the present holds no more than a quarter of one.
fn micros(cell: &[u8], decimal_comma: bool) -> Option<i64> {
    let (negative, digits) = match cell {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        rest => (false, rest),
    };
    let mark = if decimal_comma { b',' } else { b'.' };
    let point = digits.iter().position(|byte| *byte == mark).unwrap_or(digits.len());
    let (whole, fraction) = digits.split_at_checked(point)?;
    let fraction = fraction.get(1..).unwrap_or_default();
    if whole.iter().chain(fraction).any(|byte| !byte.is_ascii_digit()) || whole.len() + fraction.len() == 0 {
        // Exponents and the like: as good as a double is.
        let seconds = number(cell, decimal_comma).filter(|seconds| seconds.abs() < 1e12)?;
        return Some((seconds * US_PER_S as f64).floor() as i64);
    }
    let sum = |digits: &[u8]| {
        digits.iter().try_fold(0i64, |sum, digit| sum.checked_mul(10)?.checked_add(i64::from(digit - b'0')))
    };
    let kept = fraction.get(..6).unwrap_or(fraction);
    let rest = fraction.get(6..).unwrap_or_default();
    let part = sum(kept)? * 10i64.pow(6 - kept.len() as u32);
    let all = sum(whole)?.checked_mul(US_PER_S)?.checked_add(part)?;
    let floored_away = rest.iter().any(|digit| *digit != b'0');
    Some(if negative { -all - i64::from(floored_away) } else { all })
}

/// A number; NaN for an empty cell and for `NaN` itself; `None` for what is none, or not finite.
fn number(cell: &[u8], decimal_comma: bool) -> Option<f64> {
    if cell.is_empty() || cell.eq_ignore_ascii_case(b"nan") {
        return Some(f64::NAN);
    }
    let text = std::str::from_utf8(cell).ok()?;
    let value: f64 = if decimal_comma {
        if text.contains('.') {
            return None;
        }
        text.replacen(',', ".", 1).parse().ok()?
    } else {
        text.parse().ok()?
    };
    value.is_finite().then_some(value)
}

/// A cell for people, its middle left out if it is long.
fn shown(cell: &[u8]) -> String {
    let text = String::from_utf8_lossy(cell);
    if text.chars().count() <= 40 {
        text.into_owned()
    } else {
        format!("{}...", text.chars().take(40).collect::<String>())
    }
}

impl Recording for Signals {
    fn read(&mut self, into: &mut Batch, _: &mut BusNames) -> Result<bool, Fault> {
        let until = into.rest.len() + self.batch;
        while !self.ended && into.rest.len() < until {
            if !self.take_row(into) {
                self.ended = true;
                if let Some(fault) = self.reader.get_ref().break_fault() {
                    self.damage.add(|| fault);
                }
            }
        }
        Ok(!self.ended)
    }

    fn set_batch(&mut self, frames: usize) {
        self.batch = frames.max(1);
    }

    fn progress(&self) -> Progress {
        self.reader.get_ref().progress()
    }

    fn damage(&self) -> &Damage {
        &self.damage
    }

    fn digest(&self) -> Result<Option<Digest>, Fault> {
        self.reader.get_ref().stored().digest()
    }
}

#[cfg(test)]
mod tests;
