//! The loop of a replay: recordings fed to the recording at their own pace or as fast as the machine goes.
//!
//! Reads the clock to pace and to sync, never to stamp: what people note meanwhile stands where the replay is.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::beside::{self, Beside, Rates};
use super::config::Config;
use super::desk::Desk;
use super::keep::Keeper;
use super::notify::Notify;
use super::run::named_sources;
use super::status::{Status, StatusSocket};
use super::{Pace, Source, told};
use crate::document::Fault;
use crate::live::SourceNow;
use crate::map::Map;
use crate::observation::Batch;
use crate::source::Clock;
use crate::source::queue::Dropped;
use crate::source::replay::Replay;
use crate::store::run_file::{Damage, LiveSource};
use crate::time::{Span, Steady};

/// Frames read at a time: small, so that a replay in real time comes as smoothly as a bus.
const BATCH_FRAMES: usize = 512;
/// The longest wait between two looks at whether to stop.
const WAIT_MAX: Span = Span::of_millis(100);
/// A fast replay ends runs sooner than their files can be made; it waits when more than this many are to be made.
const ENDED_MAX: usize = 2;
/// How often the status socket and the service manager are told.
const TELL_EVERY: Span = Span::of_seconds(1);

/// What feeds a replay to the recording.
pub struct Feed<'a> {
    config: &'a Config,
    keeper: Keeper,
    beside: Option<Beside>,
    status: Option<StatusSocket>,
    notify: Notify,
    clock: Arc<dyn Clock>,
    stop: &'a AtomicBool,
    rates: Rates,
    /// Frames and other observations fed so far.
    fed: u64,
    /// The end of what was fed, as the recording is stamped, and when that was.
    until: (Steady, Steady),
    told: Option<Steady>,
}

impl<'a> Feed<'a> {
    /// Ready to feed.
    ///
    /// # Errors
    /// If another daemon answers on the status socket.
    pub fn new(
        config: &'a Config,
        keeper: Keeper,
        beside: Option<Beside>,
        (clock, notify): (Arc<dyn Clock>, Notify),
        stop: &'a AtomicBool,
    ) -> Result<Self, Fault> {
        let status = config.status_socket.as_deref().map(StatusSocket::open).transpose()?.flatten();
        if let (Some(status), Some(beside)) = (&status, &beside) {
            status.attend(Desk::new(beside.hub(), &clock));
        }
        let until = (Steady(0), clock.now());
        let rates = Rates::default();
        Ok(Self { config, keeper, beside, status, notify, clock, stop, rates, fed: 0, until, told: None })
    }

    /// Feeds recordings, one source after another, and hands back what keeps.
    ///
    /// # Errors
    /// If a recording can't be read.
    pub fn replay(mut self, map: &Map) -> Result<Keeper, Fault> {
        self.notify.ready();
        // A recording can wait until what a cut left is put right; a car can't. Neither waits for a look at what is finished.
        let stop = self.stop;
        self.keeper.wait_for_cut_runs(&|| stop.load(Ordering::Relaxed));
        for source in &self.config.sources {
            let Source::Replay { recordings, pace } = source else { continue };
            let mut replay = Replay::open(recordings, Some(map), BATCH_FRAMES)?;
            self.all(&mut replay, *pace)?;
            let damage = Damage::of(replay.damage());
            for damage in &damage {
                damage.first.iter().for_each(|text| tracing::warn!("{text}"));
                tracing::warn!("{}: {} places could not be read", damage.source, damage.count);
            }
            self.keeper.made_from(named_sources(self.config), damage);
        }
        self.notify.stopping();
        Ok(self.keeper)
    }

    /// Feeds one replay at its pace.
    fn all(&mut self, replay: &mut Replay, pace: Pace) -> Result<(), Fault> {
        let mut batch = Batch::default();
        let mut began: Option<(Steady, Steady)> = None;
        while !self.stopping() && replay.next(&mut batch)? {
            if let (Pace::RealTime, Some(first)) = (pace, batch.first()) {
                let (recorded, now) = *began.get_or_insert((first, self.clock.now()));
                let due = now + (first - recorded);
                while self.clock.now() < due && !self.stopping() {
                    self.clock.wait((due - self.clock.now()).min(WAIT_MAX));
                    self.turn();
                }
            }
            self.feed(&mut batch, replay);
            self.turn();
            // A recording waits where a bus would fill the queue; memory is bounded either way.
            while !self.stopping() && (self.keeper.waits().is_some() || self.keeper.known().waiting > ENDED_MAX) {
                self.clock.wait(WAIT_MAX);
                self.turn();
            }
        }
        Ok(())
    }

    fn feed(&mut self, batch: &mut Batch, replay: &Replay) {
        let Some(last) = batch.last() else { return };
        let now = self.clock.now();
        self.fed += (batch.frames.len() + batch.rest.len()) as u64;
        self.until = (last, now);
        if let Some(beside) = &mut self.beside {
            let marks = beside.take_marks().into_iter();
            batch.rest.extend(marks.map(|mark| crate::observation::Stamped { at: last, ..mark }));
            beside.will_keep(batch);
        }
        self.keeper.take(batch, replay.names());
        if let Some(beside) = &mut self.beside {
            beside.kept(now, &self.keeper);
        }
    }

    fn turn(&mut self) {
        self.keeper.turn(None);
        let now = self.clock.now();
        self.notify.alive(now);
        let (last, then) = self.until;
        if let Some(beside) = &mut self.beside {
            let awake = self.keeper.session().recorder().is_some();
            let world = beside::Now { at: now, kept_until: last, awake, keeper: &self.keeper };
            let (rates, fed, config) = (&mut self.rates, self.fed, self.config);
            beside.turn(&world, || {
                let name = config.source_names().join(", ");
                let per_second = rates.look(now, &name, fed);
                vec![SourceNow { name, reads: true, trouble: String::new(), per_second, quiet: Some(now - then) }]
            });
        }
        if self.told.is_none_or(|told| now - told >= TELL_EVERY) {
            self.told = Some(now);
            let status = self.status_of(now - then);
            self.notify.status(told::in_a_line(&status));
            if let Some(socket) = &self.status {
                socket.set(&status);
            }
        }
    }

    fn status_of(&self, quiet: Span) -> Status {
        let session = self.keeper.session();
        let source = LiveSource { condition: "reading".into(), frames: self.fed, ..LiveSource::default() };
        Status {
            program: concat!("drawdown ", env!("CARGO_PKG_VERSION")).into(),
            vehicle: self.config.vehicle.clone(),
            utc: self.clock.wall().iso(),
            run: session.recorder().map(|recorder| told::run(recorder, quiet)),
            polling: "nothing is asked: a recording is replayed".into(),
            outside_runs: session.outside(),
            keeping: told::keeping(&self.keeper, 0, &Dropped::default()),
            sources: vec![(self.config.source_names().join(", "), source)],
        }
    }

    fn stopping(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }
}
