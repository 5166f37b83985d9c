//! Beside the recording: what is known each second goes to those who watch, and what people ask for comes back.
//!
//! The loop hands on copies and never waits: what follows the drive runs on a thread of its own ([`worker`]), behind a bounded
//! channel, and a fault there is said once and touches nothing that is recorded. Decides nothing about the drive.

mod earlier;
mod rates;
mod worker;

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};

use super::keep::Keeper;
use super::prior::Prior;
use super::speaker::Speaker;
use super::{Config, LiveSource};
use crate::card::RunSpan;
use crate::ledger::TraceRow;
use crate::live::{Ask, Hub, Recording, SourceNow};
use crate::map::Map;
use crate::observation::{Batch, Item, Mark, Stamped};
use crate::plan::readiness::{Need, Room};
use crate::schema::Role;
use crate::source::Clock;
use crate::time::{RunTime, Span, Steady, WallClock};

pub use rates::Rates;

/// How often those who watch are told.
const TELL_EVERY: Span = Span::of_seconds(1);
/// A row older than this is stale: rows come ten times a second.
const ROW_AGE: Span = Span::of_millis(2_500);
/// After this long without a row nothing fresh is left to be blanked.
const BLANKED: Span = Span::of_seconds(90);
/// What the thread may be behind: a quarter of an hour of rows.
const BEHIND_MAX: usize = 1_024;
/// Marks and asks that wait for room in the channel.
const WAITING_MAX: usize = 256;
/// Runs of this start are numbered from here on, those of earlier starts below it.
const RUNS_FROM: u64 = 1_000;
/// What a frame takes in the data set, bytes: 5.5 (docs/performance.md), twice while a run's parts are merged at its end.
const BYTES_A_FRAME: f64 = 11.0;
/// What trace, marks and all that does not come by the frame take, bytes an hour.
const BYTES_AN_HOUR: f64 = 4e6;
/// Frames a second of a bus that is full (500 kbit/s): taken until there was something to count.
const FULL_BUS: f64 = 4_374.0;

/// What the thread is told.
enum Told {
    /// A row of the trace of a run.
    Row(u64, Box<TraceRow>),
    /// What a person noted in a run.
    Mark(u64, RunTime, Mark),
    /// What a person asks for, other than a mark.
    Asked(Ask),
    /// Time to tell those who watch.
    Tick(Box<Tick>),
}

/// What the thread needs beside rows and marks to tell those who watch.
struct Tick {
    at: Steady,
    utc: WallClock,
    awake: bool,
    row: Option<TraceRow>,
    stale: bool,
    recording: Recording,
    room: Room,
    span: Option<RunSpan>,
    ahead_of_satellites: Option<Span>,
}

/// The latest row, and how long it has been the latest.
struct Latest {
    run: u64,
    row: TraceRow,
    /// Since when.
    since: Steady,
    /// Run time of the row that the thread was last given.
    given: Option<RunTime>,
}

/// What the loop knows of those who watch.
pub struct Beside {
    hub: Arc<Hub>,
    clock: Arc<dyn Clock>,
    to: SyncSender<Told>,
    waiting: VecDeque<Told>,
    latest: Option<Latest>,
    /// Marks of the batch that is about to be kept.
    noted: Vec<(Steady, Mark)>,
    /// The end of that batch.
    noted_until: Steady,
    ticked: Option<Steady>,
    ahead_of_satellites: Option<Span>,
    /// What the computer's own clock was last noted as.
    own_anchor: Option<Stamped>,
    /// Not a replay, whose dates are its own.
    is_live: bool,
    floor: u64,
    record_frames: bool,
    /// Most observations a second so far.
    busiest: f64,
    /// A row older than this is stale.
    row_age: Span,
}

/// How the loop's world is at a turn.
pub struct Now<'a> {
    /// Now, on the clock that never jumps.
    pub at: Steady,
    /// All that was observed before this was kept, as observations are stamped.
    pub kept_until: Steady,
    /// The car is awake.
    pub awake: bool,
    /// What keeps.
    pub keeper: &'a Keeper,
}

impl Beside {
    /// Starts the thread that follows the drive; `None` if the machine gives none, which is said.
    pub fn start(config: &Config, prior: Prior, map: &Map, clock: &Arc<dyn Clock>, keeper: &Keeper) -> Option<Self> {
        let hub = Arc::new(Hub::default());
        let (to, from) = sync_channel(BEHIND_MAX);
        let is_receiver = |live: &LiveSource| {
            matches!(live, LiveSource::Nmea { .. } | LiveSource::Gpsd { .. } | LiveSource::Rehearsal { .. })
        };
        let receiver = config.live().any(is_receiver);
        let rehearsal = config.live().any(|live| matches!(live, LiveSource::Rehearsal { .. }));
        let worker = worker::Worker::new(
            worker::Settings {
                vehicle: config.vehicle.clone(),
                prior,
                to_be_had: Need::ALL.into_iter().filter(|need| need.is_to_be_had(map, receiver)).collect(),
                rehearsal,
                speaker: config.speech.as_ref().and_then(|speech| {
                    let started = Speaker::start(speech.command.clone());
                    started.map_err(|fault| tracing::error!("{fault}; nothing is said aloud")).ok()
                }),
            },
            Arc::clone(&hub),
        );
        // An invented car's drive is no part of another's discharge, and a recording is replayed from its own start.
        let is_live = config.live().next().is_some();
        let earlier = (is_live && !rehearsal).then(|| {
            let (data, vehicle) = (config.data.clone(), config.vehicle.clone());
            earlier::Earlier { data, vehicle, utc: clock.wall(), is_idle: Box::new(keeper.upkeep_is_idle()) }
        });
        let work = move || worker.work(&from, earlier);
        if let Err(error) = std::thread::Builder::new().name("pilot".into()).spawn(work) {
            tracing::error!("no thread to follow the drive on: {error}; it is recorded all the same");
            return None;
        }
        Some(Self {
            hub,
            clock: Arc::clone(clock),
            to,
            waiting: VecDeque::new(),
            latest: None,
            noted: Vec::new(),
            noted_until: Steady(i64::MIN),
            ticked: None,
            ahead_of_satellites: None,
            own_anchor: None,
            is_live,
            floor: config.free_space_floor,
            record_frames: config.record_frames,
            busiest: 0.0,
            // Where the clock runs many times as fast, the loop takes many times as long.
            row_age: ROW_AGE.max(Span::from_seconds(super::invented::speed(config).unwrap_or(0.0) / 2.0)),
        })
    }

    /// Where those who watch meet the loop.
    pub fn hub(&self) -> &Arc<Hub> {
        &self.hub
    }

    /// Takes what people asked for: marks, stamped, are for the recording.
    pub fn take_marks(&mut self) -> Vec<Stamped> {
        let mut marks = Vec::new();
        for (at, ask) in self.hub.take_asks() {
            match ask {
                Ask::Mark(mark) => marks.push(Stamped { at, item: Item::Mark(mark) }),
                other => self.wait(Told::Asked(other)),
            }
        }
        marks
    }

    /// The loop noted what the computer's own clock says.
    pub fn noted_own_clock(&mut self, anchor: &Stamped) {
        self.own_anchor = Some(anchor.clone());
    }

    /// Looks at a batch that is about to be kept.
    pub fn will_keep(&mut self, batch: &Batch) {
        self.noted_until = batch.last().unwrap_or(self.noted_until);
        for stamped in &batch.rest {
            match &stamped.item {
                Item::Mark(mark) => {
                    self.noted.push((stamped.at, mark.clone()));
                }
                // The computer's own word says nothing about it.
                Item::Anchor(wall) if self.is_live && self.own_anchor.as_ref() != Some(stamped) => {
                    let (own, theirs) = (self.clock.wall().0 - self.clock.now().0, wall.0 - stamped.at.0);
                    self.ahead_of_satellites = Some(Span(own - theirs));
                }
                _ => {}
            }
        }
    }

    /// The batch has been kept: what it told goes on.
    pub fn kept(&mut self, now: Steady, keeper: &Keeper) {
        let session = keeper.session();
        let run = RUNS_FROM + session.begun();
        let Some(recorder) = session.recorder() else {
            self.noted.clear();
            return;
        };
        let origin = self.noted_until - recorder.duration();
        for (at, mark) in std::mem::take(&mut self.noted) {
            if at >= origin {
                self.wait(Told::Mark(run, RunTime((at - origin).0), mark));
            }
        }
        let Some(row) = recorder.latest() else { return };
        let known = self.latest.as_ref().filter(|latest| latest.run == run);
        let given = known.and_then(|latest| latest.given);
        if known.is_some_and(|latest| latest.row.at == row.at) {
            return;
        }
        let due = given.is_none_or(|given| row.at - given >= TELL_EVERY);
        if due {
            self.give(Told::Row(run, Box::new(row.clone())));
        }
        let given = if due { Some(row.at) } else { given };
        self.latest = Some(Latest { run, row: row.clone(), since: now, given });
    }

    /// What is to be done from time to time.
    pub fn turn(&mut self, now: &Now, sources: impl FnOnce() -> Vec<SourceNow>) {
        while let Some(told) = self.waiting.pop_front() {
            if let Err(TrySendError::Full(told)) = self.to.try_send(told) {
                self.waiting.push_front(told);
                break;
            }
        }
        if self.ticked.is_some_and(|ticked| now.at - ticked < TELL_EVERY) {
            return;
        }
        self.ticked = Some(now.at);
        let stale = self.blank(now.at);
        let tick = self.tick(now, stale, sources());
        self.give(Told::Tick(Box::new(tick)));
    }

    /// Once no row comes any more, rows without a fresh value go on, so that nothing stale is held.
    fn blank(&mut self, now: Steady) -> bool {
        let Some(latest) = &mut self.latest else { return true };
        let age = now - latest.since;
        let is_stale = age > self.row_age;
        if age > self.row_age && age < self.row_age + BLANKED {
            let row = TraceRow {
                at: latest.row.at + age,
                roles: [f64::NAN; Role::COUNT],
                latitude_deg: f64::NAN,
                longitude_deg: f64::NAN,
                ..latest.row.clone()
            };
            // What comes after a silence is later than what stood for it.
            latest.given = Some(row.at);
            let run = latest.run;
            self.give(Told::Row(run, Box::new(row)));
        }
        is_stale
    }

    fn tick(&mut self, now: &Now, stale: bool, sources: Vec<SourceNow>) -> Tick {
        let per_second: f64 = sources.iter().map(|source| source.per_second).sum();
        self.busiest = self.busiest.max(per_second);
        let recorder = now.keeper.session().recorder();
        let utc = self.clock.wall();
        let recording = Recording {
            run: recorder.map(|recorder| recorder.name()),
            duration: recorder.map_or(Span(0), |recorder| recorder.duration()),
            waits: now.keeper.waits().map(str::to_owned),
            on_disk: recorder.map(|recorder| Span((now.kept_until - recorder.durable()).0.max(0))),
            free_bytes: now.keeper.known().free,
            sources,
        };
        Tick {
            at: now.at,
            utc,
            awake: now.awake,
            row: self.latest.as_ref().map(|latest| latest.row.clone()),
            stale,
            room: self.room(recording.free_bytes),
            span: recorder.map(|recorder| RunSpan { start: utc - recorder.duration(), end: utc }),
            recording,
            ahead_of_satellites: self.ahead_of_satellites,
        }
    }

    fn room(&self, free: Option<u64>) -> Room {
        let frames = if self.busiest > 0.0 { self.busiest } else { FULL_BUS };
        // Without raw frames the samples are left, a sixth of it.
        let each = if self.record_frames { BYTES_A_FRAME } else { BYTES_A_FRAME / 6.0 };
        Room { free, floor: self.floor, per_hour: BYTES_AN_HOUR + 3_600.0 * frames * each }
    }

    /// Gives what may be missed.
    fn give(&self, told: Told) {
        let _ = self.to.try_send(told);
    }

    /// Gives what must not be missed, as soon as there is room.
    fn wait(&mut self, told: Told) {
        if self.waiting.len() < WAITING_MAX {
            self.waiting.push_back(told);
        }
    }
}

#[cfg(test)]
mod tests;
