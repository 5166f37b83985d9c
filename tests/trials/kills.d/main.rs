//! The trial `kills`: the daemon is killed at random moments, also while a run ends and while it recovers.
//!
//! `trials kills COUNT SEED` prints a table and, as its last line, JSON. After each kill the daemon is started again
//! and `drawdown verify` must find every run finished and sound; the energy of each is held against the trial's own
//! arithmetic over the same frames. The kernel goes on, so what the daemon wrote survives: power cuts are a trial of
//! their own.

mod drive;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use drive::Drive;
use serde_json::{Value, json};

type Failure = Box<dyn std::error::Error>;

/// How often the daemon syncs, s; and what may be lost at most, s (that and a second).
const SYNC_EVERY_S: f64 = 1.0;
const LOSS_MAX_S: f64 = SYNC_EVERY_S + 1.0;
/// Energies may differ by so much, in parts.
const ENERGY_MAX: f64 = 1e-4;

/// A seeded sequence (Vigna's splitmix64).
struct Noise(u64);

impl Noise {
    /// Evenly over 0..1.
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A full bus in real time.
const LIVE: [Drive; 1] = [Drive { start_s: 1_805_000_000, seconds: 20, others_per_s: 4_400 }];
/// Drives with 200 s of silence between them, read as fast as can be: parts and runs end many times a second.
const FAST: [Drive; 4] = [
    Drive { start_s: 1_806_000_000, seconds: 310, others_per_s: 200 },
    Drive { start_s: 1_806_000_510, seconds: 100, others_per_s: 400 },
    Drive { start_s: 1_806_000_810, seconds: 620, others_per_s: 100 },
    Drive { start_s: 1_806_001_630, seconds: 70, others_per_s: 300 },
];
/// What a start that only recovers reads.
const REST: [Drive; 1] = [Drive { start_s: 1_807_000_000, seconds: 1, others_per_s: 0 }];

struct Trial {
    scratch: PathBuf,
    binaries: PathBuf,
    noise: Noise,
    /// How long the fast drives take when nobody kills, s.
    fast_s: f64,
    /// How long a start that only recovers takes, s.
    rest_s: f64,
    losses: Vec<f64>,
    kills: u64,
    runs: u64,
    recovered: u64,
    not_opening: u64,
    worst_energy: f64,
}

impl Trial {
    fn new(scratch: &Path, seed: u64) -> Result<Self, Failure> {
        let own = std::env::current_exe()?;
        let binaries = own.parent().and_then(Path::parent).ok_or("no folder of binaries")?.to_owned();
        fs::write(scratch.join("map.toml"), drive::MAP)?;
        for (name, drives, pace) in
            [("live", &LIVE[..], "real time"), ("fast", &FAST[..], "fast"), ("rest", &REST[..], "fast")]
        {
            drive::write(&scratch.join(format!("{name}.log")), drives)?;
            let text = format!(
                "vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\nsync_every_s = {SYNC_EVERY_S:?}\n[[source]]\n\
                kind = 'replay'\nrecordings = ['{name}.log']\npace = '{pace}'\n"
            );
            fs::write(scratch.join(format!("{name}.toml")), text)?;
        }
        let mut trial = Self {
            scratch: scratch.to_owned(),
            binaries,
            noise: Noise(seed),
            fast_s: 0.0,
            rest_s: 0.0,
            losses: Vec::new(),
            kills: 0,
            runs: 0,
            recovered: 0,
            not_opening: 0,
            worst_energy: 0.0,
        };
        for name in ["fast", "rest"] {
            let began = Instant::now();
            if !trial.daemon(name)?.wait()?.success() {
                return Err(format!("the daemon does not read {name}.log").into());
            }
            let took = began.elapsed().as_secs_f64();
            if name == "fast" { trial.fast_s = took } else { trial.rest_s = took }
        }
        trial.check()?;
        Ok(trial)
    }

    fn daemon(&self, name: &str) -> Result<Child, Failure> {
        let said = fs::File::options().create(true).append(true).open(self.scratch.join("daemon.log"))?;
        let mut command = Command::new(self.binaries.join("drawdownd"));
        command.arg("--config").arg(self.scratch.join(format!("{name}.toml")));
        Ok(command.stdout(Stdio::null()).stderr(said).spawn()?)
    }

    fn kill_after(&mut self, mut child: Child, seconds: f64) -> Result<(), Failure> {
        sleep(Duration::from_secs_f64(seconds));
        // SIGKILL, unless it has ended by itself.
        child.kill()?;
        child.wait()?;
        self.kills += 1;
        Ok(())
    }

    /// A full bus in real time; how much run time had been fed when it was killed, s.
    fn live(&mut self) -> Result<f64, Failure> {
        let seconds = 0.2 + 3.0 * self.noise.unit();
        let mut child = self.daemon("live")?;
        let run = format!("DATA/vehicle=heron/run={}", LIVE[0].run_name());
        let journal = self.scratch.join(run).join("journal/part-00000.zst");
        let asked = Instant::now();
        while !journal.exists() {
            sleep(Duration::from_millis(1));
            if asked.elapsed() > Duration::from_secs(20) {
                child.kill()?;
                return Err("the daemon did not begin to record within 20 s".into());
            }
        }
        let began = Instant::now();
        sleep(Duration::from_secs_f64(seconds));
        let fed = began.elapsed().as_secs_f64();
        self.kill_after(child, 0.0)?;
        Ok(fed)
    }

    /// One kill or more, then a start that recovers, then what came of it.
    fn cut(&mut self, live: bool) -> Result<(), Failure> {
        let _ = fs::remove_dir_all(self.scratch.join("DATA"));
        let fed = if live {
            Some(self.live()?)
        } else {
            // Beyond its end too: a machine that is busy takes longer than it did undisturbed.
            let seconds = 1.5 * self.fast_s * self.noise.unit();
            let child = self.daemon("fast")?;
            self.kill_after(child, seconds)?;
            None
        };
        // In one of three the recovery is cut too, in one of nine twice.
        for _ in 0..2 {
            if self.noise.unit() > 1.0 / 3.0 {
                break;
            }
            let seconds = self.rest_s * 1.5 * self.noise.unit();
            let child = self.daemon("rest")?;
            self.kill_after(child, seconds)?;
        }
        if !self.daemon("rest")?.wait()?.success() {
            return Err("the daemon did not start again".into());
        }
        let kept = self.check()?;
        if let Some(fed) = fed {
            self.losses.push((fed - kept).max(0.0));
        }
        Ok(())
    }

    /// Verifies the data set; the duration of the live run, s.
    fn check(&mut self) -> Result<f64, Failure> {
        let data = self.scratch.join("DATA");
        let output = Command::new(self.binaries.join("drawdown")).arg("verify").arg(&data).arg("--json").output()?;
        let told: Value = serde_json::from_slice(&output.stdout)?;
        let mut kept = 0.0;
        for run in told["runs"].as_array().ok_or("verify tells no runs")? {
            self.runs += 1;
            let path = PathBuf::from(run["path"].as_str().unwrap_or_default());
            if run["sound"] != true || run["kind"] != "finished" {
                self.not_opening += 1;
                eprintln!("{run:#}");
                continue;
            }
            let file: Value = serde_json::from_slice(&fs::read(path.join("run.json"))?)?;
            self.recovered += u64::from(file["ended"] == "recovered");
            let drive = drive_of(run["run"].as_str().unwrap_or_default()).ok_or("a run of no drive")?;
            let frames = file["counts"]["frames"].as_u64().ok_or("no count of frames")?;
            if file["ended"] == "quiet" && frames != drive.count() {
                return Err(format!("a run that ended by itself has {frames} of {} frames", drive.count()).into());
            }
            let (found, expected) = (file["sums"]["energy_out"].as_f64().unwrap_or(f64::NAN), drive.energy_j(frames));
            let differs = if expected == 0.0 { found } else { (found - expected).abs() / expected };
            // NaN must not pass as the least of all.
            self.worst_energy = if differs.is_nan() { f64::INFINITY } else { self.worst_energy.max(differs) };
            if drive.start_s == LIVE[0].start_s {
                kept = file["duration_s"].as_f64().ok_or("no duration")?;
            }
        }
        Ok(kept)
    }
}

/// The drive that a run's name speaks of.
fn drive_of(run: &str) -> Option<Drive> {
    let base = run.split('-').next()?;
    let names = LIVE.iter().chain(&FAST).chain(&REST);
    names.copied().find(|drive| drive.run_name() == base)
}

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> Result<(), Failure> {
    let mut arguments = arguments.iter();
    let count: u64 = arguments.next().ok_or("usage: trials kills COUNT SEED")?.parse()?;
    let seed: u64 = arguments.next().ok_or("usage: trials kills COUNT SEED")?.parse()?;
    let scratch = tempfile::tempdir_in("target")?;
    let scratch = fs::canonicalize(scratch.path()).map(|path| (scratch, path))?;
    let mut trial = Trial::new(&scratch.1, seed)?;
    println!("undisturbed: fast drives {:.2} s, a start that only recovers {:.2} s", trial.fast_s, trial.rest_s);
    for cut in 0..count {
        let wrong = trial.not_opening;
        if let Err(error) = trial.cut(cut % 2 == 0) {
            let said = fs::read_to_string(scratch.1.join("daemon.log")).unwrap_or_default();
            let end: Vec<&str> = said.lines().rev().take(8).collect();
            return Err(format!("cut {cut}: {error}\n{}", end.join("\n")).into());
        }
        if trial.not_opening > wrong {
            eprintln!("cut {cut} left a run that does not open");
        }
    }
    trial.losses.sort_by(f64::total_cmp);
    let median = trial.losses.get(trial.losses.len() / 2).copied().unwrap_or(0.0);
    let worst = trial.losses.last().copied().unwrap_or(0.0);
    println!("cuts                      {count} ({} kills, {} of them in real time)", trial.kills, trial.losses.len());
    println!("runs verified             {} ({} of them recovered)", trial.runs, trial.recovered);
    println!("runs not opening          {}", trial.not_opening);
    println!("loss, median and worst    {median:.3} s, {worst:.3} s (at most {LOSS_MAX_S} s)");
    println!("energy, worst             {:.2e} (at most {ENERGY_MAX})", trial.worst_energy);
    println!(
        "{}",
        json!({
            "cuts": count,
            "kills": trial.kills,
            "runs": trial.runs,
            "runs_recovered": trial.recovered,
            "runs_not_opening": trial.not_opening,
            "median_loss_s": (median * 1e3).round() / 1e3,
            "worst_loss_s": (worst * 1e3).round() / 1e3,
            "worst_energy_rel": trial.worst_energy,
        })
    );
    let held = trial.not_opening == 0 && worst <= LOSS_MAX_S && trial.worst_energy <= ENERGY_MAX && trial.recovered > 0;
    if held { Ok(()) } else { Err("the promise did not hold".into()) }
}
