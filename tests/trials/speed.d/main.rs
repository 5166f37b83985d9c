//! The trial `speed`, the part that needs the library: makes the seeded log and times the stages on it.
//!
//! `trials speed log FRAMES SEED LOG MAP` writes log and map; `trials speed parse LOG`, `trials speed decode LOG MAP` and `trials speed ledger LOG
//! MAP [THREADS]` go one stage further each over the file and print frames and seconds; `trials speed write LOG MAP FOLDER frames|samples` writes a
//! data set as `drawdown ingest` does, but for the log's digest. Peers are timed by `peers.py` beside it, never here.

pub mod books;
mod log;

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use drawdown::decode::{Batches, Decoder};
use drawdown::map::Map;
use drawdown::observation::{Batch, BusNames};
use drawdown::source::replay::{self, Reading, Replay};
use drawdown::store::recorder::Plan;
use drawdown::store::run_file::{Ended, MadeBy};
use drawdown::store::session::{Session, Settings};
use drawdown::time::Span;
use drawdown::workers::Workers;

use books::{Books, net};

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> Result<(), Box<dyn std::error::Error>> {
    match arguments[..] {
        ["log", frames, seed, log, map] => Ok(make(frames.parse()?, seed.parse()?, log, map)?),
        ["parse", log] => parse(log),
        ["decode", log, map] => decode(log, map),
        ["ledger", log, map] => ledger(log, map, &Workers::alone()),
        ["ledger", log, map, threads] => {
            Workers::with(threads.parse()?, |workers| ledger(log, map, workers).map_err(|error| error.to_string()))?;
            Ok(())
        }
        ["write", log, map, folder, what @ ("frames" | "samples")] => write(log, map, folder, what == "frames"),
        _ => Err("usage: trials speed log FRAMES SEED LOG MAP | parse LOG | decode LOG MAP | \
                  ledger LOG MAP [THREADS] | write LOG MAP FOLDER frames|samples"
            .into()),
    }
}

fn make(frames: u64, seed: u64, log: &str, map: &str) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(log)?);
    log::write_log(&mut out, frames, seed)?;
    out.flush()?;
    let mut out = BufWriter::new(File::create(map)?);
    log::write_map(&mut out)?;
    out.flush()
}

fn report(frames: u64, started: Instant, rest: &str) {
    println!("{{\"frames\":{frames},\"seconds\":{}{rest}}}", started.elapsed().as_secs_f64());
}

/// Hands on what is read, batch by batch.
fn each_batch(
    log: &str,
    workers: &Workers,
    mut each: impl FnMut(&mut Batch, &BusNames),
) -> Result<(), Box<dyn std::error::Error>> {
    let mut recording = replay::open_with(Path::new(log), None, &Reading { workers: workers.clone(), digest: false })?;
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    let mut more = true;
    while more {
        more = recording.read(&mut batch, &mut names)?;
        each(&mut batch, &names);
    }
    Ok(())
}

fn parse(log: &str) -> Result<(), Box<dyn std::error::Error>> {
    let started = Instant::now();
    let mut frames = 0;
    each_batch(log, &Workers::alone(), |batch, _| {
        frames += batch.frames.len() as u64;
        batch.clear();
    })?;
    report(frames, started, "");
    Ok(())
}

/// The trial's map.
pub fn load(map: &Path) -> Result<Map, Box<dyn std::error::Error>> {
    Ok(drawdown::map::load(map).map.ok_or("the trial's own map is faulty")?)
}

fn decode(log: &str, map: &str) -> Result<(), Box<dyn std::error::Error>> {
    let started = Instant::now();
    let mut decoding = Batches::new(Decoder::new(&load(Path::new(map))?), Workers::alone());
    let (mut frames, mut messages) = (0, 0);
    each_batch(log, &Workers::alone(), |batch, names| {
        decoding.set_buses(names);
        while !batch.is_empty() {
            decoding.give_out(batch);
            while let Some(decoded) = decoding.due() {
                frames += decoded.batch().frames.len() as u64;
                messages += decoded.frames().count();
                decoding.take_back(decoded);
            }
        }
    })?;
    report(frames, started, &format!(",\"messages\":{messages}"));
    Ok(())
}

fn ledger(log: &str, map: &str, workers: &Workers) -> Result<(), Box<dyn std::error::Error>> {
    let started = Instant::now();
    let mut books = Books::new(&load(Path::new(map))?, workers);
    each_batch(log, workers, |batch, names| books.take(batch, names))?;
    let sums = books.finish();
    let net = net(&sums) / 3_600.0;
    report(books.frames, started, &format!(",\"net_wh\":{net},\"distance_m\":{}", sums.distance));
    Ok(())
}

/// Frames read at a time, as by `drawdown ingest`.
const BATCH_FRAMES: usize = 16_384;

/// What a peer does that turns text into Parquet and forms no digest of the text.
fn write(log: &str, map: &str, folder: &str, record_frames: bool) -> Result<(), Box<dyn std::error::Error>> {
    let started = Instant::now();
    let map = Arc::new(load(Path::new(map))?);
    let mut plan = Plan::new(Arc::clone(&map), "trial", MadeBy::Ingest, Vec::new());
    plan.record_frames = record_frames;
    let settings = Settings { data: folder.into(), quiet: Span::of_seconds(60), gateway: None, plan: Arc::new(plan) };
    let mut session = Session::open(settings)?;
    let mut replay = Replay::open(&[log.into()], Some(&map), BATCH_FRAMES)?;
    let (mut batch, mut frames) = (Batch::default(), 0);
    while replay.next(&mut batch)? {
        frames += batch.frames.len() as u64;
        session.take(&mut batch, replay.names())?;
    }
    session.finish(Ended::EndOfRecording)?;
    report(frames, started, "");
    Ok(())
}
