//! The daemon's loop: recover what a cut left, then feed the sources' observations to the session until told to stop.
//!
//! Reads the clock to pace and to sync, never to stamp.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::keep::Keeper;
use super::live::Drive;
use super::notify::Notify;
use super::{Config, Pace, Source};
use crate::document::Fault;
use crate::map::Map;
use crate::observation::Batch;
use crate::source::Clock;
use crate::source::replay::Replay;
use crate::store::recorder::{Durability, Plan};
use crate::store::run_file::{self, Damage, Ended, MadeBy};
use crate::store::session::Settings;
use crate::time::{Span, Steady};

/// Frames read at a time: small, so that a replay in real time comes as smoothly as a bus.
const BATCH_FRAMES: usize = 512;
/// The longest wait between two looks at whether to stop.
const WAIT_MAX: Span = Span::of_millis(100);
/// A fast replay ends runs sooner than their files can be made; it waits when more than this many are to be made.
const ENDED_MAX: usize = 2;

/// A stop is over within 2 s: recording ends at once, a source that hangs has 0.4 s, files have this long.
const STOP_PATIENCE: Span = Span::of_millis(1_200);

/// Runs until every source has ended or `stop` is set; then everything is closed in order.
///
/// # Errors
/// If the map or a source is not usable, or the data set can't be opened. What goes wrong later ends nothing.
pub fn run(config: &Config, clock: &Arc<dyn Clock>, notify: Notify, stop: &AtomicBool) -> Result<(), Fault> {
    let loaded = crate::map::load(&config.map);
    for fault in &loaded.faults {
        if fault.is_error() { tracing::error!("{fault}") } else { tracing::warn!("{fault}") }
    }
    let map = Arc::new(loaded.map.ok_or_else(|| {
        Fault::whole(config.map.display().to_string(), "not usable as a map").remedy("run `drawdown check` on it")
    })?);
    let keeper = open_keeper(config, &map, clock)?;
    if config.live().next().is_some() {
        let (sources, names) = super::sources::build(config, &map)?;
        let drive = Drive::begin(config, &map, keeper, (sources, names), Arc::clone(clock), notify)?;
        // Nobody waits with the car's power for a rehearsal's end, and its clock may run fast.
        let patience = super::invented::speed(config).is_none().then_some(STOP_PATIENCE);
        drive.record(stop).finish(Ended::Stopped, patience);
        return Ok(());
    }
    let replayed = replay(config, &map, keeper, (&**clock, notify), stop)?;
    let stopped = stop.load(Ordering::Relaxed);
    let why = if stopped { Ended::Stopped } else { Ended::EndOfRecording };
    replayed.finish(why, stopped.then_some(STOP_PATIENCE));
    Ok(())
}

/// Opens the data set of a configuration.
///
/// # Errors
/// If its folder can't be had, another daemon records into it, or there is no thread.
pub fn open_keeper(config: &Config, map: &Arc<Map>, clock: &Arc<dyn Clock>) -> Result<Keeper, Fault> {
    let sources = named_sources(config);
    let mut plan = Plan::new(Arc::clone(map), &config.vehicle, MadeBy::Daemon, sources);
    plan.record_frames = config.record_frames;
    plan.durability = Durability::Journal;
    plan.sync_every = Some(config.sync_every);
    plan.files.push(config.file.clone());
    plan.files.extend(super::invented::files(config));
    let settings =
        Settings { data: config.data.clone(), quiet: config.quiet, gateway: config.gateway, plan: Arc::new(plan) };
    Keeper::open(config, settings, clock)
}

fn named_sources(config: &Config) -> Vec<run_file::Source> {
    config.source_names().into_iter().map(|name| run_file::Source::named(name, None)).collect()
}

/// Feeds recordings to the session, one source after another.
fn replay(
    config: &Config,
    map: &Map,
    keeper: Keeper,
    (clock, notify): (&dyn Clock, Notify),
    stop: &AtomicBool,
) -> Result<Keeper, Fault> {
    let mut feed = Feed { keeper, notify, clock, stop };
    feed.notify.ready();
    // A recording can wait until what a cut left is put right; a car can't.
    feed.keeper.wait_for_upkeep(&|| stop.load(Ordering::Relaxed));
    for source in &config.sources {
        let Source::Replay { recordings, pace } = source else { continue };
        let mut replay = Replay::open(recordings, Some(map), BATCH_FRAMES)?;
        feed.all(&mut replay, *pace)?;
        let damage = Damage::of(replay.damage());
        for damage in &damage {
            damage.first.iter().for_each(|text| tracing::warn!("{text}"));
            tracing::warn!("{}: {} places could not be read", damage.source, damage.count);
        }
        feed.keeper.made_from(named_sources(config), damage);
    }
    feed.notify.stopping();
    Ok(feed.keeper)
}

/// What feeds a replay to the session.
struct Feed<'a> {
    keeper: Keeper,
    notify: Notify,
    clock: &'a dyn Clock,
    stop: &'a AtomicBool,
}

impl Feed<'_> {
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
            self.keeper.take(&mut batch, replay.names());
            self.turn();
            // A recording waits where a bus would fill the queue; memory is bounded either way.
            while !self.stopping() && (self.keeper.waits().is_some() || self.keeper.known().waiting > ENDED_MAX) {
                self.clock.wait(WAIT_MAX);
                self.turn();
            }
        }
        Ok(())
    }

    fn turn(&mut self) {
        self.keeper.turn(None);
        self.notify.alive(self.clock.now());
    }

    fn stopping(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }
}
