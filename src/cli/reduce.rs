//! `drawdown reduce`: runs to figures, as a table or as JSON.
//!
//! Only calls the reduce room and the sheet.

use std::path::PathBuf;

use super::{Outcome, Units, say};
use crate::card::Card;
use crate::quantity::ConsumptionUnit;
use crate::reduce::{self, Options};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown reduce DATA/vehicle=heron/run=20270314T061502Z\n  \
    drawdown reduce MORNING EVENING --card test.toml --units mi-per-kwh\n  \
    drawdown reduce RUN --json | jq .usable_capacity.kwh")]
pub struct Arguments {
    /// Run folders of one discharge, in any order
    #[arg(value_name = "RUN", required_unless_present = "card")]
    runs: Vec<PathBuf>,
    /// The test card (TOML); without RUN, the runs are those that it names
    #[arg(long, value_name = "FILE")]
    card: Option<PathBuf>,
    /// The unit of energy per distance; distances follow it; without it the card's, else Wh/km
    #[arg(long, value_enum)]
    units: Option<Units>,
    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let mut faulty = false;
    let mut card = None;
    if let Some(path) = &arguments.card {
        let (read, faults) = Card::load(path);
        faulty |= say::faults(&faults);
        let Some(read) = read else { return Outcome::NotDone };
        card = Some(read);
    }
    let folders = match &card {
        Some(card) if arguments.runs.is_empty() => card.runs.iter().map(|(_, folder)| folder.clone()).collect(),
        _ => arguments.runs.clone(),
    };
    let loaded = reduce::load::runs(&folders);
    faulty |= say::faults(&loaded.faults);
    if loaded.runs.is_empty() {
        return Outcome::NotDone;
    }
    let reduction = reduce::reduce(&loaded.runs, card.as_ref(), &Options::default());
    if arguments.json {
        print!("{}", reduction.to_json());
    } else {
        let of_card = card.as_ref().and_then(|card| card.units);
        let units = arguments.units.map(ConsumptionUnit::from).or(of_card).unwrap_or_default();
        print!("{}", crate::sheet::table(&reduction, units));
    }
    if faulty { Outcome::WithFaults } else { Outcome::Done }
}
