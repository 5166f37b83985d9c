//! `drawdown sheet`: a test as one HTML file to publish, and its plots as pictures.
//!
//! Only reads what the sheet needs, calls it, and writes; forms no figure.

use std::path::{Path, PathBuf};

use super::output::{self, Output};
use super::test::{Reduced, TestArguments};
use super::{Outcome, Units, say};
use crate::card::Card;
use crate::digest::Hasher;
use crate::document::{Document, Fault};
use crate::quantity::ConsumptionUnit;
use crate::reduce::Trail;
use crate::sheet::page::{FileOf, Input, Publish, page};
use crate::sheet::plot::{self, Plot};
use crate::store::run_file::RunFile;
use crate::store::{digest, disk};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown sheet test.toml -o sheet.html\n  \
    drawdown sheet test.toml -o sheet.html --replace --units mi-per-kwh\n  \
    drawdown sheet DATA/vehicle=heron/run=20270314T061502Z -o - > sheet.html\n  \
    drawdown sheet test.toml -o sheet.html --png plots\n\n\
    The file needs nothing else: plots are in it, nothing is loaded, nothing runs. It names no place, and coordinates and \
    vehicle identification numbers in anyone's words are taken out, unless you ask for them.\n\
    Exit status: 0 done; 1 done, but something was wrong with the input and was said; 2 not done.")]
pub struct Arguments {
    #[command(flatten)]
    test: TestArguments,
    /// Where the sheet is written; `-` is standard output
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Replace a file that is there already
    #[arg(long)]
    replace: bool,
    /// Write each plot as a PNG into this folder too, NAME.png: what is posted where a page cannot be
    #[arg(long, value_name = "FOLDER")]
    png: Option<PathBuf>,
    /// How wide those pictures are, pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1600, requires = "png", value_parser = clap::value_parser!(u32).range(200..=8000))]
    png_width: u32,
    /// The unit of energy per distance; distances follow it; without it the card's, else Wh/km
    #[arg(long, value_enum)]
    units: Option<Units>,
    /// Name the places of the course too, and leave coordinates where someone wrote them
    #[arg(long)]
    positions: bool,
    /// Leave vehicle identification numbers where someone wrote one
    #[arg(long)]
    vehicle_numbers: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let (test, trail) = match arguments.test.reduced_and_traced() {
        Ok(formed) => formed,
        Err(outcome) => return outcome,
    };
    match write(&test, &trail, arguments) {
        Ok(()) if test.is_faulty => Outcome::WithFaults,
        Ok(()) => Outcome::Done,
        Err(fault) => say::not_done(&fault),
    }
}

/// Forms everything before the first byte is written.
fn write(test: &Reduced, trail: &Trail, arguments: &Arguments) -> Result<(), Fault> {
    let units = test.units(arguments.units.map(ConsumptionUnit::from));
    let publish = Publish { positions: arguments.positions, vehicle_numbers: arguments.vehicle_numbers };
    let plots = plot::plots(&test.reduction, trail, units);
    let plots: Vec<Plot> = plots.iter().map(|plot| publish.plot(plot)).collect();
    let text = sheet(test, &arguments.test.asked(), &plots, units, publish)?;
    if let Some(folder) = &arguments.png {
        if folder.exists() && !folder.is_dir() {
            let fault = Fault::whole(folder.display().to_string(), "is a file");
            return Err(fault.remedy("name a folder for the pictures"));
        }
        disk::create_folder(folder)?;
    }
    let mut files = Vec::new();
    for plot in arguments.png.iter().flat_map(|_| &plots) {
        let name = format!("{}.png", plot.name);
        let png = plot::png(plot, arguments.png_width).map_err(|error| Fault::whole(&*name, error.to_string()))?;
        files.push((arguments.png.iter().map(|folder| folder.join(&name)).collect::<PathBuf>(), png));
    }
    files.push((arguments.output.clone(), text.into_bytes()));
    let free = |(path, _): &(PathBuf, Vec<u8>)| match Output::of(path) {
        Output::File(path) => output::is_free(&path, arguments.replace),
        Output::Standard => Ok(()),
    };
    files.iter().try_for_each(free)?;
    for (path, bytes) in &files {
        output::write_bytes(&Output::of(path), arguments.replace, bytes)?;
        if Output::of(&arguments.output) != Output::Standard {
            println!("{}", path.display());
        }
    }
    Ok(())
}

fn sheet(
    test: &Reduced,
    asked: &str,
    plots: &[Plot],
    units: ConsumptionUnit,
    publish: Publish,
) -> Result<String, Fault> {
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
    let course = test.options.course.as_ref().filter(|_| publish.positions);
    let places: Vec<String> = course.iter().flat_map(|course| &course.places).map(|place| place.name.clone()).collect();
    Ok(page(&Input {
        value: &test.reduction.to_value(),
        card: card.as_deref(),
        asked,
        faults: &faults,
        runs: &runs_of(test),
        files: &files,
        places: &places,
        plots,
        units,
        publish,
    }))
}

/// The `run.json` of each run that took part, in the figures' order.
fn runs_of(test: &Reduced) -> Vec<RunFile> {
    // A folder that could not be read was said, and took no part.
    let mut runs: Vec<RunFile> = test.folders.iter().filter_map(|folder| RunFile::load(folder).ok()).collect();
    let place = |run: &RunFile| test.reduction.runs.iter().position(|line| line.name == run.run);
    runs.retain(|run| place(run).is_some());
    runs.sort_by_key(place);
    runs
}

fn file_of(what: &'static str, path: &Path) -> Result<FileOf, Fault> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let (_, digest) = digest(path, Hasher::sha256())?;
    Ok(FileOf { what, name, digest })
}
