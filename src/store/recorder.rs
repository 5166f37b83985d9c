//! One run being recorded: observations in, decoded, integrated, and kept.
//!
//! The daemon and `ingest` share it, so driving the car and replaying a recording run the same code. Does not decide where
//! a run begins or ends (the session does) and reads no clock.

mod report;
mod state;

use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use report::{Plan, run_name};

use super::journal::{self, Journal};
use super::run_file::{self, Damage, Ended, RunFile, Source};
use super::writer::{NO_BUS, RunWriter};
use super::{StoreError, disk, recover, set_aside, state as saved};
use crate::decode::{Batches, Decoded, DecodedBatch, Decoder};
use crate::ledger::{Ledger, TraceRow};
use crate::map::{Map, Message};
use crate::observation::{Batch, Bus, BusNames, Item, Stamped};
use crate::schema::Table;
use crate::time::{RunTime, Span, Steady, WallClock};
use state::State;

/// Parts close at multiples of this run time, so that live, replay and ingest cut at the same places.
pub const PART: Span = Span::of_seconds(300);

/// What makes a recording crash-safe while it runs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Durability {
    /// Nothing until the end: the recording can be read again (ingest).
    AtTheEnd,
    /// A journal, synced by [`Recorder::sync`], and parts that are durable as they close (daemon).
    Journal,
}

/// One run being recorded.
pub struct Recorder {
    folder: PathBuf,
    plan: Arc<Plan>,
    decoding: Batches,
    writer: RunWriter,
    journal: Option<Journal>,
    state: State,
    /// The latest row of the trace, for those who look on; where others help, some batches behind.
    latest: Option<TraceRow>,
    /// All that is earlier has been given to the journal.
    journaled: Steady,
    /// All that is earlier is on the disk.
    durable: Steady,
}

impl Recorder {
    /// Begins a run in a folder; `origin` is the moment of its first observation, `started` what the world's clock said then.
    pub fn begin(folder: &Path, plan: &Arc<Plan>, origin: Steady, started: WallClock) -> Result<Self, StoreError> {
        let mut writer =
            RunWriter::create(folder, sample_tables(&plan.map), plan.record_frames)?.with_workers(plan.workers.clone());
        writer.set_sync_parts(plan.durability == Durability::Journal);
        let files: Vec<(String, Vec<u8>)> = plan.map.files.iter().chain(&plan.files).cloned().collect();
        let kept = run_file::keep_source_files(folder, &files)?;
        if plan.durability == Durability::Journal {
            recover::keep_sources_again(folder, &kept)?;
        }
        let decoder = Decoder::new(&plan.map);
        let state = State::new(plan, &decoder, origin, started);
        let decoding = Batches::new(decoder, plan.workers.clone());
        let folder = folder.to_path_buf();
        let plan = Arc::clone(plan);
        let mut recorder = Self {
            folder,
            plan,
            decoding,
            writer,
            journal: None,
            state,
            latest: None,
            journaled: origin,
            durable: origin,
        };
        if recorder.plan.durability == Durability::Journal {
            recorder.save()?;
        }
        Ok(recorder)
    }

    /// Goes on where a cut left a run: the state of the last part boundary, and the journal replayed on top of it.
    ///
    /// Damaged files are put aside with the reason; what could not be read becomes a trouble of the run.
    pub fn resume(folder: &Path) -> Result<Self, StoreError> {
        recover::tidy(folder)?;
        recover::restore_sources(folder)?;
        let Some((part, bytes)) = saved::latest(folder)? else {
            return Err(StoreError::damaged(folder, "no sound state of its last part boundary"));
        };
        let (state, plan) = State::load(folder, &bytes)?;
        let missing = recover::put_damaged_aside(folder, part)?;
        let mut decoder = Decoder::new(&plan.map);
        decoder.set_counts(state.counts.clone());
        let writer = RunWriter::resume(folder, sample_tables(&plan.map), plan.record_frames, part)?;
        let names = state.buses.clone();
        let decoding = Batches::new(decoder, plan.workers.clone());
        let (plan, last) = (Arc::new(plan), state.last);
        let folder = folder.to_path_buf();
        let mut recorder =
            Self { folder, plan, decoding, writer, journal: None, state, latest: None, journaled: last, durable: last };
        recorder.state.buses = BusNames::default();
        recorder.set_buses(&names);
        let journal = journal::path(&recorder.folder, part);
        recorder.replay_journal(&journal)?;
        let end = recorder.run_time(recorder.state.last);
        for file in missing {
            recorder.state.trouble_once(end, format!("{file} was finished and is no longer there"));
        }
        Ok(recorder)
    }

    /// Takes what the journal holds; damage between sound blocks leaves a gap and a copy of the journal aside.
    fn replay_journal(&mut self, path: &Path) -> Result<(), StoreError> {
        for block in journal::read(path)? {
            match block {
                Ok((mut batch, names)) => {
                    self.rebase(&mut batch);
                    self.set_buses(&names);
                    self.process(&mut batch)?;
                }
                Err(torn) => {
                    self.settle()?;
                    if torn.until.is_some() {
                        set_aside::copy(&self.folder, path, &torn.to_string())?;
                    }
                    self.state.trouble_once(self.run_time(self.state.last), torn.to_string());
                }
            }
        }
        self.settle()
    }

    /// Turns a run that a cut left unfinished into a proper one. Cut itself, it can be done again.
    ///
    /// # Errors
    /// If nothing was recorded in it (the folder is removed then), or what is needed to go on is damaged.
    pub fn recover(folder: &Path) -> Result<RunFile, StoreError> {
        if recover::holds_nothing(folder)? {
            disk::remove_folder(folder)?;
            return Err(StoreError::refused(folder, "nothing was recorded in it before the cut; it was removed"));
        }
        let path = folder.join(run_file::NAME);
        if path.exists() {
            match RunFile::load(folder) {
                // Cut after its last file was written: only the journal is left to go.
                Ok(file) => {
                    recover::tidy(folder)?;
                    recover::drop_journal(folder)?;
                    return Ok(file);
                }
                Err(StoreError::Damaged { what, .. }) => set_aside::put(folder, &path, &what)?,
                Err(error) => return Err(error),
            }
        }
        let mut recorder = Self::resume(folder)?;
        recorder.tell_loss();
        recorder.finish(Ended::Recovered, None)
    }

    /// Notes up to when a cut run was recorded. A run that had ended before the cut lost nothing.
    fn tell_loss(&mut self) {
        if self.state.ended.is_some() {
            return;
        }
        let end = self.run_time(self.state.last);
        let wall = self.state.started_by_last_anchor() + Span(end.0);
        let bound = match self.plan.sync_every {
            Some(every) => format!("at most {} s (sync_every_s) and what was just on its way", every.seconds()),
            None => "at most sync_every_s of its configuration and what was just on its way".to_owned(),
        };
        let text = format!(
            "cut: recorded until {:.3} s ({}); what was observed after the last sync is lost, {bound}",
            end.seconds(),
            wall.iso()
        );
        self.state.trouble_once(end, text);
    }

    /// The latest row of the trace: what the car does, the sums, the roles' values; `None` in a run's first moments. Where others help, some
    /// batches behind.
    pub fn latest(&self) -> Option<&TraceRow> {
        self.latest.as_ref()
    }

    /// How long the run has gone on; where others help, some batches behind.
    pub fn duration(&self) -> Span {
        self.state.last - self.state.origin
    }

    /// The run's name.
    pub fn name(&self) -> String {
        report::run_name(&self.folder)
    }

    /// The run's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Takes observations in time order and leaves the batch empty, but on an error. Nothing about the result depends on how they are batched.
    pub fn take(&mut self, batch: &mut Batch, names: &BusNames) -> Result<(), StoreError> {
        self.set_buses(names);
        let Some(last) = batch.last() else { return Ok(()) };
        let boundary = self.state.part_end(self.writer.part());
        if last < boundary {
            return self.take_within_part(batch);
        }
        // Rare: what lies before the boundary belongs to the part that ends there, in the journal too.
        self.take_within_part(&mut batch.take_before(boundary))?;
        self.end_part(boundary)?;
        self.take(batch, names)
    }

    /// What has been observed so far reaches stable storage.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        let Some(journal) = &mut self.journal else { return Ok(()) };
        journal.sync()?;
        self.durable = self.journaled;
        Ok(())
    }

    /// All that is earlier than this is on the disk; what is not may be taken again by a following run.
    pub fn durable(&self) -> Steady {
        self.durable
    }

    /// Throws away what is not known to be durable: after a failed sync, so that nothing is kept twice. The run is left to
    /// be recovered.
    pub fn cut_to_durable(&mut self) -> Result<(), StoreError> {
        self.journal.as_mut().map_or(Ok(()), Journal::cut_to_durable)
    }

    /// Ends the run: everything goes into its final files, `run.json` tells the whole, the journal goes away.
    /// `made_from` is what it was made from and what could not be read of that, where that is known only now.
    ///
    /// Where there is a journal, a finish that is cut is taken up again by [`Self::recover`].
    pub fn finish(mut self, why: Ended, made_from: Option<(Vec<Source>, Vec<Damage>)>) -> Result<RunFile, StoreError> {
        if let Some((sources, damage)) = made_from {
            let plan = Arc::make_mut(&mut self.plan);
            (plan.run_file.sources, plan.run_file.damage) = (sources, damage);
        }
        self.settle()?;
        let end = self.run_time(self.state.last);
        self.state.ledger.finish(end);
        // A run that ended before it was cut has its last part closed and its last state saved.
        let ended_before = self.state.ended.replace(self.state.ended.unwrap_or(why)).is_some();
        self.drain_trace()?;
        if self.plan.durability == Durability::Journal && !ended_before {
            self.writer.close_parts()?;
            self.save()?;
        }
        self.state.counts = self.decoding.counts().clone();
        let mut run_file = report::told(&self.folder, &self.plan, &self.state)?;
        run_file.tables = self.writer.finish()?;
        run_file.save(&self.folder)?;
        recover::drop_journal(&self.folder)?;
        Ok(run_file)
    }

    /// Names grow and never change, so batches on their way need not be waited for.
    fn set_buses(&mut self, names: &BusNames) {
        if self.state.buses != *names {
            self.state.buses = names.clone();
            self.decoding.set_buses(names);
            self.writer.set_buses(names);
        }
    }

    fn run_time(&self, at: Steady) -> RunTime {
        RunTime((at - self.state.origin).0.max(0))
    }

    /// Journal stamps count from the run's time zero.
    fn rebase(&self, batch: &mut Batch) {
        let since = Span(self.state.origin.0);
        batch.frames.iter_mut().for_each(|frame| frame.at = frame.at + since);
        batch.rest.iter_mut().for_each(|stamped| stamped.at = stamped.at + since);
    }

    fn take_within_part(&mut self, batch: &mut Batch) -> Result<(), StoreError> {
        if let Some(journal) = &mut self.journal {
            journal.append(batch, &self.state.buses, self.state.origin)?;
            self.journaled = batch.last().map_or(self.journaled, |last| last + Span(1));
        }
        self.process(batch)
    }

    /// Decodes a batch, elsewhere if somebody helps, and folds those that are decoded by now.
    fn process(&mut self, batch: &mut Batch) -> Result<(), StoreError> {
        while !batch.is_empty() {
            self.decoding.give_out(batch);
            while let Some(decoded) = self.decoding.due() {
                self.fold(decoded)?;
            }
        }
        Ok(())
    }

    /// Folds all that was taken.
    fn settle(&mut self) -> Result<(), StoreError> {
        while let Some(decoded) = self.decoding.take_first() {
            self.fold(decoded)?;
        }
        Ok(())
    }

    /// What goes on in order: rows to their tables, values that play a role to the ledger.
    fn fold(&mut self, decoded: DecodedBatch) -> Result<(), StoreError> {
        let batch = decoded.batch();
        // All at once: they go to a table of their own, and only few of them to the ledger too.
        for frame in &batch.frames {
            self.writer.frame(self.run_time(frame.at), frame, batch.payload(frame))?;
        }
        let mut rest = batch.rest.iter().peekable();
        for (frame, message) in decoded.frames() {
            while let Some(stamped) = rest.next_if(|stamped| stamped.at <= frame.at) {
                self.item(stamped)?;
            }
            let at = self.run_time(frame.at);
            keep(&mut self.writer, &mut self.state.ledger, at, frame.bus, &message)?;
        }
        rest.try_for_each(|stamped| self.item(stamped))?;
        self.state.frames += batch.frames.len() as u64;
        if let Some(last) = batch.last() {
            self.state.last = self.state.last.max(last);
            self.state.ledger.reach(self.run_time(last));
        }
        self.decoding.take_back(decoded);
        self.drain_trace()
    }

    fn item(&mut self, stamped: &Stamped) -> Result<(), StoreError> {
        let at = self.run_time(stamped.at);
        match &stamped.item {
            Item::Reply(reply) => {
                self.writer.reply(at, reply)?;
                if let Some(decoded) = self.decoding.decoder().reply(reply) {
                    keep(&mut self.writer, &mut self.state.ledger, at, reply.bus, &decoded)?;
                }
            }
            Item::Row(row) => {
                if let Some(decoded) = self.decoding.decoder().row(row) {
                    keep(&mut self.writer, &mut self.state.ledger, at, NO_BUS, &decoded)?;
                }
            }
            Item::Fix(fix) => {
                self.writer.fix(at, fix)?;
                if let (Some(latitude), Some(longitude)) = (fix.latitude_deg, fix.longitude_deg) {
                    self.state.ledger.position(at, latitude, longitude);
                }
            }
            Item::Supply(volts) => self.writer.supply(at, *volts)?,
            Item::Mark(mark) => self.writer.mark(at, mark)?,
            Item::Anchor(wall) => self.state.anchor(at, *wall),
            Item::Trouble(text) => self.state.trouble(at, text.clone()),
        }
        Ok(())
    }

    /// The part that ends at `boundary` is closed; what the journal held is in finished parts now.
    fn end_part(&mut self, boundary: Steady) -> Result<(), StoreError> {
        // Whatever goes wrong below, the journal holds the part.
        self.sync()?;
        self.settle()?;
        // Something was observed at or after the boundary, which a cut may now cost: the run still goes up to here.
        self.state.last = self.state.last.max(boundary);
        self.state.ledger.reach(self.run_time(boundary));
        self.drain_trace()?;
        self.writer.close_parts()?;
        if self.plan.durability == Durability::Journal { self.save() } else { Ok(()) }
    }

    /// Saves the state at the beginning of a part, then begins that part's journal; a cut between the two finds a state
    /// with nothing on top of it, which is what there is.
    fn save(&mut self) -> Result<(), StoreError> {
        self.state.counts = self.decoding.counts().clone();
        let part = self.writer.part();
        saved::save(&self.folder, part, &self.state.to_bytes(&self.folder, &self.plan)?)?;
        self.journal = Some(Journal::create(&self.folder, part)?);
        match part.checked_sub(1) {
            Some(before) => journal::remove(&self.folder, before),
            None => Ok(()),
        }
    }

    fn drain_trace(&mut self) -> Result<(), StoreError> {
        let mut result = Ok(());
        let (writer, latest) = (&mut self.writer, &mut self.latest);
        self.state.ledger.drain_trace(|row| {
            if result.is_ok() {
                result = writer.trace(row);
            }
            *latest = Some(row.clone());
        });
        result
    }
}

/// Whether a run could be gone on with from a saved state and its own copy of the map.
pub(super) fn can_resume(folder: &Path, state: &[u8]) -> Result<(), StoreError> {
    State::load(folder, state).map(|_| ())
}

/// A decoded message goes to its samples table, and those of its values that play a role to the ledger.
#[inline]
fn keep(
    writer: &mut RunWriter,
    ledger: &mut Ledger,
    at: RunTime,
    bus: Bus,
    decoded: &Decoded<'_>,
) -> Result<(), StoreError> {
    writer.sample(decoded.message, at, bus, decoded.values)?;
    for tap in decoded.taps {
        if let Some(value) = tap.value(decoded.values) {
            ledger.sample(tap.role, at, value);
        }
    }
    Ok(())
}

fn sample_tables(map: &Map) -> Vec<Table> {
    map.messages.iter().map(Message::table).collect()
}

#[cfg(test)]
pub(crate) mod tests;
