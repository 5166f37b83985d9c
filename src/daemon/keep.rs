//! Keeping what was observed, whatever happens to the disk or to the code that writes: the session with a net below it.
//!
//! A failure or a panic ends the run at fault, never the recording: what its journal holds is recovered aside, what is not
//! on the disk yet is taken again by a following run. Decides nothing about where runs begin or end when all is well, and
//! reads no source.

use std::io::ErrorKind;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;

use super::told::of_a_panic;
use super::upkeep::{Known, Upkeep};
use super::{Config, told};
use crate::document::Fault;
use crate::observation::{Batch, BusNames, Item, Stamped};
use crate::source::Clock;
use crate::store::data_set::DataSet;
use crate::store::lock::RecordingLock;
use crate::store::run_file::{Damage, Ended, Source};
use crate::store::session::{Session, Settings};
use crate::store::{StoreError, space};
use crate::time::{Span, Steady};

// Everything here rests on a panic being caught.
const _: () = assert!(cfg!(panic = "unwind"));

/// How long a disk that failed is left alone.
const DISK_WAIT: Span = Span::of_seconds(3);
/// The room that a disk that was full must have before a run begins on it, bytes: a few minutes of a full bus.
const ROOM: u64 = 4 << 20;
/// A fault of the program that comes again sooner than this is waited for, ever longer ...
const FAULT_AGAIN: Span = Span::of_seconds(60);
/// ... at most this long.
const FAULT_WAIT_MAX: Span = Span::of_seconds(30);
/// Frames held at most until they are on the disk; a sync comes earlier when there are more.
const HELD_FRAMES: usize = 200_000;
/// How often the room on the disk is looked at.
const ROOM_EVERY: Span = Span::of_seconds(10);

/// Why something was not kept.
enum Failure {
    Store(StoreError),
    Panic(String),
}

impl Failure {
    fn is_full(&self) -> bool {
        matches!(self, Self::Store(StoreError::Io { error, .. })
            if matches!(error.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded))
    }

    fn is_the_disks(&self) -> bool {
        matches!(self, Self::Store(StoreError::Io { .. }))
    }
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Store(error) => error.fmt(f),
            Self::Panic(text) => f.write_str(text),
        }
    }
}

/// Until when nothing is tried, and why.
struct Waiting {
    until: Steady,
    why: String,
    full: bool,
}

/// The session with a net below it.
pub struct Keeper {
    session: Session,
    upkeep: Upkeep,
    clock: Arc<dyn Clock>,
    data: PathBuf,
    sync_every: Span,
    names: BusNames,
    /// What is not known to be on the disk.
    held: Batch,
    /// What is to be said in the next run.
    troubles: Vec<String>,
    waiting: Option<Waiting>,
    /// What is wrong with the disk has been said, and it has not been well since.
    said: bool,
    /// When the program's own fault last ended a run, and how long it was waited then.
    fault: Option<(Steady, Span)>,
    synced: Steady,
    looked_for_room: Option<Steady>,
    _lock: RecordingLock,
}

impl Keeper {
    /// Opens the data set. Runs that a cut left are recovered beside: [`Self::wait_for_upkeep`] waits for them.
    ///
    /// # Errors
    /// If the data set's folder can't be had, another daemon records into it, or there is no thread.
    pub fn open(config: &Config, settings: Settings, clock: &Arc<dyn Clock>) -> Result<Self, Fault> {
        let data_set = DataSet::create(&config.data)?;
        // Before anything is touched: what another daemon records looks like what a cut left.
        let lock = RecordingLock::take(&data_set)?;
        let upkeep = Upkeep::start(&config.data, config.free_space_floor, clock)?;
        upkeep.put_right(data_set.runs()?);
        Ok(Self {
            session: Session::open(settings)?,
            upkeep,
            clock: Arc::clone(clock),
            data: config.data.clone(),
            sync_every: config.sync_every,
            names: BusNames::default(),
            held: Batch::default(),
            troubles: Vec::new(),
            waiting: None,
            said: false,
            fault: None,
            synced: clock.now(),
            looked_for_room: None,
            _lock: lock,
        })
    }

    /// The session, to look at.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// What is known of the work beside and of the disk.
    pub fn known(&self) -> Known {
        self.upkeep.known()
    }

    /// Why nothing is recorded now; `None` while all is well. Who is told so holds back what comes.
    pub fn waits(&self) -> Option<&str> {
        self.waiting.as_ref().map(|waiting| &*waiting.why)
    }

    /// Says something in the run being recorded, or in the next.
    pub fn trouble(&mut self, what: String) {
        tracing::warn!("{what}");
        self.troubles.push(what);
    }

    /// What the run that ends next was made from.
    pub fn made_from(&mut self, sources: Vec<Source>, damage: Vec<Damage>) {
        self.session.made_from(sources, damage);
    }

    /// Keeps observations in time order and leaves the batch empty.
    pub fn take(&mut self, batch: &mut Batch, names: &BusNames) {
        let Some(last) = batch.last() else { return };
        if self.names != *names {
            self.names = names.clone();
        }
        let says = |text: String| Stamped { at: last, item: Item::Trouble(text) };
        batch.rest.extend(self.troubles.drain(..).map(says));
        append(&mut self.held, batch);
        if self.waiting.is_none() {
            let names = &self.names;
            let kept = guarded(&mut self.session, |session| session.take(batch, names));
            self.note(kept);
        }
        batch.clear();
        if self.held.frames.len() >= HELD_FRAMES {
            self.sync();
        }
    }

    /// What is to be done from time to time. `limit`: everything observed before it has been taken.
    pub fn turn(&mut self, limit: Option<Steady>) {
        let now = self.clock.now();
        if self.waiting.as_ref().is_some_and(|waiting| now >= waiting.until) {
            self.try_again(now);
        }
        if let (None, Some(limit)) = (&self.waiting, limit) {
            let ticked = guarded(&mut self.session, |session| session.tick(limit));
            self.note(ticked);
        }
        if now - self.synced >= self.sync_every {
            self.sync();
        }
        self.session.take_ended().into_iter().for_each(|closing| self.upkeep.finish(closing));
        if self.looked_for_room.is_none_or(|looked| now - looked >= ROOM_EVERY) {
            self.looked_for_room = Some(now);
            self.upkeep.look_for_room();
        }
    }

    /// Waits until the work beside is done or `enough` says so; whether it was done.
    pub fn wait_for_upkeep(&self, enough: &dyn Fn() -> bool) -> bool {
        self.upkeep.wait(&*self.clock, enough)
    }

    /// Waits until the runs that a cut left are put right or `enough` says so.
    pub fn wait_for_cut_runs(&self, enough: &dyn Fn() -> bool) {
        self.upkeep.wait_for_cut_runs(&*self.clock, enough);
    }

    /// What tells, on whatever thread, whether the work beside is done.
    pub fn upkeep_is_idle(&self) -> impl Fn() -> bool + Send + use<> {
        self.upkeep.is_idle()
    }

    /// Ends the current run and waits for its files, but not longer than `patience`: what is not done then is done on the
    /// next start. `patience` of `None` waits for all.
    pub fn finish(mut self, why: Ended, patience: Option<Span>) {
        let began = self.clock.now();
        if self.waiting.is_some() {
            self.try_again(began);
        }
        // Where ending fails a following run takes what was not kept, and is ended in turn.
        for _ in 0..2 {
            let ended = guarded(&mut self.session, |session| session.end_current(why));
            let done = ended.is_ok();
            self.note(ended);
            // While the disk is waited for there is no run to end: what is held is in none.
            if done && self.waiting.is_none() {
                self.held.clear();
            }
            if done {
                break;
            }
        }
        self.sync();
        let lost = self.held.frames.len() + self.held.rest.len();
        if lost > 0 && self.waiting.is_some() {
            tracing::error!("{lost} frames and other items observed last could not be kept: {}", told::NO_ROOM_AT_END);
        }
        self.session.take_ended().into_iter().for_each(|closing| self.upkeep.finish(closing));
        let over = || patience.is_some_and(|patience| self.clock.now() - began >= patience);
        if !self.wait_for_upkeep(&over) {
            tracing::warn!("{}", told::FILES_NEXT_TIME);
        }
    }

    fn sync(&mut self) {
        self.synced = self.clock.now();
        if self.waiting.is_none() {
            let synced = guarded(&mut self.session, Session::sync);
            if synced.is_ok() {
                self.held.clear();
            }
            self.note(synced);
        }
    }

    /// What comes of an attempt: where it failed, the run at fault is let go and a following one begun.
    fn note(&mut self, result: Result<(), Failure>) {
        let Err(failure) = result else { return };
        self.let_go(&failure);
        if self.waiting.is_none() {
            self.try_again(self.clock.now());
        }
    }

    /// Takes again what is not on the disk.
    fn try_again(&mut self, now: Steady) {
        if self.waiting.as_ref().is_some_and(|waiting| waiting.full)
            && space::free_bytes(&self.data).is_ok_and(|free| free < ROOM)
        {
            self.waiting.iter_mut().for_each(|waiting| waiting.until = now + DISK_WAIT);
            return;
        }
        let waited = self.waiting.take();
        let (mut again, names) = (self.held.clone(), &self.names);
        let kept = guarded(&mut self.session, |session| session.take(&mut again, names));
        match kept {
            Ok(()) => {
                if waited.is_some() {
                    tracing::info!("recording goes on");
                    self.upkeep.again();
                    self.said = false;
                }
            }
            Err(failure) if failure.is_the_disks() => self.let_go(&failure),
            Err(failure) => {
                // Whatever it is about these observations, others may be kept.
                let lost = self.held.frames.len() + self.held.rest.len();
                self.held.clear();
                self.let_go(&failure);
                self.trouble(format!("{lost} observations could not be kept: {failure}"));
            }
        }
    }

    /// Lets the run at fault go, and says when to try again.
    fn let_go(&mut self, failure: &Failure) {
        let now = self.clock.now();
        let mut folder = None;
        // Sound: see `guarded`; a panic here leaves the session without a run, as it should be.
        let _ = catch_unwind(AssertUnwindSafe(|| folder = self.session.abandon()));
        let safe = self.session.safe();
        if self.held.frames.first().is_some_and(|frame| frame.at < safe)
            || self.held.rest.first().is_some_and(|item| item.at < safe)
        {
            self.held.take_before(safe);
        }
        let wait = if failure.is_the_disks() { Some(DISK_WAIT) } else { self.wait_for_fault(now) };
        let what = if failure.is_full() { "the disk is full" } else { "what was observed could not be kept" };
        let after = if wait.is_some() { "recording waits" } else { "a following run goes on" };
        let said = format!("{what}: {failure}; {after}");
        if !(self.said && failure.is_the_disks()) {
            tracing::error!("{said}{}", if failure.is_full() { "; make room on it" } else { "" });
            self.troubles.push(said.clone());
        }
        self.said = failure.is_the_disks();
        let full = failure.is_full();
        self.waiting = wait.map(|wait| Waiting { until: now + wait, why: said, full });
        match folder {
            Some(folder) if failure.is_the_disks() => self.upkeep.recover_later(folder),
            Some(folder) => self.upkeep.recover(folder),
            None => {}
        }
    }

    /// How long to leave the store alone after a fault of the program: not at all, unless they come one after the other.
    fn wait_for_fault(&mut self, now: Steady) -> Option<Span> {
        let wait = match self.fault {
            Some((at, before)) if now - at < FAULT_AGAIN + before => {
                (before + before).max(DISK_WAIT).min(FAULT_WAIT_MAX)
            }
            _ => Span(0),
        };
        self.fault = Some((now, wait));
        (wait > Span(0)).then_some(wait)
    }
}

/// Does something with the session that may fail or panic.
///
/// Sound to go on after a panic: the caller then lets the run go ([`Session::abandon`]), of which nothing is used but its
/// journal, and that says whether an append was left half done. What the session holds beside the run (names, moments,
/// counts) is replaced by whole values.
fn guarded(session: &mut Session, doing: impl FnOnce(&mut Session) -> Result<(), StoreError>) -> Result<(), Failure> {
    match catch_unwind(AssertUnwindSafe(|| doing(session))) {
        Ok(done) => done.map_err(Failure::Store),
        Err(panic) => Err(Failure::Panic(of_a_panic(&*panic))),
    }
}

/// Appends a copy of a batch.
fn append(to: &mut Batch, batch: &Batch) {
    if batch.long.is_empty() {
        // Nearly all batches: their frames are whole as they are.
        to.frames.extend_from_slice(&batch.frames);
    } else {
        for frame in &batch.frames {
            to.push_frame(frame, batch.payload(frame));
        }
    }
    to.rest.extend_from_slice(&batch.rest);
}

#[cfg(test)]
mod tests;
