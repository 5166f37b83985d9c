//! `drawdown ingest`: recordings into a data set, with a progress bar on a terminal.
//!
//! Only drives the same session as the daemon; keeps no journal, since the recording can be read again.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::{Value, json};

use super::{MapArgument, Outcome, progress, say};
use crate::digest::Digest;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::Batch;
use crate::source::replay::{Reading, Replay};
use crate::store::data_set::RunFolder;
use crate::store::names::valid_name;
use crate::store::recorder::Plan;
use crate::store::run_file::{Damage, Ended, MadeBy, Source};
use crate::store::session::{Session, Settings};
use crate::time::Span;
use crate::workers::Workers;

/// Frames read at a time.
pub const BATCH_FRAMES: usize = 16_384;
/// The most threads that are taken unasked.
const THREADS_MOST: usize = 4;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown ingest drive.log --map car.toml --vehicle heron --into DATA\n  \
    drawdown ingest morning.log.zst evening.pcapng --map car.toml --vehicle heron --into DATA --no-frames\n  \
    drawdown ingest drive.log --map car.toml --vehicle heron --into DATA --json | jq -r '.runs[].path'")]
pub struct Arguments {
    /// Recordings: candump text (.gz, .zst too), pcap, pcapng, CSV of signals, a run's folder
    #[arg(required = true, value_name = "RECORDING")]
    recordings: Vec<PathBuf>,
    #[command(flatten)]
    map: MapArgument,
    /// The car's name in the data set
    #[arg(long, value_name = "NAME")]
    vehicle: String,
    /// The data set's folder, made if need be
    #[arg(long, value_name = "DATA")]
    into: PathBuf,
    /// Silence that ends a run, s
    #[arg(long, value_name = "SECONDS", default_value_t = 60.0)]
    quiet_s: f64,
    /// Keep decoded samples only, not the raw frames
    #[arg(long)]
    no_frames: bool,
    /// Print JSON instead of the runs' folders
    #[arg(long)]
    json: bool,
    /// Threads that read, decode, unpack and pack; without it as many as the computer has, at most 4. Changes nothing in the
    /// result, and each takes up to 25 MB more
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u16).range(1..=64))]
    threads: Option<u16>,
    /// Frames read at a time; changes nothing in the result
    #[arg(long, value_name = "COUNT", default_value_t = BATCH_FRAMES, hide = true)]
    batch_frames: usize,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let loaded = crate::map::load(&arguments.map.map);
    let faulty = say::faults(&loaded.faults);
    let Some(map) = loaded.map else { return Outcome::NotDone };
    let job = Job {
        recordings: arguments.recordings.clone(),
        map: Arc::new(map),
        vehicle: arguments.vehicle.clone(),
        into: arguments.into.clone(),
        quiet: Span::from_seconds(arguments.quiet_s),
        record_frames: !arguments.no_frames,
        batch_frames: arguments.batch_frames,
    };
    let threads = arguments.threads.map_or_else(cores, usize::from);
    match job.check().and_then(|()| job.run(threads)) {
        Ok(done) => {
            let damaged = say::damage(&done.damage);
            if arguments.json {
                say::json(&as_json(&done));
            } else {
                done.runs.iter().for_each(|run| println!("{}", run.path.display()));
            }
            if faulty || damaged { Outcome::WithFaults } else { Outcome::Done }
        }
        Err(fault) => say::not_done(&fault),
    }
}

/// Threads that are worth it on this computer: memory grows with them, and what goes on in order bounds the gain.
pub fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from).min(THREADS_MOST)
}

fn as_json(done: &Done) -> Value {
    let run =
        |run: &RunFolder| json!({ "vehicle": run.vehicle, "run": run.run, "path": run.path.display().to_string() });
    json!({ "runs": done.runs.iter().map(run).collect::<Vec<_>>(), "damage": done.damage })
}

/// Recordings to be read into a data set.
pub struct Job {
    pub recordings: Vec<PathBuf>,
    pub map: Arc<Map>,
    pub vehicle: String,
    pub into: PathBuf,
    pub quiet: Span,
    pub record_frames: bool,
    pub batch_frames: usize,
}

/// What came of it.
pub struct Done {
    pub runs: Vec<RunFolder>,
    pub damage: Vec<Damage>,
}

impl Job {
    fn check(&self) -> Result<(), Fault> {
        if !valid_name(&self.vehicle) {
            let fault = Fault::whole("--vehicle", format!("'{}' can't name a vehicle", self.vehicle));
            return Err(fault.remedy("use 1 to 64 of A-Z a-z 0-9 _ -"));
        }
        if self.quiet < Span::of_seconds(1) {
            return Err(Fault::whole("--quiet-s", "less than 1 s ends every run at once").remedy("use 1 or more"));
        }
        Ok(())
    }

    /// Reads the recordings with so many threads; on an error or Ctrl-C the data set keeps what whole runs it got.
    pub fn run(&self, threads: usize) -> Result<Done, Fault> {
        Workers::with(threads, |workers| self.read(workers))
    }

    fn read(&self, workers: &Workers) -> Result<Done, Fault> {
        let reading = Reading { workers: workers.clone(), digest: true };
        let mut replay = Replay::open_with(&self.recordings, Some(&self.map), self.batch_frames.max(1), &reading)?;
        let mut plan = Plan::new(Arc::clone(&self.map), &self.vehicle, MadeBy::Ingest, Vec::new());
        plan.record_frames = self.record_frames;
        plan.workers = workers.clone();
        let settings = Settings { data: self.into.clone(), quiet: self.quiet, gateway: None, plan: Arc::new(plan) };
        let mut session = Session::open(settings)?;
        self.feed(&mut replay, &mut session)?;
        let digests = replay.digests()?;
        let sources = self.recordings.iter().zip(digests).map(|(path, digest)| source(path, digest)).collect();
        let damage = Damage::of(replay.damage());
        session.made_from(sources, damage.clone());
        let runs = session.finish(Ended::EndOfRecording)?;
        if runs.is_empty() {
            let names: Vec<String> = self.recordings.iter().map(|path| path.display().to_string()).collect();
            say::damage(&damage);
            return Err(Fault::whole(names.join(", "), "nothing that a run could begin with"));
        }
        Ok(Done { runs, damage })
    }

    fn feed(&self, replay: &mut Replay, session: &mut Session) -> Result<(), Fault> {
        let stop = Arc::new(AtomicBool::new(false));
        // Where no handler can be set, Ctrl-C ends the process at once; what is staged then goes with the next ingest.
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
            let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
        }
        let bar = progress::bytes(replay.progress().total);
        let mut batch = Batch::default();
        let mut frames = 0;
        while replay.next(&mut batch)? {
            frames += batch.frames.len();
            session.take(&mut batch, replay.names())?;
            bar.set_position(replay.progress().done);
            let rate = frames as f64 / 1e6 / bar.elapsed().as_secs_f64().max(1e-3);
            bar.set_message(format!("{rate:.1} M frames/s"));
            if stop.load(Ordering::Relaxed) {
                bar.finish_and_clear();
                return Err(Fault::whole(self.into.display().to_string(), "stopped; the run being read was not added"));
            }
        }
        bar.finish_and_clear();
        Ok(())
    }
}

fn source(path: &Path, digest: Option<Digest>) -> Source {
    Source::named(path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned(), digest)
}
