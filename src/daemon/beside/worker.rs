//! The thread that follows the drive: rows and marks to the pilot, once a second the picture, alarms and checks to those who
//! watch.
//!
//! Records nothing and is waited for by nobody. A fault in what it calls is said once; then what it would have told is blank.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use super::earlier::{Earlier, Step};
use super::{BEHIND_MAX, Tick, Told};
use crate::daemon::prior::Prior;
use crate::daemon::speaker::Speaker;
use crate::daemon::told::of_a_panic;
use crate::live::alarms::{self, Alarms};
use crate::live::{Ask, Call, Calls, Hub, Moment};
use crate::plan::readiness::{self, Need};
use crate::plan::{Picture, Pilot};
use crate::time::Steady;

/// The least time between two moments, by the machine's own clock: a rehearsal's may run hundreds of times as fast.
const LEAST: Duration = Duration::from_millis(20);
/// What a cut left is put right within this time, or left out.
const READY_MAX: Duration = Duration::from_secs(120);
/// How often it is looked whether it is.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Taken from the channel at once at most, so that those who watch are told in between.
const AT_ONCE: usize = 512;

/// What does not change.
pub struct Settings {
    pub vehicle: String,
    pub prior: Prior,
    /// What of the needs is to be had.
    pub to_be_had: Vec<Need>,
    /// An invented car is driven.
    pub rehearsal: bool,
    /// What speaks, if anything does.
    pub speaker: Option<Speaker>,
}

/// What follows the drive.
pub struct Worker {
    settings: Settings,
    hub: Arc<Hub>,
    /// `None` once it was at fault.
    pilot: Option<Pilot>,
    full: readiness::FullWatch,
    alarms: Alarms,
    calls: Calls,
    /// When those who watch were last told.
    told: Steady,
    /// Telling those who watch was at fault.
    silent: bool,
}

impl Worker {
    pub fn new(settings: Settings, hub: Arc<Hub>) -> Self {
        let pilot = Some(Pilot::new(settings.prior.known.clone()));
        Self {
            settings,
            hub,
            pilot,
            full: readiness::FullWatch::default(),
            alarms: Alarms::default(),
            calls: Calls::new(),
            told: Steady(0),
            silent: false,
        }
    }

    /// Works until nobody can tell it anything any more.
    pub fn work(mut self, from: &Receiver<Told>, earlier: Option<Earlier>) {
        if let Some(earlier) = earlier {
            let later = self.wait_for(&earlier, from);
            // Sound: a step is handled whole or is the pilot's last.
            let read = catch_unwind(AssertUnwindSafe(|| earlier.read(|step| self.step(step))));
            if let Err(panic) = read {
                tracing::error!("not all of the earlier runs is known: {}", of_a_panic(&*panic));
            }
            later.into_iter().for_each(|told| self.take(told));
        }
        while let Ok(first) = from.recv() {
            let mut tick = None;
            for told in std::iter::once(first).chain(from.try_iter().take(AT_ONCE)) {
                match told {
                    // Those who watch want the newest moment, not every one.
                    Told::Tick(newest) => tick = Some(newest),
                    other => self.take(other),
                }
            }
            if let Some(tick) = tick {
                let picture = self.pilot(Pilot::picture);
                self.tell(*tick, picture);
                std::thread::sleep(LEAST);
            }
        }
    }

    /// Until the earlier runs can be read, those who watch are told how the recording goes; the rest comes later.
    fn wait_for(&mut self, earlier: &Earlier, from: &Receiver<Told>) -> Vec<Told> {
        let (began, mut later) = (Instant::now(), Vec::new());
        while !earlier.is_ready() && began.elapsed() < READY_MAX {
            match from.recv_timeout(LOOK_EVERY) {
                Ok(Told::Tick(tick)) => self.tell(*tick, Some(Picture::default())),
                Ok(other) if later.len() < BEHIND_MAX => later.push(other),
                Ok(_) | Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
        later
    }

    fn take(&mut self, told: Told) {
        match told {
            Told::Row(run, row) => self.step(Step::Row(run, row)),
            Told::Mark(run, at, mark) => {
                self.calls.noted(self.told, &mark);
                self.step(Step::Mark(run, at, mark));
            }
            Told::Asked(ask) => self.asked(ask),
            Told::Tick(_) => {}
        }
    }

    /// A step of the drive, of this start or of one before it.
    fn step(&mut self, step: Step) {
        match step {
            Step::Row(run, row) => {
                self.full.see(run, &row);
                self.pilot(|pilot| pilot.see(run, &row));
            }
            Step::Mark(run, at, mark) => drop(self.pilot(|pilot| pilot.mark(run, at, &mark))),
        }
    }

    /// Does something with the pilot; a panic there is its last.
    fn pilot<T>(&mut self, doing: impl FnOnce(&mut Pilot) -> T) -> Option<T> {
        let pilot = self.pilot.as_mut()?;
        // Sound: what a panic leaves half done is dropped.
        match catch_unwind(AssertUnwindSafe(|| doing(pilot))) {
            Ok(done) => Some(done),
            Err(panic) => {
                let why = of_a_panic(&*panic);
                tracing::error!("what remains and where to turn is told no more: {why}; the recording goes on");
                self.pilot = None;
                None
            }
        }
    }

    fn asked(&mut self, ask: Ask) {
        match ask {
            Ask::Mark(_) => {}
            Ask::Acknowledge(key) => drop(self.alarms.acknowledge(&key)),
            Ask::Taken(name) => {
                let place = |name: String| {
                    let course = self.settings.prior.known.course.as_ref()?;
                    course.places.iter().position(|place| place.name == name)
                };
                let place = name.and_then(place);
                self.pilot(|pilot| pilot.taken(place));
            }
        }
    }

    /// Has said aloud what is to be said; at the desk, where nobody speaks, it can be read.
    fn say(&self, calls: Vec<Call>) {
        for call in calls {
            if self.settings.rehearsal || self.settings.speaker.is_some() {
                tracing::info!("said: {}", call.text);
            }
            if let Some(speaker) = &self.settings.speaker {
                speaker.say(call);
            }
        }
    }

    fn tell(&mut self, tick: Tick, picture: Option<Picture>) {
        if self.silent {
            return;
        }
        self.told = tick.at;
        // Sound: after a panic nothing of it is used again.
        let telling = AssertUnwindSafe(|| {
            let moment = self.moment(tick, picture);
            let calls = self.calls.hear(&moment);
            (moment, calls)
        });
        match catch_unwind(telling) {
            Ok((moment, calls)) => {
                self.hub.show(moment);
                self.say(calls);
            }
            Err(panic) => {
                self.silent = true;
                tracing::error!(
                    "those who watch are told nothing more: {}; the recording goes on",
                    of_a_panic(&*panic)
                );
            }
        }
    }

    fn moment(&mut self, tick: Tick, picture: Option<Picture>) -> Moment {
        let Settings { vehicle, prior, to_be_had, rehearsal, .. } = &self.settings;
        let alarms = self.alarms.see(&alarms::Facts {
            now: tick.at,
            awake: tick.awake,
            row: tick.row.as_ref(),
            stale: tick.stale,
            to_be_had,
            recording: &tick.recording,
            room: tick.room,
            picture: picture.as_ref(),
        });
        let picture = picture.unwrap_or_default();
        let sources = tick.recording.sources.iter().filter(|source| !source.reads);
        let in_trouble: Vec<(String, String)> =
            sources.map(|source| (source.name.clone(), source.trouble.clone())).collect();
        let ready = readiness::checks(&readiness::Facts {
            utc: tick.utc,
            ahead_of_satellites: tick.ahead_of_satellites,
            run: tick.recording.run.as_deref(),
            waits: tick.recording.waits.as_deref(),
            in_trouble: &in_trouble,
            to_be_had,
            row: tick.row.as_ref().filter(|_| !tick.stale),
            room: tick.room,
            card: prior.card.as_deref(),
            span: tick.span.clone(),
            known: &prior.known,
            picture: &picture,
            charged: self.full.charged(),
        });
        Moment {
            at: tick.at,
            utc: tick.utc,
            vehicle: vehicle.clone(),
            picture,
            course: prior.known.course.clone(),
            recording: tick.recording,
            alarms,
            ready,
            units: prior.units,
            rehearsal: *rehearsal,
        }
    }
}
