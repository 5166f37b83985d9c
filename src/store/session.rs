//! Where runs begin and end: observations in, finished runs out.
//!
//! A run begins with the first activity (an unsolicited frame or a row of a recording) and ends once there has been none
//! for [`Settings::quiet`]. Replies to our own requests, resting fixes and marks are no activity. Reads no clock: only the
//! observations' own stamps decide, so live and replay split alike.

use std::path::PathBuf;
use std::sync::Arc;

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
    /// The latest activity, on the steady clock.
    active: Steady,
    /// What the world's clock said, and when.
    anchor: Option<(Steady, WallClock)>,
    finished: Vec<RunFolder>,
    outside: u64,
    made_from: Option<(Vec<Source>, Vec<Damage>)>,
}

impl Session {
    /// Opens the data set (makes it if need be).
    pub fn open(settings: Settings) -> Result<Self, StoreError> {
        Ok(Self {
            data_set: DataSet::create(&settings.data)?,
            settings,
            current: None,
            staged: None,
            active: Steady(i64::MIN),
            anchor: None,
            finished: Vec::new(),
            outside: 0,
            made_from: None,
        })
    }

    /// Takes observations in time order; begins and ends runs as they say.
    pub fn take(&mut self, batch: &Batch, names: &BusNames) -> Result<(), StoreError> {
        let Some(mut moment) = self.first_break(batch) else { return self.append(batch, names) };
        let mut batch = batch.clone();
        loop {
            let (before, after) = batch.split_at(moment);
            self.append(&before, names)?;
            self.end(Ended::Quiet)?;
            self.note_anchors_at(&after, moment);
            self.begin(moment)?;
            match self.first_break(&after) {
                Some(next) => (batch, moment) = (after, next),
                None => return self.append(&after, names),
            }
        }
    }

    /// Ends the current run if it has been quiet for long enough at a moment at which nothing was observed.
    pub fn tick(&mut self, now: Steady) -> Result<(), StoreError> {
        if self.current.is_some() && now - self.active > self.settings.quiet { self.end(Ended::Quiet) } else { Ok(()) }
    }

    /// What has been observed so far reaches stable storage.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        self.current.as_mut().map_or(Ok(()), Recorder::sync)
    }

    /// What the run that ends next was made from, and what could not be read of it.
    pub fn made_from(&mut self, sources: Vec<Source>, damage: Vec<Damage>) {
        self.made_from = Some((sources, damage));
    }

    /// Items that came while no run was recorded: marks and resting fixes between drives.
    pub fn outside(&self) -> u64 {
        self.outside
    }

    /// Ends the current run, if any; all runs that the session made.
    pub fn finish(mut self, why: Ended) -> Result<Vec<RunFolder>, StoreError> {
        self.end(why)?;
        Ok(self.finished)
    }

    /// The first activity of the batch that begins a run, because there is none or because of the silence before it.
    fn first_break(&self, batch: &Batch) -> Option<Steady> {
        let recording = self.current.is_some();
        if recording && last_activity(batch)? - self.active <= self.settings.quiet {
            return None;
        }
        let mut before = recording.then_some(self.active);
        activity(batch).find(|at| before.replace(*at).is_none_or(|before| *at - before > self.settings.quiet))
    }

    /// Appends observations that hold no break: to the current run, or to none.
    fn append(&mut self, batch: &Batch, names: &BusNames) -> Result<(), StoreError> {
        batch.rest.iter().for_each(|stamped| self.note_anchor(stamped));
        let Some(recorder) = &mut self.current else {
            self.outside += outside(batch);
            return Ok(());
        };
        self.active = last_activity(batch).map_or(self.active, |at| at.max(self.active));
        let end = self.active + self.settings.quiet;
        match batch.rest.last() {
            Some(stamped) if stamped.at > end => {
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

/// Moments of activity, in time order.
fn activity(batch: &Batch) -> impl Iterator<Item = Steady> + '_ {
    let mut frames = batch.frames.iter().map(|frame| frame.at).peekable();
    let mut rows = batch.rest.iter().filter(|stamped| is_activity(&stamped.item)).map(|stamped| stamped.at).peekable();
    std::iter::from_fn(move || match (frames.peek(), rows.peek()) {
        (Some(frame), Some(row)) if row <= frame => rows.next(),
        (Some(_), _) => frames.next(),
        (None, _) => rows.next(),
    })
}

fn last_activity(batch: &Batch) -> Option<Steady> {
    let row = batch.rest.iter().rev().find(|stamped| is_activity(&stamped.item)).map(|stamped| stamped.at);
    batch.frames.last().map(|frame| frame.at).max(row)
}

fn is_activity(item: &Item) -> bool {
    matches!(item, Item::Row(_))
}

/// How many observations of a batch that belongs to no run are worth telling: clock anchors are not.
fn outside(batch: &Batch) -> u64 {
    batch.rest.iter().filter(|stamped| !matches!(stamped.item, Item::Anchor(_))).count() as u64
}
