//! `drawdown export`: a test's figures as CSV or Parquet, and its drive as a GPX track.
//!
//! Only calls the reduce room, the sheet and the store. Computes no figure.

use std::path::{Path, PathBuf};

use super::bundle::{scrub, trim};
use super::output::{self, Output};
use super::test::{Reduced, TestArguments};
use super::{Outcome, say};
use crate::document::Fault;
use crate::format;
use crate::quantity::Metre;
use crate::reduce::json;
use crate::reduce::placed::{self, Placed};
use crate::sheet::page::Publish;
use crate::sheet::{figures, gpx};
use crate::store::run_file::RunFile;
use crate::store::trim::{self as ends, Window};

#[derive(clap::Args)]
#[command(
    after_help = "The CSV has one figure a line, number, interval and unit in columns of their own; Parquet has the same columns. \
    Positions leave this computer in the GPX track alone, and there without the way around start and end of every run. Vehicle \
    numbers are taken out of all names and notes.\n\n\
    Examples:\n  \
    drawdown export test.toml --figures figures.csv\n  \
    drawdown export test.toml --figures figures.parquet --gpx drive.gpx\n  \
    drawdown export test.toml --gpx drive.gpx --trim-km 3 --replace\n  \
    drawdown export RUN --figures - | grep usable_capacity\n\n\
    Exit status: 0 done; 1 done, but something was wrong with the input; 2 not done."
)]
pub struct Arguments {
    #[command(flatten)]
    test: TestArguments,
    /// Write the figures: a .csv or .parquet file, or - for CSV on standard output
    #[arg(long, value_name = "FILE", required_unless_present = "gpx")]
    figures: Option<PathBuf>,
    /// Write the drive with its positions: a .gpx file, or - for standard output
    #[arg(long, value_name = "FILE")]
    gpx: Option<PathBuf>,
    /// How much of the way around start and end of every run is trimmed from the track, km; 0 trims nothing
    #[arg(long, value_name = "KM", default_value_t = 1.0, value_parser = trim, requires = "gpx")]
    trim_km: f64,
    /// Replace files that are there
    #[arg(long)]
    replace: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    if let Err(fault) = refused(arguments) {
        return say::not_done(&fault);
    }
    let test = match arguments.test.reduced() {
        Ok(test) => test,
        Err(outcome) => return outcome,
    };
    // What may be refused for want of positions comes first, so that nothing is written then.
    let track = arguments.gpx.as_ref().map(|path| gpx_to(path, arguments, &test)).transpose();
    let done = track
        .and_then(|_| arguments.figures.as_ref().map(|path| figures_to(path, arguments.replace, &test)).transpose());
    match done {
        Ok(_) if test.is_faulty => Outcome::WithFaults,
        Ok(_) => Outcome::Done,
        Err(fault) => say::not_done(&fault),
    }
}

/// What is wrong with the files named, before anything is computed.
fn refused(arguments: &Arguments) -> Result<(), Fault> {
    let named: Vec<&PathBuf> = arguments.figures.iter().chain(&arguments.gpx).collect();
    if let [figures, gpx] = &named[..]
        && figures == gpx
    {
        let fault = Fault::whole(figures.display().to_string(), "is named for both figures and track");
        return Err(fault.remedy("name two files"));
    }
    for path in named {
        if let Output::File(path) = Output::of(path) {
            output::is_free(&path, arguments.replace)?;
        }
    }
    arguments.figures.as_deref().map(kind).transpose().map(drop)
}

/// Whether figures go into Parquet, else into CSV.
fn kind(path: &Path) -> Result<bool, Fault> {
    let extension = path.extension().map(|extension| extension.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("parquet") => Ok(true),
        Some("csv") => Ok(false),
        None if path.as_os_str() == "-" => Ok(false),
        _ => {
            let fault = Fault::whole(path.display().to_string(), "its name does not say in which form");
            Err(fault.remedy("end it in .csv or .parquet"))
        }
    }
}

fn figures_to(path: &Path, replace: bool, test: &Reduced) -> Result<(), Fault> {
    let json = test.reduction.to_value();
    let mut rows = figures::rows(&json);
    rows.iter_mut().for_each(|row| row.text = Publish::default().text(&row.text));
    let to = Output::of(path);
    if kind(path)? {
        let about = vec![
            ("vehicle", scrub(&test.reduction.vehicle)),
            ("runs", test.reduction.runs.iter().map(|run| &*run.name).collect::<Vec<_>>().join(" ")),
            ("card", scrub(&test.reduction.card.clone().unwrap_or_default())),
            ("figures_schema", json::SCHEMA.to_string()),
            ("program", concat!("drawdown ", env!("CARGO_PKG_VERSION")).to_owned()),
        ];
        output::write(&to, replace, |place| Ok(crate::store::figures::write(place, &rows, about)?))?;
    } else {
        output::write_bytes(&to, replace, figures::csv(&rows).as_bytes())?;
    }
    said(path)
}

fn gpx_to(path: &Path, arguments: &Arguments, test: &Reduced) -> Result<(), Fault> {
    let (points, runs) = placed::of(&test.runs, test.card.as_ref(), &test.options);
    if points.is_empty() {
        let fault = Fault::whole("the test", "holds no positions");
        return Err(fault
            .remedy("name the runs as recorded, with a satellite receiver (docs/position.md), not those of a bundle"));
    }
    let mut windows: Vec<Window> = vec![Window::NOTHING; runs.len()];
    for folder in &test.folders {
        let Ok(file) = RunFile::load(folder) else { continue };
        if let Some(at) = runs.iter().position(|run| *run == file.run) {
            windows[at] = ends::window(folder, arguments.trim_km * 1e3)?;
        }
    }
    let inside = |point: &&Placed| windows[point.run].holds((point.t * 1e6).round() as i64);
    let told: Vec<Placed> = points.iter().filter(inside).copied().collect();
    if told.is_empty() {
        let km = arguments.trim_km;
        let fault =
            Fault::whole("the track", format!("is empty: no run is longer than twice the {km} km that are trimmed"));
        return Err(fault.remedy("trim less with --trim-km"));
    }
    let lines = gpx::thinned(&told);
    let about = match arguments.trim_km {
        0.0 => "Energy, distance and state of charge so far beside each point.".to_owned(),
        km => format!(
            "Energy, distance and state of charge so far beside each point. The first and the last {km} km of every run are \
             left out; their energy and distance are in the sums."
        ),
    };
    let name = test.card.as_ref().and_then(|card| card.label.clone()).unwrap_or_else(|| test.reduction.vehicle.clone());
    let text = gpx::gpx(&scrub(&name), &about, &lines);
    output::write_bytes(&Output::of(path), arguments.replace, text.as_bytes())?;
    let kept: usize = lines.iter().map(Vec::len).sum();
    let (all, kept) = (format::count(points.len() as u64), format::count(kept as u64));
    let trimmed = format::way(Metre(arguments.trim_km * 1e3).0, false);
    eprintln!(
        "track: {kept} of {all} positions; {trimmed} trimmed around start and end of every run, straight parts thinned"
    );
    said(path)
}

/// Names the file that was written.
fn said(path: &Path) -> Result<(), Fault> {
    if let Output::File(path) = Output::of(path) {
        println!("{}", path.display());
    }
    Ok(())
}
