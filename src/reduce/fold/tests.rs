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
fn a_correction_of_the_display_is_seen_at_the_next_tick() {
    let moved = |summary: &RunSummary| -> Vec<(f64, f64)> {
        summary.stretches[0].soc[0].ticks.iter().map(|tick| (tick.value, tick.moved)).collect()
    };
    let down = folded(stair(&[(90.0, 40), (89.0, 60), (86.0, 60), (85.0, 60)]));
    assert_eq!(moved(&down)[1..], [(89.0, 1.0), (86.0, 3.0), (85.0, 1.0)]);
    // A rise undoes the ticks below it; that it was one of more than a step is kept for the next.
    let up = folded(stair(&[(90.0, 40), (89.0, 60), (88.0, 30), (90.0, 60), (89.0, 60), (88.0, 60)]));
    assert_eq!(moved(&up)[1..], [(89.0, 2.0), (88.0, 1.0)]);
    let by_one = folded(stair(&[(90.0, 40), (89.0, 60), (90.0, 30), (89.0, 60), (88.0, 60)]));
    assert!(moved(&by_one)[1..].iter().all(|(_, moved)| *moved == 1.0), "regeneration is no correction");
}

#[test]
fn open_contactors_read_the_zero() {
    // 0.4 A and 0.6 A by turns, 2 s each, from 2 s on: mean 0.5 A; the blocks' standard deviation by hand.
    let n = 64;
    let cell = |name: &str, t: usize| match name {
        "contactor" => f64::from(u8::from(t >= 62)),
        "pack_current" if t >= 62 => 80.0,
        "pack_current" if t < 2 => 7.0,
        "pack_current" => [0.4, 0.6][(t / 2) % 2],
        _ => 0.0,
    };
    let columns: Vec<Vec<f64>> = columns().iter().map(|name| (0..n).map(|t| cell(name, t)).collect()).collect();
    let views: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let t_us: Vec<i64> = (0..n as i64).map(|s| s * 1_000_000).collect();
    let mut folder = Folder::default();
    folder.push(&TraceChunk { t_us: &t_us, phase: &vec![Phase::Stand; n], columns: &views });
    let [open] = folder.finish().open_stretches[..] else { panic!("one stretch") };
    assert_eq!((open.from_s, open.to_s), (0.0, 61.0));
    assert!((open.mean - 0.5).abs() < 0.02 && open.u > 0.005 && open.u < 0.03 && open.blocks >= 15, "{open:?}");
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

#[test]
fn a_charge_ends_a_stretch_and_the_next_starts_afresh() {
    let names = columns();
    let mut folder = Folder::default();
    // A drive from 50 to 48 %, a charge of 100 s at 10 kW to 60 %, a drive from 60 to 58 %.
    let part = |t: i64| match t {
        0..100 => (Phase::Drive, if t < 50 { 50.0 } else { 48.0 }),
        100..200 => (Phase::Charge, 48.0 + (t - 100) as f64 * 0.12),
        _ => (Phase::Drive, if t < 250 { 60.0 } else { 58.0 }),
    };
    for t in 0..300 {
        let (phase, soc) = part(t);
        let cells: Vec<[f64; 1]> = names
            .iter()
            .map(|name| match *name {
                "soc" => [soc],
                "energy_charged" => [(t - 100).clamp(0, 100) as f64 * 10_000.0],
                "energy_out" => [(t.min(100) + (t - 200).max(0)) as f64 * 20_000.0],
                "energy_in" | "charge_in" | "charge_out" | "charge_charged" | "distance" | "time_unobserved" => [0.0],
                _ => [f64::NAN],
            })
            .collect();
        let views: Vec<&[f64]> = cells.iter().map(|cell| &cell[..]).collect();
        folder.push(&TraceChunk { t_us: &[t * 1_000_000], phase: &[phase], columns: &views });
    }
    let summary = folder.finish();
    assert_eq!(summary.stretches.len(), 2);
    let (before, after) = (&summary.stretches[0], &summary.stretches[1]);
    assert_eq!((before.end.t, after.start.t), (99.0, 200.0));
    assert!(before.soc[0].last.unwrap().0 > 59.8, "readings while charging are told");
    assert_eq!(before.soc[0].ticks.iter().map(|tick| tick.value).collect::<Vec<_>>(), [50.0, 48.0]);
    assert_eq!(after.soc[0].ticks.iter().map(|tick| tick.value).collect::<Vec<_>>(), [60.0, 58.0]);
    assert!((summary.phases[2].energy_charged - 1e6).abs() < 20_000.0);
}

#[test]
fn hours_fit_into_little_memory() {
    // 8 h of a point every 10 s and a tick for each tenth of a per cent.
    assert!(size_of::<Point>() * 2_880 + size_of::<Tick>() * 1_000 < 1 << 20, "{}", size_of::<Point>());
}

/// A drive and a charge with silences, contactors that open and counters that step, at uneven times.
fn varied(rows: usize) -> (Vec<i64>, Vec<Phase>, Vec<Vec<f64>>) {
    let noise = |row: usize, column: usize| ((row * 7_919 + column * 104_729) % 1_009) as f64 / 1_009.0;
    let t_us = (0..rows).map(|row| row as i64 * 100_000 + (noise(row, 0) * 9e4) as i64).collect();
    let phases = [Phase::Drive, Phase::Stand, Phase::Drive, Phase::Charge];
    let phase: Vec<Phase> = (0..rows).map(|row| phases[row / 613 % 4]).collect();
    let cell = move |name: &str, row: usize, column: usize| match name {
        "energy_charged" | "charge_charged" => (0..row).filter(|row| row / 613 % 4 == 3).count() as f64 * 900.0,
        "soc" => 90.0 - (row / 97) as f64 * 0.5 + if row % 1_500 > 1_400 { 1.0 } else { 0.0 },
        "soc_internal" if row / 50 % 9 == 4 => f64::NAN,
        "soc_internal" => (95.0 - row as f64 * 0.02).max(0.0),
        "odometer" | "energy_out_counter" => (row / 31) as f64 * 100.0,
        "contactor" => f64::from(row / 400 % 3 != 1),
        "cabin_temperature" | "energy_in_counter" => f64::NAN,
        "pack_voltage" | "speed" if row / 20 % 30 == 7 => f64::NAN,
        "time_unobserved" => (row / 200) as f64 * 3.0 + (row % 200).saturating_sub(170) as f64 * 0.1,
        "pack_current" => 200.0 * noise(row, column) - 40.0,
        _ if column < SUMS => row as f64 * 10.0 + noise(row, column),
        _ => 300.0 + noise(row, column),
    };
    let cells = columns().into_iter().enumerate().map(|(at, name)| (0..rows).map(|row| cell(name, row, at)).collect());
    (t_us, phase, cells.collect())
}

#[test]
fn pieces_of_any_length_give_the_same_to_the_last_bit() {
    let (t_us, phase, mut cells) = varied(6_000);
    // A column that is missing altogether, and one that ends early.
    cells[place(Role::PackTemperature)].clear();
    let folded = |folder: fn() -> Folder, piece: usize| {
        let mut folder = folder();
        for from in (0..t_us.len()).step_by(piece) {
            let these = from..t_us.len().min(from + piece);
            let part = |cells: &'_ Vec<f64>| cells.get(these.clone()).map_or(Vec::new(), <[f64]>::to_vec);
            let mut parts: Vec<Vec<f64>> = cells.iter().map(part).collect();
            parts[place(Role::HeaterPower)].truncate(2_000_usize.saturating_sub(from));
            let views: Vec<&[f64]> = parts.iter().map(Vec::as_slice).collect();
            folder.push(&TraceChunk { t_us: &t_us[these.clone()], phase: &phase[these], columns: &views });
        }
        format!("{:?}", folder.finish())
    };
    let folders: [fn() -> Folder; 2] = [Folder::default, || Folder::between(100.0, 400.0)];
    for folder in folders {
        let by_row = folded(folder, 1);
        for piece in [2, 7, 613, BLOCK, BLOCK + 1, 6_000] {
            assert!(folded(folder, piece) == by_row, "pieces of {piece} rows");
        }
    }
    let summary: RunSummary = {
        let mut folder = Folder::default();
        let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
        folder.push(&TraceChunk { t_us: &t_us, phase: &phase, columns: &views });
        folder.finish()
    };
    // Each row's part of a sum goes to the phase that the row is in: by plain arithmetic over all rows.
    for (at, totals) in summary.phases.iter().enumerate() {
        let of = |column: usize| -> f64 {
            let rows = (1..t_us.len()).filter(|row| tally::index(phase[*row]) == at);
            rows.map(|row| cells[column][row] - cells[column][row - 1]).sum()
        };
        assert_eq!((totals.energy_out, totals.charge_in, totals.distance), (of(0), of(4), of(6)));
    }
    assert!(summary.stretches.len() > 1 && !summary.open_stretches.is_empty() && summary.points.len() > 50);
}
