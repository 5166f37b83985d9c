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
use super::{StoreError, names};
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
        })
    }

    /// Takes observations in time order; begins and ends runs as they say.
    pub fn take(&mut self, batch: &Batch, names: &BusNames) -> Result<(), StoreError> {
        let items = self.activity.of_items(batch);
        let mut items = &items[..];
        let Some(mut moment) = self.first_break(batch, items, names) else { return self.append(batch, items, names) };
        let mut batch = batch.clone();
        loop {
            let (before, after) = batch.split_at(moment);
            let (items_before, items_after) = items.split_at(items.partition_point(|at| *at < moment));
            self.append(&before, items_before, names)?;
            self.end(Ended::Quiet)?;
            self.note_anchors_at(&after, moment);
            self.begin(moment)?;
            items = items_after;
            match self.first_break(&after, items, names) {
                Some(next) => (batch, moment) = (after, next),
                None => return self.append(&after, items, names),
            }
        }
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

    /// Runs that have ended so far.
    pub fn finished(&self) -> &[RunFolder] {
        &self.finished
    }

    /// What has been observed so far reaches stable storage.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        self.current.as_mut().map_or(Ok(()), Recorder::sync)
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
    fn append(&mut self, batch: &Batch, items: &[Steady], names: &BusNames) -> Result<(), StoreError> {
        batch.rest.iter().for_each(|stamped| self.note_anchor(stamped));
        let Some(recorder) = &mut self.current else {
            self.outside += outside(batch);
            return Ok(());
        };
        self.active = self.activity.last(batch, items, names).map_or(self.active, |at| at.max(self.active));
        let end = self.active + self.settings.quiet;
        match batch.last() {
            Some(last) if last > end => {
                let (inside, after) = batch.split_at(end + Span(1));
                self.outside += outside(&after);
                recorder.take(&inside, names)
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
        self.current = Some(Recorder::begin(&folder, plan, origin, started)?);
        self.active = origin;
        self.begun += 1;
        Ok(())
    }

    fn end(&mut self, why: Ended) -> Result<(), StoreError> {
        let Some(recorder) = self.current.take() else { return Ok(()) };
        let folder = recorder.folder().to_path_buf();
        recorder.finish(why, self.made_from.clone())?;
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
