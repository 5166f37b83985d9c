//! The rehearsal's model: what it must keep whatever the scenario, and its frames against its own truth through the whole line.
//!
//! The road load is checked against coefficients in the public form (lbf, mph); everything else is an identity.

use std::path::PathBuf;
use std::sync::LazyLock;

use drawdown::decode::Decoder;
use drawdown::document::Document;
use drawdown::ledger::{Ledger, Sums};
use drawdown::map::Map;
use drawdown::observation::{Batch, BusNames};
use drawdown::rehearsal::{Rehearsal, RoadLoad, Scenario, Truth};
use drawdown::time::{RunTime, Steady};
use proptest::prelude::*;

use crate::support::root;

fn demo_map() -> Map {
    drawdown::map::load(&root().join("signal-maps/demo.toml")).map.expect("the demo's map")
}

static SCENARIO: LazyLock<String> =
    LazyLock::new(|| std::fs::read_to_string(root().join("recordings/demo-scenario.toml")).expect("the scenario"));

/// The demo's scenario with a small pack, so that it ends soon, and other changes.
fn short(changes: &[(&str, &str)]) -> Rehearsal {
    let mut text =
        SCENARIO.replace("capacity_ah = 148", "capacity_ah = 6").replace("start_s = 4321.7", "start_s = 300.0");
    for (from, to) in changes {
        assert!(text.contains(from), "the scenario has no '{from}'");
        text = text.replace(from, to);
    }
    let (scenario, faults) = Scenario::parse(Document::from_text("short.toml", text));
    let scenario = scenario.unwrap_or_else(|| panic!("{faults:?}"));
    let course = drawdown::course::Course::load(&root().join("recordings/demo-course.toml")).0.expect("the course");
    Rehearsal::new(&scenario, &course, &demo_map()).unwrap_or_else(|faults| panic!("{faults:?}"))
}

/// All frames in one batch, and the truth.
fn drive(mut rehearsal: Rehearsal) -> (Batch, BusNames, Truth) {
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    while rehearsal.step(&mut batch, &mut names) {}
    let truth = rehearsal.truth();
    (batch, names, truth)
}

fn integrated(batch: &Batch, names: &BusNames) -> Sums {
    let map = demo_map();
    let mut decoder = Decoder::new(&map);
    decoder.set_buses(names);
    let mut ledger = Ledger::for_map(&map);
    let origin = batch.frames[0].at;
    let since = |at: Steady| RunTime((at - origin).0);
    for frame in &batch.frames {
        if let Some(decoded) = decoder.frame(frame, batch.payload(frame)) {
            for tap in decoded.taps {
                if let Some(value) = tap.value(decoded.values) {
                    ledger.sample(tap.role, since(frame.at), value);
                }
            }
        }
        ledger.drain_trace(|_| {});
    }
    ledger.finish(since(batch.frames[batch.frames.len() - 1].at));
    ledger.sums()
}

#[test]
fn road_load_by_public_coast_down_coefficients() {
    // A 30 lbf, B 0.2 lbf/mph, C 0.018 lbf/mph^2 at 70 mph: 132.2 lbf, 588.0549 N (arithmetic from the definitions of lbf and mph).
    let load = RoadLoad::from_lbf_mph([30.0, 0.2, 0.018]);
    let speed = 70.0 * 0.447_04;
    assert!((load.force(speed, 0.0) - 588.0549).abs() < 1e-4, "{}", load.force(speed, 0.0));
    assert!((load.force(speed, 0.0) * speed - 18_401.88).abs() < 0.01);
    // Out and back in a wind w along the road: the C part grows by w^2 / v^2, it does not cancel.
    let both = (load.force(30.0, 5.0) + load.force(30.0, -5.0)) / 2.0 - load.force(30.0, 0.0);
    assert!((both - load.c * 25.0).abs() < 1e-9);
}

#[test]
fn exact_sensors_give_the_truth() {
    let (batch, names, truth) = drive(short(&[
        (
            "gain = 0.0031, zero_a = 0.11, noise_a = 0.12, delay_ms = 9",
            "gain = 0.0, zero_a = 0.0, noise_a = 0.0, delay_ms = 0",
        ),
        ("gain = -0.0012, noise_v = 0.04, delay_ms = 4", "gain = 0.0, noise_v = 0.0, delay_ms = 0"),
        ("duration_s = 8.2", "duration_s = 0.1"),
    ]));
    let sums = integrated(&batch, &names);
    let net = (sums.energy_out - sums.energy_in) / 3.6e6;
    // What is left is the rounding to the frames' bits and 20 ms between samples.
    assert!((net / truth.whole.net_kwh - 1.0).abs() < 5e-4, "{net} kWh, truth {}", truth.whole.net_kwh);
    let distance = sums.distance / 1e3;
    assert!((distance / truth.whole.wheel_distance_km - 1.0).abs() < 5e-4, "{distance} km");
}

#[test]
fn usable_energy_runs_from_unplugging_to_the_first_held_zero() {
    let (batch, names, truth) = drive(short(&[]));
    let (usable, reserve) = (truth.usable.expect("a full discharge"), truth.reserve.expect("something beyond 0 %"));
    assert!((usable.net_kwh + reserve.used.net_kwh - truth.whole.net_kwh).abs() < 1e-9);
    assert!(truth.reached_charger || truth.stopped_on_road);
    assert_eq!(truth.checkpoints.last().map(|checkpoint| checkpoint.displayed_percent), Some(0.0));
    // The gap leaves no frame, and the sums of what was seen less than the truth.
    let gap = &truth.gaps[0];
    let start = batch.frames[0].at.0 as f64 / 1e6 + gap.start_s;
    let inside = |at: Steady| (start + 0.1..start + gap.within.duration_s - 0.1).contains(&(at.0 as f64 / 1e6));
    assert!(!batch.frames.iter().any(|frame| inside(frame.at)), "frames inside the gap");
    assert!(integrated(&batch, &names).time_unobserved > gap.within.duration_s - 0.5);
}

#[test]
fn one_seed_one_drive() {
    let frames = |seed: &str| drive(short(&[("seed = 20270314", seed)])).0.frames;
    let first = frames("seed = 1");
    assert!(first == frames("seed = 1"));
    assert!(first != frames("seed = 2"));
}

/// The TOML blocks of a page.
fn examples(page: &str) -> Vec<String> {
    let path: PathBuf = root().join("docs").join(page);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    text.split("```toml\n").skip(1).filter_map(|block| block.split("```").next()).map(str::to_owned).collect()
}

#[test]
fn the_examples_of_the_pages_on_course_and_card_are_read() {
    let courses = examples("course.md");
    let cards = examples("card.md");
    assert_eq!((courses.len(), cards.len()), (1, 1));
    let folder = crate::support::scratch();
    let (course, card) = (folder.path().join("course.toml"), folder.path().join("card.toml"));
    std::fs::write(&course, &courses[0]).expect("a course");
    std::fs::write(&card, &cards[0]).expect("a card");
    let (read, faults) = drawdown::course::Course::load(&course);
    assert!(read.is_some() && faults.is_empty(), "{faults:?}");
    let (read, faults) = drawdown::card::Card::load(&card);
    assert!(read.is_some_and(|card| card.runs.len() == 2) && faults.is_empty(), "{faults:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn no_scenario_text_panics(at in any::<prop::sample::Index>(), put in "[-0-9a-z\\[\\]{}=.\"# \n]{0,6}", cut in 0usize..12) {
        let text = &*SCENARIO;
        let start = at.index(text.len());
        let end = (start + cut).min(text.len());
        if text.is_char_boundary(start) && text.is_char_boundary(end) {
            let changed = format!("{}{put}{}", &text[..start], &text[end..]);
            let (scenario, faults) = Scenario::parse(Document::from_text("changed.toml", changed));
            prop_assert!(scenario.is_some() || !faults.is_empty(), "refused without a word");
        }
    }
}
