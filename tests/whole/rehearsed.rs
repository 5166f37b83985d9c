//! A rehearsal through the whole daemon: an invented car, driven live many times as fast as the world, is recorded as a car on a
//! bus would be, and marked as what it is.
//!
//! What is measured is held against the model's own truth, which no part of the daemon sees.

use std::fs;
use std::path::Path;

use drawdown::reduce::{self, Options};
use drawdown::rehearsal::Truth;
use drawdown::store::data_set::DataSet;

use crate::support::{companion, daemon, root, run, scratch};

/// The demo's scenario with a pack that lasts for some 15 km and a large reserve.
pub fn small_car() -> String {
    let text = fs::read_to_string(root().join("recordings/demo-scenario.toml")).expect("the scenario");
    text.replace("capacity_ah = 148", "capacity_ah = 26")
        .replace("displayed_bottom_percent = 4.2", "displayed_bottom_percent = 70")
        .replace("start_s = 4321.7", "start_s = 300.0")
}

fn config(folder: &Path) {
    for name in ["demo.toml", "demo.dbc"] {
        fs::copy(root().join("signal-maps").join(name), folder.join(name)).expect("a map");
    }
    fs::copy(root().join("recordings/demo-course.toml"), folder.join("course.toml")).expect("a course");
    fs::write(folder.join("scenario.toml"), small_car()).expect("a scenario");
    let text = "vehicle = 'invented'\ndata = 'DATA'\nmap = 'demo.toml'\nfree_space_floor_mb = 0\n\
        [[source]]\nkind = 'rehearsal'\nscenario = 'scenario.toml'\ncourse = 'course.toml'\nspeed = 150\ntruth = 'truth.json'\n";
    fs::write(folder.join("car.toml"), text).expect("a configuration");
}

#[test]
fn a_rehearsal_is_recorded_as_a_drive_and_marked_as_none() {
    let folder = scratch();
    config(folder.path());
    // It ends by itself: the car arrives, its bus falls asleep, its run is finished.
    run(daemon().arg("--config").arg(folder.path().join("car.toml")));
    let runs = DataSet::open(&folder.path().join("DATA")).and_then(|data| data.runs()).expect("runs");
    assert_eq!(runs.len(), 1);
    let file = runs[0].read_run_file().expect("run.json");
    assert!(file.is_rehearsal() && file.sources[0].name.starts_with("rehearsal of "), "{:?}", file.sources);
    assert!(file.tables.iter().any(|table| table.folder == "fixes" && table.rows > 500), "{:?}", file.tables);
    let late: Vec<_> = file.troubles.iter().filter(|trouble| trouble.text.contains("late")).collect();
    assert!(late.is_empty(), "{late:?}");

    let truth: Truth =
        serde_json::from_str(&fs::read_to_string(folder.path().join("truth.json")).expect("a truth")).expect("values");
    assert!(truth.reached_charger && truth.to_zero.is_some());
    let loaded = reduce::load::runs(&[&runs[0].path]);
    assert!(loaded.faults.is_empty(), "{:?}", loaded.faults);
    assert!(
        loaded.runs[0].problems.iter().any(|problem| problem.contains("a rehearsal")),
        "{:?}",
        loaded.runs[0].problems
    );
    let reduction = reduce::reduce(&loaded.runs, None, &Options::default());
    let net = reduction.energy.net.as_ref().expect("a net energy");
    let (measured, u95) = (net.value / 3.6e6, net.u95() / 3.6e6);
    assert!((measured - truth.whole.net_kwh).abs() <= u95, "{measured} ± {u95}, truly {}", truth.whole.net_kwh);
    assert!(u95 < 0.2 * measured, "{u95} of {measured}");
    let text = drawdown::sheet::table(&reduction, Default::default());
    assert!(text.contains("a rehearsal: an invented car"), "{text}");
}

/// `drawdown rehearse` on the demo's course with the small car.
fn rehearse(folder: &Path, more: &[&str]) -> std::process::Output {
    fs::write(folder.join("scenario.toml"), small_car()).expect("a scenario");
    let mut command = companion();
    command.arg("rehearse").arg(root().join("recordings/demo-course.toml"));
    command.arg("--scenario").arg(folder.join("scenario.toml")).args(more).current_dir(folder);
    command.output().expect("the companion")
}

#[test]
fn one_command_rehearses_a_course_and_reduces_it() {
    let folder = scratch();
    let output = rehearse(folder.path(), &["--speed", "150x", "--data", "evening", "--page", "off"]);
    let (said, wrong) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && !wrong.contains("ERROR") && !wrong.contains("WARN"), "{said}{wrong}");
    assert!(wrong.contains("said: Next: turn at "), "what would be said aloud is logged: {wrong}");
    for expected in [
        "Equipment",
        "found: Quaymoor to Orrindale; places 6, turns 4,",
        "Heron 50, invented, 150 times real time",
        "speech                not given",
        "Rehearsal: an invented car was driven, nothing was measured.\n\nVehicle",
        "a rehearsal: an invented car was driven, nothing was",
        "The model knows the truth:",
    ] {
        assert!(said.contains(expected), "{expected} is missing:\n{said}");
    }
    assert_eq!((said.matches("inside the interval").count(), said.matches("OUTSIDE").count()), (5, 0), "{said}");
    let kept = folder.path().join("evening/data/vehicle=invented");
    let run = fs::read_dir(kept).expect("runs").next().expect("a run").expect("its folder").path();
    for name in ["car.toml", "demo.toml", "demo.dbc", "scenario.toml", "demo-course.toml"] {
        assert!(run.join("source-files").join(name).exists(), "{name} is not kept");
    }
    let again = rehearse(folder.path(), &["--data", "evening"]);
    let wrong = String::from_utf8_lossy(&again.stderr);
    assert_eq!(again.status.code(), Some(2));
    assert_eq!(
        wrong.trim_end(),
        "evening: is not empty: a rehearsal is kept apart from measurements; name a new folder with --data"
    );
}

#[test]
fn a_recording_can_be_made_on_another_course_than_the_scenarios() {
    let folder = scratch();
    let output = rehearse(folder.path(), &["-o", "drive.log.zst"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let truth: Truth =
        serde_json::from_str(&fs::read_to_string(folder.path().join("drive.truth.json")).expect("a truth"))
            .expect("its values");
    // The way from Quaymoor to Sallowmere and back, and the turn there: 17 + 0.7 + 17 km.
    assert!(truth.reached_charger && (truth.whole.distance_km - 34.7).abs() < 0.01, "{}", truth.whole.distance_km);
}
