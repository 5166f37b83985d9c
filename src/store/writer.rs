//! Writes one run's tables: rows into row groups, row groups into parts, and at the end one file a table.
//!
//! Where groups and parts end depends on rows and run time alone, never on a clock or on batch sizes, so that the same
//! recording gives the same bytes. Decides no part boundary (the caller does, at multiples of 300 s) and keeps no
//! journal.

use std::cmp::Reverse;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::disk;
use super::frames::FrameBuffer;
use super::packing::{Buffer, Done, Packing};
use super::part_writer::PartWriter;
use super::rows::RowBuffer;
use super::table_files::TableFiles;
use super::{StoreError, digests, journal, parts};
use crate::ledger::TraceRow;
use crate::observation::{Bus, BusNames, CanId, Fix, Frame, Mark, MarkKind, Reply};
use crate::schema::{Role, Table, tables};
use crate::time::{RunTime, US_PER_S};
use crate::workers::Workers;

/// The bus of a row that came over none (a table of signals): its name in the files is empty.
pub const NO_BUS: Bus = Bus(u8::MAX);
/// A row group of frames ends with the minute of run time ...
const FRAMES_GROUP_US: i64 = 60 * US_PER_S;
/// ... or when it is this long.
const FRAMES_GROUP_ROWS: usize = 100_000;
/// The most rows of any other row group.
pub(super) const GROUP_ROWS: usize = 10_000;
/// And the fewest that the limit on memory may ask for.
const GROUP_ROWS_LEAST: usize = 512;
/// What all samples waiting for their row groups may take together, bytes.
const SAMPLES_BUDGET: usize = 8 << 20;

const PHASES: [&str; 3] = ["drive", "stand", "charge"];

/// Rows that gather for a row group, and where they go. While a group is packed elsewhere, the next gathers in a buffer of its own.
struct Gathering<B> {
    rows: B,
    /// Memory for the groups after this one, where others packed those before.
    spare: Vec<B>,
    limit: usize,
    out: PartWriter,
}

impl<B> Gathering<B> {
    fn new(run_folder: &Path, table: Table, limit: usize, rows: B) -> Result<Self, StoreError> {
        Ok(Self { rows, spare: Vec::new(), limit, out: PartWriter::new(run_folder, table)? })
    }

    /// Gives the rows away and goes on with none.
    fn leave(&mut self, new: impl FnOnce(&Self) -> B) -> B {
        let next = self.spare.pop().unwrap_or_else(|| new(self));
        std::mem::replace(&mut self.rows, next)
    }

    /// Takes back a buffer that is empty again, for its memory.
    fn take_back(&mut self, used: B, has_rows: bool) {
        // One that rows already gather in stays; else the one that was used has memory for them.
        let idle = if has_rows { used } else { std::mem::replace(&mut self.rows, used) };
        self.spare.push(idle);
    }
}

type FrameTable = Gathering<FrameBuffer>;
type RowTable = Gathering<RowBuffer>;

/// Whose a row group is.
#[derive(Clone, Copy)]
enum Whose {
    Frames,
    Sample(usize),
    Other(Other),
}

/// The tables that hold neither frames nor samples, in the order of [`RunWriter::others`].
#[derive(Clone, Copy)]
enum Other {
    Trace,
    Fixes,
    Polls,
    Supply,
    Marks,
}

/// Writes the tables of one run.
pub struct RunWriter {
    folder: PathBuf,
    part: u32,
    sync_parts: bool,
    buses: BusNames,
    packing: Packing<Whose>,
    frames: Option<FrameTable>,
    /// End of the minute that the frames waiting belong to.
    minute_end: i64,
    samples: Vec<RowTable>,
    others: [RowTable; 5],
}

impl RunWriter {
    /// Begins the tables of a new run in `folder` (`run=NAME`); `samples` are the tables of the map's messages.
    pub fn create(folder: &Path, samples: Vec<Table>, record_frames: bool) -> Result<Self, StoreError> {
        disk::create_folder(folder)?;
        Self::new(folder, samples, record_frames, 0)
    }

    /// The same writer, not yet used, with those who help to pack row groups; the files are the same whoever does.
    pub fn with_workers(self, workers: Workers) -> Self {
        let bytes = |table: &RowTable| table.limit * RowBuffer::row_bytes(&table.out.schema.table);
        let longest = self.samples.iter().map(bytes).max().unwrap_or(0);
        Self { packing: Packing::new(workers, longest), ..self }
    }

    /// Goes on with a run that was cut: removes unfinished files and every part from `next_part` on.
    ///
    /// Refused when a merged file already holds part `next_part`: a run is merged only after its last state is saved.
    pub fn resume(folder: &Path, samples: Vec<Table>, record_frames: bool, next_part: u32) -> Result<Self, StoreError> {
        let tables = parts::table_folders(folder)?;
        for table in &tables {
            let found = parts::list(table)?.0;
            if let Some(part) = found.iter().find(|part| part.from < next_part && part.to >= next_part) {
                let what = format!("holds part {next_part}, which the saved state says is not finished");
                return Err(StoreError::refused(&part.path, what));
            }
        }
        super::recover::tidy(folder)?;
        for table in &tables {
            for part in parts::list(table)?.0.iter().filter(|part| part.from >= next_part) {
                disk::remove(&part.path)?;
            }
            disk::sync_folder(table)?;
        }
        Self::new(folder, samples, record_frames, next_part)
    }

    fn new(folder: &Path, samples: Vec<Table>, record_frames: bool, part: u32) -> Result<Self, StoreError> {
        let row_bytes: usize = samples.iter().map(RowBuffer::row_bytes).sum();
        let limit = (SAMPLES_BUDGET / row_bytes.max(1)).clamp(GROUP_ROWS_LEAST, GROUP_ROWS);
        let of_rows = |table: Table, limit| {
            let rows = RowBuffer::new(&table);
            RowTable::new(folder, table, limit, rows)
        };
        let other = |table| of_rows(table, GROUP_ROWS);
        let frames =
            || FrameTable::new(folder, tables::frames(), FRAMES_GROUP_ROWS, FrameBuffer::new(FRAMES_GROUP_ROWS));
        Ok(Self {
            folder: folder.to_owned(),
            part,
            sync_parts: true,
            buses: BusNames::default(),
            packing: Packing::new(Workers::alone(), 0),
            frames: record_frames.then(frames).transpose()?,
            minute_end: i64::MIN,
            samples: samples.into_iter().map(|table| of_rows(table, limit)).collect::<Result<_, _>>()?,
            others: [
                other(tables::trace())?,
                other(tables::fixes())?,
                other(tables::polls())?,
                other(tables::supply())?,
                other(tables::marks())?,
            ],
        })
    }

    /// Whether parts are made durable as they close (the default). A run that is made again from its recording when it
    /// is cut needs that only of its final files.
    pub fn set_sync_parts(&mut self, sync: bool) {
        self.sync_parts = sync;
    }

    /// The buses' names; say them anew whenever there is a new bus.
    pub fn set_buses(&mut self, names: &BusNames) {
        if self.buses != *names {
            self.buses = names.clone();
        }
    }

    /// Keeps a frame, if frames are recorded. `payload` is empty for a remote frame.
    #[inline]
    pub fn frame(&mut self, at: RunTime, frame: &Frame, payload: &[u8]) -> Result<(), StoreError> {
        let Some(table) = &mut self.frames else { return Ok(()) };
        if at.0 < self.minute_end && table.rows.len() < table.limit {
            table.rows.push(at, frame, payload);
            return Ok(());
        }
        self.give_out(Whose::Frames)?;
        let minute = at.0.div_euclid(FRAMES_GROUP_US);
        self.minute_end = minute.saturating_add(1).saturating_mul(FRAMES_GROUP_US);
        if let Some(table) = &mut self.frames {
            table.rows.push(at, frame, payload);
        }
        Ok(())
    }

    /// Gives out what has gathered for a table as a row group, and appends what is packed by now.
    fn give_out(&mut self, whose: Whose) -> Result<(), StoreError> {
        let names = match whose {
            Whose::Other(Other::Trace) => PHASES.iter().map(|&phase| phase.to_owned()).collect(),
            Whose::Other(Other::Marks) => MarkKind::ALL.iter().map(|(_, key)| (*key).to_owned()).collect(),
            _ => self.buses.names().to_vec(),
        };
        let (buffer, out) = match whose {
            Whose::Frames => {
                let Some(table) = self.frames.as_mut().filter(|table| table.rows.len() > 0) else { return Ok(()) };
                (Buffer::Frames(table.leave(|_| FrameBuffer::new(FRAMES_GROUP_ROWS))), &table.out)
            }
            Whose::Sample(_) | Whose::Other(_) => {
                let table = self.rows_of(whose).filter(|table| table.rows.len() > 0);
                let Some(table) = table else { return Ok(()) };
                (Buffer::Rows(table.leave(|table| RowBuffer::new(&table.out.schema.table))), &table.out)
            }
        };
        let schema = Arc::clone(&out.schema);
        self.packing.give_out(whose, buffer, schema, names);
        while let Some(done) = self.packing.due() {
            self.append(done)?;
        }
        Ok(())
    }

    fn append(&mut self, done: Done<Whose>) -> Result<(), StoreError> {
        let Done { whose, buffer, packed } = done;
        let part = self.part;
        // A buffer that was packed is used again for its memory. One whose packing failed still holds its rows: the error ends the writer,
        // and they end with it.
        let out = match buffer {
            Buffer::Frames(used) => self.frames.as_mut().map(|table| {
                if used.len() == 0 {
                    table.take_back(used, table.rows.len() > 0);
                }
                &mut table.out
            }),
            Buffer::Rows(used) => self.rows_of(whose).map(|table| {
                if used.len() == 0 {
                    table.take_back(used, table.rows.len() > 0);
                }
                &mut table.out
            }),
        };
        out.map_or(Ok(()), |out| out.append(part, packed))
    }

    fn rows_of(&mut self, whose: Whose) -> Option<&mut RowTable> {
        match whose {
            Whose::Frames => None,
            Whose::Sample(message) => self.samples.get_mut(message),
            Whose::Other(which) => self.others.get_mut(which as usize),
        }
    }

    /// Keeps a sample row of message `message` (an index into the tables given at the start); what is not finite is null.
    ///
    /// A message that is not in that list is refused.
    #[inline]
    pub fn sample(&mut self, message: usize, at: RunTime, bus: Bus, values: &[f64]) -> Result<(), StoreError> {
        let Some(table) = self.samples.get_mut(message) else {
            return Err(StoreError::refused(&self.folder, format!("no samples table has number {message}")));
        };
        table.rows.push(at.0, bus.0, values);
        if table.rows.len() >= table.limit { self.give_out(Whose::Sample(message)) } else { Ok(()) }
    }

    /// Keeps a row of the trace.
    pub fn trace(&mut self, row: &TraceRow) -> Result<(), StoreError> {
        let mut numbers = [f64::NAN; 8 + Role::COUNT + 2];
        numbers[..8].copy_from_slice(&row.sums.in_column_order());
        numbers[8..8 + Role::COUNT].copy_from_slice(&row.roles);
        numbers[8 + Role::COUNT..].copy_from_slice(&[row.latitude_deg, row.longitude_deg]);
        let phase = PHASES.iter().position(|phase| *phase == row.phase.key()).unwrap_or_default();
        self.other(Other::Trace, row.at, phase as u8, &numbers, &[])
    }

    /// Keeps a satellite fix.
    pub fn fix(&mut self, at: RunTime, fix: &Fix) -> Result<(), StoreError> {
        let or_null = |value: Option<f64>| value.unwrap_or(f64::NAN);
        let numbers = [
            or_null(fix.latitude_deg),
            or_null(fix.longitude_deg),
            or_null(fix.altitude_m),
            or_null(fix.speed_mps),
            or_null(fix.track_deg),
            f64::from(fix.mode),
            or_null(fix.satellites.map(f64::from)),
            or_null(fix.hdop),
        ];
        self.other(Other::Fixes, at, 0, &numbers, &[])
    }

    /// Keeps a reply to a request of ours.
    pub fn reply(&mut self, at: RunTime, reply: &Reply) -> Result<(), StoreError> {
        let (id, extended) = match reply.from {
            CanId::Standard(id) => (f64::from(id), 0.0),
            CanId::Extended(id) => (f64::from(id), 1.0),
        };
        self.other(Other::Polls, at, reply.bus.0, &[id, extended], &[&reply.request, &reply.payload])
    }

    /// Keeps a reading of the supply voltage, V; what is not finite is no reading.
    pub fn supply(&mut self, at: RunTime, volts: f64) -> Result<(), StoreError> {
        if volts.is_finite() { self.other(Other::Supply, at, 0, &[volts], &[]) } else { Ok(()) }
    }

    /// Keeps a mark.
    pub fn mark(&mut self, at: RunTime, mark: &Mark) -> Result<(), StoreError> {
        let value = mark.value.unwrap_or(f64::NAN);
        self.other(Other::Marks, at, mark.kind as u8, &[value], &[mark.text.as_bytes()])
    }

    fn other(
        &mut self,
        which: Other,
        at: RunTime,
        name: u8,
        numbers: &[f64],
        blobs: &[&[u8]],
    ) -> Result<(), StoreError> {
        let rows = &mut self.others[which as usize].rows;
        debug_assert_eq!((rows.numbers(), rows.blobs()), (numbers.len(), blobs.len()), "rows match their table");
        rows.push(at.0, name, numbers);
        rows.push_blobs(blobs);
        if rows.len() >= GROUP_ROWS { self.give_out(Whose::Other(which)) } else { Ok(()) }
    }

    /// A part boundary: finishes every table's open part under its own name, durable, and begins the next part. Where parts need not be durable
    /// they are not synced, and those of a table whose row groups are never joined go on in one file.
    pub fn close_parts(&mut self) -> Result<(), StoreError> {
        self.give_out(Whose::Frames)?;
        self.minute_end = i64::MIN;
        for message in 0..self.samples.len() {
            self.give_out(Whose::Sample(message))?;
        }
        for which in [Other::Trace, Other::Fixes, Other::Polls, Other::Supply, Other::Marks] {
            self.give_out(Whose::Other(which))?;
        }
        while let Some(done) = self.packing.take_first() {
            self.append(done)?;
        }
        let (part, sync) = (self.part, self.sync_parts);
        let mut closed = Vec::new();
        for out in self.tables_mut() {
            closed.extend(out.end_part(sync)?);
        }
        if sync {
            // Only a run with a journal can be cut and gone on with.
            if self.folder.join(journal::FOLDER).exists() {
                digests::save(&self.folder, part, &closed)?;
            }
            // New folders of tables are entries of the run's folder and of `samples`.
            for folder in [self.folder.clone(), self.folder.join("samples")] {
                if folder.exists() {
                    disk::sync_folder(&folder)?;
                }
            }
        }
        self.part = part.saturating_add(1);
        Ok(())
    }

    fn tables_mut(&mut self) -> impl Iterator<Item = &mut PartWriter> {
        let frames = self.frames.iter_mut().map(|table| &mut table.out);
        frames.chain(self.samples.iter_mut().chain(&mut self.others).map(|table| &mut table.out))
    }

    /// Lets go of all but the tables' folders and what packs: merging needs the memory.
    fn into_outs(self) -> (Vec<PartWriter>, Packing<Whose>) {
        self.packing.end_frames();
        let frames = self.frames.into_iter().map(|table| table.out);
        let rows = self.samples.into_iter().chain(self.others).map(|table| table.out);
        (frames.chain(rows).collect(), self.packing)
    }

    /// The part being written.
    pub fn part(&self) -> u32 {
        self.part
    }

    /// Whether nothing belongs to the part being written.
    fn is_empty(&self) -> bool {
        let frames = self.frames.iter().all(|table| table.rows.len() == 0 && !table.out.has_some_of(self.part));
        let mut rows = self.samples.iter().chain(&self.others);
        self.packing.is_empty()
            && frames
            && rows.all(|table| table.rows.len() == 0 && !table.out.has_some_of(self.part))
    }

    /// Ends the run: closes what is open and merges each table's parts into one durable file.
    ///
    /// Tables without a row have no file and are not in the answer. Can be done again after a cut ([`Self::resume`]).
    pub fn finish(mut self) -> Result<Vec<TableFiles>, StoreError> {
        if !self.is_empty() {
            self.close_parts()?;
        }
        let (last, may_stay_parts) = (self.part.saturating_sub(1), self.sync_parts);
        let (outs, packing) = self.into_outs();
        let mut outs: Vec<(usize, PartWriter)> = outs.into_iter().enumerate().collect();
        // The widest takes longest, so it is begun first.
        outs.sort_by_key(|(_, out)| Reverse(out.schema.table.columns.len()));
        let start = |(place, out): (usize, PartWriter)| {
            (place, packing.start(move |encoder| out.finish(last, may_stay_parts, encoder)))
        };
        let given_out: Vec<_> = outs.into_iter().map(start).collect();
        // All are waited for, so that none is at work any more when this returns.
        let mut made: Vec<_> = given_out.into_iter().map(|(place, job)| (place, job.take())).collect();
        made.sort_by_key(|(place, _)| *place);
        made.into_iter().filter_map(|(_, made)| made.transpose()).collect()
    }
}

#[cfg(test)]
pub(crate) mod tests;
