//! `drawdown compare`: several tests against each other, figure by figure, as a table, JSON or a page.
//!
//! Only calls the reduce room and the sheet.

use std::path::{Path, PathBuf};

use super::output::{self, Output};
use super::test::Reduced;
use super::{Outcome, Units, progress, say, test};
use crate::document::Fault;
use crate::quantity::ConsumptionUnit;
use crate::reduce;
use crate::reduce::compare::{Comparison, Facts, Options, Reason, Test, compare};
use crate::sheet::page::Publish;
use crate::store::run_file::RunFile;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown compare heron.toml wren.toml\n  \
    drawdown compare heron-monday.toml heron-tuesday.toml wren.toml finch.toml\n  \
    drawdown compare heron.toml wren.toml -o compare.html\n  \
    drawdown compare monday.toml tuesday.toml --each\n  \
    drawdown compare heron.toml wren.toml --despite wet-road,wind\n  \
    drawdown compare *.toml --json | jq '.figures[].pairs[] | {a, b, verdict}'\n\n\
    Tests of one car that was set up and driven alike are repeats: their mean stands for the car, and their scatter tells the \
    spread from day to day. What is not alike is refused for the figures that it concerns, with the reason; --despite compares \
    it all the same, and says so.\n\n\
    Exit status: 0 compared; 1 compared, but a pair was refused or something was wrong with the input; 2 nothing compared.")]
pub struct Arguments {
    /// Tests, each a test card (TOML) or a run folder
    #[arg(value_name = "TEST", required = true)]
    tests: Vec<PathBuf>,
    /// Compare all the same what is refused for these reasons
    #[arg(long, value_name = "REASON,...", value_delimiter = ',',
        value_parser = clap::builder::PossibleValuesParser::new(Reason::ALL.iter().map(|reason| reason.key())))]
    despite: Vec<String>,
    /// Compare test by test; without it a car's repeats count as one
    #[arg(long)]
    each: bool,
    /// The unit of energy per distance; distances follow it; without it the first card's, else Wh/km
    #[arg(long, value_enum)]
    units: Option<Units>,
    /// Write a page to publish (HTML) too; `-` is standard output, then without the table
    #[arg(short, long, value_name = "FILE", conflicts_with = "json")]
    output: Option<PathBuf>,
    /// Replace a file that is there already
    #[arg(long, requires = "output")]
    replace: bool,
    /// Leave vehicle identification numbers in the page where someone wrote one
    #[arg(long, requires = "output")]
    vehicle_numbers: bool,
    /// Print JSON instead of a table
    #[arg(long)]
    json: bool,
}

/// A name for a test: its card's, without the ending, else its first run's.
fn name(test: &Reduced) -> String {
    let stem = |path: &Path| path.file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let run = || test.reduction.runs.first().map(|run| run.name.clone());
    test.path.as_deref().and_then(stem).or_else(run).unwrap_or_default()
}

/// Names of their own: tests of one name are numbered.
fn names(tests: &[Reduced]) -> Vec<String> {
    let all: Vec<String> = tests.iter().map(name).collect();
    let numbered = |(at, name): (usize, &String)| {
        let before = all[..at].iter().filter(|other| *other == name).count();
        let several = before > 0 || all[at + 1..].contains(name);
        if several { format!("{name} {}", before + 1) } else { name.clone() }
    };
    all.iter().enumerate().map(numbered).collect()
}

/// Whether an invented car drove it, as far as its runs say: recordings that a rehearsal wrote to a file don't tell.
fn is_rehearsal(test: &Reduced) -> bool {
    test.folders.iter().any(|folder| RunFile::load(folder).is_ok_and(|run| run.is_rehearsal()))
}

pub fn run(arguments: &Arguments) -> Outcome {
    let mut faulty = false;
    let mut tests: Vec<Reduced> = Vec::new();
    let bar = progress::things(arguments.tests.len());
    for path in &arguments.tests {
        bar.set_message(path.display().to_string());
        bar.tick();
        let read = bar.suspend(|| test::reduced(std::slice::from_ref(path), None, reduce::Options::default()));
        bar.inc(1);
        match read {
            Ok(test) => {
                faulty |= test.is_faulty;
                tests.push(test);
            }
            // Said already; the others may still be compared.
            Err(_) => faulty = true,
        }
    }
    bar.finish_and_clear();
    if let Some(fault) = test::shared_run(tests.iter().map(|test| &test.reduction)) {
        return say::not_done(&fault);
    }
    if tests.len() < 2 {
        let what = format!("there is nothing to compare: {} test could be read", tests.len());
        let what = what.replace("0 test ", "no test ");
        return say::not_done(&Fault::whole("compare", what).remedy("name at least two tests"));
    }
    let compared: Vec<Test> = tests
        .iter()
        .zip(names(&tests))
        .map(|(test, name)| {
            let course = test.options.course.as_ref();
            let facts = Facts::of(&name, &test.reduction, test.card.as_ref(), course, is_rehearsal(test));
            Test::of(facts, &test.reduction)
        })
        .collect();
    let despite = arguments.despite.iter().filter_map(|key| Reason::from_key(key)).collect();
    let comparison = compare(&compared, &Options { despite, each: arguments.each });
    let units = tests[0].units(arguments.units.map(ConsumptionUnit::from));
    let is_any = comparison.is_any_compared();
    if let Some(path) = arguments.output.as_ref().filter(|_| is_any)
        && let Err(fault) = write(&comparison, units, path, arguments)
    {
        return say::not_done(&fault);
    }
    if arguments.json {
        print!("{}", reduce::json::compare(&comparison));
    } else if !is_any || arguments.output.as_deref() != Some(Path::new("-")) {
        // Where nothing is compared the table says why, and no page is written.
        print!("{}", crate::sheet::compare(&comparison, units));
    }
    match (is_any, comparison.is_any_refused() || faulty) {
        (false, _) => Outcome::NotDone,
        (true, true) => Outcome::WithFaults,
        (true, false) => Outcome::Done,
    }
}

/// Writes the page, whole or not at all.
fn write(comparison: &Comparison, units: ConsumptionUnit, path: &Path, arguments: &Arguments) -> Result<(), Fault> {
    let publish = Publish { vehicle_numbers: arguments.vehicle_numbers, ..Publish::default() };
    let page = crate::sheet::compare::page(comparison, units, publish);
    output::write_bytes(&Output::of(path), arguments.replace, page.as_bytes())
}
