//! A test as a command names it, by its card or by run folders: read, reduced, and its seal judged.
//!
//! No command of its own, and computes no figure.

use std::path::{Path, PathBuf};

use super::seals::{self, Finished};
use super::{Outcome, say};
use crate::card::Card;
use crate::course::Course;
use crate::document::Fault;
use crate::quantity::ConsumptionUnit;
use crate::reduce::{self, Options, Reduction, RunInput, Trail};

/// A test, and what is asked of it, as every command takes it.
#[derive(clap::Args)]
pub struct TestArguments {
    /// A test card (TOML), or run folders of one discharge in any order
    #[arg(value_name = "TEST", required_unless_present = "card")]
    tests: Vec<PathBuf>,
    /// The test card (TOML) for the run folders given; without them, for the runs that it names
    #[arg(long, value_name = "FILE")]
    card: Option<PathBuf>,
    /// Checkpoints: displayed states of charge in percent; without it 75, 50, 25, 10 and 0
    #[arg(long, value_name = "PERCENT,...", value_delimiter = ',', value_parser = clap::value_parser!(u8).range(0..=99))]
    at: Vec<u8>,
    /// A window of the state of charge whose charging time is asked for, percent; may be given several times [default: 10-80]
    #[arg(long, value_name = "FROM-TO", value_parser = window)]
    charge_window: Vec<(f64, f64)>,
}

/// A window as written, `20-80`.
fn window(text: &str) -> Result<(f64, f64), String> {
    let ends = text.split_once('-').and_then(|(from, to)| Some((from.parse().ok()?, to.parse().ok()?)));
    let sound = ends.filter(|(from, to): &(f64, f64)| 0.0 <= *from && from < to && *to <= 100.0);
    sound.ok_or_else(|| "write two percentages, the smaller first: 20-80".into())
}

impl TestArguments {
    /// The options that change figures, as they were written: a space before each word.
    pub fn asked(&self) -> String {
        let at: Vec<String> = self.at.iter().map(u8::to_string).collect();
        let at = if at.is_empty() { String::new() } else { format!(" --at {}", at.join(",")) };
        let windows = self.charge_window.iter().map(|(from, to)| format!(" --charge-window {from}-{to}"));
        at + &windows.collect::<String>()
    }

    /// Reads and reduces the test, and says every fault; the error is what the command came to.
    pub fn reduced(&self) -> Result<Reduced, Outcome> {
        reduced(&self.tests, self.card.as_deref(), self.options())
    }

    /// The same, with the drive as it is drawn.
    pub fn reduced_and_traced(&self) -> Result<(Reduced, Trail), Outcome> {
        formed(&self.tests, self.card.as_deref(), self.options(), reduce::reduce_and_trace)
    }

    fn options(&self) -> Options {
        let mut options = Options::default();
        if !self.at.is_empty() {
            options.checkpoints = self.at.iter().copied().map(f64::from).collect();
        }
        if !self.charge_window.is_empty() {
            options.charge_windows = self.charge_window.clone();
        }
        options
    }
}

/// A test, read and reduced.
pub struct Reduced {
    /// The card's file; `None` where run folders alone were named.
    pub path: Option<PathBuf>,
    /// The card.
    pub card: Option<Card>,
    /// The runs' folders.
    pub folders: Vec<PathBuf>,
    /// The runs as read.
    pub runs: Vec<RunInput>,
    /// What was asked for, with the card's course.
    pub options: Options,
    /// The figures, the seal judged.
    pub reduction: Reduction,
    /// Something was wrong with the input and was said.
    pub is_faulty: bool,
}

impl Reduced {
    /// The units of all output: as asked for, else the card's, else the usual ones.
    pub fn units(&self, asked: Option<ConsumptionUnit>) -> ConsumptionUnit {
        asked.or(self.card.as_ref().and_then(|card| card.units)).unwrap_or_default()
    }
}

/// The card and the runs that the arguments name.
fn named(tests: &[PathBuf], card: Option<&Path>) -> Result<(Option<PathBuf>, Vec<PathBuf>), Fault> {
    let is_card = |path: &&PathBuf| path.is_file() || path.extension().is_some_and(|kind| kind == "toml");
    let (cards, runs): (Vec<&PathBuf>, Vec<&PathBuf>) = tests.iter().partition(is_card);
    let mut cards = card.into_iter().chain(cards.into_iter().map(PathBuf::as_path));
    let (first, second) = (cards.next(), cards.next());
    if let Some(second) = second {
        let fault = Fault::whole(second.display().to_string(), "is a second card");
        return Err(fault.remedy("give one test at a time: one card, or one card and run folders"));
    }
    Ok((first.map(Path::to_path_buf), runs.into_iter().cloned().collect()))
}

/// A run that two of some tests have in common: they are no two tests.
pub fn shared_run<'a>(tests: impl Iterator<Item = &'a Reduction>) -> Option<Fault> {
    let name =
        |test: &Reduction| test.card.clone().or(test.runs.first().map(|run| run.name.clone())).unwrap_or_default();
    let mut before: Vec<&Reduction> = Vec::new();
    for test in tests {
        let is_both = |other: &&&Reduction| {
            let has = |run: &str| other.runs.iter().any(|same| same.name == run);
            other.vehicle == test.vehicle && test.runs.iter().any(|run| has(&run.name))
        };
        if let Some(other) = before.iter().find(is_both) {
            let what = format!("has a run in common with {}", name(other));
            return Some(Fault::whole(name(test), what).remedy("give each test once"));
        }
        before.push(test);
    }
    None
}

/// Reads and reduces the test that the arguments name, and says every fault; the error is what the command came to.
pub fn reduced(tests: &[PathBuf], card: Option<&Path>, options: Options) -> Result<Reduced, Outcome> {
    let form = |runs: &[RunInput], card: Option<&Card>, options: &Options| (reduce::reduce(runs, card, options), ());
    formed(tests, card, options, form).map(|(test, ())| test)
}

/// Reads a test and forms its figures, and what else `form` gives.
fn formed<T>(
    tests: &[PathBuf],
    card: Option<&Path>,
    mut options: Options,
    form: impl FnOnce(&[RunInput], Option<&Card>, &Options) -> (Reduction, T),
) -> Result<(Reduced, T), Outcome> {
    let (path, mut folders) = named(tests, card).map_err(|fault| say::not_done(&fault))?;
    let mut is_faulty = false;
    let mut card = None;
    if let Some(path) = &path {
        let (read, faults) = Card::load(path);
        is_faulty |= say::faults(&faults);
        let read = read.ok_or(Outcome::NotDone)?;
        if folders.is_empty() {
            folders = read.runs.iter().map(|(_, folder)| folder.clone()).collect();
        }
        if folders.is_empty() {
            let fault = Fault::whole(path.display().to_string(), "names no run");
            let remedy = "add runs = [\"DATA/vehicle=NAME/run=NAME\"], or name run folders too";
            return Err(say::not_done(&fault.remedy(remedy)));
        }
        card = Some(read);
    }
    let loaded = reduce::load::counted(&folders, card.as_ref());
    is_faulty |= say::faults(&loaded.faults);
    if loaded.runs.is_empty() {
        return Err(Outcome::NotDone);
    }
    if let Some(path) = card.as_ref().and_then(|card| card.course.as_deref()) {
        let (course, faults) = Course::load(path);
        is_faulty |= say::faults(&faults);
        options.course = course;
    }
    let (mut reduction, beside) = form(&loaded.runs, card.as_ref(), &options);
    if let Some(path) = &path {
        let finished: Vec<Finished> = folders.iter().filter_map(|folder| Finished::load(folder).ok()).collect();
        let (verdict, said) = seals::judged(path, &finished, reduction.counted.map(|(start, _)| start));
        reduction.seal = Some(verdict);
        reduction.problems.extend(said);
    }
    Ok((Reduced { path, card, folders, runs: loaded.runs, options, reduction, is_faulty }, beside))
}
