//! The demo: the whole job on the committed recording, against the truth that the rehearsal's model knows.
//!
//! The truth is the project's own; outside checks of the parts are in the modules beside this one. That the recording is
//! made again bit for bit is checked by `tests/run`, with the release build.

use serde_json::Value;

use crate::support::{companion, figure, root, scratch, stdout};

#[test]
fn the_demos_figures_lie_within_their_intervals_of_the_truth() {
    let folder = scratch();
    let printed = stdout(companion().arg("demo").arg("--into").arg(folder.path().join("demo")));
    assert!(!printed.contains("OUTSIDE"), "{printed}");
    let run = printed.lines().find_map(|line| line.strip_prefix("files: ")).expect("where the files are");
    let reduced: Value = serde_json::from_str(&stdout(companion().arg("reduce").arg(run).arg("--json"))).expect("JSON");
    let truth = std::fs::read_to_string(root().join("recordings/demo.truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&truth).expect("JSON");
    for (ours, theirs) in [
        (&reduced["energy"]["net_kwh"], &truth["whole"]["net_kwh"]),
        (&reduced["distance_km"], &truth["whole"]["distance_km"]),
        (&reduced["consumption_wh_per_km"], &truth["consumption_wh_per_km"]),
        (&reduced["usable_capacity"]["kwh"], &truth["usable"]["net_kwh"]),
        (&reduced["usable_capacity"]["ah"], &truth["usable"]["charge_net_ah"]),
        (&reduced["checkpoints"]["reached"][4]["so_far"]["km"], &truth["to_zero"]["distance_km"]),
        (&reduced["checkpoints"]["reached"][4]["so_far"]["kwh"], &truth["to_zero"]["net_kwh"]),
    ] {
        let (value, truth) = (figure(ours), theirs.as_f64().expect("a number"));
        let u95 = ours["u95"].as_f64().expect("an interval");
        assert!((value - truth).abs() <= u95, "{value} ± {u95}, truth {truth}");
        // An interval that holds everything would hold the truth too.
        assert!(u95 < 0.05 * value, "{value} ± {u95} says nothing");
    }
    assert_eq!(reduced["usable_capacity"]["method"], "full");
    // The scenario's climate control: 3100 W at the start, 640 W in the end, a decay of 420 s: 2460 W * 420 s = 0.287 kWh by
    // hand, over much more than 420 s.
    let warm_up = &reduced["shares"]["warm_up"];
    let u95 = warm_up["kwh"]["u95"].as_f64().expect("an interval");
    assert!((figure(&warm_up["kwh"]) - 0.287).abs() < u95 && u95 < 0.05, "{warm_up}");
    assert!((warm_up["decay_s"].as_f64().expect("a number") - 420.0).abs() < 10.0, "{warm_up}");
    // Accessories of 310 W for 10 278 s: 0.885 kWh by hand.
    let accessories = &reduced["shares"]["consumers"][1];
    assert_eq!(accessories["consumer"], "accessory_power");
    assert!((figure(&accessories["kwh"]) - 0.885).abs() < 0.01, "{accessories}");
    assert_eq!(reduced["tenths"].as_array().map(Vec::len), Some(10));
}

#[test]
fn the_demos_turns_are_known_by_its_course() {
    let folder = scratch();
    let printed = stdout(companion().arg("demo").arg("--into").arg(folder.path().join("demo")));
    let run = printed.lines().find_map(|line| line.strip_prefix("files: ")).expect("where the files are");
    let card = folder.path().join("card.toml");
    let course = root().join("recordings/demo-course.toml");
    std::fs::write(&card, format!("course = '{}'\n", course.display())).expect("a card");
    let printed = stdout(companion().arg("reduce").arg(run).arg("--card").arg(&card).arg("--json"));
    let reduced: Value = serde_json::from_str(&printed).expect("JSON");
    assert_eq!(reduced["legs"]["by"], "the distance driven on the course");
    let legs = reduced["legs"]["legs"].as_array().expect("legs");
    // From Quaymoor (0 km) to Orrindale (58.5 km), then between there and Tollen Cross (3.5 km), each turn's own way (1.1 and
    // 0.9 km) shared half and half; the wheels read 0.9 % too much.
    for (at, leg) in legs.iter().enumerate().take(legs.len() - 1) {
        let road = if at == 0 { 58.5 + 0.55 } else { 55.0 + 1.0 };
        let kilometres = figure(&leg["distance_km"]);
        assert!((kilometres / 1.009 - road).abs() < 0.3, "leg {at}: {kilometres} km of {road}");
        assert_eq!(leg["direction"], ["out", "back"][at % 2]);
    }
    assert!(legs.len() > 4, "{}", legs.len());
}

#[test]
fn a_recording_that_is_quiet_for_long_is_two_runs() {
    let folder = scratch();
    let (log, data) = (folder.path().join("two.log"), folder.path().join("DATA"));
    let map = root().join("signal-maps/demo.toml");
    let frame = |second: u32| format!("({}.000000) can0 155#0102030405060708\n", 1_800_000_000 + second);
    let text: String = (0..30).chain(90..120).chain(200..210).map(frame).collect();
    std::fs::write(&log, text).expect("a recording");
    let runs = |quiet: &str| {
        let data = data.join(quiet);
        let printed = stdout(
            companion()
                .arg("ingest")
                .arg(&log)
                .arg("--map")
                .arg(&map)
                .args(["--vehicle", "heron", "--quiet-s", quiet, "--into"])
                .arg(data),
        );
        printed.lines().count()
    };
    // Silences of 61 s and 81 s.
    assert_eq!([runs("60"), runs("61"), runs("81")], [3, 2, 1]);
}

#[test]
fn what_a_person_reads_of_the_demo() {
    let folder = scratch();
    let printed = stdout(companion().arg("demo").arg("--into").arg(folder.path().join("demo")));
    let report: String =
        printed.lines().take_while(|line| !line.starts_with("files: ")).map(|line| format!("{line}\n")).collect();
    assert!(report.lines().all(|line| line.chars().count() <= 80), "wider than a terminal:\n{report}");
    let readme = std::fs::read_to_string(root().join("README.md")).expect("README.md");
    let head = report.split("\nBy tenth").next().expect("a report");
    assert!(readme.contains(head), "README.md does not show what the demo prints:\n{head}");
    insta::assert_snapshot!(report);
}
