//! The companion's commands, thin: parse, call, print, exit code.
//!
//! Computes nothing. Exit codes: 0 done; 1 done, but something was wrong with the input and was said; 2 not done.

mod adapter_search;
mod bundle;
mod card;
mod check;
mod compare;
mod course;
mod demo;
mod export;
mod ingest;
mod interrupt;
mod manual;
mod mark;
mod output;
mod playback;
mod progress;
mod ready;
mod recompute;
mod reduce;
mod rehearse;
mod reproduce;
mod runs;
mod say;
mod seals;
mod sheet;
mod status;
mod test;
mod turn;
mod trend;
mod verify;
mod watch;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};

use crate::quantity::ConsumptionUnit;

/// Records of an electric car's full-discharge test in, energy per distance and usable battery capacity out.
#[derive(Parser)]
#[command(name = "drawdown", version, max_term_width = 100)]
#[command(after_help = "Start with `drawdown demo`. `drawdown COMMAND --help` has examples.\n\n\
    Exit status: 0 done; 1 done, but something was wrong with the input; 2 not done; 130 stopped by Ctrl-C. Colour only on a \
    terminal, and none where NO_COLOR is set.")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Say everything that is wrong with a signal map, and what of it a recording shows
    Check(check::Arguments),
    /// Check a course, or make one from a track or a recorded drive
    Course(course::Arguments),
    /// Write, check or seal a test card
    Card(card::Arguments),
    /// Read recordings into a data set
    Ingest(ingest::Arguments),
    /// List the runs of a data set: when, how long, how far, and what is wrong with them
    Runs(runs::Arguments),
    /// Turn one or more runs of one discharge into energy per distance and usable capacity
    Reduce(reduce::Arguments),
    /// Write a test as one HTML file to publish
    Sheet(sheet::Arguments),
    /// Turn several tests of one car into the trend of its usable energy and charge
    Trend(trend::Arguments),
    /// Say which differences between tests of several cars, or days, exceed their uncertainty
    Compare(compare::Arguments),
    /// Drive an invented car over an invented course and write what its bus would say
    Rehearse(rehearse::Arguments),
    /// Say what of a data set is sound, and what is wrong with the rest
    Verify(verify::Arguments),
    /// Pack a test into one archive from which anyone can form its figures again
    Bundle(bundle::Arguments),
    /// Form every figure of a bundle again, and say which came out equal
    Reproduce(reproduce::Arguments),
    /// Write a test's figures as CSV or Parquet, or its drive as a GPX track
    Export(export::Arguments),
    /// Put recordings onto virtual CAN interfaces at their own pace, for bench use
    Playback(playback::Arguments),
    /// Ask the daemon how the recording goes
    Status(status::Arguments),
    /// Say go or no-go before pulling away, and what to do about each no
    Ready(ready::Arguments),
    /// Note something in the run being recorded
    Mark(mark::Arguments),
    /// Show in the terminal what is known, anew each second
    Watch(watch::Arguments),
    /// Say where to turn so that the car reaches the charger nearly empty
    Turn(turn::Arguments),
    /// Find the protocol of a parked car's bus with an AT adapter
    AdapterSearch(adapter_search::Arguments),
    /// The whole job on the committed recording of an invented car
    Demo(demo::Arguments),
    /// Write the manual pages
    Man(manual::ManArguments),
    /// Print what completes commands and options in a shell
    Completions(manual::CompletionsArguments),
}

/// The unit of energy per distance; distances follow it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, ValueEnum)]
enum Units {
    /// Wh/km
    #[default]
    WhPerKm,
    /// kWh/100 km
    #[value(name = "kwh-per-100km")]
    KwhPer100Km,
    /// Wh/mi
    WhPerMi,
    /// mi/kWh
    MiPerKwh,
}

impl From<Units> for ConsumptionUnit {
    fn from(units: Units) -> Self {
        match units {
            Units::WhPerKm => Self::WhPerKm,
            Units::KwhPer100Km => Self::KwhPer100Km,
            Units::WhPerMi => Self::WhPerMi,
            Units::MiPerKwh => Self::MiPerKwh,
        }
    }
}

/// What a command came to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Outcome {
    /// Done.
    Done,
    /// Done, but something was wrong with the input and was said.
    WithFaults,
    /// Not done; why was said.
    NotDone,
}

/// What each command's help ends with where it says nothing else of its exit status.
const EXIT_STATUS: &str = "Exit status: 0 done; 1 done, but something was wrong with the input; 2 not done.";

/// The companion's commands as help, manual and completions describe them.
fn command() -> clap::Command {
    Arguments::command().mut_subcommands(|command| {
        let help = command.get_after_help().map(ToString::to_string).unwrap_or_default();
        match help {
            help if help.contains("Exit status") => command,
            help if help.is_empty() => command.after_help(EXIT_STATUS),
            help => command.after_help(format!("{help}\n\n{EXIT_STATUS}")),
        }
    })
}

/// Runs the companion on the process's arguments.
pub fn main() -> ExitCode {
    let given = Arguments::from_arg_matches(&command().get_matches()).unwrap_or_else(|error| error.exit());
    let outcome = match given.command {
        Command::Check(arguments) => check::run(&arguments),
        Command::Course(arguments) => course::run(&arguments),
        Command::Card(arguments) => card::run(&arguments),
        Command::Ingest(arguments) => ingest::run(&arguments),
        Command::Runs(arguments) => runs::run(&arguments),
        Command::Reduce(arguments) => reduce::run(&arguments),
        Command::Sheet(arguments) => sheet::run(&arguments),
        Command::Trend(arguments) => trend::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Rehearse(arguments) => rehearse::run(&arguments),
        Command::Verify(arguments) => verify::run(&arguments),
        Command::Bundle(arguments) => bundle::run(&arguments),
        Command::Reproduce(arguments) => reproduce::run(&arguments),
        Command::Export(arguments) => export::run(&arguments),
        Command::Playback(arguments) => playback::run(&arguments),
        Command::Status(arguments) => status::run(&arguments),
        Command::Ready(arguments) => ready::run(&arguments),
        Command::Mark(arguments) => mark::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
        Command::Turn(arguments) => turn::run(&arguments),
        Command::AdapterSearch(arguments) => adapter_search::run(&arguments),
        Command::Demo(arguments) => demo::run(&arguments),
        Command::Man(arguments) => manual::man(&arguments),
        Command::Completions(arguments) => manual::completions(&arguments),
    };
    match outcome {
        Outcome::Done => ExitCode::SUCCESS,
        Outcome::WithFaults => ExitCode::from(1),
        Outcome::NotDone => ExitCode::from(2),
    }
}

/// A map that every command that needs one names in the same way.
#[derive(clap::Args)]
struct MapArgument {
    /// The signal map (TOML)
    #[arg(long, value_name = "FILE")]
    map: PathBuf,
}
