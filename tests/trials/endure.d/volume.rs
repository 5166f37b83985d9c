//! What an hour of full buses writes to the disk, and how long a run takes to close.
//!
//! Counts what the store hands to the kernel; what the file system adds is measured on the bench.

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use drawdown::map::Map;
use drawdown::observation::Batch;
use drawdown::store::disk;
use drawdown::store::recorder::{Durability, Plan};
use drawdown::store::run_file::{Ended, MadeBy};
use drawdown::store::session::{Session, Settings};
use drawdown::time::{Span, Steady};

use super::traffic::Traffic;

/// Records `seconds` of `buses` full buses with a sync every `sync_s`; prints what was written.
pub fn volume(folder: &Path, map: &Arc<Map>, buses: usize, seconds: i64, sync_s: i64) {
    let before = disk::written();
    let (mut session, frames) = record(folder, map, buses, seconds, sync_s);
    let running = disk::written() - before;
    let parts = bytes_of_tables(folder);
    session.end_current(Ended::Stopped).expect("ended");
    let mut whole = 0;
    for closing in session.take_ended() {
        let run = closing.finish().expect("finished");
        whole += run.read_run_file().expect("run.json").tables.iter().map(|table| table.bytes).sum::<u64>();
    }
    let total = disk::written() - before;
    let mb = |bytes: u64| bytes as f64 / 1e6;
    println!(
        "{buses} buses, {frames} frames, sync every {sync_s} s: written {:.1} MB in {:.2} h, of it journal and states {:.1}, parts and merge {:.1}; final {:.1} MB; {:.2} times; {:.2} B a frame",
        mb(total),
        seconds as f64 / 3_600.0,
        mb(running - parts),
        mb(total - (running - parts)),
        mb(whole),
        total as f64 / whole as f64,
        whole as f64 / frames as f64,
    );
    std::fs::remove_dir_all(folder).expect("removed");
}

/// Records `seconds` of three full buses, then stops: how long each step of closing takes.
pub fn close(folder: &Path, map: &Arc<Map>, seconds: i64) {
    let (mut session, frames) = record(folder, map, 3, seconds, 1);
    let begun = Instant::now();
    session.end_current(Ended::Stopped).expect("ended");
    let ended = begun.elapsed();
    for closing in session.take_ended() {
        closing.finish().expect("finished");
    }
    println!(
        "a run of {seconds} s, {frames} frames: all of it durable {:.0} ms after the stop, final files {:.2} s after it",
        ended.as_secs_f64() * 1e3,
        begun.elapsed().as_secs_f64(),
    );
    std::fs::remove_dir_all(folder).expect("removed");
}

fn record(folder: &Path, map: &Arc<Map>, buses: usize, seconds: i64, sync_s: i64) -> (Session, u64) {
    let mut plan = Plan::new(Arc::clone(map), "heron", MadeBy::Daemon, Vec::new());
    plan.durability = Durability::Journal;
    let settings =
        Settings { data: folder.to_path_buf(), quiet: Span::of_seconds(60), gateway: None, plan: Arc::new(plan) };
    let mut session = Session::open(settings).expect("a data set");
    let mut traffic = Traffic::new(buses, 1, 1);
    let (names, mut batch, mut frames) = (traffic.names(), Batch::default(), 0);
    for second in 0..seconds {
        for round in 0..20 {
            for tenth in 0..5 {
                frames += traffic.round(Steady(second * 1_000_000 + round * 50_000 + tenth * 10_000), &mut batch);
            }
            batch.frames.sort_by_key(|frame| frame.at);
            session.take(&mut batch, &names).expect("taken");
        }
        if (second + 1) % sync_s == 0 {
            session.sync().expect("synced");
        }
    }
    (session, frames)
}

fn bytes_of_tables(folder: &Path) -> u64 {
    let mut bytes = 0;
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            if !path.ends_with("journal") && !path.ends_with("source-files") {
                bytes += bytes_of_tables(&path);
            }
        } else {
            bytes += entry.metadata().map_or(0, |found| found.len());
        }
    }
    bytes
}
