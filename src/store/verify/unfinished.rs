//! A run without a `run.json`: its finished parts against their digests, its state, its journal block by block.
//!
//! It may be being recorded at this moment, so nothing is changed and a last block that is not whole is no fault.

use super::{Kind, Report, files};
use crate::store::data_set::RunFolder;
use crate::store::{StoreError, digests, journal, recorder, recover, set_aside, state};

const NEXT_START: &str = "start the daemon: it puts the run right, and what is damaged aside";

/// Checks an unfinished run.
pub(super) fn check(run: &RunFolder) -> Result<Report, StoreError> {
    let folder = &run.path;
    let mut report = Report::new(Kind::Unfinished);
    files::left_over(run, &mut report)?;
    for (path, what) in recover::damaged_sources(folder)?.into_iter().chain(state::damaged(folder)?) {
        report.damaged(&path, what, NEXT_START);
    }
    for aside in set_aside::list(folder)? {
        report.fault(&folder.join(set_aside::FOLDER).join(&aside.file), aside.why, NEXT_START);
    }
    let Some((part, bytes)) = state::latest(folder)? else {
        let what = "there is no sound state to go on from";
        report.fault(&folder.join(journal::FOLDER), what, "start the daemon: it keeps the finished parts");
        return Ok(report);
    };
    if let Err(error) = recorder::can_resume(folder, &bytes)
        && report.is_sound()
    {
        report.faults.push(error.into());
    }
    let found = digests::check(folder, part)?;
    for (path, what) in found.damaged {
        report.damaged(&path, what, NEXT_START);
    }
    for file in found.missing {
        report.fault(&folder.join(file), "was finished and is no longer there", "copy it again if there is a copy");
    }
    blocks(run, part, &mut report)?;
    Ok(report)
}

/// Reads the open part's journal.
fn blocks(run: &RunFolder, part: u32, report: &mut Report) -> Result<(), StoreError> {
    let path = journal::path(&run.path, part);
    let (mut count, mut frames) = (0u64, 0u64);
    let mut last = i64::from(part) * recorder::PART.0;
    for block in journal::read(&path)? {
        match block {
            Ok((batch, _)) => {
                let (first, end) = (batch.first().map_or(last, |at| at.0), batch.last().map_or(last, |at| at.0));
                if first < last {
                    let what = format!("block {count} begins at {first} us, the one before ended at {last} us");
                    report.fault(&path, what, NEXT_START);
                }
                last = last.max(end);
                count += 1;
                frames += batch.frames.len() as u64;
            }
            Err(torn) if torn.until.is_some() => report.damaged(&path, torn.to_string(), NEXT_START),
            Err(torn) => report.notes.push(format!("{torn}: a cut, or being written just now")),
        }
    }
    report.duration_s = Some(last as f64 / 1e6);
    report.notes.push(format!("part {part} so far: {count} blocks with {frames} frames in its journal"));
    Ok(())
}
