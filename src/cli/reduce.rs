//! `drawdown reduce`: a test's card, or runs, to figures, as a table or as JSON.
//!
//! Only calls the reduce room and the sheet.

use std::path::{Path, PathBuf};

use super::seals::{self, Finished};
use super::{Outcome, Units, say};
use crate::card::Card;
use crate::course::Course;
use crate::document::Fault;
use crate::quantity::ConsumptionUnit;
use crate::reduce::{self, Options};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown reduce test.toml\n  \
    drawdown reduce DATA/vehicle=heron/run=20270314T061502Z\n  \
    drawdown reduce MORNING EVENING --card test.toml --units mi-per-kwh\n  \
    drawdown reduce test.toml --at 80,60,40,20,0\n  \
    drawdown reduce test.toml --budget\n  \
    drawdown reduce test.toml --csv > figures.csv\n  \
    drawdown reduce RUN --json | jq .usable_capacity.kwh")]
pub struct Arguments {
    /// A test card (TOML), or run folders of one discharge in any order
    #[arg(value_name = "TEST", required_unless_present = "card")]
    tests: Vec<PathBuf>,
    /// The test card (TOML) for the run folders given; without them, for the runs that it names
    #[arg(long, value_name = "FILE")]
    card: Option<PathBuf>,
    /// The unit of energy per distance; distances follow it; without it the card's, else Wh/km
    #[arg(long, value_enum)]
    units: Option<Units>,
    /// A window of the state of charge whose charging time is asked for, percent; may be given several times [default: 10-80]
    #[arg(long, value_name = "FROM-TO", value_parser = window)]
    charge_window: Vec<(f64, f64)>,
    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
    /// Print CSV instead of a table: one figure a line
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// Print the uncertainty budget of each chief figure below the table: every source, what it adds, and of what kind it is
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    budget: bool,
    /// Checkpoints: displayed states of charge in percent; without it 75, 50, 25, 10 and 0
    #[arg(long, value_name = "PERCENT,...", value_delimiter = ',', value_parser = clap::value_parser!(u8).range(0..=99))]
    at: Vec<u8>,
}

/// A window as written, `20-80`.
fn window(text: &str) -> Result<(f64, f64), String> {
    let ends = text.split_once('-').and_then(|(from, to)| Some((from.parse().ok()?, to.parse().ok()?)));
    let sound = ends.filter(|(from, to): &(f64, f64)| 0.0 <= *from && from < to && *to <= 100.0);
    sound.ok_or_else(|| "write two percentages, the smaller first: 20-80".into())
}

/// The card and the runs that the arguments name.
fn named(arguments: &Arguments) -> Result<(Option<&Path>, Vec<PathBuf>), Fault> {
    let is_card = |path: &&PathBuf| path.is_file() || path.extension().is_some_and(|kind| kind == "toml");
    let (cards, runs): (Vec<&PathBuf>, Vec<&PathBuf>) = arguments.tests.iter().partition(is_card);
    let mut cards = arguments.card.iter().chain(cards);
    let (first, second) = (cards.next(), cards.next());
    if let Some(second) = second {
        let fault = Fault::whole(second.display().to_string(), "is a second card");
        return Err(fault.remedy("reduce one test at a time: one card, or one card and run folders"));
    }
    Ok((first.map(PathBuf::as_path), runs.into_iter().cloned().collect()))
}

pub fn run(arguments: &Arguments) -> Outcome {
    let (path, mut folders) = match named(arguments) {
        Ok(named) => named,
        Err(fault) => return say::not_done(&fault),
    };
    let mut faulty = false;
    let mut card = None;
    if let Some(path) = path {
        let (read, faults) = Card::load(path);
        faulty |= say::faults(&faults);
        let Some(read) = read else { return Outcome::NotDone };
        if folders.is_empty() {
            folders = read.runs.iter().map(|(_, folder)| folder.clone()).collect();
        }
        if folders.is_empty() {
            let fault = Fault::whole(path.display().to_string(), "names no run");
            return say::not_done(
                &fault.remedy("add runs = [\"DATA/vehicle=NAME/run=NAME\"], or name run folders too"),
            );
        }
        card = Some(read);
    }
    let loaded = reduce::load::counted(&folders, card.as_ref());
    faulty |= say::faults(&loaded.faults);
    if loaded.runs.is_empty() {
        return Outcome::NotDone;
    }
    let mut options = Options::default();
    if !arguments.at.is_empty() {
        options.checkpoints = arguments.at.iter().copied().map(f64::from).collect();
    }
    if !arguments.charge_window.is_empty() {
        options.charge_windows = arguments.charge_window.clone();
    }
    if let Some(path) = card.as_ref().and_then(|card| card.course.as_deref()) {
        let (course, faults) = Course::load(path);
        faulty |= say::faults(&faults);
        options.course = course;
    }
    let mut reduction = reduce::reduce(&loaded.runs, card.as_ref(), &options);
    if let Some(path) = path {
        let finished: Vec<Finished> = folders.iter().filter_map(|folder| Finished::load(folder).ok()).collect();
        let (verdict, said) = seals::judged(path, &finished, reduction.counted.map(|(start, _)| start));
        reduction.seal = Some(verdict);
        reduction.problems.extend(said);
    }
    if arguments.json {
        print!("{}", reduction.to_json());
    } else if arguments.csv {
        print!("{}", crate::sheet::csv(&reduction.to_value()));
    } else {
        let of_card = card.as_ref().and_then(|card| card.units);
        let units = arguments.units.map(ConsumptionUnit::from).or(of_card).unwrap_or_default();
        print!("{}", crate::sheet::table(&reduction, units));
        if arguments.budget {
            print!("{}", crate::sheet::budgets(&reduction, units));
        }
    }
    if faulty { Outcome::WithFaults } else { Outcome::Done }
}
