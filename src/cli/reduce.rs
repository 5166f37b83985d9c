//! `drawdown reduce`: a test's card, or runs, to figures, as a table or as JSON.
//!
//! Only calls the reduce room and the sheet.

use super::test::TestArguments;
use super::{Outcome, Units};
use crate::quantity::ConsumptionUnit;

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
    #[command(flatten)]
    test: TestArguments,
    /// The unit of energy per distance; distances follow it; without it the card's, else Wh/km
    #[arg(long, value_enum)]
    units: Option<Units>,
    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
    /// Print CSV instead of a table: one figure a line
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// Print the uncertainty budget of each chief figure below the table: every source, what it adds, and of what kind it is
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    budget: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let test = match arguments.test.reduced() {
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
