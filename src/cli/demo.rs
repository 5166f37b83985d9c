//! `drawdown demo`: the whole job on the committed recording of an invented car, the model's truth beside the result.
//!
//! Runs the same code as `ingest` and `reduce`, and computes nothing of its own.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::ingest::{self, Job};
use super::{Outcome, Units, say};
use crate::document::Fault;
use crate::format::figure;
use crate::quantity::{COULOMB_PER_AH, JOULE_PER_KWH, JOULE_PER_WH};
use crate::reduce::{self, Options, Reduction};
use crate::rehearsal::Truth;
use crate::time::Span;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  drawdown demo\n  drawdown demo --units mi-per-kwh --into /tmp/demo")]
pub struct Arguments {
    /// The unit of energy per distance; distances follow it
    #[arg(long, value_enum, default_value_t)]
    units: Units,
    /// Where the data set is made; what is there of an earlier demo is replaced
    #[arg(long, value_name = "FOLDER", default_value = "target/demo")]
    into: PathBuf,
    /// The folder that holds `recordings` and `signal-maps`
    #[arg(long, value_name = "FOLDER", default_value_os_t = project())]
    from: PathBuf,
}

/// The project's own folder where the program still lies beside it, else the folder it is called in.
fn project() -> PathBuf {
    let built_from = Path::new(env!("CARGO_MANIFEST_DIR"));
    if built_from.join("recordings").exists() { built_from.to_owned() } else { PathBuf::from(".") }
}

pub fn run(arguments: &Arguments) -> Outcome {
    match demo(arguments) {
        Ok(()) => Outcome::Done,
        Err(fault) => say::not_done(&fault),
    }
}

fn demo(arguments: &Arguments) -> Result<(), Fault> {
    let recording = arguments.from.join("recordings/demo.log.zst");
    let map_path = arguments.from.join("signal-maps/demo.toml");
    let loaded = crate::map::load(&map_path);
    say::faults(&loaded.faults);
    let map = loaded.map.ok_or_else(|| Fault::whole(map_path.display().to_string(), "not usable as a map"))?;
    if arguments.into.exists() {
        std::fs::remove_dir_all(&arguments.into).map_err(|error| Fault::io(&arguments.into, "remove", &error))?;
    }
    eprintln!("drawdown ingest {} --map {}", recording.display(), map_path.display());
    let job = Job {
        recordings: vec![recording.clone()],
        map: Arc::new(map),
        vehicle: "demo".to_owned(),
        into: arguments.into.clone(),
        quiet: Span::of_seconds(60),
        record_frames: true,
        batch_frames: super::ingest::BATCH_FRAMES,
    };
    let done = job.run(ingest::cores())?;
    let folders: Vec<&Path> = done.runs.iter().map(|run| &*run.path).collect();
    let loaded = reduce::load::runs(&folders);
    say::faults(&loaded.faults);
    let reduction = reduce::reduce(&loaded.runs, None, &Options::default());
    println!("{}", crate::sheet::table(&reduction, arguments.units.into()));
    print_truth(&reduction, &crate::rehearsal::truth_path(&recording))?;
    for folder in folders {
        println!("files: {}", folder.display());
    }
    Ok(())
}

/// What was measured beside what the model knows, and whether the stated interval holds it.
pub(super) fn print_truth(reduction: &Reduction, path: &Path) -> Result<(), Fault> {
    let text = std::fs::read_to_string(path).map_err(|error| Fault::io(path, "read", &error))?;
    let truth: Truth =
        serde_json::from_str(&text).map_err(|error| Fault::whole(path.display().to_string(), error.to_string()))?;
    let per_km = JOULE_PER_WH / 1e3;
    let rows = [
        ("net energy", "kWh", JOULE_PER_KWH, reduction.energy.net.as_ref(), Some(truth.whole.net_kwh)),
        ("distance", "km", 1e3, reduction.way.counting(), Some(truth.whole.distance_km)),
        ("energy per distance", "Wh/km", per_km, reduction.consumption.net.as_ref(), truth.consumption_wh_per_km),
        (
            "usable energy",
            "kWh",
            JOULE_PER_KWH,
            reduction.usable.energy.as_ref(),
            truth.usable.map(|usable| usable.net_kwh),
        ),
        (
            "usable charge",
            "Ah",
            COULOMB_PER_AH,
            reduction.usable.charge.as_ref(),
            truth.usable.map(|usable| usable.charge_net_ah),
        ),
    ];
    println!("The model knows the truth:");
    if truth.usable.is_none() {
        println!("  usable energy and charge: not known, since the car was not driven from full to displayed 0 %");
    }
    for (name, unit, per, measured, truth) in rows {
        let (Some(estimate), Some(truth)) = (measured, truth) else { continue };
        let (value, u95) = (estimate.value / per, estimate.u95() / per);
        let inside = if (value - truth).abs() <= u95 { "inside" } else { "OUTSIDE" };
        println!("  {name:20}{:22}truth {truth:8.3}, {inside} the interval", figure(value, Some(u95), unit));
    }
    Ok(())
}
