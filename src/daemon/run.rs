//! The daemon's loop: recover what a cut left, then feed the sources' observations to the session until told to stop.
//!
//! Reads the clock to pace and to sync, never to stamp.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::live::Drive;
use super::{Config, Pace, Source};
use crate::document::Fault;
use crate::map::Map;
use crate::observation::Batch;
use crate::source::Clock;
use crate::source::replay::Replay;
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::recorder::{Durability, Plan, Recorder};
use crate::store::run_file::{self, Damage, Ended, MadeBy};
use crate::store::session::{Session, Settings};
use crate::time::{Span, Steady};

/// Frames read at a time: small, so that a replay in real time comes as smoothly as a bus.
const BATCH_FRAMES: usize = 512;
/// The longest wait between two looks at whether to stop.
const WAIT_MAX: Span = Span::of_millis(100);

/// Runs until every source has ended or `stop` is set; then everything is closed in order.
///
/// # Errors
/// If the map or a source is not usable, or what was observed can't be kept.
pub fn run(config: &Config, clock: &Arc<dyn Clock>, stop: &AtomicBool) -> Result<(), Fault> {
    let loaded = crate::map::load(&config.map);
    for fault in &loaded.faults {
        if fault.is_error() { tracing::error!("{fault}") } else { tracing::warn!("{fault}") }
    }
    let map = Arc::new(loaded.map.ok_or_else(|| {
        Fault::whole(config.map.display().to_string(), "not usable as a map").remedy("run `drawdown check` on it")
    })?);
    recover(config)?;
    let mut session = open_session(config, &map)?;
    let why = if config.live().next().is_some() {
        let (sources, names) = super::sources::build(config, &map)?;
        session = Drive::begin(config, session, sources, names, Arc::clone(clock))?.record(stop)?;
        Ended::Stopped
    } else {
        replay(config, &map, &mut session, &**clock, stop)?;
        if stop.load(Ordering::Relaxed) { Ended::Stopped } else { Ended::EndOfRecording }
    };
    for run in session.finish(why)? {
        tracing::info!("{} is complete", run.path.display());
    }
    Ok(())
}

fn open_session(config: &Config, map: &Arc<Map>) -> Result<Session, Fault> {
    let sources = named_sources(config);
    let mut plan = Plan::new(Arc::clone(map), &config.vehicle, MadeBy::Daemon, sources);
    plan.record_frames = config.record_frames;
    plan.durability = Durability::Journal;
    plan.files.push(config.file.clone());
    let settings =
        Settings { data: config.data.clone(), quiet: config.quiet, gateway: config.gateway, plan: Arc::new(plan) };
    Ok(Session::open(settings)?)
}

fn named_sources(config: &Config) -> Vec<run_file::Source> {
    config.source_names().into_iter().map(|name| run_file::Source::named(name, None)).collect()
}

/// Feeds recordings to the session, one source after another.
fn replay(
    config: &Config,
    map: &Map,
    session: &mut Session,
    clock: &dyn Clock,
    stop: &AtomicBool,
) -> Result<(), Fault> {
    for source in &config.sources {
        let Source::Replay { recordings, pace } = source else { continue };
        let mut replay = Replay::open(recordings, Some(map), BATCH_FRAMES)?;
        feed(&mut replay, *pace, session, config.sync_every, clock, stop)?;
        let damage = Damage::of(replay.damage());
        for damage in &damage {
            damage.first.iter().for_each(|text| tracing::warn!("{text}"));
            tracing::warn!("{}: {} places could not be read", damage.source, damage.count);
        }
        session.made_from(named_sources(config), damage);
    }
    Ok(())
}

/// Feeds one replay to the session at its pace.
fn feed(
    replay: &mut Replay,
    pace: Pace,
    session: &mut Session,
    sync_every: Span,
    clock: &dyn Clock,
    stop: &AtomicBool,
) -> Result<(), Fault> {
    let mut batch = Batch::default();
    let mut began: Option<(Steady, Steady)> = None;
    let mut synced = clock.now();
    while !stop.load(Ordering::Relaxed) && replay.next(&mut batch)? {
        if let (Pace::RealTime, Some(first)) = (pace, batch.first()) {
            let (recorded, now) = *began.get_or_insert((first, clock.now()));
            let due = now + (first - recorded);
            while clock.now() < due && !stop.load(Ordering::Relaxed) {
                clock.wait((due - clock.now()).min(WAIT_MAX));
                sync(session, &mut synced, sync_every, clock)?;
            }
        }
        session.take(&batch, replay.names())?;
        batch.clear();
        sync(session, &mut synced, sync_every, clock)?;
    }
    Ok(())
}

fn sync(session: &mut Session, synced: &mut Steady, every: Span, clock: &dyn Clock) -> Result<(), Fault> {
    let now = clock.now();
    if now - *synced >= every {
        *synced = now;
        session.sync()?;
    }
    Ok(())
}

/// Turns what a cut left unfinished into proper runs.
fn recover(config: &Config) -> Result<(), Fault> {
    let runs = DataSet::create(&config.data)?.runs()?;
    for run in runs.into_iter().filter(RunFolder::is_unfinished) {
        match Recorder::recover(&run.path) {
            Ok(recovered) => tracing::info!("{}: recovered {:.1} s", run.path.display(), recovered.duration_s),
            // One run that can't be recovered must not keep the next drive from being recorded.
            Err(error) => tracing::error!("{}: not recovered: {}", run.path.display(), Fault::from(error)),
        }
    }
    Ok(())
}
