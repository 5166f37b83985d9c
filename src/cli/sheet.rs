//! `drawdown sheet`: a test as one HTML file to publish, and its plots as pictures.
//!
//! Only reads what the sheet needs, calls it, and writes; forms no figure.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::test::Reduced;
use super::{Outcome, Units, say, test};
use crate::card::Card;
use crate::document::{Document, Fault};
use crate::quantity::ConsumptionUnit;
use crate::reduce::Options;
use crate::sheet::page::{FileOf, Input, Publish, page};
use crate::store::run_file::RunFile;
use crate::store::{disk, sha256};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown sheet test.toml -o sheet.html\n  \
    drawdown sheet test.toml -o sheet.html --replace --units mi-per-kwh\n  \
    drawdown sheet DATA/vehicle=heron/run=20270314T061502Z -o - > sheet.html\n\n\
    The file needs nothing else: plots are in it, nothing is loaded, nothing runs. It names no position and no place, and a\n\
    vehicle identification number in anyone's words is taken out, unless you ask for them.")]
pub struct Arguments {
    /// A test card (TOML), or run folders of one discharge in any order
    #[arg(value_name = "TEST", required_unless_present = "card")]
    tests: Vec<PathBuf>,
    /// The test card (TOML) for the run folders given; without them, for the runs that it names
    #[arg(long, value_name = "FILE")]
    card: Option<PathBuf>,
    /// Where the sheet is written; `-` is standard output
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Replace a file that is there already
    #[arg(long)]
    replace: bool,
    /// The unit of energy per distance; distances follow it; without it the card's, else Wh/km
    #[arg(long, value_enum)]
    units: Option<Units>,
    /// Name the places of the course too
    #[arg(long)]
    positions: bool,
    /// Leave vehicle identification numbers where someone wrote one
    #[arg(long)]
    vehicle_numbers: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let test = match test::reduced(&arguments.tests, arguments.card.as_deref(), Options::default()) {
        Ok(test) => test,
        Err(outcome) => return outcome,
    };
    let done = sheet(&test, arguments).and_then(|text| write(arguments, text.as_bytes()));
    match done {
        Ok(()) if test.is_faulty => Outcome::WithFaults,
        Ok(()) => Outcome::Done,
        Err(fault) => say::not_done(&fault),
    }
}

fn sheet(test: &Reduced, arguments: &Arguments) -> Result<String, Fault> {
    let units = test.units(arguments.units.map(ConsumptionUnit::from));
    let mut files = Vec::new();
    let mut card = None;
    let mut faults = Vec::new();
    if let Some(path) = &test.path {
        files.push(file_of("test card", path)?);
        card = Some(Document::read(path)?.text);
        // The same card was read a moment ago and its faults were said; a sheet says them too, without where the card lies.
        faults = Card::load(path).1.iter().map(|fault| fault.what.clone()).collect();
    }
    if let Some(course) = test.card.as_ref().and_then(|card| card.course.as_deref()) {
        files.push(file_of("course", course)?);
    }
    let runs: Vec<RunFile> = runs_of(test)?;
    let places = test.options.course.as_ref().filter(|_| arguments.positions);
    let places: Vec<String> =
        places.map(|course| course.places.iter().map(|place| place.name.clone()).collect()).unwrap_or_default();
    Ok(page(&Input {
        value: &test.reduction.to_value(),
        card: card.as_deref(),
        faults: &faults,
        runs: &runs,
        files: &files,
        places: &places,
        plots: &[],
        units,
        publish: Publish { vehicle_numbers: arguments.vehicle_numbers },
    }))
}

/// The `run.json` of each run that took part, in the figures' order.
fn runs_of(test: &Reduced) -> Result<Vec<RunFile>, Fault> {
    let mut runs = Vec::new();
    for folder in &test.folders {
        // A folder that could not be read was said, and took no part.
        if let Ok(run) = RunFile::load(folder) {
            runs.push(run);
        }
    }
    let place = |run: &RunFile| test.reduction.runs.iter().position(|line| line.name == run.run);
    runs.retain(|run| place(run).is_some());
    runs.sort_by_key(place);
    Ok(runs)
}

fn file_of(what: &'static str, path: &Path) -> Result<FileOf, Fault> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let (_, sha256) = sha256(path)?;
    Ok(FileOf { what, name, sha256 })
}

/// Writes all of it or nothing.
fn write(arguments: &Arguments, bytes: &[u8]) -> Result<(), Fault> {
    let path = &arguments.output;
    if path.as_os_str() == "-" {
        let mut out = std::io::stdout().lock();
        return out.write_all(bytes).and_then(|()| out.flush()).map_err(|error| Fault::io(path, "write", &error));
    }
    if path.exists() && !arguments.replace {
        let fault = Fault::whole(path.display().to_string(), "is there already");
        return Err(fault.remedy("name another file, or give --replace"));
    }
    // A bare name lies in the folder one is in, which has no name of its own to be synced by.
    let whole = if path.parent() == Some(Path::new("")) { Path::new(".").join(path) } else { path.clone() };
    disk::replace(&whole, bytes)?;
    println!("{}", path.display());
    Ok(())
}
