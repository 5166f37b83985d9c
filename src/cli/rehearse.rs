//! `drawdown rehearse`: an invented car on a course, live through the whole daemon; or its drive as a recording, with `-o`.
//!
//! Only calls the rehearsal room and the daemon. Whether a file is a course or a scenario is told by what it holds.

mod equipment;
mod live;
mod files;

use std::path::{Path, PathBuf};

use super::interrupt::Making;
use super::{Outcome, output, progress, say};
use crate::document::{Document, Fault};
use crate::rehearsal;
use crate::store::bundle::archive::Aside;
use crate::store::disk;
use files::Given;

#[derive(clap::Args)]
#[command(
    after_help = "With -o the drive is written as a recording, as fast as it goes, and nothing else happens. Without it the \
    daemon is run on an invented car: watched, spoken and recorded as a real drive would be, until the car has arrived or on \
    ctrl-C; then the recording is reduced. Its runs are marked as a rehearsal: nothing was measured.\n\n\
    Examples:\n  \
    drawdown rehearse course.toml --speed 20x\n  \
    drawdown rehearse course.toml --card test.toml --config car.toml\n  \
    drawdown rehearse recordings/demo-scenario.toml --map signal-maps/demo.toml -o /tmp/drive.log.zst\n\n\
    Exit status: 0 done; 1 stopped before the car had arrived, or something was wrong with the input; 2 not done."
)]
pub struct Arguments {
    /// A course (TOML), which has places; or a scenario (TOML), which has a car and names its course
    #[arg(value_name = "COURSE|SCENARIO")]
    what: PathBuf,
    /// The recording to write, as candump text, compressed unless its name ends in .log; the model's truth goes beside it
    #[arg(short, long, value_name = "FILE", conflicts_with_all = ["speed", "data", "page", "card", "config"])]
    output: Option<PathBuf>,
    /// How many times as fast as the world, 1x to 500x
    #[arg(long, value_name = "FACTOR", default_value = "20x", value_parser = times)]
    speed: f64,
    /// The scenario that is driven on a course; without it the demo's
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// The signal map (TOML); without it that of the configuration, else the demo's
    #[arg(long, value_name = "FILE")]
    map: Option<PathBuf>,
    /// A new folder for what is recorded; without it one named by the time
    #[arg(long, value_name = "FOLDER")]
    data: Option<PathBuf>,
    /// Where the page is served; 'off' for none
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8460")]
    page: String,
    /// The test card (TOML): target, tolerance, units, claimed energy
    #[arg(long, value_name = "FILE")]
    card: Option<PathBuf>,
    /// The daemon's own configuration for the real drive: what it names is looked for, its map, card, car and speech are used
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// `20x`, or `20`.
fn times(text: &str) -> Result<f64, String> {
    let factor = text.strip_suffix('x').unwrap_or(text).parse().ok();
    factor.filter(|factor| (1.0..=500.0).contains(factor)).ok_or_else(|| "write 1x to 500x".into())
}

/// What a file is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    Course,
    Scenario,
}

/// What a file is, by what it holds: a course has places, a scenario a car.
fn kind(path: &Path) -> Result<Kind, Fault> {
    let document = Document::read(path)?;
    let (table, faults) = document.parse_toml::<toml::Table>();
    let table = table.ok_or_else(|| faults.into_iter().next().unwrap_or_else(|| neither(path)))?;
    match (table.contains_key("place"), table.contains_key("vehicle") && table.contains_key("pack")) {
        (true, false) => Ok(Kind::Course),
        (false, true) => Ok(Kind::Scenario),
        _ => Err(neither(path)),
    }
}

fn neither(path: &Path) -> Fault {
    let fault = Fault::whole(path.display().to_string(), "is neither a course nor a scenario");
    fault.remedy("a course has [[place]] tables (docs/course.md), a scenario [vehicle] and [pack] (docs/rehearsal.md)")
}

pub fn run(arguments: &Arguments) -> Outcome {
    let done = kind(&arguments.what).map_err(|fault| vec![fault]).and_then(|kind| match &arguments.output {
        Some(output) => record(arguments, kind, output).map(|()| Outcome::Done),
        None => live::drive(arguments, kind),
    });
    done.unwrap_or_else(|faults| {
        say::faults(&faults);
        Outcome::NotDone
    })
}

/// Writes the recording of a drive.
fn record(arguments: &Arguments, kind: Kind, to: &Path) -> Result<(), Vec<Fault>> {
    let mut rehearsal = Given::of(arguments, kind, None).rehearsal()?;
    let one = |fault: Fault| vec![fault];
    let name = to.file_name().ok_or_else(|| one(Fault::whole(to.display().to_string(), "names no file")))?;
    // Both files are made aside, under their own names, and appear when they are whole.
    let aside = Aside::make(output::folder_of(to)).map_err(|error| one(error.into()))?;
    let _making = Making::of(aside.path());
    let bar = progress::work("driving");
    let recording = aside.path().join(name);
    rehearsal::record_drive(&mut rehearsal, &recording)?;
    bar.finish_and_clear();
    let truth = (rehearsal::truth_path(&recording), rehearsal::truth_path(to));
    for (from, to) in [(recording.as_path(), to), (&truth.0, &truth.1)] {
        disk::rename(from, to).map_err(|error| one(error.into()))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_known_by_what_it_holds() {
        let folder = tempfile::tempdir().expect("a folder");
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        assert_eq!(kind(&root.join("recordings/demo-course.toml")), Ok(Kind::Course));
        assert_eq!(kind(&root.join("recordings/demo-scenario.toml")), Ok(Kind::Scenario));
        let said = |text: &str| {
            let path = folder.path().join("x.toml");
            std::fs::write(&path, text).expect("a file");
            kind(&path).unwrap_err().to_string().replace(&folder.path().display().to_string(), "")
        };
        assert!(said("name = 'x'").starts_with("/x.toml: is neither a course nor a scenario; a course has"));
        assert!(said("name = ").starts_with("/x.toml:1: "), "{}", said("name = "));
        assert!(kind(&folder.path().join("none.toml")).is_err());
    }

    #[test]
    fn factors_are_written_with_or_without_x() {
        assert_eq!((times("20x"), times("1"), times("2.5x")), (Ok(20.0), Ok(1.0), Ok(2.5)));
        assert!(["0x", "x", "501x", "-3", "nan", "20 x"].iter().all(|text| times(text).is_err()));
    }
}
