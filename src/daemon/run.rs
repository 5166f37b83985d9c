//! The daemon's loop: recover what a cut left, then feed the sources' observations to the session until told to stop.
//!
//! Reads the clock to pace and to sync, never to stamp.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::{Config, Pace, Source};
use crate::document::Fault;
use crate::observation::Batch;
use crate::source::Clock;
use crate::source::replay::Replay;
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::recorder::{Durability, Plan, Recorder};
use crate::store::run_file::{Damage, Ended, MadeBy};
use crate::store::session::{Session, Settings};
use crate::time::{Span, Steady};

/// Frames read at a time: small, so that a replay in real time comes as smoothly as a bus.
const BATCH_FRAMES: usize = 512;
/// The longest wait between two looks at whether to stop.
const WAIT_MAX: Span = Span::of_millis(100);

/// Runs until every source has ended or `stop` is set; then everything is closed in order.
pub fn run(config: &Config, clock: &dyn Clock, stop: &AtomicBool) -> Result<(), Fault> {
    let loaded = crate::map::load(&config.map);
    for fault in &loaded.faults {
        if fault.is_error() { tracing::error!("{fault}") } else { tracing::warn!("{fault}") }
    }
    let map = loaded.map.ok_or_else(|| {
        Fault::whole(config.map.display().to_string(), "not usable as a map").remedy("run `drawdown check` on it")
    })?;
    recover(config)?;
    let map = Arc::new(map);
    let mut plan = Plan::new(Arc::clone(&map), &config.vehicle, MadeBy::Daemon, config.named_sources());
    plan.record_frames = config.record_frames;
    plan.durability = Durability::Journal;
    plan.files.push(config.file.clone());
    let mut session = Session::open(Settings { data: config.data.clone(), quiet: config.quiet, plan: Arc::new(plan) })?;
    for Source::Replay { recordings, pace } in &config.sources {
        let mut replay = Replay::open(recordings, Some(&map), BATCH_FRAMES)?;
        feed(&mut replay, *pace, &mut session, config.sync_every, clock, stop)?;
        let damage = Damage::of(replay.damage());
        for damage in &damage {
            damage.first.iter().for_each(|text| tracing::warn!("{text}"));
            tracing::warn!("{}: {} places could not be read", damage.source, damage.count);
        }
        session.made_from(config.named_sources(), damage);
    }
    let why = if stop.load(Ordering::Relaxed) { Ended::Stopped } else { Ended::EndOfRecording };
    for run in session.finish(why)? {
        tracing::info!("{} is complete", run.path.display());
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
