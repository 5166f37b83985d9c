//! Where runs begin and end: observations in, finished runs out.
//!
//! A run begins with the first activity ([`super::activity`]) and ends once there has been none for [`Settings::quiet`].
//! Reads no clock: only the observations' own stamps decide, so live and replay split alike.

use std::path::PathBuf;
use std::sync::Arc;

use super::activity::{Activity, Gateway};
use super::data_set::{DataSet, RunFolder, Staged};
use super::recorder::{Durability, Plan, Recorder};
use super::run_file::{Damage, Ended, Source};
use super::{StoreError, disk, names};
use crate::observation::{Batch, BusNames, Item, Stamped};
use crate::time::{Span, Steady, WallClock};

/// What a session records with.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The data set's folder.
    pub data: PathBuf,
    /// Silence that ends a run.
    pub quiet: Span,
    /// What tells that the car is awake where its bus shows no frame until asked.
    pub gateway: Option<Gateway>,
    /// How each run is recorded.
    pub plan: Arc<Plan>,
}

/// Splits observations into runs and records each.
pub struct Session {
    data_set: DataSet,
    settings: Settings,
    current: Option<Recorder>,
    /// Where the current run is made, if it is to appear only when it is whole.
    staged: Option<Staged>,
    activity: Activity,
    /// The latest activity, on the steady clock.
    active: Steady,
    /// What the world's clock said, and when.
    anchor: Option<(Steady, WallClock)>,
    finished: Vec<RunFolder>,
    begun: u64,
    outside: u64,
    made_from: Option<(Vec<Source>, Vec<Damage>)>,
    /// Runs with a journal that have ended and are not finished yet.
    ended: Vec<Closing>,
    /// All that is earlier is on the disk, or belongs to no run.
    safe: Steady,
}

/// A run that has ended, everything of it in its journal; its final files are still to be made, by whoever has time for it.
pub struct Closing {
    recorder: Recorder,
    why: Ended,
    made_from: Option<(Vec<Source>, Vec<Damage>)>,
}

impl Closing {
    /// The run's folder.
    pub fn folder(&self) -> PathBuf {
        self.recorder.folder().to_path_buf()
    }

    /// Makes the run's final files. If this fails or is cut, [`Recorder::recover`] takes it up again.
    pub fn finish(self) -> Result<RunFolder, StoreError> {
        let folder = self.folder();
        self.recorder.finish(self.why, self.made_from)?;
        RunFolder::open(&folder)
    }
}

impl Session {
    /// Opens the data set (makes it if need be).
    pub fn open(settings: Settings) -> Result<Self, StoreError> {
        Ok(Self {
            data_set: DataSet::create(&settings.data)?,
            activity: Activity::new(&settings.plan.map, settings.gateway),
            settings,
            current: None,
            staged: None,
            active: Steady(i64::MIN),
            anchor: None,
            finished: Vec::new(),
            begun: 0,
            outside: 0,
            made_from: None,
            ended: Vec::new(),
            safe: Steady(i64::MIN),
        })
    }

    /// Takes observations in time order and leaves the batch empty, but on an error; begins and ends runs as they say.
    pub fn take(&mut self, batch: &mut Batch, names: &BusNames) -> Result<(), StoreError> {
        let items = self.activity.of_items(batch);
        let mut items = &items[..];
        while let Some(moment) = self.first_break(batch, items, names) {
            let (items_before, items_after) = items.split_at(items.partition_point(|at| *at < moment));
            self.append(&mut batch.take_before(moment), items_before, names)?;
            self.end(Ended::Quiet)?;
            self.note_anchors_at(batch, moment);
            self.begin(moment)?;
            items = items_after;
        }
        self.append(batch, items, names)
    }

    /// Ends the current run if it has been quiet for long enough at a moment at which nothing was observed.
    pub fn tick(&mut self, now: Steady) -> Result<(), StoreError> {
        if self.current.is_some() && now - self.active > self.settings.quiet { self.end(Ended::Quiet) } else { Ok(()) }
    }

    /// The latest activity of the run being recorded; `None` while there is no run.
    pub fn active(&self) -> Option<Steady> {
        self.current.is_some().then_some(self.active)
    }

    /// The run being recorded.
    pub fn recorder(&self) -> Option<&Recorder> {
        self.current.as_ref()
    }

    /// How many runs have begun.
    pub fn begun(&self) -> u64 {
        self.begun
    }

    /// Runs with a journal that have ended since this was last asked: to be finished aside, so that the next run never waits
    /// for the files of the last. Those nobody takes are finished by [`Self::finish`].
    pub fn take_ended(&mut self) -> Vec<Closing> {
        std::mem::take(&mut self.ended)
    }

    /// What has been observed so far reaches stable storage.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        let Some(recorder) = &mut self.current else { return Ok(()) };
        recorder.sync()?;
        self.safe = self.safe.max(recorder.durable());
        Ok(())
    }

    /// All that is earlier than this is on the disk, or belongs to no run.
    pub fn safe(&self) -> Steady {
        self.safe
    }

    /// Lets go of the run at fault, if any: what its journal holds stays, what is not known to be durable goes from it, and
    /// [`Self::safe`] says what that is. The run is left to be recovered; the next activity begins another.
    ///
    /// Sound after a failure and after a panic in any call of this session: nothing of the run but its journal is looked at,
    /// and a journal that an append left half done says so.
    pub fn abandon(&mut self) -> Option<PathBuf> {
        self.staged = None;
        self.active = Steady(i64::MIN);
        let mut recorder = self.current.take()?;
        if recorder.sync().is_err()
            && let Err(error) = recorder.cut_to_durable()
        {
            tracing::warn!("{error}; up to one sync interval may stand in two runs");
        }
        self.safe = self.safe.max(recorder.durable());
        Some(recorder.folder().to_path_buf())
    }

    /// Ends the current run, if any, as far as its journal.
    pub fn end_current(&mut self, why: Ended) -> Result<(), StoreError> {
        self.end(why)
    }

    /// What the run that ends next was made from, and what could not be read of it.
    pub fn made_from(&mut self, sources: Vec<Source>, damage: Vec<Damage>) {
        self.made_from = Some((sources, damage));
    }

    /// What came while no run was recorded: resting fixes, marks, answers and error frames between drives.
    pub fn outside(&self) -> u64 {
        self.outside
    }

    /// Ends the current run, if any; all runs that the session made.
    pub fn finish(mut self, why: Ended) -> Result<Vec<RunFolder>, StoreError> {
        self.end(why)?;
        for closing in self.ended {
            self.finished.push(closing.finish()?);
        }
        Ok(self.finished)
    }

    /// The first activity of the batch that begins a run, because there is none or because of the silence before it.
    fn first_break(&self, batch: &Batch, items: &[Steady], names: &BusNames) -> Option<Steady> {
        let before = self.current.is_some().then_some(self.active);
        if before.is_some() && self.activity.last(batch, items, names)? - self.active <= self.settings.quiet {
            return None;
        }
        self.activity.first_after(before, self.settings.quiet, (batch, items), names)
    }

    /// Appends observations that hold no break: to the current run, or to none.
    fn append(&mut self, batch: &mut Batch, items: &[Steady], names: &BusNames) -> Result<(), StoreError> {
        batch.rest.iter().for_each(|stamped| self.note_anchor(stamped));
        let Some(recorder) = &mut self.current else {
            self.outside += outside(batch);
            self.safe = batch.last().map_or(self.safe, |last| last + Span(1));
            batch.clear();
            return Ok(());
        };
        self.active = self.activity.last(batch, items, names).map_or(self.active, |at| at.max(self.active));
        let end = self.active + self.settings.quiet;
        match batch.last() {
            Some(last) if last > end => {
                let mut inside = batch.take_before(end + Span(1));
                self.outside += outside(batch);
                batch.clear();
                recorder.take(&mut inside, names)
            }
            _ => recorder.take(batch, names),
        }
    }

    /// An anchor at the very moment of a run's beginning counts for it.
    fn note_anchors_at(&mut self, batch: &Batch, moment: Steady) {
        batch.rest.iter().take_while(|stamped| stamped.at <= moment).for_each(|stamped| self.note_anchor(stamped));
    }

    fn note_anchor(&mut self, stamped: &Stamped) {
        if let Item::Anchor(wall) = stamped.item {
            self.anchor = Some((stamped.at, wall));
        }
    }

    fn begin(&mut self, origin: Steady) -> Result<(), StoreError> {
        let started = match self.anchor {
            Some((at, wall)) => wall + (origin - at),
            None => WallClock(origin.0),
        };
        let plan = &self.settings.plan;
        let vehicle = &plan.run_file.vehicle;
        let vehicle_folder = self.data_set.vehicle_folder(vehicle);
        let run = names::free_run_name(&vehicle_folder, started);
        let folder = match plan.durability {
            Durability::Journal => vehicle_folder.join(format!("run={run}")),
            Durability::AtTheEnd => self.staged.insert(self.data_set.stage(vehicle, &run)?).folder().to_owned(),
        };
        let recorder = Recorder::begin(&folder, plan, origin, started);
        if recorder.is_err() {
            // Nothing was observed in it yet; what can't be removed now is removed by recovery.
            let _ = disk::remove_folder(&folder);
        }
        let recorder = recorder?;
        if plan.durability == Durability::Journal {
            // New folders are entries of those above them.
            disk::sync_folder(&vehicle_folder)?;
            disk::sync_folder(self.data_set.root())?;
        }
        self.current = Some(recorder);
        self.active = origin;
        self.begun += 1;
        Ok(())
    }

    fn end(&mut self, why: Ended) -> Result<(), StoreError> {
        self.sync()?;
        let Some(recorder) = self.current.take() else { return Ok(()) };
        let closing = Closing { recorder, why, made_from: self.made_from.clone() };
        if self.settings.plan.durability == Durability::Journal {
            self.ended.push(closing);
            return Ok(());
        }
        let folder = closing.folder();
        closing.recorder.finish(closing.why, closing.made_from)?;
        let run = match self.staged.take() {
            Some(staged) => staged.publish()?,
            None => RunFolder::open(&folder)?,
        };
        self.finished.push(run);
        Ok(())
    }
}

/// How many observations of a batch that belongs to no run are worth telling: clock anchors are not, troubles were said.
fn outside(batch: &Batch) -> u64 {
    let items = batch.rest.iter().filter(|stamped| !matches!(stamped.item, Item::Anchor(_) | Item::Trouble(_))).count();
    (batch.frames.len() + items) as u64
}

#[cfg(test)]
mod tests;
