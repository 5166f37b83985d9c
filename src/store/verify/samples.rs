//! Samples against the raw frames and replies that they came from: decoded again, value by value.
//!
//! Tables of signals (CSV) have no raw form in the data set and are not decoded again. Where frames were not kept, nothing
//! is compared.

use serde_json::{Value, json};

use super::Report;
use super::again::Again;
use super::rows::{Rows, longest_group};
use crate::decode::{Decoded, Decoder};
use crate::document::Fault;
use crate::map::{Message, Origin};
use crate::observation::{Batch, Bus, BusNames, Item};
use crate::source::replay;
use crate::store::StoreError;
use crate::time::{Steady, WallClock};

/// What the row groups of the tables compared in one pass may take together, bytes.
const PASS_BYTES: usize = 24 << 20;

/// A message's table while it is compared.
struct Compared<'a> {
    message: &'a Message,
    rows: Rows<'a>,
    wrong: Option<String>,
}

/// Compares every samples table that has raw rows.
pub(super) fn check(again: &Again<'_>, report: &mut Report, progress: &mut dyn FnMut(u64)) -> Result<(), StoreError> {
    let folder = &again.run.path;
    let counted = again.file.counts["frames"].as_u64();
    let frames = again.is_whole("frames") && (again.lists("frames") || counted == Some(0));
    let polls = again.is_whole("polls");
    if !frames {
        report.notes.push("its raw frames are not all there, so samples were not decoded again".into());
    }
    if frames && counted.is_some() {
        let rows: u64 = again.file.tables.iter().filter(|table| table.folder == "frames").map(|table| table.rows).sum();
        if counted != Some(rows) {
            let what = format!("has {rows} rows, run.json counts {}", counted.unwrap_or(0));
            report.fault(&folder.join("frames"), what, &again.remedy());
        }
    }
    let wanted: Vec<usize> = (0..again.map.messages.len())
        .filter(|index| {
            let message = &again.map.messages[*index];
            let raw = match message.origin {
                Origin::Frame { .. } => frames,
                Origin::Poll(_) => polls,
                Origin::Table(_) => false,
            };
            raw && again.is_whole(&message.table().folder)
        })
        .collect();
    if !again.lists("frames") && !again.lists("polls") || wanted.is_empty() {
        return Ok(());
    }
    for (number, pass) in passes(again, &wanted)?.iter().enumerate() {
        let counts = compare(again, pass, report)?;
        if number == 0 && frames && polls {
            check_counts(again, &counts, report);
        }
    }
    progress(again.file.tables.iter().filter(|table| table.folder == "frames").map(|table| table.bytes).sum());
    Ok(())
}

/// Messages put together so that their longest row groups fit into memory.
fn passes(again: &Again<'_>, wanted: &[usize]) -> Result<Vec<Vec<usize>>, StoreError> {
    let mut passes: Vec<Vec<usize>> = Vec::new();
    let mut held = PASS_BYTES + 1;
    for &index in wanted {
        let table = again.map.messages[index].table();
        let bytes = longest_group(&again.run.path.join(&table.folder))? * 8 * (table.columns.len() + 1);
        match passes.last_mut() {
            Some(pass) if held + bytes <= PASS_BYTES => {
                held += bytes;
                pass.push(index);
            }
            _ => {
                held = bytes;
                passes.push(vec![index]);
            }
        }
    }
    Ok(passes)
}

/// Reads all raw rows once and compares the messages of a pass; the decoder's counts.
fn compare(again: &Again<'_>, pass: &[usize], report: &mut Report) -> Result<Value, StoreError> {
    let columns: Vec<Vec<&str>> = pass
        .iter()
        .map(|index| {
            let signals = again.map.messages[*index].signals.iter().map(|signal| &*signal.name);
            std::iter::once("bus").chain(signals).collect()
        })
        .collect();
    let mut compared: Vec<Option<Compared<'_>>> = (0..again.map.messages.len()).map(|_| None).collect();
    for (index, columns) in pass.iter().zip(&columns) {
        let message = &again.map.messages[*index];
        let rows = Rows::open(&again.run.path.join(message.table().folder), columns)?;
        compared[*index] = Some(Compared { message, rows, wrong: None });
    }
    let mut decoder = Decoder::new(again.map);
    let failed = |fault: Fault| StoreError::damaged(&again.run.path, fault.to_string());
    let mut raw = replay::open(&again.run.path, None).map_err(failed)?;
    let start = again.file.start_utc.as_deref().and_then(WallClock::parse_iso).unwrap_or(WallClock(0));
    let since = |at: Steady| (at - Steady(start.0)).0;
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    let mut more = true;
    while more {
        batch.clear();
        more = raw.read(&mut batch, &mut names).map_err(failed)?;
        decoder.set_buses(&names);
        for frame in &batch.frames {
            if let Some(decoded) = decoder.frame(frame, batch.payload(frame)) {
                hold(&mut compared, &decoded, since(frame.at), frame.bus, &names)?;
            }
        }
        for stamped in &batch.rest {
            if let Item::Reply(reply) = &stamped.item
                && let Some(decoded) = decoder.reply(reply)
            {
                hold(&mut compared, &decoded, since(stamped.at), reply.bus, &names)?;
            }
        }
    }
    // What was put aside is told where the run's folder is looked through.
    if let Some(fault) = raw.damage().first.iter().find(|fault| !fault.what.starts_with("was put aside")) {
        return Err(failed(fault.clone()));
    }
    for compared in compared.iter_mut().flatten() {
        if compared.wrong.is_none()
            && let Some(at) = compared.rows.at()?
        {
            compared.wrong = Some(format!("a row at {at} us for which there is no raw one"));
        }
        if let Some(what) = compared.wrong.take() {
            report.fault(&again.run.path.join(compared.message.table().folder), what, &again.remedy());
        }
    }
    Ok(counts(again, &decoder))
}

/// Holds a decoded message against the next row of its table.
fn hold(
    compared: &mut [Option<Compared<'_>>],
    decoded: &Decoded<'_>,
    at: i64,
    bus: Bus,
    names: &BusNames,
) -> Result<(), StoreError> {
    let Some(Some(compared)) = compared.get_mut(decoded.message) else { return Ok(()) };
    if compared.wrong.is_some() {
        return Ok(());
    }
    if compared.rows.at()? != Some(at) {
        compared.wrong = Some(format!("no row for the raw one at {at} us"));
        return Ok(());
    }
    let (chunk, row) = compared.rows.here();
    let [buses, cells @ ..] = chunk.columns else { return Ok(()) };
    let differs = cells.iter().zip(decoded.values).position(|(column, value)| {
        let cell = column[row];
        cell.to_bits() != value.to_bits() && !(cell.is_nan() && value.is_nan())
    });
    if chunk.names[0].get(buses[row] as usize).map(String::as_str) != Some(names.name(bus)) {
        compared.wrong = Some(format!("row at {at} us: its bus is not '{}'", names.name(bus)));
    } else if let Some(signal) = differs {
        let (there, name) = (cells[signal][row], &compared.message.signals[signal].name);
        let text = format!("row at {at} us, column '{name}': {there} is there, its raw row gives");
        compared.wrong = Some(format!("{text} {}", decoded.values[signal]));
    }
    compared.rows.pass();
    Ok(())
}

/// The decoder's counts as `run.json` has them.
fn counts(again: &Again<'_>, decoder: &Decoder) -> Value {
    let of_message = |(message, counts): (&Message, &crate::decode::MessageCounts)| {
        let signals = message.signals.iter().zip(&counts.signals);
        let signals: serde_json::Map<String, Value> = signals
            .map(|(signal, counts)| (signal.name.clone(), serde_json::to_value(counts).unwrap_or_default()))
            .collect();
        (message.name.clone(), json!({ "frames": counts.frames, "signals": signals }))
    };
    let messages = again.map.messages.iter().zip(&decoder.counts().messages).map(of_message).collect();
    json!({ "frames_no_map_knows": decoder.counts().unknown_frames, "messages": Value::Object(messages) })
}

fn check_counts(again: &Again<'_>, counts: &Value, report: &mut Report) {
    let said = &again.file.counts;
    if said.is_null() {
        return;
    }
    let path = again.run.path.join(crate::store::run_file::NAME);
    for message in again.map.messages.iter().filter(|message| !matches!(message.origin, Origin::Table(_))) {
        if said["messages"][&message.name] != counts["messages"][&message.name] {
            let what = format!("counts of message '{}' are not those that its raw rows give", message.name);
            report.fault(&path, what, &again.remedy());
        }
    }
    if said["frames_no_map_knows"] != counts["frames_no_map_knows"] {
        report.fault(&path, "counts.frames_no_map_knows is not what its frames give", &again.remedy());
    }
}
