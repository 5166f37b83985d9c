//! Gaps in runs made by hand: 20 kW out and 2 kW back in steadily, 20 m/s, a per cent for 720 kJ net.

use super::*;
use crate::ledger::Sums;

mod counters;

const NET: f64 = 18_000.0;

/// Points every 10 s for 2000 s; in `silent` nothing of the pack is observed while the car uses `there` watts net.
fn run(silent: std::ops::Range<i64>, there: f64) -> RunSummary {
    let mut summary = RunSummary { odometer_step: Some(100.0), ..RunSummary::default() };
    let (mut observed, mut used) = (0.0, 0.0);
    for index in 0..=200 {
        let t = index as f64 * 10.0;
        let inside = silent.contains(&(index * 10 - 1));
        if index > 0 {
            observed += if inside { 0.0 } else { 10.0 };
            used += if inside { there * 10.0 } else { NET * 10.0 };
        }
        let sums = Sums {
            energy_out: 20_000.0 * observed,
            energy_in: 2_000.0 * observed,
            energy_charged: 0.0,
            charge_out: 50.0 * observed,
            charge_in: 5.0 * observed,
            charge_charged: 0.0,
            distance: 20.0 * t,
            time_unobserved: t - observed,
        };
        // Every point's reading is new.
        let read = |value: f64, energy: f64| Reading {
            value,
            t,
            energy,
            distance: 20.0 * t,
            unobserved: t - observed,
            shown: true,
        };
        let point = Point {
            t,
            phase: Phase::Drive,
            sums,
            volt_seconds: 400.0 * observed,
            power_squared: NET * NET * observed,
            soc: [(80.0 - used / 720_000.0).floor(), f64::NAN],
        };
        let odometer = read((20.0 * t / 100.0).floor() * 100.0, NET * observed);
        let counters = [
            read((used * 10.0 / 9.0 / 36_000.0).floor() * 36_000.0, 20_000.0 * observed),
            read((used / 9.0 / 36_000.0).floor() * 36_000.0, 2_000.0 * observed),
        ];
        summary.points.push(Kept { point, odometer, counters });
    }
    summary
}

fn gap(from_s: f64, to_s: f64) -> Gap {
    Gap { missing: Missing::Power, from_s, to_s, part: 1.0 }
}

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

#[test]
fn a_steady_drive_goes_on_through_a_gap() {
    let fill = fill(&run(500..600, NET), &gap(500.0, 600.0), &Rates::default());
    assert_eq!(fill.from, Some("the power on both sides"));
    near(fill.energy[0], 20_000.0 * 100.0, 1.0);
    near(fill.energy[1], 2_000.0 * 100.0, 1.0);
    near(fill.charge[0] - fill.charge[1], 45.0 * 100.0, 1.0);
    near(fill.u[0], 0.0, 1.0);
    let half = Gap { part: 0.5, ..gap(500.0, 600.0) };
    near(super::fill(&run(500..600, NET), &half, &Rates::default()).net(), NET * 50.0, 1.0);
}

#[test]
fn one_side_alone_is_uncertain_and_none_is_unknown() {
    let at_the_start = fill(&run(0..100, NET), &gap(0.0, 100.0), &Rates::default());
    near(at_the_start.net(), NET * 100.0, 1.0);
    assert!(at_the_start.u[0] > 0.5 * at_the_start.net(), "{at_the_start:?}");
    let all = fill(&run(0..2_000, NET), &gap(0.0, 2_000.0), &Rates::default());
    assert_eq!((all.from, all.net()), (None, 0.0));
}

#[test]
fn what_is_known_better_counts() {
    // The car stood still in the gap, 1 kW: the sides would say 18 kW, at the start even less surely.
    let summary = run(0..1_000, 1_000.0);
    let rates = Rates { per_soc: Some((720_000.0, 1.0, 0)), per_metre: None };
    let by_soc = fill(&summary, &gap(0.0, 1_000.0), &rates);
    assert_eq!(by_soc.from, Some("the state of charge"));
    near(by_soc.net(), 1e6, 3.0 * by_soc.u[0]);
    assert!(by_soc.u[0] < 400_000.0, "{by_soc:?}");

    let with_counters = RunSummary { counter_steps: [Some(36_000.0), Some(36_000.0)], ..summary };
    let by_counters = fill(&with_counters, &gap(0.0, 1_000.0), &rates);
    assert_eq!(by_counters.from, Some("the car's energy counters"));
    near(by_counters.net(), 1e6, 72_000.0);
    // Two counters of 10 Wh each: to one count, the lag of the one, and 2 % of what they say.
    let counts = 36_000.0 * (2.0f64 / 6.0).sqrt();
    assert!((counts..1.5 * counts).contains(&by_counters.u[0]), "{by_counters:?}");
    assert!(by_counters.charge[0] - by_counters.charge[1] > 0.0 && by_counters.energy[1] >= 0.0);
}

#[test]
fn speed_gaps_are_filled_from_the_sides_or_the_odometer() {
    let speed = |from_s, to_s| Gap { missing: Missing::Speed, from_s, to_s, part: 1.0 };
    let mut summary = run(0..0, NET);
    // 500 s without speed: the integral stands still.
    for point in &mut summary.points {
        point.point.sums.distance = 20.0 * if point.t <= 500.0 { point.t } else { (point.t - 500.0).max(500.0) };
        point.odometer.distance = point.sums.distance;
    }
    let by_odometer = fill(&summary, &speed(500.0, 1_000.0), &Rates::default());
    assert_eq!(by_odometer.from, Some("the odometer"));
    near(by_odometer.distance[0], 10_000.0, 100.0);
    summary.odometer_step = None;
    let by_sides = fill(&summary, &speed(500.0, 1_000.0), &Rates::default());
    assert_eq!(by_sides.from, Some("the speed on both sides"));
    near(by_sides.distance[0], 10_000.0, 1.0);
    assert!(by_sides.distance[1] > 50.0);
}
