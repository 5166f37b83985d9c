//! `drawdown card`: a new card, everything wrong with one, and its seal.
//!
//! Only calls the card room; writes no file but the new card and the seal.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::seals::{self, Finished};
use super::{Outcome, say};
use crate::card::{self, Card, RunSpan, Seal, Verdict};
use crate::course::Course;
use crate::document::{Document, Fault};
use crate::format::{line, wrap};
use crate::reduce::json;
use crate::source::clock::{Clock, SystemClock};
use crate::store::disk;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  drawdown card new -o test.toml\n  drawdown card check test.toml\n  \
    drawdown card seal test.toml\n\nExit status: 0 done; 1 done, but something is wrong with the card; 2 not done.")]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand)]
enum What {
    /// Write a commented card: every key with its meaning and unit, nothing filled in
    New(New),
    /// Say everything that is wrong with a card and its runs, what is missing, and what that limits
    Check(Check),
    /// Before counting starts: write down digests of card, map and rules
    Seal(SealArguments),
}

#[derive(clap::Args)]
struct New {
    /// The file to write; without it, standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

#[derive(clap::Args)]
struct Check {
    /// The test card (TOML)
    #[arg(value_name = "CARD")]
    card: PathBuf,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

#[derive(clap::Args)]
struct SealArguments {
    /// The test card (TOML)
    #[arg(value_name = "CARD")]
    card: PathBuf,
    /// A run that is being recorded and that the card does not name yet: a copy goes into its folder
    #[arg(long, value_name = "RUN")]
    into: Vec<PathBuf>,
    /// Replace the seal that is there; the new one names the code of the one before
    #[arg(long)]
    again: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    match &arguments.what {
        What::New(New { output: None }) => {
            print!("{}", card::TEMPLATE);
            Outcome::Done
        }
        What::New(New { output: Some(path) }) => new(path),
        What::Check(arguments) => check(arguments),
        What::Seal(arguments) => match seal(arguments) {
            Ok(outcome) => outcome,
            Err(fault) => say::not_done(&fault),
        },
    }
}

fn new(path: &Path) -> Outcome {
    say::new_file(path, card::TEMPLATE)
}

/// What `card check --json` prints.
#[derive(Serialize)]
struct Report<'a> {
    schema: u32,
    card: String,
    usable: bool,
    faults: Vec<say::FaultJson<'a>>,
    missing: Vec<json::CardMissing>,
    seal: Option<json::Seal<'a>>,
}

fn check(arguments: &Check) -> Outcome {
    let path = &arguments.card;
    let (read, mut faults) = Card::load(path);
    let mut verdict = None;
    if let Some(card) = &read {
        faults.extend(files(card));
        let (runs, of_runs) = finished(card);
        faults.extend(of_runs);
        faults.extend(against_runs(path, card, &runs));
        let (judged, said) = seals::judged(path, &runs, seals::counted_start(card, &runs));
        faults.extend(said.into_iter().map(|what| Fault::whole(path.display().to_string(), what)));
        verdict = Some(judged);
    }
    if arguments.json {
        let report = Report {
            schema: 1,
            card: path.display().to_string(),
            usable: read.is_some(),
            faults: faults.iter().map(say::FaultJson::from).collect(),
            missing: read.iter().flat_map(Card::missing).map(|missing| json::CardMissing::from(&missing)).collect(),
            seal: verdict.as_ref().map(json::Seal::from),
        };
        say::json(&report);
    } else {
        say::faults(&faults);
        if let (Some(card), Some(verdict)) = (&read, &verdict) {
            print_report(path, card, &faults, verdict);
        }
    }
    match read {
        None => Outcome::NotDone,
        Some(_) if faults.iter().any(Fault::is_error) => Outcome::WithFaults,
        Some(_) => Outcome::Done,
    }
}

fn print_report(path: &Path, card: &Card, faults: &[Fault], verdict: &Verdict) {
    let wrong = match faults.iter().filter(|fault| fault.is_error()).count() {
        0 => "nothing wrong".to_owned(),
        1 => "one thing wrong, said above".to_owned(),
        many => format!("{many} things wrong, said above"),
    };
    print!("{}", line("Test card", &format!("{}: {wrong}", path.display())));
    print!("{}", crate::sheet::seal(verdict));
    let limited = card.limited();
    if limited.is_empty() {
        println!("\nNothing is missing");
        return;
    }
    println!("\nNot filled in, and what that limits");
    for (figure, keys) in limited {
        print!("{}", wrap("  ", &format!("{figure}: {}", keys.join(", ")), 4));
    }
}

/// What is wrong with the files that a card names.
fn files(card: &Card) -> Vec<Fault> {
    let mut faults = Vec::new();
    if let Some(path) = &card.map {
        let loaded = crate::map::load(path);
        faults.extend(loaded.faults.into_iter().filter(Fault::is_error));
    }
    if let Some(path) = &card.course {
        faults.extend(Course::load(path).1);
    }
    faults
}

/// The finished runs of a card, and what is wrong with the others; a run that is being recorded is no fault.
fn finished(card: &Card) -> (Vec<Finished>, Vec<Fault>) {
    let (mut runs, mut faults) = (Vec::new(), Vec::new());
    for (name, folder) in &card.runs {
        match Finished::load(folder) {
            Ok(run) => runs.push(run),
            Err(_) if is_unfinished(folder) => {}
            Err(_) if !folder.exists() => {
                let remedy = "name a run's folder, DATA/vehicle=NAME/run=NAME, as a path from the card's folder";
                faults.push(
                    Fault::whole(folder.display().to_string(), format!("there is no run '{name}'")).remedy(remedy),
                );
            }
            Err(fault) => faults.push(fault),
        }
    }
    (runs, faults)
}

fn is_unfinished(run: &Path) -> bool {
    run.is_dir() && !run.join(crate::store::run_file::NAME).exists()
}

/// What the runs contradict, each at its key.
fn against_runs(path: &Path, card: &Card, runs: &[Finished]) -> Vec<Fault> {
    let Ok(document) = Document::read(path) else { return Vec::new() };
    let mut faults = Vec::new();
    if let Some(vehicle) = &card.vehicle {
        for run in runs.iter().filter(|run| run.file.vehicle != *vehicle) {
            let what = format!("{} is of vehicle {}, not {vehicle}", run.file.run, run.file.vehicle);
            faults.push(document.fault_at_key("runs", what).remedy("name runs of one car, or correct vehicle"));
        }
    }
    let mut spans: Vec<(&str, &RunSpan)> =
        runs.iter().filter_map(|run| Some((&*run.file.run, run.span.as_ref()?))).collect();
    spans.sort_by_key(|(_, span)| span.start);
    for pair in spans.windows(2) {
        if pair[1].1.start < pair[0].1.end - crate::time::Span::of_seconds(1) {
            let what = format!("{} and {} overlap in time", pair[0].0, pair[1].0);
            faults.push(document.fault_at_key("runs", what).remedy("name one of them; the shorter is left out"));
        }
    }
    let spans: Vec<RunSpan> = spans.into_iter().map(|(_, span)| span.clone()).collect();
    let (_, found) = card::contradictions(card, &spans);
    faults.extend(found.iter().map(|found| document.fault_at_key(found.key, found.to_string()).remedy("correct it")));
    faults
}

fn seal(arguments: &SealArguments) -> Result<Outcome, Fault> {
    let path = &arguments.card;
    let refused = |what: String, remedy: &str| Err(Fault::whole(path.display().to_string(), what).remedy(remedy));
    let (read, faults) = Card::load(path);
    let has_errors = say::faults(&faults);
    let Some(card) = read else { return Ok(Outcome::NotDone) };
    if has_errors {
        return refused("a card with errors is not sealed".into(), "put right what was said above");
    }
    let (runs, _) = finished(&card);
    let now = SystemClock::new().wall();
    if let Some(start) = seals::counted_start(&card, &runs).filter(|start| *start <= now) {
        let what = format!("counting started at {}: a seal of now would prove nothing", start.second());
        return refused(what, "seal the card of the next test before it starts");
    }
    let target = seals::path_of(path);
    let before = match seals::read(&target) {
        Ok(found) => found,
        Err(fault) if !arguments.again => return Err(fault),
        Err(_) => None,
    };
    if let Some(before) = before.as_ref().filter(|_| !arguments.again) {
        let what = format!("is sealed since {}, code {}", before.seal.at.second(), before.code);
        return refused(what, "add --again to replace that seal; the new one names the old one's code");
    }
    let seal = Seal::gather(path, now, before.map(|before| before.code))?;
    let text = seal.to_text();
    disk::replace(&target, text.as_bytes())?;
    print!("{}", line("Sealed", &now.second()));
    print!("{}", line("Seal", &target.display().to_string()));
    print!("{}", line("Code", &card::code(text.as_bytes())));
    if seal.map.is_none() {
        print!("{}", line("", "the card names no map, so the map is not sealed"));
    }
    let named = card.runs.iter().map(|(_, folder)| folder).chain(&arguments.into);
    let mut outcome = Outcome::Done;
    for run in named {
        match copy(run, &text, &runs) {
            Ok(true) => print!("{}", line("Copied into", &run.display().to_string())),
            Ok(false) => {}
            Err(fault) => {
                eprintln!("{fault}");
                outcome = Outcome::WithFaults;
            }
        }
    }
    Ok(outcome)
}

/// Puts a copy into a run that is being recorded or whose counted start lies ahead; whether it did.
fn copy(run: &Path, text: &str, finished: &[Finished]) -> Result<bool, Fault> {
    // A finished run is here only where its counted start lies ahead: else nothing would have been sealed.
    if !is_unfinished(run) && !finished.iter().any(|known| known.folder == run) {
        let fault = Fault::whole(run.display().to_string(), "is no run's folder, and gets no copy of the seal");
        return if run.exists() { Err(fault.remedy("name a run that is being recorded")) } else { Ok(false) };
    }
    let target = seals::path_in(run);
    if target.exists() && seals::read(&target).is_err() {
        let fault = Fault::whole(target.display().to_string(), "is there already and is no seal; it stays");
        return Err(fault.remedy("rename the file of that name that the run was made from"));
    }
    disk::replace(&target, text.as_bytes())?;
    Ok(true)
}
