//! `drawdown course`: everything wrong with a course, what it allows, and a course made from a track or a recorded drive.
//!
//! Only calls the course room and the store; plans nothing.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{Outcome, say};
use crate::course::{self, Course, Direction, Line, LinePoint, Place, Position, Side};
use crate::document::Fault;
use crate::format::{self, line};
use crate::store::reader;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  drawdown course check course.toml\n  \
    drawdown course from-gpx lap.gpx -o course.toml\n  \
    drawdown course from-run DATA/vehicle=heron/run=20270314T061502Z -o course.toml\n\n\
    Exit status: 0 done; 1 done, but something is wrong with the course; 2 not done.")]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand)]
enum What {
    /// Say everything that is wrong with a course, and what it allows
    Check {
        /// The course (TOML)
        #[arg(value_name = "COURSE")]
        course: PathBuf,
        /// Print JSON instead of text
        #[arg(long)]
        json: bool,
    },
    /// Make a course from a GPX track; where one can turn and where chargers are is for you to fill in
    FromGpx {
        /// The track (GPX 1.0 or 1.1); its waypoints become names
        #[arg(value_name = "TRACK")]
        track: PathBuf,
        #[command(flatten)]
        output: Output,
    },
    /// Make a course from the fixes of a recorded drive, of one that came back its way there
    FromRun {
        /// The run's folder
        #[arg(value_name = "RUN")]
        run: PathBuf,
        #[command(flatten)]
        output: Output,
    },
}

#[derive(clap::Args)]
struct Output {
    /// The file to write, which must not be there yet; without it, standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

pub fn run(arguments: &Arguments) -> Outcome {
    match &arguments.what {
        What::Check { course, json } => check(course, *json),
        What::FromGpx { track, output } => match from_gpx(track) {
            Ok(line) => made(&line, track, output),
            Err(fault) => say::not_done(&fault),
        },
        What::FromRun { run, output } => match from_run(run) {
            Ok(line) => made(&line, run, output),
            Err(fault) => say::not_done(&fault),
        },
    }
}

fn from_gpx(track: &Path) -> Result<Line, Fault> {
    let file = File::open(track).map_err(|error| Fault::io(track, "read", &error))?;
    course::read_gpx(BufReader::new(file)).map_err(|what| {
        Fault::whole(track.display().to_string(), what).remedy("export the track again as GPX 1.1, or draw it anew")
    })
}

fn from_run(run: &Path) -> Result<Line, Fault> {
    let mut points = Vec::new();
    reader::read_fixes(run, |_, fix| {
        let position = Position { latitude_deg: fix.latitude, longitude_deg: fix.longitude };
        points.push(LinePoint { position, elevation: fix.altitude.is_finite().then_some(fix.altitude) });
    })
    .map_err(Fault::from)?;
    if points.is_empty() {
        let fault = Fault::whole(run.display().to_string(), "holds no fixes");
        return Err(fault.remedy("record with a satellite receiver (docs/position.md)"));
    }
    Ok(Line { name: None, points, named: Vec::new() })
}

fn made(line: &Line, from: &Path, output: &Output) -> Outcome {
    let written = match course::write(line) {
        Ok(written) => written,
        Err(unfit) => return say::not_done(&Fault::whole(from.display().to_string(), unfit.to_string())),
    };
    for note in &written.notes {
        eprintln!("{}: {note}", from.display());
    }
    let Some(path) = &output.output else {
        print!("{}", written.text);
        return Outcome::Done;
    };
    say::new_file(path, &written.text)
}

fn check(path: &Path, json: bool) -> Outcome {
    let (course, faults) = Course::load(path);
    if json {
        say::json(&as_json(path, course.as_ref(), &faults));
    } else {
        say::faults(&faults);
        course.iter().for_each(|course| print!("{}", text(course)));
    }
    match course {
        None => Outcome::NotDone,
        Some(_) if faults.iter().any(Fault::is_error) => Outcome::WithFaults,
        Some(_) => Outcome::Done,
    }
}

fn as_json(path: &Path, course: Option<&Course>, faults: &[Fault]) -> Value {
    let side = |side: Side| match side {
        Side::Both => "both",
        Side::Out => "out",
        Side::Back => "back",
    };
    let place = |place: &Place| {
        json!({
            "name": place.name, "km": place.at.km(),
            "turn_out_km": place.turn_out.as_ref().map(|turn| turn.length.km()),
            "turn_back_km": place.turn_back.as_ref().map(|turn| turn.length.km()),
            "charger": place.charger.map(side), "refuge": place.refuge.map(side), "trailer": place.trailer,
        })
    };
    let longest = |course: &Course, direction| longest_without_turn(course, direction).map(|(.., way)| way / 1e3);
    json!({
        "course": path.display().to_string(),
        "name": course.map(|course| &course.name),
        "places": course.map(|course| course.places.iter().map(place).collect::<Vec<_>>()),
        "longest_without_turn_out_km": course.and_then(|course| longest(course, Direction::Out)),
        "longest_without_turn_back_km": course.and_then(|course| longest(course, Direction::Back)),
        "faults": faults.iter().map(say::FaultJson::from).collect::<Vec<_>>(),
    })
}

/// What a course allows, place by place.
fn text(course: &Course) -> String {
    let (first, last) = (&course.places[0], &course.places[course.places.len() - 1]);
    let km = |metres: f64| format!("{} km", format::significant(metres / 1e3, 3));
    let mut text = line(
        "Course",
        &format!("{}, {} from {} to {}", course.name, km((last.at - first.at).0), first.name, last.name),
    );
    for place in &course.places {
        let mut what = Vec::new();
        match (place.turn_out, place.turn_back) {
            (Some(turn), Some(_)) => what.push(format!("turn, {}", km(turn.length.0))),
            (Some(turn), None) => what.push(format!("turn if driving out, {}", km(turn.length.0))),
            (None, Some(turn)) => what.push(format!("turn if driving back, {}", km(turn.length.0))),
            (None, None) => {}
        }
        let side = |side: Side| match side {
            Side::Both => "",
            Side::Out => " if driving out",
            Side::Back => " if driving back",
        };
        what.extend(place.charger.map(|of| format!("charger{}", side(of))));
        what.extend(place.refuge.map(|of| format!("safe stop{}", side(of))));
        if !place.trailer {
            what.push("not with a trailer".into());
        }
        let what = if what.is_empty() { String::new() } else { format!(": {}", what.join("; ")) };
        text += &line(&format!("  {:>7.1} km", place.at.km()), &format!("{}{what}", place.name));
    }
    for (direction, name) in [(Direction::Out, "out"), (Direction::Back, "back")] {
        if let Some((from, to, way)) = longest_without_turn(course, direction) {
            let said = format!("{}, {from} to {to}", km(way));
            text += &line(&format!("Longest without a turn, {name}"), &said);
        }
    }
    text
}

/// The longest way in a direction on which one cannot turn: it is what a missed turn costs.
fn longest_without_turn(course: &Course, direction: Direction) -> Option<(&str, &str, f64)> {
    let turns = course.places.iter().filter(|place| place.turn(direction).is_some());
    let turns: Vec<_> = turns.collect();
    let ways = turns.windows(2).map(|pair| (&*pair[0].name, &*pair[1].name, (pair[1].at - pair[0].at).0));
    ways.max_by(|a, b| a.2.total_cmp(&b.2))
}
