//! `drawdown verify`: what of a data set is sound, one line a run, and what is wrong with the rest.
//!
//! Only calls the store and prints; judges nothing.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{Outcome, progress, say};
use crate::document::Fault;
use crate::format::{count, duration};
use crate::store::StoreError;
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::verify::{self, Kind, Report};

#[derive(clap::Args)]
#[command(
    after_help = "Every file is held against its digest in run.json, every page is read, samples are decoded again from \
    the raw frames and the sums computed again from the samples. A run that is being recorded is checked as far as it \
    goes.\n\n\
    Examples:\n  \
    drawdown verify DATA\n  \
    drawdown verify DATA/vehicle=heron\n  \
    drawdown verify DATA/vehicle=heron/run=20270314T061502Z\n  \
    drawdown verify DATA --set-aside\n  \
    drawdown verify DATA --json | jq '.runs[] | select(.sound | not)'\n\n\
    Exit status: 0 every run is sound; 1 some run is not; 2 some run could not be checked."
)]
pub struct Arguments {
    /// Data sets, or folders of single vehicles or runs
    #[arg(required = true, value_name = "DATA")]
    places: Vec<PathBuf>,
    /// Move damaged files of finished runs into set-aside/ inside the run's folder, each with the reason beside it
    #[arg(long)]
    set_aside: bool,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let (mut runs, mut left_over) = (Vec::new(), Vec::new());
    for place in &arguments.places {
        match find(place) {
            Ok(found) => {
                runs.extend(found);
                left_over.extend(DataSet::open(place).and_then(|data| data.left_over()).unwrap_or_default());
            }
            Err(fault) => return say::not_done(&fault),
        }
    }
    // A damaged file can make the Parquet crate panic; that is caught and told as damage, without a trace of its own.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let bar = progress::bytes(Some(runs.iter().map(verify::expected_bytes).sum()));
    let (mut told, mut sums) = (Vec::new(), Sums::default());
    for run in &runs {
        let report = verify::run(run, &mut |bytes| bar.inc(bytes));
        let aside = match &report {
            Ok(report) if arguments.set_aside => verify::set_aside(run, report).map(|done| done.is_some()),
            _ => Ok(false),
        };
        sums.add(&report, &aside);
        if arguments.json {
            told.push(as_json(run, &report, &aside));
        } else {
            bar.suspend(|| print!("{}", as_text(run, &report, &aside)));
        }
    }
    bar.finish_and_clear();
    std::panic::set_hook(hook);
    if arguments.json {
        let all =
            json!({ "runs": told, "sound": sums.sound, "not_sound": sums.not_sound, "not_checked": sums.not_checked });
        say::json(&all);
    } else {
        for path in &left_over {
            let what = "an ingest is making it, or was cut; the next ingest removes what is left over";
            println!("{}: {what}", path.display());
        }
        println!("{}", sums.text());
    }
    sums.outcome()
}

/// The runs that a path names.
fn find(place: &Path) -> Result<Vec<RunFolder>, Fault> {
    let named_run = std::fs::canonicalize(place)
        .ok()
        .and_then(|whole| whole.file_name().map(|name| name.to_string_lossy().starts_with("run=")))
        .unwrap_or(false);
    if named_run || ["run.json", "journal"].iter().any(|name| place.join(name).exists()) {
        return Ok(vec![RunFolder::open(place)?]);
    }
    let runs = match vehicle(place) {
        Some((root, name)) => DataSet::open(&root)?.runs_of(&name)?,
        None => DataSet::open(place)?.runs()?,
    };
    if runs.is_empty() {
        let fault = Fault::whole(place.display().to_string(), "holds no run");
        return Err(
            fault.remedy("name a data set (DATA, which holds vehicle=NAME/run=NAME), a vehicle's folder or a run's")
        );
    }
    Ok(runs)
}

/// The data set and the name of a vehicle's folder, if a path is one.
fn vehicle(place: &Path) -> Option<(PathBuf, String)> {
    let whole = std::fs::canonicalize(place).ok()?;
    let name = whole.file_name()?.to_str()?.strip_prefix("vehicle=")?;
    // What is said names the folder as the user does, where the path as given ends in its name.
    let is_named = place.file_name() == whole.file_name();
    let given = place.parent().filter(|parent| is_named && !parent.as_os_str().is_empty());
    Some((given.or(whole.parent())?.to_owned(), name.to_owned()))
}

/// How many runs came to what.
#[derive(Default)]
struct Sums {
    sound: u64,
    not_sound: u64,
    not_checked: u64,
}

impl Sums {
    fn add(&mut self, report: &Result<Report, StoreError>, aside: &Result<bool, StoreError>) {
        match (report, aside) {
            (Err(_), _) | (_, Err(_)) => self.not_checked += 1,
            (Ok(report), _) if report.is_sound() => self.sound += 1,
            _ => self.not_sound += 1,
        }
    }

    fn text(&self) -> String {
        let mut text = format!("{} sound, {} not sound", count(self.sound), count(self.not_sound));
        if self.not_checked > 0 {
            text += &format!(", {} not checked", count(self.not_checked));
        }
        text
    }

    fn outcome(&self) -> Outcome {
        match (self.not_checked, self.not_sound) {
            (0, 0) => Outcome::Done,
            (0, _) => Outcome::WithFaults,
            _ => Outcome::NotDone,
        }
    }
}

fn as_text(run: &RunFolder, report: &Result<Report, StoreError>, aside: &Result<bool, StoreError>) -> String {
    let name = run.path.display();
    let report = match report {
        Ok(report) => report,
        Err(error) => return format!("{name}: not checked\n  {error}\n"),
    };
    let verdict = if report.is_sound() { "sound" } else { "not sound" };
    let what = match report.kind {
        Kind::Finished => format!("{} rows, {} bytes", count(report.rows), count(report.bytes)),
        Kind::Unfinished => "unfinished: being recorded, or cut and not yet put right".into(),
        Kind::Nothing => "empty".into(),
    };
    let long = report.duration_s.map_or_else(String::new, |seconds| format!(", {}", duration(seconds)));
    let mut text = format!("{name}: {verdict}{long}, {what}\n");
    report.faults.iter().for_each(|fault| text += &format!("  {fault}\n"));
    report.notes.iter().for_each(|note| text += &format!("  note: {note}\n"));
    match aside {
        Ok(true) => text += "  damaged files were moved into its folder set-aside\n",
        Ok(false) => {}
        Err(error) => text += &format!("  could not be put aside: {error}\n"),
    }
    text
}

fn as_json(run: &RunFolder, report: &Result<Report, StoreError>, aside: &Result<bool, StoreError>) -> Value {
    let named = |rest: Value| {
        let mut all = json!({ "vehicle": run.vehicle, "run": run.run, "path": run.path.display().to_string() });
        if let (Value::Object(all), Value::Object(rest)) = (&mut all, rest) {
            all.extend(rest);
        }
        all
    };
    let report = match report {
        Ok(report) => report,
        Err(error) => return named(json!({ "sound": null, "not_checked": error.to_string() })),
    };
    named(json!({
        "sound": report.is_sound(),
        "kind": match report.kind {
            Kind::Finished => "finished",
            Kind::Unfinished => "unfinished",
            Kind::Nothing => "empty",
        },
        "duration_s": report.duration_s,
        "rows": report.rows,
        "bytes": report.bytes,
        "faults": report.faults.iter().map(say::FaultJson::from).collect::<Vec<_>>(),
        "notes": report.notes,
        "set_aside": aside.as_ref().ok(),
        "not_set_aside": aside.as_ref().err().map(ToString::to_string),
    }))
}
