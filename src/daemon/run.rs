//! The daemon's life: open the data set, start what stands beside the recording, feed the sources' observations to it until told
//! to stop, close everything in order.
//!
//! Reads no clock and stamps nothing: the loops do ([`super::live`], [`super::replay`]).

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::Config;
use super::beside::Beside;
use super::keep::Keeper;
use super::live::Drive;
use super::notify::Notify;
use super::people::People;
use super::prior::Prior;
use super::replay::Feed;
use crate::document::Fault;
use crate::map::Map;
use crate::source::Clock;
use crate::store::recorder::{Durability, Plan};
use crate::store::run_file::{self, Ended, MadeBy};
use crate::store::session::Settings;
use crate::time::Span;

/// A stop is over within 2 s: recording ends at once, a source that hangs has 0.4 s, files have this long.
const STOP_PATIENCE: Span = Span::of_millis(1_200);

/// Runs until every source has ended or `stop` is set; then everything is closed in order.
///
/// # Errors
/// If the map or a source is not usable, or the data set can't be opened. What goes wrong later ends nothing.
pub fn run(config: &Config, clock: &Arc<dyn Clock>, notify: Notify, stop: &AtomicBool) -> Result<(), Fault> {
    let loaded = crate::map::load(&config.map);
    log(&loaded.faults);
    let map = Arc::new(loaded.map.ok_or_else(|| {
        Fault::whole(config.map.display().to_string(), "not usable as a map").remedy("run `drawdown check` on it")
    })?);
    let keeper = open_keeper(config, &map, clock)?;
    let (prior, faults) = Prior::load(config);
    log(&faults);
    let beside = Beside::start(config, prior, &map, clock, &keeper);
    // Told until everything is closed.
    let _people = beside.as_ref().map(|beside| People::start(config, beside.hub(), clock));
    if config.live().next().is_some() {
        let (sources, names) = super::sources::build(config, &map)?;
        let drive = Drive::begin(config, &map, keeper, (sources, names), Arc::clone(clock), notify)?.with(beside);
        // Nobody waits with the car's power for a rehearsal's end, and its clock may run fast.
        let patience = super::invented::speed(config).is_none().then_some(STOP_PATIENCE);
        drive.record(stop).finish(Ended::Stopped, patience);
        return Ok(());
    }
    let replayed = Feed::new(config, keeper, beside, (Arc::clone(clock), notify), stop)?.replay(&map)?;
    let stopped = stop.load(Ordering::Relaxed);
    let why = if stopped { Ended::Stopped } else { Ended::EndOfRecording };
    replayed.finish(why, stopped.then_some(STOP_PATIENCE));
    Ok(())
}

pub(super) fn log(faults: &[Fault]) {
    for fault in faults {
        if fault.is_error() { tracing::error!("{fault}") } else { tracing::warn!("{fault}") }
    }
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

/// The recordings and interfaces of a configuration, as `run.json` lists them.
pub fn named_sources(config: &Config) -> Vec<run_file::Source> {
    config.source_names().into_iter().map(|name| run_file::Source::named(name, None)).collect()
}
