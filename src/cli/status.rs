//! `drawdown status`: how the daemon fares, asked over its socket.
//!
//! Only prints what the daemon says.

use std::path::PathBuf;

use super::{Outcome, say};
use crate::daemon::status::{self, Keeping, RunStatus, Status};
use crate::format::{count, duration, significant, time};
use crate::quantity::JOULE_PER_KWH;
use crate::store::run_file::LiveSource;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  drawdown status\n  drawdown status --socket /tmp/status --json | jq .sources\n\n\
    Exit status: 0 every source is read and what comes is kept; 1 not so; 2 no daemon answers.")]
pub struct Arguments {
    /// The daemon's status socket, as its configuration names it
    #[arg(long, value_name = "PATH", default_value = "/run/drawdown/status")]
    socket: PathBuf,
    /// As the daemon says it, in JSON
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Outcome {
    let status = match status::ask(&arguments.socket) {
        Ok(status) => status,
        Err(fault) => return say::not_done(&fault),
    };
    match (arguments.json, serde_json::to_string_pretty(&status)) {
        (true, Ok(text)) => println!("{text}"),
        _ => print!("{}", text(&status)),
    }
    let all_read =
        status.keeping.waits.is_none() && status.sources.iter().all(|(_, source)| source.condition == "reading");
    if all_read { Outcome::Done } else { Outcome::WithFaults }
}

fn text(status: &Status) -> String {
    let mut text = format!("{}  {}  {}\n\n", status.vehicle, status.utc, status.program);
    text += &run_text(status.run.as_ref());
    text += &keeping_text(&status.keeping);
    text += &format!("polls    {}\n", status.polling);
    if status.outside_runs > 0 {
        text += &format!("outside  {} observations belong to no run\n", count(status.outside_runs));
    }
    status.sources.iter().for_each(|(name, source)| text += &source_text(name, source));
    text
}

fn keeping_text(keeping: &Keeping) -> String {
    let mut text = keeping.waits.as_ref().map_or_else(String::new, |why| format!("keeping  nothing: {why}\n"));
    if let Some(free) = keeping.free_bytes {
        text += &format!("disk     {} MB free\n", count(free / 1_000_000));
    }
    if keeping.runs_to_finish > 0 {
        text += &format!("files    of {} runs are still to be made\n", count(keeping.runs_to_finish));
    }
    let dropped = [
        (keeping.dropped_undecoded, "frames that the map does not decode"),
        (keeping.dropped_decoded, "frames that it does"),
        (keeping.dropped_other, "other observations"),
    ];
    for (times, what) in dropped.iter().filter(|(times, _)| *times > 0) {
        text += &format!("dropped  {} {what}: the queue was full\n", count(*times));
    }
    text
}

fn run_text(run: Option<&RunStatus>) -> String {
    let Some(run) = run else { return "run      none: the car sleeps\n".into() };
    let measured = |value: Option<f64>, per: f64, unit: &str| {
        value.map_or_else(|| "not measured".into(), |value| format!("{} {unit}", significant(value / per, 4)))
    };
    format!(
        "run      {}, {}, {}\n         {} net, {}, unobserved {}\n",
        run.name,
        duration(run.duration_s),
        run.phase.as_deref().unwrap_or("just begun"),
        measured(run.net_energy_j, JOULE_PER_KWH, "kWh"),
        measured(run.distance_m, 1_000.0, "km"),
        run.time_unobserved_s.map_or_else(|| "all".into(), time),
    )
}

fn source_text(name: &str, source: &LiveSource) -> String {
    let mut text = format!("\n{name}: {}\n", source.condition);
    let seen = [(source.frames, "frames"), (source.items, "other observations"), (source.lost, "times lost")];
    let seen: Vec<String> =
        seen.iter().filter(|(times, _)| *times > 0).map(|(times, what)| format!("{} {what}", count(*times))).collect();
    if !seen.is_empty() {
        text += &format!("  {}\n", seen.join(", "));
    }
    source.counts.iter().for_each(|(what, times)| text += &format!("  {} x {what}\n", count(*times)));
    if let Some(why) = source.closed.as_ref().filter(|_| !source.polls.is_empty()) {
        text += &format!("  nothing is sent: {why}\n");
    }
    for poll in &source.polls {
        let every = |us: i64| time(us as f64 / 1e6);
        let achieved = poll.achieved_us.map_or_else(|| "no replies".into(), |us| format!("one in {}", every(us)));
        text += &format!("  {}: {achieved}, wanted one in {}, {}\n", poll.name, every(poll.wanted_us), poll.state);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::run_file::LivePoll;

    #[test]
    fn what_a_person_reads() {
        let poll = LivePoll {
            name: "SPEED".into(),
            state: "stretched".into(),
            wanted_us: 200_000,
            achieved_us: Some(310_000),
            ..LivePoll::default()
        };
        let can = LiveSource {
            condition: "reading".into(),
            frames: 120_400,
            counts: [("frames dropped by the kernel".to_owned(), 3)].into(),
            polls: vec![poll],
            closed: Some("listening first, 2 s without an error frame".into()),
            ..LiveSource::default()
        };
        let position = LiveSource { condition: "no such port; plug it in".into(), lost: 2, ..LiveSource::default() };
        let run = RunStatus {
            name: "20270314T061502Z".into(),
            duration_s: 3_725.4,
            phase: Some("drive".into()),
            net_energy_j: Some(45_678_900.0),
            distance_m: Some(67_890.0),
            time_unobserved_s: None,
            quiet_s: 0.0,
        };
        let status = Status {
            program: "drawdown 0".into(),
            vehicle: "heron".into(),
            utc: "2027-03-14T07:17:07Z".into(),
            run: Some(run),
            polling: "every poll at its own period".into(),
            outside_runs: 4,
            keeping: Keeping { free_bytes: Some(1_234_567_890), dropped_undecoded: 12, ..Keeping::default() },
            sources: vec![("can0".into(), can), ("/dev/ttyUSB0".into(), position)],
        };
        insta::assert_snapshot!(text(&status));
        insta::assert_snapshot!(run_text(None), @"run      none: the car sleeps");
    }
}
