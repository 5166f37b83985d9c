//! `drawdown check`: everything wrong with a map, and what a recording shows of it.
//!
//! Only calls the map room and the survey.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Outcome, say};
use crate::decode::survey::{MessageReport, Survey, SurveyReport};
use crate::document::Fault;
use crate::map::{Loaded, Map, Message, Origin};
use crate::observation::{Batch, CanId, Item};
use crate::source::replay::{BATCH, Replay};
use crate::store::run_file::Damage;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  drawdown check car.toml\n  drawdown check car.toml --against drive.log.zst\n  \
    drawdown check car.toml --against drive.log.zst --json | jq .against.unknown")]
pub struct Arguments {
    /// The signal map (TOML)
    #[arg(value_name = "MAP")]
    map: PathBuf,
    /// Recordings to hold it against: which signals were seen, how often, in which range
    #[arg(long, value_name = "RECORDING", num_args = 1..)]
    against: Vec<PathBuf>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// The most identifiers that no map knows that are listed.
const UNKNOWN_MAX: usize = 40;

pub fn run(arguments: &Arguments) -> Outcome {
    let loaded = crate::map::load(&arguments.map);
    let surveyed = match &loaded.map {
        Some(map) if !arguments.against.is_empty() => match survey(map, &arguments.against) {
            Ok(surveyed) => Some(surveyed),
            Err(fault) => return say::not_done(&fault),
        },
        _ => None,
    };
    if arguments.json {
        say::json(&as_json(&loaded, surveyed.as_ref()));
    } else {
        say::faults(&loaded.faults);
        loaded.map.iter().for_each(|map| print(map, surveyed.as_ref()));
    }
    let damaged = surveyed.is_some_and(|(_, damage)| !damage.is_empty());
    match loaded.map {
        None => Outcome::NotDone,
        Some(_) if damaged || loaded.faults.iter().any(Fault::is_error) => Outcome::WithFaults,
        Some(_) => Outcome::Done,
    }
}

fn roles(map: &Map) -> Vec<String> {
    map.roles.iter().map(|role| role.slot.key(map.packs())).collect()
}

fn print(map: &Map, surveyed: Option<&(SurveyReport, Vec<Damage>)>) {
    let signals: usize = map.messages.iter().map(|message| message.signals.len()).sum();
    let roles = roles(map);
    println!("{}: {} messages, {signals} signals", map.name, map.messages.len());
    println!("roles: {}", if roles.is_empty() { "none".to_owned() } else { roles.join(", ") });
    if let Some((report, damage)) = surveyed {
        say::damage(damage);
        print_report(map, report);
    }
}

fn as_json(loaded: &Loaded, surveyed: Option<&(SurveyReport, Vec<Damage>)>) -> Value {
    let against = |map: &Map, (report, damage): &(SurveyReport, Vec<Damage>)| {
        let messages = map.messages.iter().zip(&report.messages);
        let signals = messages.flat_map(|(message, seen)| {
            let signals = names(message).zip(&message.signals).zip(&seen.signals);
            signals.map(|((name, signal), seen)| {
                let counts = &seen.counts;
                json!({
                    "signal": name, "unit": signal.unit, "samples": counts.seen(), "rate_hz": seen.rate_hz,
                    "least": seen.extremes.map(|(least, _)| least), "greatest": seen.extremes.map(|(_, most)| most),
                    "not_available": counts.not_available, "out_of_range": counts.out_of_range,
                    "not_finite": counts.not_finite, "too_short": counts.too_short,
                })
            })
        });
        let unknown = report.unknown.iter().map(|unknown| {
            json!({ "bus": unknown.bus, "id": id(unknown.id), "frames": unknown.frames, "rate_hz": unknown.rate_hz })
        });
        json!({
            "duration_s": report.duration.seconds(), "signals": signals.collect::<Vec<_>>(),
            "unknown": unknown.collect::<Vec<_>>(), "damage": damage,
        })
    };
    json!({
        "map": loaded.map.as_ref().map(|map| &map.name),
        "messages": loaded.map.as_ref().map(|map| map.messages.iter().map(|message| &message.name).collect::<Vec<_>>()),
        "roles": loaded.map.as_ref().map(roles),
        "faults": loaded.faults.iter().map(say::FaultJson::from).collect::<Vec<_>>(),
        "against": loaded.map.as_ref().zip(surveyed).map(|(map, surveyed)| against(map, surveyed)),
    })
}

fn survey(map: &Map, recordings: &[PathBuf]) -> Result<(SurveyReport, Vec<Damage>), Fault> {
    let mut replay = Replay::open(recordings, Some(map), BATCH)?;
    let mut survey = Survey::new(map);
    let mut batch = Batch::default();
    while replay.next(&mut batch)? {
        for frame in &batch.frames {
            survey.frame(frame, batch.payload(frame), replay.names());
        }
        for stamped in &batch.rest {
            match &stamped.item {
                Item::Reply(reply) => survey.reply(stamped.at, reply, replay.names()),
                Item::Row(row) => survey.row(stamped.at, row),
                _ => {}
            }
        }
        batch.clear();
    }
    Ok((survey.report(replay.names()), Damage::of(replay.damage())))
}

fn print_report(map: &Map, report: &SurveyReport) {
    println!("\n{:.1} s of recording", report.duration.seconds());
    let width = map.messages.iter().flat_map(names).map(|name| name.chars().count()).max().unwrap_or(0).clamp(6, 40);
    println!("\n{:width$}  {:>9}  {:>8}  {:>22}  {:>9}", "signal", "samples", "Hz", "range", "left out");
    for (message, seen) in map.messages.iter().zip(&report.messages) {
        print_message(message, seen, width);
    }
    if !report.unknown.is_empty() {
        println!("\nidentifiers that the map does not know: {}", report.unknown.len());
        for unknown in report.unknown.iter().take(UNKNOWN_MAX) {
            println!(
                "  {} {:>8}  {:>9} frames  {:>8} Hz",
                unknown.bus,
                id(unknown.id),
                unknown.frames,
                rate(unknown.rate_hz)
            );
        }
        if report.unknown.len() > UNKNOWN_MAX {
            println!("  and {} more", report.unknown.len() - UNKNOWN_MAX);
        }
    }
}

fn names(message: &Message) -> impl Iterator<Item = String> + '_ {
    message.signals.iter().map(|signal| format!("{}.{}", message.name, signal.name))
}

fn print_message(message: &Message, seen: &MessageReport, width: usize) {
    if seen.frames == 0 {
        let what = match &message.origin {
            Origin::Frame { id: of, .. } => format!("{} never seen ({})", message.name, id(*of)),
            _ => format!("{} never seen", message.name),
        };
        println!("{what}");
        return;
    }
    for ((name, signal), seen) in names(message).zip(&message.signals).zip(&seen.signals) {
        let counts = &seen.counts;
        let range = match seen.extremes {
            Some((least, greatest)) => {
                let digits = decimals(signal.scale);
                format!("{least:.digits$} to {greatest:.digits$} {}", signal.unit).trim_end().to_owned()
            }
            None => "never available".to_owned(),
        };
        let all = counts.seen();
        let left_out = if all == 0 { 0.0 } else { 100.0 * (all - counts.available) as f64 / all as f64 };
        println!("{name:width$}  {all:>9}  {:>8}  {range:>22}  {left_out:>7.2} %", rate(seen.rate_hz));
    }
}

/// Decimals that show a signal's own steps.
fn decimals(scale: f64) -> usize {
    (0..6).find(|digits| (scale * 10f64.powi(*digits as i32)).fract().abs() < 1e-9).unwrap_or(6)
}

fn rate(hz: Option<f64>) -> String {
    hz.map_or_else(|| "-".to_owned(), |hz| format!("{hz:.1}"))
}

fn id(id: CanId) -> String {
    match id {
        CanId::Standard(id) => format!("{id:03X}"),
        CanId::Extended(id) => format!("{id:08X}"),
    }
}
