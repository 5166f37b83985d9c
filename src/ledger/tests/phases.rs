//! Drive, stand and charge told apart.
//!
//! All figures by arithmetic.

use super::*;

const S: i64 = 1_000_000;

/// Voltage, current and speed for 100 s, the current by a function of the second.
fn standing(current: impl Fn(f64) -> f64, speed: impl Fn(f64) -> f64) -> Vec<Sample> {
    merged(&[
        sampled(0, 0, 100 * S, 50_000, |_| 400.0),
        sampled(1, 0, 100 * S, 50_000, current),
        sampled(2, 0, 100 * S, 50_000, speed),
    ])
}

fn roles() -> Vec<LedgerRole> {
    [Role::PackVoltage, Role::PackCurrent, Role::Speed].map(role).to_vec()
}

#[test]
fn a_charging_current_counts_from_where_it_turned_once_it_has_lasted_30_s() {
    // +10 A falling to -10 A from 10 to 11 s: zero at 10.5 s. Back up from 60 to 61 s: zero at 60.5 s.
    let current = |t: f64| {
        if t < 35.0 {
            (10.0 - 20.0 * (t - 10.0)).clamp(-10.0, 10.0)
        } else {
            (-10.0 + 20.0 * (t - 60.0)).clamp(-10.0, 10.0)
        }
    };
    let (ledger, rows) = run(&roles(), &standing(current, |_| 0.0), 100 * S);
    let sums = ledger.sums();
    close(sums.charge_charged, 490.0 + 5.0, 1e-9);
    close(sums.energy_charged, 400.0 * 495.0, 1e-9);
    // To the microsecond at which the current turned.
    assert!(sums.energy_in < 1e-6 && sums.charge_in < 1e-8, "{sums:?}");
    close(sums.charge_out, 100.0 + 2.5 + 2.5 + 390.0, 1e-9);
    let [drive, stand, charge] = ledger.by_phase();
    assert_eq!((drive.time_s, stand.time_s, charge.time_s), (0.0, 50.0, 50.0));
    assert_eq!(charge.energy_out, 0.0);
    let phase = |tenth: usize| rows[tenth].phase;
    assert_eq!(
        [105, 106, 300, 605, 606, 1000].map(phase),
        [Phase::Stand, Phase::Charge, Phase::Charge, Phase::Charge, Phase::Stand, Phase::Stand]
    );
    close(rows[300].sums.charge_charged, 192.5, 1e-9);
    assert!(rows[300].sums.charge_in < 1e-8);
}

#[test]
fn a_shorter_one_does_not_and_the_sums_never_fall_meanwhile() {
    let current = |t: f64| if (10.0..39.0).contains(&t) { -10.0 } else { 10.0 };
    let mut ledger = Ledger::new(&roles());
    let mut last = ledger.sums();
    let mut rows = Vec::new();
    for (role, at, value) in standing(current, |_| 0.0) {
        ledger.sample(role, RunTime(at), value);
        let sums = ledger.sums();
        assert!(last.in_column_order().iter().zip(sums.in_column_order()).all(|(a, b)| *a <= b), "{last:?} {sums:?}");
        last = sums;
        ledger.drain_trace(|row| rows.push(row.clone()));
        // Undecided rows wait, no longer than 30 s and what is not known yet.
        assert!(at - rows.last().map_or(0, |row: &TraceRow| row.at.0) < 30 * S + 300_000);
    }
    ledger.finish(RunTime(100 * S));
    let sums = ledger.sums();
    assert_eq!((sums.energy_charged, sums.charge_charged), (0.0, 0.0));
    close(sums.charge_in, 290.0, 1e-3);
    assert!(rows.iter().all(|row| row.phase == Phase::Stand && row.sums.charge_charged == 0.0));
}

#[test]
fn current_into_a_moving_pack_is_recovered() {
    let (ledger, _) = run(&roles(), &standing(|_| -10.0, |_| 20.0), 100 * S);
    close(ledger.sums().charge_in, 1_000.0, 1e-12);
    assert_eq!(ledger.sums().charge_charged, 0.0);
    close(ledger.by_phase()[0].distance, 2_000.0, 1e-12);
}

#[test]
fn moving_off_ends_a_charge_and_standing_energy_is_kept_apart() {
    // Standing to 40 s, then 10 m/s; the current flows in throughout: a car charged without a plug's word, then downhill.
    let (ledger, rows) = run(&roles(), &standing(|_| -10.0, |t| if t <= 40.0 { 0.0 } else { 10.0 }), 100 * S);
    let [drive, stand, charge] = ledger.by_phase();
    assert_eq!((drive.time_s, stand.time_s, charge.time_s), (60.0, 0.0, 40.0));
    close(ledger.sums().charge_charged, 400.0, 1e-12);
    close(ledger.sums().charge_in, 600.0, 1e-12);
    assert_eq!((rows[400].phase, rows[401].phase), (Phase::Charge, Phase::Drive));
}

#[test]
fn the_plug_tells_at_once_and_its_energy_is_never_recovered() {
    let mut with_plug = roles();
    with_plug.push(held(Role::Plug));
    // Plugged from 20 to 50 s; 5 A in from 20 to 30 s, then 2 A out (the cabin): all of it charge.
    let current = |t: f64| {
        if t <= 20.0 {
            0.0
        } else if t <= 30.0 {
            -5.0
        } else {
            2.0
        }
    };
    let mut samples = standing(current, |_| 0.0);
    samples.extend([(3, 0, 0.0), (3, 20 * S, 1.0), (3, 50 * S, 0.0)]);
    samples.sort_by_key(|(_, at, _)| *at);
    let (ledger, rows) = run(&with_plug, &samples, 100 * S);
    let [drive, stand, charge] = ledger.by_phase();
    assert_eq!((drive.time_s, stand.time_s, charge.time_s), (0.0, 70.0, 30.0));
    let sums = ledger.sums();
    assert_eq!(sums.charge_in, 0.0);
    assert!((sums.charge_charged - 50.0).abs() < 0.3 && (charge.charge_out - 40.0).abs() < 0.3);
    close(sums.charge_out, charge.charge_out + stand.charge_out, 1e-14);
    assert_eq!((rows[200].phase, rows[201].phase, rows[501].phase), (Phase::Stand, Phase::Charge, Phase::Stand));
}

#[test]
fn unplugged_standing_with_current_in_is_not_charging_where_the_plug_is_known() {
    let mut with_plug = roles();
    with_plug.push(held(Role::Plug));
    let mut samples = standing(|_| -5.0, |_| 0.0);
    samples.insert(0, (3, 0, 0.0));
    let sums = run(&with_plug, &samples, 100 * S).0.sums();
    assert_eq!(sums.charge_charged, 0.0);
    close(sums.charge_in, 500.0, 1e-12);
}

#[test]
fn without_a_speed_a_plug_charges_while_current_flows_in_and_all_else_is_drive() {
    let roles = [role(Role::PackVoltage), role(Role::PackCurrent), held(Role::Plug)];
    let mut samples = merged(&[
        sampled(0, 0, 40 * S, 100_000, |_| 400.0),
        sampled(1, 0, 40 * S, 100_000, |t| 20.0 - 2.0 * t),
        vec![(2, 0, 0.0), (2, 5 * S, 1.0), (2, 30 * S, 0.0)],
    ]);
    samples.sort_by_key(|(_, at, _)| *at);
    let (ledger, _) = run(&roles, &samples, 40 * S);
    let [drive, stand, charge] = ledger.by_phase();
    // Zero current at 10 s; plugged from 5 to 30 s.
    assert_eq!((drive.time_s, stand.time_s, charge.time_s), (20.0, 0.0, 20.0));
    close(ledger.sums().charge_charged, 400.0, 1e-9);
    close(ledger.sums().charge_in, 500.0, 1e-9);
}

#[test]
fn a_plug_that_fell_silent_before_the_car_moved_off_counts_no_more() {
    let mut with_plug = roles();
    with_plug.push(role(Role::Plug));
    let mut samples = standing(|_| -5.0, |t| if t <= 20.0 || t >= 60.0 { 0.0 } else { 10.0 });
    samples.extend(sampled(3, 0, 10 * S, 100_000, |_| 1.0));
    samples.sort_by_key(|(_, at, _)| *at);
    let (ledger, rows) = run(&with_plug, &samples, 100 * S);
    // 0 to 20 s plugged; 20 to 60 s downhill; then standing, with nothing known of a plug any more but that it is out.
    assert_eq!(
        [100, 150, 300, 800].map(|tenth: usize| rows[tenth].phase),
        [Phase::Charge, Phase::Charge, Phase::Drive, Phase::Stand]
    );
    close(ledger.sums().charge_charged, 100.0, 1e-12);
}

#[test]
fn a_gap_in_the_current_neither_ends_nor_decides_a_charge_by_itself() {
    let mut samples = standing(|_| -10.0, |_| 0.0);
    samples.retain(|(role, at, _)| *role != 1 || *at <= 20 * S || *at >= 25 * S);
    let (ledger, _) = run(&roles(), &samples, 100 * S);
    close(ledger.sums().charge_charged, 950.0, 1e-12);
    assert_eq!(ledger.by_phase()[Phase::Charge as usize].time_unobserved, 5.0);
}

#[test]
fn thirty_seconds_decide_to_the_sample() {
    // The current turns at a sample of 0 A at 10 s and ends at one of 0 A.
    for (until, charged) in [(39.95, false), (40.0, true)] {
        let current = |t: f64| if t > 10.0 && t < until - 1e-9 { -10.0 } else { 0.0 };
        let sums = run(&roles(), &standing(current, |_| 0.0), 100 * S).0.sums();
        assert_eq!((sums.charge_charged > 0.0, sums.charge_in > 0.0), (charged, !charged), "{until}: {sums:?}");
    }
}

#[test]
fn a_plug_first_heard_of_while_undecided_decides() {
    let mut with_plug = roles();
    with_plug.push(held(Role::Plug));
    for (word, charged) in [(1.0, 1_000.0), (0.0, 0.0)] {
        let mut samples = standing(|_| -10.0, |_| 0.0);
        samples.push((3, 15 * S, word));
        samples.sort_by_key(|(_, at, _)| *at);
        let (ledger, rows) = run(&with_plug, &samples, 100 * S);
        let sums = ledger.sums();
        assert!((sums.charge_charged - charged).abs() < 1e-9 && (sums.charge_in - 1_000.0 + charged).abs() < 1e-9);
        // The rows that waited agree.
        let phase = if charged > 0.0 { Phase::Charge } else { Phase::Stand };
        assert!(rows[1..].iter().all(|row| row.phase == phase));
        assert_eq!(rows[100].sums.charge_charged > 0.0, charged > 0.0);
    }
}
