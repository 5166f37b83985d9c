//! The model against arithmetic and its own books: road load, energy balance, distances, ends of a drive, what is refused.
//!
//! Whether the recorded frames carry the truth is tested from outside, on the committed recording.

use proptest::strategy::Strategy;

use super::*;
use crate::document::Document;
use crate::map;
use crate::observation::{Frame, Item};

/// A short hilly road on the equator: a degree of longitude is a pi/180 = 111,319.4908 m there (WGS84 a = 6,378,137 m).
const COURSE: &str = "
[[place]]
name = 'Low'
km = 0
elevation_m = 10
position = [0.0, 0.0]
turn = true
turn_km = 0.5
turn_s = 45
charger = true
[[place]]
name = 'Top'
km = 4
elevation_m = 130
position = [0.0, 0.035932611364581]
[[place]]
name = 'Far'
km = 9
elevation_m = 40
position = [0.0, 0.080848375570308]
turn = true
turn_km = 0.8
turn_s = 70
charger = true
";

const SCENARIO: &str = "
car = 'Test car'
seed = 7
start = '2027-01-01T00:00:00Z'
course = 'unused.toml'
[vehicle]
mass_kg = 1800
rotating_mass_kg = 50
road_load_lbf_mph = [30, 0.2, 0.018]
drive_efficiency = 0.9
power_limit_kw = 120
regeneration = { limit_kw = 20, efficiency = 0.8 }
accessory_w = 300
climate = { start_w = 1500, steady_w = 500, decay_s = 200 }
wheel_gain = 0.01
odometer_km = 1000
[pack]
capacity_ah = 18
cells_in_series = 96
full_percent = 97
cell_cutoff_v = 2.7
temperature_degc = 20
heat_capacity_j_per_degc = 2e5
cooling_w_per_degc = 10
open_circuit_v = [[0, 3.1], [10, 3.4], [50, 3.7], [100, 4.2]]
resistance = { ohm = 0.1, per_degc = 0.015, over_soc = [[0, 2], [20, 1], [100, 1]] }
polarisation = { ohm = 0.05, time_s = 30 }
weakest_cell = { capacity_share = 0.99, resistance_factor = 1.1 }
[computer]
cycle_s = 0.5
displayed_top_percent = 96
displayed_bottom_percent = 28
bend_percent = [1, 0.5]
filter_s = 5
step_percent = 1
assumed_energy_kwh = 5
assumed_wh_per_km = 180
[drive]
from = 'Low'
turns = ['Far', 'Low']
target_kmh = 100
wander_kmh = 0.5
stand_before_s = 40
stand_after_s = 5
[[drive.traffic]]
start_km = 6
length_km = 0.5
speed_kmh = 50
[air]
temperature_degc = 10
density_kg_per_m3 = 1.2
wind_out_mps = 3
gust_mps = 1
[sensors]
current = { noise_a = 0.2, delay_ms = 5 }
[bus]
name = 'can0'
jitter_us = 60
frame_us = 230
[period_ms]
AMPS = 20
VOLTS = 20
CELLS = 200
[fill]
'AMPS.Count' = 'counter'
[[gap]]
start_s = 100
duration_s = 3
[[noise]]
id = 0x100
length = 8
period_ms = 10
counter = true
[satellite]
period_ms = 1000
";

const MAP: &str = "
[[message]]
name = 'AMPS'
id = 0x20
length = 8
[[message.signal]]
name = 'Out'
start = 0
length = 32
type = 'float32'
unit = 'A'
[[message.signal]]
name = 'Count'
start = 32
length = 8
[[message]]
name = 'VOLTS'
id = 0x21
length = 8
[[message.signal]]
name = 'Pack'
start = 0
length = 64
type = 'float64'
unit = 'V'
[[message]]
name = 'CELLS'
id = 0x22
bus = 'can1'
length = 3
[[message.signal]]
name = 'Page'
start = 0
length = 8
[[message.signal]]
name = 'Low'
start = 8
length = 16
scale = 0.001
unit = 'V'
switch = 'Page'
when = [1]
[[message.signal]]
name = 'Shown'
start = 8
length = 8
unit = '%'
switch = 'Page'
when = ['4-7']
[roles.pack_current]
signal = 'AMPS.Out'
positive = 'charge'
[roles.pack_voltage]
signal = 'VOLTS.Pack'
[roles.cell_voltage_min]
signal = 'CELLS.Low'
[roles.soc]
signal = 'CELLS.Shown'
";

fn scenario(edit: impl Fn(&str) -> String) -> Scenario {
    let (scenario, faults) = Scenario::parse(Document::from_text("drive.toml", edit(SCENARIO)));
    assert_eq!(faults, []);
    scenario.expect("a scenario without faults is there")
}

fn road(text: &str) -> Course {
    let (course, faults) = Course::parse(&Document::from_text("road.toml", text));
    assert_eq!(faults, []);
    course.expect("a course without faults is there")
}

fn checked_map() -> Map {
    let loaded = map::from_text("car.toml", MAP, None);
    assert!(!loaded.faults.iter().any(Fault::is_error), "{:?}", loaded.faults);
    loaded.map.expect("a map without errors is there")
}

fn rehearsal(scenario: &Scenario) -> Rehearsal {
    Rehearsal::new(scenario, &road(COURSE), &checked_map()).unwrap_or_else(|faults| panic!("{faults:?}"))
}

/// Drives to the end, keeping everything.
fn drive(rehearsal: &mut Rehearsal) -> (Batch, BusNames, Truth) {
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    while rehearsal.step(&mut batch, &mut names) {}
    let truth = rehearsal.truth();
    (batch, names, truth)
}

fn same(text: &str) -> String {
    text.to_owned()
}

#[track_caller]
fn close(value: f64, expected: f64, relative: f64) {
    assert!((value - expected).abs() <= relative * expected.abs(), "{value} is not {expected} to {relative}");
}

#[test]
fn a_held_speed_costs_what_the_road_load_says() {
    // 588.0549 N at 70 mph (coefficients 30, 0.2, 0.018 in lbf and mph: arithmetic from the exact pound-force and mile),
    // over the drive's efficiency, and 800 W beside it.
    let calm = scenario(|text| {
        text.replace("target_kmh = 100", "target_kmh = 112.65408")
            .replace("wander_kmh = 0.5", "")
            .replace("wind_out_mps = 3", "")
            .replace("gust_mps = 1", "")
            .replace("start_w = 1500", "start_w = 500")
            .replace("start_km = 6", "start_km = 600")
    });
    let level = road(&COURSE.replace("km = 9\n", "km = 60\n").replace("elevation_m", "#").replace("position", "#"));
    let mut rehearsal = Rehearsal::new(&calm, &level, &checked_map()).unwrap_or_else(|faults| panic!("{faults:?}"));
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    let mut until = |seconds: f64, rehearsal: &mut Rehearsal| {
        while rehearsal.truth().whole.duration_s < seconds {
            assert!(rehearsal.step(&mut batch, &mut names));
        }
        rehearsal.truth().whole
    };
    let from = until(240.0, &mut rehearsal);
    let to = until(300.0, &mut rehearsal);
    let metres = (to.distance_km - from.distance_km) * 1e3;
    close(metres, 60.0 * 31.2928, 1e-6);
    let joule_per_metre = (to.net_kwh - from.net_kwh) * 3.6e6 / metres;
    close(joule_per_metre, 588.0549 / 0.9 + 800.0 / 31.2928, 1e-6);
}

#[test]
fn what_the_cells_give_is_found_again() {
    let scenario = scenario(same);
    let mut rehearsal = rehearsal(&scenario);
    let full = rehearsal.car.pack.left();
    let (_, _, truth) = drive(&mut rehearsal);
    let (pack, books) = (rehearsal.car.pack.books, rehearsal.car.books);
    // The cells lost what the open-circuit curve says; it went to the terminals, into heat and into the slow part.
    close(full - rehearsal.car.pack.left(), pack.cells, 1e-5);
    close(pack.terminals + pack.heat + pack.stored, pack.cells, 1e-5);
    // The terminals gave what drive and comfort took; the truth, integrated another way, agrees.
    let taken = books.auxiliary + books.drive_train + books.road + books.height + books.motion + books.brakes;
    close(pack.terminals, taken, 1e-9);
    close(truth.whole.net_kwh * 3.6e6, pack.terminals, 1e-5);
    close(truth.whole.out_kwh - truth.whole.in_kwh, truth.whole.net_kwh, 1e-12);
    // From rest to rest: no motion is left, and the height is that between start and end.
    assert!(books.motion.abs() < 100.0, "{} J", books.motion);
    let climbed = rehearsal.car.driver.course().elevation(crate::quantity::Metre(rehearsal.car.driver.at()));
    close(books.height, 1800.0 * 9.806_65 * (climbed.expect("heights are given").0 - 10.0), 1e-3);
    for (part, least) in [(books.brakes, 1e3), (books.road, 1e6), (pack.heat, 1e4), (truth.whole.in_kwh, 1e-3)] {
        assert!(part > least, "{part}: the drive shows nothing of it");
    }
}

#[test]
fn frames_carry_the_truth_and_end_in_order() {
    let scenario = scenario(same);
    let (batch, names, truth) = drive(&mut rehearsal(&scenario));
    assert!(truth.reached_charger && !truth.stopped_on_road);
    assert!(batch.frames.windows(2).all(|pair| pair[0].at < pair[1].at));
    assert_eq!(names.names(), ["can0", "can1"]);
    let (start, gap) = (scenario.start.0, 100_000_000..103_000_000);
    assert!(batch.frames.iter().all(|frame| !gap.contains(&(frame.at.0 - start))));
    assert_eq!(truth.gaps.len(), 1);
    close(truth.gaps[0].within.duration_s, 3.0, 1e-9);
    // A counter counts every frame sent, those in the gap too.
    let counts = batch.frames.iter().filter(|frame| frame.id == 0x20).map(|frame| frame.data[4]);
    let counts: Vec<u8> = counts.collect();
    let jumps = counts.windows(2).filter(|pair| pair[0].wrapping_add(1) != pair[1]).count();
    assert_eq!(jumps, 1, "one gap of 150 frames");
    // Pages alternate; the displayed charge ends at 0.
    let pages: Vec<&Frame> = batch.frames.iter().filter(|frame| frame.id == 0x22).collect();
    assert!(pages.iter().all(|frame| [1, 4].contains(&frame.data[0])));
    let shown = pages.iter().rev().find(|frame| frame.data[0] == 4).map(|frame| frame.data[1]);
    assert_eq!(shown, Some(0));
}

#[test]
fn displayed_values_count_once_held() {
    let (_, _, truth) = drive(&mut rehearsal(&scenario(same)));
    let shown: Vec<f64> = truth.checkpoints.iter().map(|point| point.displayed_percent).collect();
    assert!(shown.windows(2).all(|pair| pair[1] < pair[0]), "{shown:?}");
    assert!(shown.len() > 90 && shown.last() == Some(&0.0), "{shown:?}");
    let (Some(usable), Some(zero), Some(reserve)) = (truth.usable, truth.to_zero, truth.reserve) else {
        panic!("the drive ends at displayed 0");
    };
    // The recording starts unplugged, so both begin at its first moment.
    assert_eq!(usable, zero);
    assert_eq!(truth.checkpoints.last().map(|point| point.since_start), Some(zero));
    close(zero.net_kwh + reserve.used.net_kwh, truth.whole.net_kwh, 1e-12);
    // Charge: all that was in the pack at first is used or left.
    close(truth.whole.charge_net_ah + reserve.left_ah, 18.0 * 0.97, 1e-6);
    close(truth.whole.wheel_distance_km, truth.whole.distance_km * 1.01, 1e-12);
}

#[test]
fn fixes_lie_on_the_road_that_was_driven() {
    let (batch, _, truth) = drive(&mut rehearsal(&scenario(same)));
    let east = batch.rest.iter().filter_map(|stamped| match &stamped.item {
        Item::Fix(fix) => fix.longitude_deg,
        _ => None,
    });
    let east: Vec<f64> = east.collect();
    let degrees: f64 = east.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
    // Turned between two fixes a second apart, some metres are cut off.
    close(degrees * 111_319.490_8, truth.whole.distance_km * 1e3, 2e-3);
    let seconds = batch.rest.windows(2).map(|pair| (pair[1].at - pair[0].at).0);
    assert!(seconds.into_iter().all(|span| span == 1_000_000));
}

#[test]
fn the_seed_decides_all_of_it() {
    let short = |text: &str| text.replace("stand_after_s = 5", "stand_after_s = 5\nhours_max = 0.05");
    let frames = |scenario: &Scenario| drive(&mut rehearsal(scenario)).0;
    let first = frames(&scenario(short));
    assert_eq!(first, frames(&scenario(short)));
    assert_ne!(first, frames(&scenario(|text| short(text).replace("seed = 7", "seed = 8"))));
}

#[test]
fn noise_may_be_left_out() {
    let noisy = scenario(same);
    let mut quiet = noisy.clone();
    quiet.noise.clear();
    let (with, _, truth) = drive(&mut rehearsal(&noisy));
    let (without, _, same_truth) = drive(&mut rehearsal(&quiet));
    assert_eq!(truth, same_truth);
    let known = with.frames.iter().filter(|frame| frame.id != 0x100).map(|frame| frame.id);
    let (known, all): (Vec<u32>, Vec<u32>) = (known.collect(), without.frames.iter().map(|frame| frame.id).collect());
    assert!(known.len().abs_diff(all.len()) <= 2 && with.frames.len() > known.len());
}

#[test]
fn a_charge_before_is_kept_apart() {
    let charged = scenario(|text| format!("{text}\n[charge_before]\nfrom_percent = 90\npower_kw = 11\nrest_s = 60\n"));
    let (_, _, truth) = drive(&mut rehearsal(&charged));
    close(truth.charged_ah, 18.0 * 0.07, 1e-3);
    assert!(truth.charged_kwh > 0.4 && truth.whole.in_kwh < truth.charged_kwh);
    let (Some(usable), Some(to_zero), Some(reserve)) = (truth.usable, truth.to_zero, truth.reserve) else {
        panic!("the drive ends at displayed 0");
    };
    // What was in the pack, and came into it, was used or is left; nothing was used before the plug was pulled
    close(18.0 * 0.9 + truth.charged_ah - truth.whole.charge_net_ah, reserve.left_ah, 1e-4);
    // (but for the model's step in which it was)
    close(usable.net_kwh, to_zero.net_kwh, 1e-5);
    assert!(to_zero.duration_s > usable.duration_s + 120.0);
}

#[test]
fn a_pack_can_be_spent_on_the_road() {
    let far = scenario(|text| text.replace("displayed_bottom_percent = 28", "displayed_bottom_percent = 0.5"));
    let road =
        road(&COURSE.replace("charger = true\n", "").replace("km = 9\n", "km = 9\ncharger = true\nside = 'back'\n"));
    let mut rehearsal = Rehearsal::new(&far, &road, &checked_map()).unwrap_or_else(|faults| panic!("{faults:?}"));
    let (_, _, truth) = drive(&mut rehearsal);
    assert!(truth.stopped_on_road && !truth.reached_charger);
    assert!(truth.whole.duration_s < 3_600.0, "it ends once the car stands");
}

#[test]
fn what_cannot_be_used_is_told_with_its_line() {
    let bad = SCENARIO
        .replace("mass_kg = 1800", "mass_kg = -1")
        .replace("drive_efficiency = 0.9", "drive_efficiency = nan")
        .replace("[[0, 3.1], [10, 3.4], [50, 3.7], [100, 4.2]]", "[[10, 3.4], [10, 3.4]]")
        .replace("road_load_lbf_mph", "road_load = [1, 1, 1]\nroad_load_lbf_mph");
    let (none, faults) = Scenario::parse(Document::from_text("drive.toml", bad));
    assert!(none.is_none());
    let told: Vec<String> = faults.iter().map(Fault::to_string).collect();
    assert_eq!(
        told,
        [
            "drive.toml:6: the road load is given in no form or in several; give one of road_load, road_load_lbf_mph, or rolling_resistance with drag_area_m2",
            "drive.toml:7: mass_kg is -1; give a number from 100 to 60000",
            "drive.toml:11: drive_efficiency is NaN; give a number from 0.1 to 1",
            "drive.toml:26: the curve's points do not go from left to right; give two points or more, by increasing %",
            "drive.toml:26: the curve does not go from 0 to 100 %; add points at 0 and 100",
        ]
    );
}

#[test]
fn what_course_and_map_lack_is_told_with_its_line() {
    let lost = scenario(|text| {
        text.replace("turns = ['Far', 'Low']", "turns = ['Fra', 'Top']")
            .replace("VOLTS = 20", "VOLT = 20")
            .replace("'AMPS.Count'", "'AMPS.Cuont'")
    });
    let faults = Rehearsal::new(&lost, &road(COURSE), &checked_map()).err().unwrap_or_default();
    let told: Vec<String> = faults.iter().map(Fault::to_string).collect();
    assert_eq!(
        told,
        [
            "drive.toml:40: the course has no place 'Fra'; did you mean 'Far'?",
            "drive.toml:62: the map has no message 'VOLT'; did you mean 'VOLTS'?",
            "drive.toml:64: the map has no signal 'AMPS.Cuont'; did you mean 'AMPS.Count'?",
        ]
    );
    let astray = scenario(|text| text.replace("turns = ['Far', 'Low']", "turns = ['Far', 'Top']"));
    let faults = Rehearsal::new(&astray, &road(COURSE), &checked_map()).err().unwrap_or_default();
    assert_eq!(
        faults.first().map(Fault::to_string).as_deref(),
        Some(
            "drive.toml:40: driving back to 'Top', one cannot turn there; list an even number of places, each a turn in the direction it is reached"
        )
    );
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config::with_cases(400))]

    #[test]
    fn no_text_panics(at in 0..SCENARIO.len(), length in 0..30_usize, new in "[\\[\\]{}a-z0-9=., \n'-]{0,12}") {
        let mut text = SCENARIO.to_owned();
        text.replace_range(at..(at + length).min(SCENARIO.len()), &new);
        let (scenario, faults) = Scenario::parse(Document::from_text("drive.toml", text));
        proptest::prop_assert!(scenario.is_some() == faults.is_empty());
        drive_a_little(scenario);
    }

    #[test]
    fn any_numbers_are_taken_or_refused(which in 0..60_usize, number in proptest::prelude::prop_oneof![
        proptest::num::f64::ANY.boxed(),
        proptest::sample::select(vec![0.0, -1.0, 1e-9, 1.0, 100.0, 1e9, 1e300, f64::NAN]).boxed(),
    ]) {
        let text: Vec<String> = SCENARIO.lines().enumerate().map(|(line, text)| match text.split_once(" = ") {
            Some((key, value)) if line == which + 6 && value.parse::<f64>().is_ok() => format!("{key} = {number:?}").replace("NaN", "nan"),
            _ => text.to_owned(),
        }).collect();
        drive_a_little(Scenario::parse(Document::from_text("drive.toml", text.join("\n"))).0);
    }
}

fn drive_a_little(scenario: Option<Scenario>) {
    let Some(scenario) = scenario else { return };
    let Ok(mut rehearsal) = Rehearsal::new(&scenario, &road(COURSE), &checked_map()) else { return };
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    for _ in 0..300 {
        if !rehearsal.step(&mut batch, &mut names) {
            break;
        }
    }
    rehearsal.truth();
}
