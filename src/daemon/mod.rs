//! The daemon: configuration, life cycle, the loops that feed observations to the session, from recordings or live.
//!
//! Decides nothing about the job itself. Exit codes: 0 stopped in order or the replay ended; 2 could not start or go on.

mod anchors;
mod beside;
mod config;
pub mod desk;
pub mod invented;
mod keep;
mod live;
mod notify;
mod people;
mod prior;
mod replay;
mod requests;
mod run;
mod sources;
pub mod speaker;
pub mod status;
mod supervise;
#[cfg(test)]
mod test_support;
mod told;
mod upkeep;

use std::io::IsTerminal;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::{CommandFactory, Parser};
use signal_hook::consts::{SIGINT, SIGTERM};

pub use beside::Beside;
pub use config::{CarSaid, Config, LiveSource, Pace, Page, Source, Speech};
pub use keep::Keeper;
pub use live::Drive;
pub use notify::Notify;
pub use prior::Prior;
pub use run::{open_keeper, run};

use crate::document::Fault;
use crate::source::{Clock, SystemClock};

/// Records what a car's buses say, unattended.
#[derive(Parser)]
#[command(name = "drawdownd", version, max_term_width = 100)]
#[command(after_help = "Examples:\n  drawdownd --config car.toml\n  drawdownd --config rehearsal.toml\n\n\
    Every key of the configuration is in docs/configuration.md; `drawdown ready` and `drawdown status` ask how it goes.\n\n\
    Exit status: 0 stopped in order, or the replay ended; 2 could not start or go on.")]
struct Arguments {
    /// The configuration (TOML)
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
}

/// The daemon's options as its help describes them.
pub fn command() -> clap::Command {
    Arguments::command()
}

/// Runs the daemon on the process's arguments until its sources end or it is told to stop.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    // Colours are for people at a terminal; a journal or a file gets plain text.
    let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    tracing_subscriber::fmt().with_writer(std::io::stderr).with_ansi(colour).with_target(false).init();
    match start(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            tracing::error!("{fault}");
            ExitCode::from(2)
        }
    }
}

fn start(arguments: &Arguments) -> Result<(), Fault> {
    let (config, faults) = Config::load(&arguments.config);
    for fault in &faults {
        if fault.is_error() { tracing::error!("{fault}") } else { tracing::warn!("{fault}") }
    }
    let name = arguments.config.display().to_string();
    let config = config.filter(|_| !faults.iter().any(Fault::is_error));
    let config = config.ok_or_else(|| Fault::whole(name, "not usable").remedy("mend what is said above"))?;
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGTERM, SIGINT] {
        signal_hook::flag::register(signal, Arc::clone(&stop))
            .map_err(|error| Fault::whole("drawdownd", format!("cannot listen for signal {signal}: {error}")))?;
    }
    let clock = invented::clock_of(&config, Arc::new(SystemClock::new()) as Arc<dyn Clock>);
    run(&config, &clock, Notify::from_environment(), &stop)
}
