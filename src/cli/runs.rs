//! `drawdown runs`: which runs a data set holds, one line a run, by what their `run.json` say.
//!
//! Reads no table and checks none (`verify` does), and computes no figure: what it shows is what the ledger had observed at the run's
//! end, without estimates for gaps.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{Outcome, Units, say};
use crate::document::Fault;
use crate::format::{self, count, duration};
use crate::quantity::{ConsumptionUnit, JOULE_PER_KWH};
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::run_file::{Ended, RunFile};
use crate::time::WallClock;

#[derive(clap::Args)]
#[command(
    after_help = "Energy and way are as observed: what a gap left out is not in them, and energy from a plug is told apart. A time \
    is UTC. A run ended because all was quiet, at the end of its recording, stopped by \
    someone, or by a cut. What a run's figures are, `drawdown reduce` says; whether its files are sound, `drawdown verify`.\n\n\
    Examples:\n  \
    drawdown runs DATA\n  \
    drawdown runs DATA --vehicle heron\n  \
    drawdown runs DATA --json | jq -r '.runs[] | select(.ended == null) | .path'\n\n\
    Exit status: 0 listed; 1 listed, but of some run what it says of itself cannot be read; 2 not listed."
)]
pub struct Arguments {
    /// The data set
    #[arg(value_name = "DATA")]
    data: PathBuf,
    /// List the runs of this vehicle alone
    #[arg(long, value_name = "NAME")]
    vehicle: Option<String>,
    /// The unit of energy per distance, whose distances the way is told in
    #[arg(long, value_enum, default_value_t)]
    units: Units,
    /// Print JSON instead of lines
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let found = match find(&arguments.data, arguments.vehicle.as_deref()) {
        Ok(found) => found,
        Err(fault) => return say::not_done(&fault),
    };
    let lines: Vec<Line> = found.into_iter().map(Line::of).collect();
    let unread: Vec<Fault> = lines.iter().filter_map(|line| line.unread.clone()).collect();
    if arguments.json {
        say::json(&json!({ "runs": lines.iter().map(Line::as_json).collect::<Vec<_>>() }));
    } else {
        let in_miles = ConsumptionUnit::from(arguments.units).in_miles();
        print!("{}", table(&lines, in_miles));
    }
    if say::faults(&unread) { Outcome::WithFaults } else { Outcome::Done }
}

/// The runs of a data set, or of one of its vehicles.
fn find(data: &Path, vehicle: Option<&str>) -> Result<Vec<RunFolder>, Fault> {
    let set = DataSet::open(data)?;
    let runs = match vehicle {
        Some(vehicle) => set.runs_of(vehicle)?,
        None => set.runs()?,
    };
    if !runs.is_empty() {
        return Ok(runs);
    }
    let place = data.display().to_string();
    let vehicles = set.vehicles()?;
    Err(match vehicle {
        Some(vehicle) if !vehicles.is_empty() => {
            let fault = Fault::whole(place, format!("holds no run of a vehicle '{vehicle}'"));
            fault.remedy(format!("name one of {}", vehicles.join(", ")))
        }
        _ => Fault::whole(place, "holds no run").remedy("name a data set (DATA, which holds vehicle=NAME/run=NAME)"),
    })
}

/// Cells of a line.
const CELLS: usize = 7;

/// How a run ended, in a word.
fn shortly(ended: Ended) -> &'static str {
    match ended {
        Ended::Quiet => "quiet",
        Ended::EndOfRecording => "end",
        Ended::Stopped => "stopped",
        Ended::Recovered => "cut",
    }
}

/// A run as it is listed; what is not known is NaN or nothing.
struct Line {
    folder: RunFolder,
    start: Option<WallClock>,
    duration: f64,
    distance: f64,
    net: f64,
    charged: f64,
    unobserved: f64,
    /// Why it ended; `None` while it has not.
    ended: Option<Ended>,
    /// What is wrong with it, in plain words.
    wrong: Vec<String>,
    /// What it says of itself cannot be read.
    unread: Option<Fault>,
}

impl Line {
    fn of(folder: RunFolder) -> Self {
        let unfinished = folder.is_unfinished();
        let mut line = Self {
            folder,
            start: None,
            duration: f64::NAN,
            distance: f64::NAN,
            net: f64::NAN,
            charged: f64::NAN,
            unobserved: f64::NAN,
            ended: None,
            wrong: Vec::new(),
            unread: None,
        };
        if unfinished {
            line.wrong.push("unfinished: being recorded, or cut and not yet put right".into());
            return line;
        }
        match line.folder.read_run_file() {
            Ok(file) => line.fill(&file),
            Err(error) => {
                line.wrong.push("what it says of itself cannot be read".into());
                line.unread = Some(error.into());
            }
        }
        line
    }

    fn fill(&mut self, file: &RunFile) {
        let sum = |key: &str| file.sums.get(key).and_then(Value::as_f64).unwrap_or(f64::NAN);
        self.start = file.start_utc.as_deref().and_then(WallClock::parse_iso);
        self.duration = file.duration_s;
        self.distance = sum("distance");
        self.net = sum("energy_out") - sum("energy_in");
        self.charged = sum("energy_charged");
        self.unobserved = sum("time_unobserved");
        self.ended = Some(file.ended);
        if file.is_rehearsal() {
            self.wrong.push("a rehearsal: nothing was measured".into());
        }
        if file.ended == Ended::Recovered {
            self.wrong.push("the recording was cut".into());
        }
        if !file.tables.iter().any(|table| table.folder == "trace") {
            self.wrong.push("it has no trace to reduce".into());
        }
        for aside in &file.set_aside {
            self.wrong.push(format!("{} was damaged and put aside", aside.file));
        }
        for damage in file.damage.iter().filter(|damage| damage.count > 0) {
            let places = if damage.count == 1 { "place" } else { "places" };
            self.wrong.push(format!("{}: {} {places} could not be read", damage.source, count(damage.count)));
        }
        for table in &file.removed {
            self.wrong.push(format!("{} was given up for room on the disk", table.folder));
        }
    }

    fn as_json(&self) -> Value {
        // What is not finite is null.
        json!({
            "vehicle": self.folder.vehicle,
            "run": self.folder.run,
            "path": self.folder.path.display().to_string(),
            "start_utc": self.start.map(WallClock::iso),
            "duration_s": self.duration,
            "unobserved_s": self.unobserved,
            "distance_km": self.distance / 1e3,
            "net_kwh": self.net / JOULE_PER_KWH,
            "charged_kwh": self.charged / JOULE_PER_KWH,
            "ended": self.ended,
            "wrong": self.wrong,
        })
    }

    /// The cells of its line.
    fn cells(&self, in_miles: bool) -> [String; CELLS] {
        let dash = |known: bool, text: String| if known { text } else { "-".into() };
        let energy = |joule: f64| format!("{:.1}", joule / JOULE_PER_KWH);
        // To the minute: the run's own name has the seconds.
        let began = |start: WallClock| start.second().replace('T', " ").chars().take(16).collect();
        [
            self.folder.run.clone(),
            self.start.map_or("-".into(), began),
            dash(self.duration.is_finite(), duration(self.duration)),
            dash(self.distance.is_finite(), format::way(self.distance, in_miles)),
            dash(self.net.is_finite(), energy(self.net)),
            dash(self.charged > 0.0, energy(self.charged)),
            self.ended.map_or("-", shortly).to_owned(),
        ]
    }
}

/// A block for each vehicle: a line a run, below it what is wrong with the run; at the end how many.
fn table(lines: &[Line], in_miles: bool) -> String {
    let head = ["run", "began (UTC)", "time", "way", "net kWh", "plug kWh", "ended"].map(str::to_owned);
    let cells: Vec<[String; CELLS]> = lines.iter().map(|line| line.cells(in_miles)).collect();
    let width = |at: usize| cells.iter().chain([&head]).map(|row| row[at].chars().count()).max().unwrap_or(0);
    let widths: [usize; CELLS] = std::array::from_fn(width);
    let written = |row: &[String; CELLS]| {
        let padded = row.iter().zip(widths).enumerate().map(|(at, (cell, width))| match at {
            0 | 1 | 6 => format!("{cell:width$}"),
            _ => format!("{cell:>width$}"),
        });
        format!(" {}\n", padded.collect::<Vec<_>>().join("  ").trim_end())
    };
    let mut text = String::new();
    let mut vehicle = None;
    for (line, cells) in lines.iter().zip(&cells) {
        if vehicle.replace(&line.folder.vehicle) != Some(&line.folder.vehicle) {
            text += &format!("{}\n{}", line.folder.vehicle, written(&head));
        }
        text += &written(cells);
        line.wrong.iter().for_each(|wrong| text += &format::wrap("   ! ", wrong, 5));
    }
    let wrong = lines.iter().filter(|line| !line.wrong.is_empty()).count() as u64;
    let runs = if lines.len() == 1 { "run" } else { "runs" };
    let told = if wrong == 0 { String::new() } else { format!(", {} with something to know (!)", count(wrong)) };
    text + &format!("{} {runs}{told}\n", count(lines.len() as u64))
}
