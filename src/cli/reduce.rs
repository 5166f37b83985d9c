//! `drawdown reduce`: a test's card, or runs, to figures, as a table or as JSON.
//!
//! Only calls the reduce room and the sheet.

use std::path::PathBuf;

use super::{Outcome, Units, test};
use crate::quantity::ConsumptionUnit;
use crate::reduce::Options;

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
pub(super) fn window(text: &str) -> Result<(f64, f64), String> {
    let ends = text.split_once('-').and_then(|(from, to)| Some((from.parse().ok()?, to.parse().ok()?)));
    let sound = ends.filter(|(from, to): &(f64, f64)| 0.0 <= *from && from < to && *to <= 100.0);
    sound.ok_or_else(|| "write two percentages, the smaller first: 20-80".into())
}

pub fn run(arguments: &Arguments) -> Outcome {
    let mut options = Options::default();
    if !arguments.at.is_empty() {
        options.checkpoints = arguments.at.iter().copied().map(f64::from).collect();
    }
    if !arguments.charge_window.is_empty() {
        options.charge_windows = arguments.charge_window.clone();
    }
    let test = match test::reduced(&arguments.tests, arguments.card.as_deref(), options) {
        Ok(test) => test,
        Err(outcome) => return outcome,
    };
    if arguments.json {
        print!("{}", test.reduction.to_json());
    } else if arguments.csv {
        print!("{}", crate::sheet::csv(&test.reduction.to_value()));
    } else {
        let units = test.units(arguments.units.map(ConsumptionUnit::from));
        print!("{}", crate::sheet::table(&test.reduction, units));
        if arguments.budget {
            print!("{}", crate::sheet::budgets(&test.reduction, units));
        }
    }
    if test.is_faulty { Outcome::WithFaults } else { Outcome::Done }
}
