//! `drawdown watch`: the board in a terminal, anew each second; one line a second where there is no terminal.
//!
//! Only shows what the daemon says. Uses the terminal's own colours, bold and reverse, so that it can be read by day and by night.

mod screen;
mod terminal;

use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::json;

use super::{Outcome, say};
use crate::daemon::desk::{Answer, Watched};
use crate::daemon::status;
use crate::document::Fault;
use terminal::{Key, Terminal};

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  drawdown watch\n  drawdown watch --socket /tmp/status > drive.txt\n\n\
    q or ctrl-C ends it. Exit status: 0 ended; 2 no daemon answers.\n\
    The driver drives; a passenger works the computer.")]
pub struct Arguments {
    /// The daemon's status socket, as its configuration names it
    #[arg(long, value_name = "PATH", default_value = "/run/drawdown/status")]
    socket: PathBuf,
    /// One line a second even in a terminal
    #[arg(long)]
    lines: bool,
    /// Show this often, then end
    #[arg(long, value_name = "COUNT")]
    times: Option<u64>,
}

/// How often it is shown.
const EVERY: Duration = Duration::from_secs(1);

pub fn run(arguments: &Arguments) -> Outcome {
    // Whoever sees nothing at first should know why; later a daemon may be started again.
    if let Err(fault) = ask(arguments) {
        return say::not_done(&fault);
    }
    let on_a_terminal = std::io::stdout().is_terminal() && std::io::stdin().is_terminal() && !arguments.lines;
    let times = arguments.times.unwrap_or(u64::MAX);
    if on_a_terminal { full_screen(arguments, times) } else { line_by_line(arguments, times) }
}

fn ask(arguments: &Arguments) -> Result<Watched, Fault> {
    status::request(&arguments.socket, &json!({ "ask": "moment" }))
}

fn full_screen(arguments: &Arguments, times: u64) -> Outcome {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        if let Err(error) = signal_hook::flag::register(signal, Arc::clone(&stop)) {
            return say::not_done(&Fault::whole("watch", format!("cannot listen for signal {signal}: {error}")));
        }
    }
    let mut terminal = match Terminal::open() {
        Ok(terminal) => terminal,
        Err(error) => return say::not_done(&Fault::whole("watch", format!("cannot use the terminal: {error}"))),
    };
    for _ in 0..times {
        let (columns, rows) = terminal.size();
        let rows = match ask(arguments) {
            Ok(Answer::Told(board)) => screen::rows(&board, columns, rows),
            Ok(Answer::Refused { refused, .. }) => screen::nothing(&refused, columns),
            Err(fault) => screen::nothing(&fault.to_string(), columns),
        };
        if terminal.show(&rows).is_err() || terminal.key() == Key::Quit || stop.load(Ordering::Relaxed) {
            break;
        }
    }
    Outcome::Done
}

fn line_by_line(arguments: &Arguments, times: u64) -> Outcome {
    for time in 0..times {
        if time > 0 {
            std::thread::sleep(EVERY);
        }
        let line = match ask(arguments) {
            Ok(Answer::Told(board)) => screen::line(&board),
            Ok(Answer::Refused { refused, .. }) => refused,
            Err(fault) => return say::not_done(&fault),
        };
        // A reader that went away has seen enough.
        if writeln!(std::io::stdout(), "{line}").is_err() {
            break;
        }
    }
    Outcome::Done
}
