//! `drawdown mark`: what a person notes during the drive goes into the run being recorded.
//!
//! Only hands it to the daemon, which checks it and says what was noted.

use std::path::PathBuf;

use serde_json::{Map, Value, json};

use super::{Outcome, say};
use crate::daemon::desk::{Answer, Noted};
use crate::daemon::status;

#[derive(clap::Args)]
#[command(after_help = "Kinds:\n  \
    soc             displayed state of charge, percent\n  \
    displayed_rest  the distance that the car says it can go, in km or mi (in the card's unit where none is given)\n  \
    shows_zero      the display shows 0 % for the first time\n  \
    trip_figure     a figure of the trip computer; what it is, as text\n  \
    power_warning   a warning of reduced power\n  \
    turned          turned round\n  \
    climate         a change of the climate control, as text\n  \
    note            free text\n\n\
    Examples:\n  drawdown mark soc 42\n  drawdown mark displayed_rest '74 mi'\n  drawdown mark turned\n  \
    drawdown mark note --text 'roadworks, 80 km/h'\n\n\
    Exit status: 0 noted; 1 refused, with the reason; 2 no daemon answers.\n\
    The driver drives; a passenger notes.")]
pub struct Arguments {
    /// What is noted
    #[arg(value_name = "KIND")]
    kind: String,
    /// Its value, with its unit where that is in doubt
    #[arg(value_name = "VALUE", allow_negative_numbers = true)]
    value: Option<String>,
    /// Its text
    #[arg(long, value_name = "TEXT")]
    text: Option<String>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
    /// The daemon's status socket, as its configuration names it
    #[arg(long, value_name = "PATH", default_value = "/run/drawdown/status")]
    socket: PathBuf,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let mut ask = Map::new();
    ask.insert("ask".into(), "mark".into());
    ask.insert("kind".into(), arguments.kind.clone().into());
    for (key, given) in [("value", &arguments.value), ("text", &arguments.text)] {
        if let Some(given) = given {
            ask.insert(key.into(), given.clone().into());
        }
    }
    match status::request(&arguments.socket, &Value::Object(ask)) {
        Ok(Answer::Told(Noted { noted, run, utc })) if arguments.json => {
            say::json(&json!({ "noted": noted, "run": run, "utc": utc }));
            Outcome::Done
        }
        Ok(Answer::Told(Noted { noted, run, utc })) => {
            println!("noted at {utc} in run {run}: {noted}");
            Outcome::Done
        }
        Ok(Answer::Refused { refused, remedy }) => {
            eprintln!("not noted: {refused}; {remedy}");
            Outcome::WithFaults
        }
        Err(fault) => say::not_done(&fault),
    }
}
