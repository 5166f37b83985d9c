//! This vehicle's runs of the last hours: after a cut of the power within a drive the pilot goes on where it was.
//!
//! Reads finished runs alone, a row group at a time, one row a second, and for a bounded time. What can't be read is said and
//! left out: nothing waits for it. Does not judge whether a charge began another test: the pilot does.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::document::Fault;
use crate::ledger::{Phase, Sums, TraceRow};
use crate::observation::Mark;
use crate::schema::Role;
use crate::schema::tables::TRACE_SUMS;
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::run_file::RunFile;
use crate::store::{StoreError, reader};
use crate::time::{RunTime, Span, WallClock};

/// Older than this is another drive.
const AGE_MAX: Span = Span::of_seconds(12 * 3_600);
/// A clock that stands before what was recorded is not set yet; so much of it is let pass.
const AHEAD_MAX: Span = Span::of_seconds(60);
/// All of it takes no longer.
const READ_MAX: Duration = Duration::from_secs(60);
/// A row a second is enough.
const EVERY: i64 = 1_000_000;
/// Runs looked at, at most.
const RUNS_MAX: usize = 100;

/// What was recorded, step by step.
pub enum Step {
    /// A row of the trace of a run, runs numbered upwards from 1.
    Row(u64, Box<TraceRow>),
    /// What a person noted in a run.
    Mark(u64, RunTime, Mark),
}

/// Where to look.
pub struct Earlier {
    /// The data set.
    pub data: PathBuf,
    /// The car's name in it.
    pub vehicle: String,
    /// Now, by the computer's clock.
    pub utc: WallClock,
    /// Whether what a cut left has been put right.
    pub is_idle: Box<dyn Fn() -> bool + Send>,
}

impl Earlier {
    /// Whether what a cut left has been put right.
    pub fn is_ready(&self) -> bool {
        (self.is_idle)()
    }

    /// Reads what may belong to the drive that still goes on, in the order in which it was driven.
    pub fn read(self, mut each: impl FnMut(Step)) {
        let until = Instant::now() + READ_MAX;
        let runs = match self.runs() {
            Ok(runs) => runs,
            Err(error) => return tracing::warn!("earlier runs are not looked at: {}", Fault::from(error)),
        };
        for (number, run) in (1..).zip(&runs) {
            if Instant::now() > until {
                return tracing::warn!("earlier runs took too long to read; the rest is left out");
            }
            tracing::info!("{}: the drive may go on from here", run.display());
            if let Err(error) = read_run(run, number, &mut each) {
                tracing::warn!("not all of an earlier run is known: {}", Fault::from(error));
            }
        }
    }

    /// The folders of the finished runs of this vehicle that ended within the last hours, the earliest first.
    fn runs(&self) -> Result<Vec<PathBuf>, StoreError> {
        let of_the_car = |run: &RunFolder| run.vehicle == self.vehicle && !run.is_unfinished();
        let runs = DataSet::open(&self.data)?.runs()?;
        let mut found: Vec<(WallClock, PathBuf)> = Vec::new();
        for run in runs.into_iter().filter(of_the_car).rev().take(RUNS_MAX) {
            // Damage is the recording's own business and was said by it.
            let Ok(file) = run.read_run_file() else { continue };
            let Some(start) = self.start_of(&file) else { continue };
            found.push((start, run.path));
        }
        found.sort();
        Ok(found.into_iter().map(|(_, path)| path).collect())
    }

    /// When a run began, if it may belong to the drive of now.
    fn start_of(&self, file: &RunFile) -> Option<WallClock> {
        let start = file.start_utc.as_deref().and_then(WallClock::parse_iso)?;
        let age = self.utc - (start + Span::from_seconds(file.duration_s));
        // What began since this start is told as it is recorded.
        let before = start < self.utc;
        (before && age <= AGE_MAX && age >= -AHEAD_MAX && !file.is_rehearsal()).then_some(start)
    }
}

/// The columns that make a row, phase first, latitude and longitude last.
fn columns() -> Vec<&'static str> {
    let roles = crate::schema::role::ROLES.iter().map(|info| info.key);
    let sums = TRACE_SUMS.iter().map(|(name, ..)| *name);
    ["phase"].into_iter().chain(sums).chain(roles).chain(["latitude", "longitude"]).collect()
}

fn read_run(folder: &Path, number: u64, each: &mut impl FnMut(Step)) -> Result<(), StoreError> {
    let mut marks = reader::read_marks(folder)?.into_iter().peekable();
    let columns = columns();
    let mut next = 0;
    let mut last: Option<TraceRow> = None;
    let mut give = |row: TraceRow, each: &mut dyn FnMut(Step)| {
        while let Some((at, mark)) = marks.next_if(|(noted, _)| *noted <= row.at) {
            each(Step::Mark(number, at, mark));
        }
        each(Step::Row(number, Box::new(row)));
    };
    reader::read_floats(folder, "trace", &columns, |chunk| {
        for (index, at) in chunk.t_us.iter().enumerate() {
            if *at >= next {
                next = at - at.rem_euclid(EVERY) + EVERY;
                give(row(&chunk, index), each);
            }
        }
        last = chunk.t_us.len().checked_sub(1).map(|index| row(&chunk, index));
    })?;
    // With the sums at the run's very end.
    if let Some(last) = last {
        give(last, each);
    }
    marks.for_each(|(at, mark)| each(Step::Mark(number, at, mark)));
    Ok(())
}

fn row(chunk: &reader::Chunk<'_>, index: usize) -> TraceRow {
    let cell = |column: usize| chunk.columns[column][index];
    let phase = chunk.names[0].get(cell(0) as usize).map_or("", String::as_str);
    let roles = 1 + TRACE_SUMS.len();
    TraceRow {
        at: RunTime(chunk.t_us[index]),
        phase: Phase::from_key(phase).unwrap_or_default(),
        sums: Sums::from_column_order(std::array::from_fn(|sum| cell(1 + sum))),
        roles: std::array::from_fn(|role| cell(roles + role)),
        latitude_deg: cell(roles + Role::COUNT),
        longitude_deg: cell(roles + Role::COUNT + 1),
    }
}

#[cfg(test)]
mod tests;
