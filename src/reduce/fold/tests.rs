//! Ticks, totals and points of small traces made by hand.

use super::*;

/// A trace of one row a second with these states of charge, 10 A at 400 V flowing out.
fn folded(soc: impl IntoIterator<Item = f64>) -> RunSummary {
    let soc: Vec<f64> = soc.into_iter().collect();
    let mut folder = Folder::default();
    let n = soc.len();
    let t_us: Vec<i64> = (0..n as i64).map(|s| s * 1_000_000).collect();
    let per_second = |k: f64| (0..n).map(|s| s as f64 * k).collect::<Vec<f64>>();
    let constant = |k: f64| vec![k; n];
    let columns: Vec<Vec<f64>> = columns()
        .iter()
        .map(|name| match *name {
            "energy_out" => per_second(4_000.0),
            "charge_out" => per_second(10.0),
            "distance" => per_second(30.0),
            "energy_in" | "charge_in" | "energy_charged" | "charge_charged" | "time_unobserved" => constant(0.0),
            "pack_voltage" => constant(400.0),
            "pack_current" => constant(10.0),
            "soc" => soc.clone(),
            _ => constant(f64::NAN),
        })
        .collect();
    let views: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    // In two pieces: the fold must not care.
    for range in [0..n / 3, n / 3..n] {
        let pieces: Vec<&[f64]> = views.iter().map(|column| &column[range.clone()]).collect();
        folder.push(&TraceChunk {
            t_us: &t_us[range.clone()],
            phase: &vec![Phase::Drive; range.len()],
            columns: &pieces,
        });
    }
    folder.finish()
}

fn stair(values: &[(f64, usize)]) -> Vec<f64> {
    values.iter().flat_map(|(value, seconds)| vec![*value; *seconds]).collect()
}

fn ticks(summary: &RunSummary) -> Vec<(f64, f64)> {
    let exact = summary.stretches[0].soc[0].ticks.iter().filter(|tick| tick.before.is_finite());
    exact.map(|tick| (tick.value, tick.at.t)).collect()
}

#[test]
fn ticks_are_first_moments_that_hold() {
    let summary = folded(stair(&[(90.0, 40), (89.0, 60), (88.0, 60), (87.0, 5)]));
    assert_eq!(ticks(&summary), [(89.0, 40.0), (88.0, 100.0)], "87 was not held for 10 s");
    let record = &summary.stretches[0].soc[0];
    assert_eq!((record.first, record.last.map(|l| l.0), record.step), (Some(90.0), Some(87.0), Some(1.0)));
}

#[test]
fn what_regeneration_undid_is_no_tick() {
    let summary = folded(stair(&[(90.0, 40), (89.0, 30), (88.0, 30), (89.0, 30), (90.0, 20), (89.0, 40), (88.0, 40)]));
    assert_eq!(ticks(&summary), [(89.0, 150.0), (88.0, 190.0)]);
}

#[test]
fn waking_readings_and_readings_after_a_silence_are_no_ticks() {
    let summary = folded(stair(&[(91.0, 10), (90.0, 40), (89.0, 30), (f64::NAN, 20), (87.0, 30), (86.0, 30)]));
    assert_eq!(ticks(&summary), [(89.0, 50.0), (86.0, 130.0)]);
    assert_eq!(summary.stretches[0].soc[0].first, Some(91.0));
    assert_eq!(summary.stretches[0].soc[0].first_counting.map(|f| (f.0, f.1.t)), Some((90.0, 30.0)));
}

#[test]
fn zero_counts_when_first_held() {
    let summary = folded(stair(&[(2.0, 40), (1.0, 40), (0.0, 5), (1.0, 20), (0.0, 30)]));
    assert_eq!(summary.stretches[0].soc[0].zero.map(|at| at.t), Some(105.0));
    let touched = folded(stair(&[(2.0, 40), (0.0, 5)]));
    assert!(touched.stretches[0].soc[0].zero.is_none() && touched.stretches[0].soc[0].zero_touched);
}

#[test]
fn totals_and_points() {
    let summary = folded(vec![50.0; 1001]);
    let drive = summary.phases[0];
    assert_eq!((drive.duration, drive.energy_out, drive.charge_out, drive.distance), (1_000.0, 4e6, 1e4, 3e4));
    assert_eq!((drive.time, drive.volt_seconds, drive.skew), ([1_000.0, 0.0], [4e5, 0.0], [0.0, 0.0]));
    assert_eq!((summary.rows, summary.points.len(), summary.duration()), (1001, 101, 1_000.0));
    assert_eq!(summary.at_or_before(995.0).map(|p| p.t), Some(990.0));
    assert_eq!(summary.at_or_after(995.0).map(|p| p.t), Some(1_000.0));
    assert!((summary.last().unwrap().volt_seconds - 4e5).abs() < 1e-6);
}

#[test]
fn an_empty_or_ragged_trace_is_no_trouble() {
    assert_eq!(Folder::default().finish().rows, 0);
    let mut folder = Folder::default();
    folder.push(&TraceChunk { t_us: &[0, 1], phase: &[Phase::Stand; 2], columns: &[&[1.0]] });
    assert_eq!(folder.finish().rows, 2);
}
