//! Gaps in a drive whose every joule and metre is known; counters go on showing their last reading for a while.

use super::super::*;
use crate::reduce::fold::{Folder, TraceChunk, columns};

/// Rows every 0.1 s of 10 min at 18 kW out and 30 m/s; counters are sent once a second in steps of 1 Wh, the odometer in
/// steps of 100 m. From 300 s on all is silent for `silent` s; counters and odometer are blanked 5 s after their last reading.
fn summary(silent: f64) -> RunSummary {
    let rows = 6_000;
    let t = |row: usize| row as f64 / 10.0;
    let quiet = |t: f64| t > 300.0 && t < 300.0 + silent;
    let seen = |t: f64| t.min(300.0) + (t - 300.0 - silent).max(0.0);
    let counter = |t: f64, per_second: f64, step: f64| {
        let mut sent = t.floor();
        if quiet(sent) {
            sent = 300.0;
        }
        if t - sent >= 5.0 { f64::NAN } else { (7_777.0 + per_second * sent / step).floor() * step }
    };
    let cell = |name: &str, t: f64| match name {
        "energy_out" => 18_000.0 * seen(t),
        "charge_out" => 45.0 * seen(t),
        "distance" => 30.0 * seen(t),
        "time_unobserved" => t - seen(t),
        "energy_in" | "charge_in" | "energy_charged" | "charge_charged" => 0.0,
        "pack_voltage" | "pack_current" if quiet(t) => f64::NAN,
        "pack_voltage" => 400.0,
        "pack_current" => 45.0,
        "energy_out_counter" => counter(t, 18_000.0, 3_600.0),
        "energy_in_counter" => counter(t, 0.0, 3_600.0),
        "odometer" => counter(t, 30.0, 100.0),
        _ => f64::NAN,
    };
    let cells: Vec<Vec<f64>> = columns().iter().map(|name| (0..rows).map(|row| cell(name, t(row))).collect()).collect();
    let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
    let t_us: Vec<i64> = (0..rows as i64).map(|row| row * 100_000).collect();
    let mut folder = Folder::default();
    folder.push(&TraceChunk { t_us: &t_us, phase: &vec![Phase::Drive; rows], columns: &views });
    folder.finish()
}

fn gap(missing: Missing, silent: f64) -> Gap {
    Gap { missing, from_s: 300.0, to_s: 300.0 + silent, part: 1.0 }
}

#[test]
fn a_reading_from_before_the_gap_is_not_one_from_after_it() {
    // The counter moves by 5 Wh at a time here, which is what its step looks like.
    // The first point after the gap still shows, or has just blanked, what the counters read before it.
    for silent in [2.0, 4.0, 8.2, 29.5, 120.0] {
        let run = summary(silent);
        let net = by_counters(&run, &gap(Missing::Power, silent)).unwrap();
        let truth = 18_000.0 * silent;
        assert!((net.0 - truth).abs() < 2.0 * net.1, "{silent} s: {} ± {} J, truth {truth}", net.0, net.1);
        assert!(net.1 < 0.03 * truth + 12_000.0, "{silent} s: {} J says nothing", net.1);
        let fill = fill(&run, &gap(Missing::Power, silent), &rates(&run, 0));
        assert!((fill.net() - truth).abs() < 2.0 * fill.u[0] + 1.0, "{silent} s: {fill:?}");
    }
}

#[test]
fn the_odometer_carries_the_distance_over_a_gap() {
    for silent in [8.2, 29.5, 120.0] {
        let run = summary(silent);
        let (a, b) = readings(&run, &gap(Missing::Speed, silent), |point| point.odometer, Point::energy).unwrap();
        let way = (b.value - a.value) - (b.distance - a.distance);
        assert!((way - 30.0 * silent).abs() <= 100.0, "{silent} s: {way} m");
        let fill = fill(&run, &gap(Missing::Speed, silent), &rates(&run, 0));
        assert!((fill.distance[0] - 30.0 * silent).abs() < 2.0 * fill.distance[1] + 1.0, "{silent} s: {fill:?}");
    }
}

#[test]
fn two_gaps_close_together_are_not_both_given_the_whole() {
    let run = summary(60.0);
    // As if only the second half of the silence were this gap: the counters span more than it.
    let half = Gap { missing: Missing::Power, from_s: 330.0, to_s: 360.0, part: 1.0 };
    assert!(by_counters(&run, &half).is_none());
}
