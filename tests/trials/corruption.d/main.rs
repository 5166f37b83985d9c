//! The trial `corruption`: damaged copies of small runs are recovered, verified, reduced and read back.
//!
//! `trials corruption COUNT SEED [FIRST]` prints a table and, as its last line, JSON. What it holds: nothing panics,
//! and of every damaged copy either `verify` names the damage, or every figure is that of the undamaged run. A journal
//! that lost its end cannot be told from one that was cut earlier: there the figures are those of the drive up to that
//! moment.

mod damage;
mod input;

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use damage::Noise;
use drawdown::observation::{Batch, BusNames};
use drawdown::reduce::{self, Options};
use drawdown::source::replay;
use drawdown::store::data_set::RunFolder;
use drawdown::store::run_file::RunFile;
use drawdown::store::{start, verify};
use input::{Base, Files};
use serde_json::{Value, json};

type Failure = Box<dyn std::error::Error>;

/// The figures of a run without the words around them.
fn figures(folder: &Path) -> Option<Value> {
    let loaded = reduce::load::runs(&[folder]);
    let reduction = (!loaded.runs.is_empty()).then(|| reduce::reduce(&loaded.runs, None, &Options::default()))?;
    let mut figures: Value = serde_json::from_str(&reduction.to_json()).ok()?;
    figures.as_object_mut()?.remove("problems");
    Some(figures)
}

/// A run before any damage.
struct Sound {
    base: Base,
    files: Files,
    figures: Value,
}

/// What came of one damaged copy.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Verdict {
    /// `verify` names the damaged file.
    Named,
    /// `verify` finds the run not sound, but names another file of it.
    NamedElsewhere,
    /// Every figure is that of the undamaged run.
    Equal,
    /// The journal's end is lost; the figures are those of the drive so far.
    AsCutEarlier,
    /// The journal is empty; nothing was recorded, as far as anybody can tell.
    AsNothingRecorded,
    /// No figure came out, and no word from `verify`.
    Silent,
    /// A figure that is wrong, and no word from `verify`.
    Wrong,
}

struct Trial {
    scratch: PathBuf,
    run: PathBuf,
    sound: Vec<Sound>,
    /// The figures of the first seconds of a cut run.
    prefixes: BTreeMap<(Base, i64), Option<Value>>,
    panics: u64,
}

impl Trial {
    fn new(scratch: &Path) -> Result<Self, Failure> {
        let run = scratch.join("DATA/vehicle=heron/run=20270314T061502Z");
        let mut sound = Vec::new();
        for base in Base::ALL {
            let _ = std::fs::remove_dir_all(&run);
            let files = base.make(&run)?;
            let opened = RunFolder::open(&run)?;
            let faults = |when: &str| -> Result<(), Failure> {
                let report = verify::run(&opened, &mut |_| ())?;
                if report.is_sound() { Ok(()) } else { Err(format!("{base:?} {when}: {:?}", report.faults).into()) }
            };
            faults("as made")?;
            start::one(&opened)?;
            faults("after the next start")?;
            let figures = figures(&run).ok_or("an undamaged run gives no figures")?;
            sound.push(Sound { base, files, figures });
        }
        Ok(Self { scratch: scratch.to_owned(), run, sound, prefixes: BTreeMap::new(), panics: 0 })
    }

    /// Runs what must not panic; `None` if it did.
    fn held<T>(&mut self, what: &str, case: u64, work: impl FnOnce() -> T) -> Option<T> {
        let done = catch_unwind(AssertUnwindSafe(work)).ok();
        if done.is_none() {
            self.panics += 1;
            eprintln!("case {case}: {what} panicked");
        }
        done
    }

    fn prefix(&mut self, base: Base, seconds: i64) -> Option<Value> {
        if !self.prefixes.contains_key(&(base, seconds)) {
            let folder = self.scratch.join("prefix/vehicle=heron/run=20270314T061502Z");
            let _ = std::fs::remove_dir_all(&folder);
            let found = base.prefix(&folder, seconds).ok().and_then(|()| figures(&folder));
            self.prefixes.insert((base, seconds), found);
        }
        self.prefixes.get(&(base, seconds)).cloned().flatten()
    }

    /// One damaged copy.
    fn case(&mut self, number: u64, noise: &mut Noise) -> Result<(Verdict, Vec<damage::Done>), Failure> {
        let index = noise.below(self.sound.len());
        let base = self.sound[index].base;
        let mut files = self.sound[index].files.clone();
        let mut done = vec![damage::one(&mut files, noise)];
        if noise.below(8) == 0 {
            done.push(damage::one(&mut files, noise));
        }
        input::write(&self.run, &files)?;
        let opened = RunFolder::open(&self.run)?;
        let mut words = String::new();
        let check = |trial: &mut Self, words: &mut String| {
            let report = trial.held("verify", number, || verify::run(&opened, &mut |_| ())).and_then(Result::ok);
            for fault in report.iter().flat_map(|report| &report.faults) {
                *words += &format!("{fault}\n");
            }
            report
        };
        let before = check(self, &mut words);
        if before.is_none() {
            words += "not checked\n";
        }
        let started = self.held("the next start", number, || start::one(&opened));
        let mut verdict = Verdict::Silent;
        if self.run.exists() {
            let after = check(self, &mut words);
            let run = self.run.clone();
            let found = self.held("reduce", number, || figures(&run)).flatten();
            let seconds = RunFile::load(&run).map_or(0, |file| file.duration_s.ceil() as i64);
            if found.as_ref() == Some(&self.sound[index].figures) {
                verdict = Verdict::Equal;
            } else if found.is_some() {
                let of_journal = base.is_cut() && done.iter().any(|done| done.kind == "journal");
                let as_cut = of_journal && found == self.prefix(base, seconds);
                // A journal that ends within its first block leaves a run of 0 s, of which nothing is measured.
                let nothing = of_journal && seconds == 0 && found.as_ref().is_some_and(measures_nothing);
                verdict = match (as_cut, nothing) {
                    (true, _) => Verdict::AsCutEarlier,
                    (_, true) => Verdict::AsNothingRecorded,
                    _ => Verdict::Wrong,
                };
            }
            self.held("reading back", number, || read_back(&run));
            if let Some(report) = after {
                self.held("putting aside", number, || verify::set_aside(&opened, &report).map(drop));
                if check(self, &mut words).is_none() {
                    words += "not checked\n";
                }
                self.held("reduce after that", number, || figures(&run));
            }
        } else if matches!(started, Some(Ok(Some(start::Done::NothingRecorded)))) {
            verdict = Verdict::AsNothingRecorded;
        }
        if done.iter().any(|done| words.contains(&done.file)) {
            verdict = Verdict::Named;
        } else if !words.is_empty() {
            verdict = Verdict::NamedElsewhere;
        }
        Ok((verdict, done))
    }
}

/// Whether the figures hold no energy, charge, distance, or consumption.
fn measures_nothing(figures: &Value) -> bool {
    let null = |pointer: &str| figures.pointer(pointer).is_some_and(Value::is_null);
    let energies = ["/energy/net_kwh", "/energy/in_kwh", "/energy/out_kwh", "/energy/charged_kwh"];
    let others = ["/distance_km", "/charge_net_ah", "/consumption_wh_per_km", "/consumption_gross_wh_per_km"];
    energies.into_iter().chain(others).all(null) && figures["observed_s"] == 0.0
}

/// Reads a run's own frames as a recording.
fn read_back(run: &Path) -> u64 {
    let Ok(mut recording) = replay::open(run, None) else { return 0 };
    let (mut batch, mut names, mut frames) = (Batch::default(), BusNames::default(), 0);
    while let Ok(more) = recording.read(&mut batch, &mut names) {
        frames += batch.frames.len() as u64;
        batch.clear();
        if !more {
            break;
        }
    }
    frames
}

/// The most memory that this process held, MB.
fn peak_mb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap_or_default();
    line.split_whitespace().next().and_then(|kb| kb.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> Result<(), Failure> {
    let mut arguments = arguments.iter();
    let count: u64 = arguments.next().ok_or("usage: trials corruption COUNT SEED")?.parse()?;
    let seed: u64 = arguments.next().ok_or("usage: trials corruption COUNT SEED")?.parse()?;
    // A case that failed is made again by its number.
    let first: u64 = arguments.next().map_or(Ok(0), |first| first.parse())?;
    // In memory where that is possible: thousands of syncs to a disk take hours and change nothing here.
    let scratch = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir())?;
    let mut trial = Trial::new(scratch.path())?;
    // Panics that the store itself catches (the Parquet crate's, on damaged files) are counted apart.
    let caught = Arc::new(AtomicU64::new(0));
    let counter = Arc::clone(&caught);
    std::panic::set_hook(Box::new(move |panic| {
        counter.fetch_add(1, Ordering::Relaxed);
        if !panic.location().is_some_and(|place| place.file().contains("parquet")) {
            eprintln!("{panic}");
        }
    }));
    let mut verdicts: BTreeMap<Verdict, u64> = BTreeMap::new();
    let mut table: BTreeMap<(&str, &str), BTreeMap<Verdict, u64>> = BTreeMap::new();
    for number in first..first + count {
        let mut noise = Noise(seed.wrapping_mul(0x0100_0000_01b3) ^ number);
        let (verdict, done) = trial.case(number, &mut noise)?;
        *verdicts.entry(verdict).or_default() += 1;
        *table.entry((done[0].kind, done[0].how)).or_default().entry(verdict).or_default() += 1;
        if matches!(verdict, Verdict::Wrong | Verdict::Silent) {
            let files: Vec<String> = done.iter().map(|done| format!("{} ({})", done.file, done.how)).collect();
            eprintln!("case {number}: {verdict:?}: {}", files.join(", "));
        }
    }
    println!("{count} damaged copies, seed {seed}; by the first damage of each:");
    for ((kind, how), found) in &table {
        let found: Vec<String> = found.iter().map(|(verdict, count)| format!("{verdict:?} {count}")).collect();
        println!("  {kind:20} {how:16} {}", found.join(", "));
    }
    let of = |verdict: Verdict| verdicts.get(&verdict).copied().unwrap_or(0);
    let wrong = of(Verdict::Wrong) + of(Verdict::Silent);
    println!(
        "{}",
        json!({
            "cases": count,
            "panics": trial.panics,
            "wrong_passed": wrong,
            "named": of(Verdict::Named),
            "named_elsewhere": of(Verdict::NamedElsewhere),
            "figures_equal": of(Verdict::Equal),
            "as_cut_earlier": of(Verdict::AsCutEarlier),
            "as_nothing_recorded": of(Verdict::AsNothingRecorded),
            "panics_of_the_parquet_crate_caught": caught.load(Ordering::Relaxed).saturating_sub(trial.panics),
            "peak_mb": peak_mb().round(),
        })
    );
    if trial.panics + wrong > 0 { Err("the promise did not hold".into()) } else { Ok(()) }
}
