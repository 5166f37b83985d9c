//! The trace: what a row shows, what it blanks, and long silences.

use super::*;

#[test]
fn a_row_holds_the_integral_up_to_its_moment_and_the_latest_samples() {
    // 400 V, current 100 A/s * t sampled every 70 ms: at t the charge is 50 t^2 and the energy 20 000 t^2, by arithmetic.
    let roles = [vi()[0], vi()[1], role(Role::Soc)];
    let samples = merged(&[
        sampled(0, 0, 2_000_000, 25_000, |_| 400.0),
        sampled(1, 0, 2_030_000, 70_000, |t| 100.0 * t),
        vec![(2, 150_000, 80.0), (2, 200_000, 79.5)],
    ]);
    let (_, rows) = run(&roles, &samples, 2_030_000);
    for row in rows.iter().filter(|row| row.at.0 <= 2_000_000) {
        let t = row.at.seconds();
        assert!((row.sums.charge_out - 50.0 * t * t).abs() <= 1e-12 * 200.0, "{row:?}");
        assert!((row.sums.energy_out - 20_000.0 * t * t).abs() <= 1e-12 * 80_000.0, "{row:?}");
    }
    let soc = |row: usize| rows[row].roles[Role::Soc as usize];
    assert!(soc(1).is_nan());
    // A sample at the row's own moment is in it; with few samples the allowed age is 2 s.
    assert_eq!((soc(2), soc(3), soc(20)), (79.5, 79.5, 79.5));
    assert_eq!(rows[5].roles[Role::PackCurrent as usize], 49.0);
    assert_eq!(rows[5].roles[Role::PackPower as usize], 19_600.0);
    assert_eq!(rows.last().map(|row| row.at.0), Some(2_030_000));
}

#[test]
fn a_stale_value_is_blanked_and_a_held_one_is_not() {
    let roles = [role(Role::Speed), role(Role::Soc), held(Role::Ready)];
    let samples = merged(&[
        sampled(0, 0, 1_000_000, 10_000, |_| 10.0),
        sampled(0, 5_000_000, 6_000_000, 10_000, |_| 10.0),
        sampled(1, 0, 3_000_000, 300_000, |_| 50.0),
        vec![(2, 0, 1.0)],
    ]);
    let (_, rows) = run(&roles, &samples, 6_000_000);
    let shown = |role: Role| -> Vec<usize> {
        (0..=60).filter(|row: &usize| rows[*row].roles[role as usize].is_finite()).collect()
    };
    // Speed, 10 ms: 0.5 s after 1.0 s. State of charge, 300 ms: 1.5 s after 3.0 s.
    assert_eq!(shown(Role::Speed), (0..=15).chain(50..=60).collect::<Vec<_>>());
    assert_eq!(shown(Role::Soc), (0..=45).collect::<Vec<_>>());
    assert_eq!(shown(Role::Ready).len(), 61);
    assert!(rows[16].sums.energy_out.is_nan());
}

#[test]
fn the_position_is_shown_while_fresh() {
    let mut ledger = Ledger::new(&vi());
    for second in 0..20 {
        ledger.position(RunTime(second * 1_000_000), 48.0 + second as f64, -11.5);
    }
    ledger.finish(RunTime(30_000_000));
    let mut rows = Vec::new();
    ledger.drain_trace(|row| rows.push((row.latitude_deg, row.longitude_deg)));
    assert_eq!(rows[105], (58.0, -11.5));
    assert_eq!((rows[240], rows.len()), ((67.0, -11.5), 301));
    assert!(rows[241].0.is_nan() && rows[241].1.is_nan());
}

#[test]
fn the_rows_of_a_long_silence_are_made_when_drained_and_are_the_same() {
    // Three hours without a sample; the voltage is held, so is a current that goes on.
    let roles = [held(Role::PackVoltage), held(Role::PackCurrent), role(Role::Speed), role(Role::Soc)];
    let hours = 3 * 3_600 * 1_000_000;
    let samples = [
        merged(&[
            vec![(0, 0, 400.0), (1, 0, -7.0)],
            sampled(2, 0, 2_000_000, 20_000, |_| 0.0),
            sampled(3, 0, 2_000_000, 1_000_000, |_| 50.0),
        ]),
        vec![(1, hours, 5.0), (2, hours + 50_000, 3.0), (2, hours + 60_000, 3.0)],
    ]
    .concat();
    let end = hours + 70_000_000;
    let mut ledger = Ledger::new(&roles);
    let mut count = 0;
    for (role, at, value) in &samples {
        ledger.sample(*role, RunTime(*at), *value);
    }
    assert!(bits(&ledger).len() < 100_000, "the rows in between are not kept");
    let mut ledger: Ledger = postcard::from_bytes(&bits(&ledger)).expect("it reads what it wrote");
    ledger.finish(RunTime(end));
    let mut lazily = Vec::new();
    ledger.drain_trace(|row| lazily.push(row.clone()));

    let mut other = Ledger::new(&roles);
    let mut eagerly = Vec::new();
    for (role, at, value) in &samples {
        while count < *at {
            count = (count + 5_000_000).min(*at);
            other.reach(RunTime(count));
            other.drain_trace(|row| eagerly.push(row.clone()));
        }
        other.sample(*role, RunTime(*at), *value);
    }
    other.finish(RunTime(end));
    other.drain_trace(|row| eagerly.push(row.clone()));

    assert_eq!(lazily.len() as i64, end / 100_000 + 1);
    assert!(bits(&lazily) == bits(&eagerly), "rows differ");
    assert_eq!(bits(&ledger.sums()), bits(&other.sums()));
    assert_eq!(lazily[1_000].phase, Phase::Charge);
    close(ledger.sums().charge_charged, 7.0 * 3.0 * 3_600.0, 1e-12);
}
