//! `drawdown trend`: several tests' cards of one car to the trend of its usable energy and charge.
//!
//! Only calls the reduce room and the sheet.

use std::path::{Path, PathBuf};

use super::{Outcome, say, test};
use crate::document::Fault;
use crate::reduce::trend::{Test, trend};
use crate::reduce::{self, Options, Reduction};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown trend spring.toml autumn.toml\n  \
    drawdown trend tests/*.toml --json | jq .energy.per_year.slope")]
pub struct Arguments {
    /// Test cards (TOML) of one car, in any order; each names its runs
    #[arg(value_name = "CARD", required = true)]
    cards: Vec<PathBuf>,
    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
}

/// A test reduced, with the odometer at its start, m.
fn reduced(path: &Path, faulty: &mut bool) -> Result<(Reduction, Option<f64>), Outcome> {
    let test = test::reduced(&[], Some(path), Options::default())?;
    *faulty |= test.is_faulty;
    let first = test.runs.iter().min_by_key(|run| run.start);
    let odometer = first.and_then(|run| run.summary.odometer).map(|(first, _)| first);
    Ok((test.reduction, odometer))
}

pub fn run(arguments: &Arguments) -> Outcome {
    let mut faulty = false;
    let mut tests: Vec<(Reduction, Option<f64>)> = Vec::new();
    for path in &arguments.cards {
        match reduced(path, &mut faulty) {
            Ok(test) => tests.push(test),
            Err(outcome) => return outcome,
        }
    }
    let vehicle = tests.first().map(|(test, _)| test.vehicle.clone()).unwrap_or_default();
    if let Some((other, _)) = tests.iter().find(|(test, _)| test.vehicle != vehicle) {
        let what = format!("is of vehicle {}, the first test of {vehicle}", other.vehicle);
        let name = other.card.clone().unwrap_or_default();
        return say::not_done(&Fault::whole(name, what).remedy("give the tests of one car"));
    }
    if let Some(fault) = test::shared_run(tests.iter().map(|(test, _)| test)) {
        return say::not_done(&fault);
    }
    let of = |charge: bool| {
        let test = |(test, odometer): &(Reduction, Option<f64>)| {
            let usable = if charge { &test.usable.charge } else { &test.usable.energy };
            Some(Test {
                name: test.card.clone().unwrap_or_default(),
                at: test.counted.map(|(start, _)| start),
                odometer: *odometer,
                value: usable.clone()?,
            })
        };
        trend(&tests.iter().filter_map(test).collect::<Vec<_>>())
    };
    let (energy, charge) = (of(false), of(true));
    for (test, _) in tests.iter().filter(|(test, _)| test.usable.energy.is_none()) {
        let name = test.card.clone().unwrap_or_default();
        let fault = Fault::whole(name, format!("usable capacity is not measured: {}", test.usable.why));
        faulty |= say::faults(&[fault]);
    }
    if energy.tests.is_empty() {
        return Outcome::NotDone;
    }
    if arguments.json {
        print!("{}", reduce::json::trend(&vehicle, &energy, &charge));
    } else {
        print!("{}", crate::sheet::trend(&vehicle, &energy, &charge));
    }
    if faulty { Outcome::WithFaults } else { Outcome::Done }
}
