//! `drawdown ready`: go or no-go before pulling away, each no with its remedy.
//!
//! Only prints what the daemon found.

use std::path::PathBuf;

use serde_json::json;

use super::{Outcome, say};
use crate::daemon::desk::{Answer, Ready};
use crate::daemon::status;
use crate::format::wrap;
use crate::live::board::Readiness;

#[derive(clap::Args)]
#[command(after_help = "Example:\n  drawdown ready && drawdown card seal test.toml\n\n\
    Exit status: 0 go; 1 no-go; 2 no daemon answers.\n\
    It stops nobody: the drive is recorded whatever it says. Law, road and weather are yours to judge.")]
pub struct Arguments {
    /// The daemon's status socket, as its configuration names it
    #[arg(long, value_name = "PATH", default_value = "/run/drawdown/status")]
    socket: PathBuf,
    /// As the daemon says it, in JSON
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let answer: serde_json::Value = match status::request(&arguments.socket, &json!({ "ask": "ready" })) {
        Ok(answer) => answer,
        Err(fault) => return say::not_done(&fault),
    };
    if arguments.json {
        println!("{answer:#}");
    }
    match serde_json::from_value(answer) {
        Ok(Answer::Told(ready)) => {
            if !arguments.json {
                print!("{}", text(&ready));
            }
            if ready.go { Outcome::Done } else { Outcome::WithFaults }
        }
        Ok(Answer::Refused { refused, remedy }) => {
            eprintln!("{refused}; {remedy}");
            Outcome::NotDone
        }
        Err(error) => {
            eprintln!("{}: the answer can't be read: {error}", arguments.socket.display());
            Outcome::NotDone
        }
    }
}

/// Columns of the verdict and of the check's name.
const VERDICT: usize = 7;
const NAME: usize = 20;

fn text(ready: &Ready) -> String {
    let mut text = format!("{}: {}\n\n", ready.vehicle, if ready.go { "go" } else { "no-go" });
    for Readiness { name, go, found, remedy } in &ready.checks {
        let verdict = if *go { "go" } else { "NO-GO" };
        text += &wrap(&format!("{verdict:VERDICT$}{name:NAME$}"), found, VERDICT + NAME);
        if !go {
            text += &wrap(&format!("{:VERDICT$}{:NAME$}", "", ""), &format!("-> {remedy}"), VERDICT + NAME + 3);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_person_reads() {
        let check = |name: &str, go, found: &str, remedy: &str| Readiness {
            name: name.into(),
            go,
            found: found.into(),
            remedy: remedy.into(),
        };
        let checks = vec![
            check("recording", true, "20270314T061502Z", ""),
            check(
                "position",
                false,
                "no fresh fix",
                "give the receiver a clear view of the sky, and wait; a first fix may take minutes",
            ),
            check("power of the pack", true, "fresh", ""),
        ];
        insta::assert_snapshot!(text(&Ready { vehicle: "heron".into(), go: false, checks }), @r"
        heron: no-go

        go     recording           20270314T061502Z
        NO-GO  position            no fresh fix
                                   -> give the receiver a clear view of the sky, and
                                      wait; a first fix may take minutes
        go     power of the pack   fresh
        ");
    }
}
