//! Moments on a card: with an offset, or local in the zone that the card names.
//!
//! Never guesses: a local time without a zone, one that a change of the clocks lets happen twice or never, and an offset
//! that the zone did not have are refused with the reason. Reads no clock; the rules of zones come from the system, else
//! from the program itself.

use jiff::civil;
use jiff::tz::{AmbiguousOffset, TimeZone};
use toml::value::{Datetime, Offset};

use crate::time::WallClock;

/// What is wrong with a moment, and what to do about it.
#[derive(Debug, PartialEq)]
pub(super) struct Wrong {
    pub what: String,
    pub remedy: String,
}

fn wrong<T>(what: impl Into<String>, remedy: impl Into<String>) -> Result<T, Wrong> {
    Err(Wrong { what: what.into(), remedy: remedy.into() })
}

/// An offset as a time carries it.
fn written(offset: jiff::tz::Offset) -> String {
    let minutes = offset.seconds() / 60;
    let sign = if minutes < 0 { '-' } else { '+' };
    format!("{sign}{:02}:{:02}", minutes.abs() / 60, minutes.abs() % 60)
}

/// The zone of this name.
pub(super) fn zone(name: &str) -> Result<TimeZone, Wrong> {
    match TimeZone::get(name) {
        Ok(zone) => Ok(zone),
        Err(_) => wrong(
            format!("unknown time zone '{name}'"),
            "write a name of the IANA time zone database, as Europe/Lisbon, or give every time its offset",
        ),
    }
}

/// Reads a moment, as TOML holds it or as the same in quotes.
pub(super) fn moment(value: &toml::Value, zone: Option<&TimeZone>) -> Result<WallClock, Wrong> {
    const REMEDY: &str = "write date, time and offset, as 2027-03-14T07:20:00+01:00";
    let read = match value {
        toml::Value::Datetime(read) => Some(*read),
        toml::Value::String(text) => text.trim().parse().ok(),
        _ => None,
    };
    let Some(read) = read else {
        return wrong(format!("{} is no time", super::seal::text_of(value)), REMEDY);
    };
    let (Some(date), Some(time)) = (read.date, read.time) else {
        return wrong(format!("'{read}' is not a moment: date or time of day is missing"), REMEDY);
    };
    let day = civil::Date::new(date.year as i16, date.month as i8, date.day as i8);
    let of_day = civil::Time::new(
        time.hour as i8,
        time.minute as i8,
        // A leap second's 60 is taken as the last full second.
        time.second.unwrap_or(0).min(59) as i8,
        time.nanosecond.unwrap_or(0) as i32,
    );
    let (Ok(day), Ok(of_day)) = (day, of_day) else {
        return wrong(format!("'{read}' is not in the calendar"), REMEDY);
    };
    let local = civil::DateTime::from_parts(day, of_day);
    let stamp = match read.offset {
        Some(offset) => with_offset(&read, local, offset, zone)?,
        None => in_zone(&read, local, zone)?,
    };
    match i64::try_from(stamp.as_nanosecond().div_euclid(1_000)) {
        Ok(microseconds) => Ok(WallClock(microseconds)),
        Err(_) => wrong(format!("'{read}' is not in the calendar"), REMEDY),
    }
}

fn with_offset(
    read: &Datetime,
    local: civil::DateTime,
    offset: Offset,
    zone: Option<&TimeZone>,
) -> Result<jiff::Timestamp, Wrong> {
    let minutes = match offset {
        Offset::Z => 0,
        Offset::Custom { minutes } => i32::from(minutes),
    };
    let stamp = jiff::tz::Offset::from_seconds(minutes * 60).and_then(|offset| offset.to_timestamp(local));
    let Ok(stamp) = stamp else {
        return wrong(format!("'{read}' is not in the calendar"), "correct date and offset");
    };
    // Times in UTC say nothing of the place and contradict no zone.
    let there = zone.map(|zone| (zone, zone.to_offset(stamp)));
    if let Some((zone, there)) = there.filter(|(_, there)| offset != Offset::Z && there.seconds() != minutes * 60) {
        let (name, there) = (zone.iana_name().unwrap_or("the zone"), written(there));
        return wrong(
            format!("'{read}' contradicts the zone: {name} was at {there} then"),
            format!("write {local}{there}, or correct the time or the zone"),
        );
    }
    Ok(stamp)
}

fn in_zone(read: &Datetime, local: civil::DateTime, zone: Option<&TimeZone>) -> Result<jiff::Timestamp, Wrong> {
    let Some(zone) = zone else {
        return wrong(
            format!("'{read}' has no offset, so it names no moment"),
            format!("write the offset that the clock was at, as {read}+01:00, or add zone = \"...\" to the card"),
        );
    };
    let name = zone.iana_name().unwrap_or("the zone");
    let resolved = zone.to_ambiguous_timestamp(local);
    match resolved.offset() {
        AmbiguousOffset::Fold { before, after } => {
            let (before, after) = (written(before), written(after));
            wrong(
                format!("'{read}' happened twice in {name}: clocks were set back from {before} to {after}"),
                format!("write which one is meant, {local}{before} or {local}{after}"),
            )
        }
        AmbiguousOffset::Gap { before, after } => {
            let (before, after) = (written(before), written(after));
            wrong(
                format!("'{read}' never happened in {name}: clocks were set on from {before} to {after}"),
                "correct the time, or write it with its offset",
            )
        }
        AmbiguousOffset::Unambiguous { .. } => match resolved.unambiguous() {
            Ok(stamp) => Ok(stamp),
            Err(_) => wrong(format!("'{read}' is not in the calendar"), "correct the date"),
        },
    }
}
