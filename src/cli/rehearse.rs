//! `drawdown rehearse`: an invented car's drive as a recording.
//!
//! Only calls the rehearsal room.

use std::path::PathBuf;

use super::{MapArgument, Outcome, say};

#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  drawdown rehearse recordings/demo-scenario.toml --map signal-maps/demo.toml -o /tmp/drive.log.zst"
)]
pub struct Arguments {
    /// The scenario (TOML): car, pack, course, wind, sensors
    #[arg(value_name = "SCENARIO")]
    scenario: PathBuf,
    #[command(flatten)]
    map: MapArgument,
    /// The recording to write, as compressed candump text; the model's truth goes beside it
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

pub fn run(arguments: &Arguments) -> Outcome {
    match crate::rehearsal::record(&arguments.scenario, &arguments.map.map, &arguments.output) {
        Ok(_) => Outcome::Done,
        Err(faults) => {
            say::faults(&faults);
            Outcome::NotDone
        }
    }
}
