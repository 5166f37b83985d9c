//! A rehearsal written down as a candump log (the text of `candump -l`, can-utils), compressed or plain, with its truth beside it.
//!
//! Satellite fixes have no place in such a log and are left out.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use super::{Rehearsal, Scenario, Truth};
use crate::course::Course;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::{Batch, BusNames, Frame, FrameFlags};

/// The zstd level: the smallest file that is still written in a minute; the bytes depend on it.
const ZSTD_LEVEL: i32 = 19;

/// Drives a rehearsal to its end and writes every frame as a line of a candump log.
pub fn write(rehearsal: &mut Rehearsal, mut out: impl Write) -> io::Result<Truth> {
    let (mut batch, mut names, mut line) = (Batch::default(), BusNames::default(), Vec::new());
    while rehearsal.step(&mut batch, &mut names) {
        for frame in &batch.frames {
            line.clear();
            append(&mut line, frame, batch.payload(frame), names.name(frame.bus));
            out.write_all(&line)?;
        }
        batch.clear();
    }
    out.flush()?;
    Ok(rehearsal.truth())
}

/// `(1805091302.123456) can0 2B0#0011AABB`; `##` and a hex digit of flags for FD, `R` for a remote frame.
fn append(line: &mut Vec<u8>, frame: &Frame, payload: &[u8], bus: &str) {
    const HEX: &[u8; 16] = b"0123456789ABCDEF";
    let seconds = frame.at.0.div_euclid(1_000_000);
    let micros = frame.at.0.rem_euclid(1_000_000);
    // Writing to memory does not fail.
    let _ = write!(line, "({seconds:010}.{micros:06}) {bus} ");
    let digits = if frame.flags.has(FrameFlags::EXTENDED) { 8 } else { 3 };
    line.extend((0..digits).rev().map(|digit| HEX[(frame.id >> (4 * digit) & 15) as usize]));
    line.push(b'#');
    if frame.flags.has(FrameFlags::FD) {
        // linux/can.h: bit rate switch 1, error state 2.
        let flags = u8::from(frame.flags.has(FrameFlags::BRS)) | u8::from(frame.flags.has(FrameFlags::ESI)) << 1;
        line.extend([b'#', HEX[usize::from(flags)]]);
    } else if frame.flags.has(FrameFlags::REMOTE) {
        line.push(b'R');
    }
    line.extend(payload.iter().flat_map(|byte| [HEX[usize::from(byte >> 4)], HEX[usize::from(byte & 15)]]));
    line.push(b'\n');
}

/// Reads a scenario, the course that it names and a map, drives, and writes the compressed log and the truth beside it.
///
/// The same files give the same bytes. The truth's file is [`truth_path`].
pub fn record(scenario: &Path, map: &Path, out: &Path) -> Result<Truth, Vec<Fault>> {
    record_drive(&mut load(scenario, map)?, out)
}

/// Drives to the end, and writes the log and the truth beside it: plain where the name ends in `.log`, else compressed.
///
/// # Errors
/// If a file can't be written.
pub fn record_drive(rehearsal: &mut Rehearsal, out: &Path) -> Result<Truth, Vec<Fault>> {
    let failed = |path: &Path, error: io::Error| vec![Fault::io(path, "write", &error)];
    let file = File::create(out).map_err(|error| failed(out, error))?;
    let written = || -> io::Result<Truth> {
        if out.extension().is_some_and(|kind| kind == "log") {
            return write(rehearsal, BufWriter::with_capacity(1 << 16, file));
        }
        let mut encoder = zstd::Encoder::new(BufWriter::new(file), ZSTD_LEVEL)?;
        let truth = write(rehearsal, BufWriter::with_capacity(1 << 16, &mut encoder))?;
        encoder.finish()?.flush()?;
        Ok(truth)
    };
    let truth = written().map_err(|error| failed(out, error))?;
    let beside = truth_path(out);
    let text = serde_json::to_string_pretty(&truth).map_err(|error| failed(&beside, error.into()))?;
    std::fs::write(&beside, text + "\n").map_err(|error| failed(&beside, error))?;
    Ok(truth)
}

/// Where the truth of a recording lies: `demo.truth.json` beside `demo.log.zst`.
pub fn truth_path(recording: &Path) -> PathBuf {
    let name = recording.file_name().unwrap_or_default().to_string_lossy();
    let stem = name.trim_end_matches(".zst").trim_end_matches(".log");
    recording.with_file_name(format!("{stem}.truth.json"))
}

/// Reads what a rehearsal needs; every fault of all three files at once.
pub fn load(scenario: &Path, map: &Path) -> Result<Rehearsal, Vec<Fault>> {
    let (read, mut faults) = Scenario::load(scenario);
    let course = read.as_ref().and_then(|read| {
        let folder = scenario.parent().unwrap_or(Path::new(""));
        let (course, more) = Course::load(&folder.join(&read.course));
        faults.extend(more);
        course
    });
    let loaded = crate::map::load(map);
    faults.extend(loaded.faults);
    match (read, course, loaded.map) {
        (Some(scenario), Some(course), Some(map)) => rehearse(&scenario, &course, &map, faults),
        _ => Err(faults),
    }
}

fn rehearse(scenario: &Scenario, course: &Course, map: &Map, faults: Vec<Fault>) -> Result<Rehearsal, Vec<Fault>> {
    if faults.iter().any(Fault::is_error) {
        return Err(faults);
    }
    Rehearsal::new(scenario, course, map)
}
