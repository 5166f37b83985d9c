//! The ledger as a whole: figures known by arithmetic, the phases, the trace, and how recordings are made for the
//! properties.
//!
//! `naive` integrates anew in the plainest way; `properties` says what must hold for every recording.

mod naive;
mod phases;
mod properties;
mod trace;

use super::*;
use crate::schema::Role;

/// A sample as tests write it: role index, us, value.
pub type Sample = (usize, i64, f64);

pub fn role(role: Role) -> LedgerRole {
    LedgerRole { slot: RoleSlot { role, pack: 0 }, sent: Sent::Cyclic }
}

pub fn held(kind: Role) -> LedgerRole {
    LedgerRole { sent: Sent::OnChange, ..role(kind) }
}

pub fn of_pack(kind: Role, pack: u8) -> LedgerRole {
    LedgerRole { slot: RoleSlot { role: kind, pack }, sent: Sent::Cyclic }
}

/// A finished ledger and its rows.
pub fn run(roles: &[LedgerRole], samples: &[Sample], end: i64) -> (Ledger, Vec<TraceRow>) {
    let mut ledger = Ledger::new(roles);
    samples.iter().for_each(|(role, at, value)| ledger.sample(*role, RunTime(*at), *value));
    ledger.finish(RunTime(end));
    let mut rows = Vec::new();
    ledger.drain_trace(|row| rows.push(row.clone()));
    (ledger, rows)
}

/// Every bit of a result, for comparing what may hold NaN.
pub fn bits(value: &impl Serialize) -> Vec<u8> {
    postcard::to_allocvec(value).expect("plain data is always written")
}

#[track_caller]
pub fn close(a: f64, b: f64, relative: f64) {
    assert!((a - b).abs() <= relative * b.abs(), "{a} is not {b}");
}

/// A signal sampled at a period from `from` to `to`, us, both included if met.
pub fn sampled(role: usize, from: i64, to: i64, period: i64, value: impl Fn(f64) -> f64) -> Vec<Sample> {
    (from..=to).step_by(period as usize).map(|at| (role, at, value(at as f64 / 1e6))).collect()
}

/// In time order; samples of one moment in the order given.
pub fn merged(signals: &[Vec<Sample>]) -> Vec<Sample> {
    let mut all = signals.concat();
    all.sort_by_key(|(_, at, _)| *at);
    all
}

const VI: [Role; 2] = [Role::PackVoltage, Role::PackCurrent];

fn vi() -> [LedgerRole; 2] {
    VI.map(role)
}

#[test]
fn two_ramps_identity_by_arithmetic() {
    // 10 s, 400 to 360 V, 0 to 300 A: 560 000 J, at whatever stamps the ramps are sampled (the trapezoid of the product
    // of the ends alone would give 540 000 J).
    for (voltage_period, current_period) in [(10_000, 10_000), (100_000, 70_000), (250_000, 30_000)] {
        let mut samples = merged(&[
            sampled(0, 0, 9_999_999, voltage_period, |t| 400.0 - 4.0 * t),
            sampled(1, 0, 9_999_999, current_period, |t| 30.0 * t),
        ]);
        samples.extend([(0, 10_000_000, 360.0), (1, 10_000_000, 300.0)]);
        let sums = run(&vi(), &samples, 10_000_000).0.sums();
        close(sums.energy_out, 560_000.0, 1e-13);
        close(sums.charge_out, 1_500.0, 1e-13);
        assert_eq!((sums.energy_in, sums.charge_in, sums.time_unobserved), (0.0, 0.0, 0.0));
        assert!(sums.distance.is_nan());
    }
    // 1 s, 400 to 380 V, 100 to 200 A: 175 000/3 J.
    let samples = [(0, 0, 400.0), (1, 0, 100.0), (0, 1_000_000, 380.0), (1, 1_000_000, 200.0)];
    close(run(&vi(), &samples, 1_000_000).0.sums().energy_out, 175_000.0 / 3.0, 1e-14);
}

#[test]
fn two_sines_identity_by_arithmetic() {
    // V = 350 + 10 sin wt, I = 100 + 50 sin(wt + 0.3), one period of 10 s: 350 000 + 10 * 10 * 50 / 2 * cos 0.3 J
    // = 97.88565034 Wh. Linear pieces of 1 ms leave 1e-8 of it.
    let w = std::f64::consts::TAU / 10.0;
    let samples = merged(&[
        sampled(0, 0, 10_000_000, 1_000, |t| 350.0 + 10.0 * (w * t).sin()),
        sampled(1, 0, 10_000_000, 1_000, |t| 100.0 + 50.0 * (w * t + 0.3).sin()),
    ]);
    let wh = run(&vi(), &samples, 10_000_000).0.sums().energy_out / 3600.0;
    close(wh, 97.885_650_34, 1e-8);
    close(wh, (350_000.0 + 2_500.0 * 0.3f64.cos()) / 3600.0, 1e-8);
}

#[test]
fn sign_split_identity_by_arithmetic() {
    // 400 V, -50 to +100 A in 3 s, zero after 1 s: 11.1111 Wh out, 2.7778 Wh in. Moving at 10 m/s, so nothing charges.
    let roles = [vi()[0], vi()[1], role(Role::Speed)];
    let current = |t: f64| -50.0 + 50.0 * t;
    for period in [1_500_000, 1_000_000, 300_000, 12_000] {
        let samples = merged(&[
            sampled(0, 0, 3_000_000, period, |_| 400.0),
            sampled(1, 0, 3_000_000, period, current),
            sampled(2, 0, 3_000_000, 100_000, |_| 10.0),
        ]);
        let sums = run(&roles, &samples, 3_000_000).0.sums();
        close(sums.energy_out / 3600.0, 100.0 / 9.0, 1e-12);
        close(sums.energy_in / 3600.0, 25.0 / 9.0, 1e-12);
        close(sums.charge_out - sums.charge_in, 75.0, 1e-12);
        close(sums.distance, 30.0, 1e-14);
    }
}

#[test]
fn power_alone_is_integrated_and_gives_no_charge() {
    // 30 kW falling to -10 kW in 4 s: zero after 3 s; 45 kJ out, 5 kJ in, by arithmetic.
    let roles = [role(Role::PackPower)];
    let samples = sampled(0, 0, 4_000_000, 500_000, |t| 30e3 - 10e3 * t);
    let (ledger, rows) = run(&roles, &samples, 4_000_000);
    let sums = ledger.sums();
    close(sums.energy_out, 45e3, 1e-13);
    close(sums.energy_in, 5e3, 1e-13);
    assert!(sums.charge_out.is_nan() && sums.charge_in.is_nan());
    assert_eq!(rows.last().map(|row| row.roles[Role::PackPower as usize]), Some(-10e3));
}

#[test]
fn voltage_times_current_outweighs_a_power_that_is_sent_too() {
    let roles = [vi()[0], vi()[1], role(Role::PackPower)];
    let samples = merged(&[
        sampled(0, 0, 1_000_000, 10_000, |_| 400.0),
        sampled(1, 0, 1_000_000, 10_000, |_| 10.0),
        sampled(2, 0, 1_000_000, 10_000, |_| 9_999.0),
    ]);
    let (ledger, rows) = run(&roles, &samples, 1_000_000);
    close(ledger.sums().energy_out, 4_000.0, 1e-14);
    assert_eq!(rows.last().map(|row| row.roles[Role::PackPower as usize]), Some(9_999.0));
}

#[test]
fn the_energies_of_several_packs_add_and_one_goes_on_without_the_other() {
    let roles = [
        of_pack(Role::PackVoltage, 0),
        of_pack(Role::PackCurrent, 0),
        of_pack(Role::PackVoltage, 1),
        of_pack(Role::PackCurrent, 1),
    ];
    let samples = merged(&[
        sampled(0, 0, 10_000_000, 10_000, |_| 400.0),
        sampled(1, 0, 10_000_000, 10_000, |_| 10.0),
        sampled(2, 0, 10_000_000, 10_000, |_| 300.0),
        // The second pack's current is silent from 4 to 7 s.
        sampled(3, 0, 4_000_000, 10_000, |_| 20.0),
        sampled(3, 7_000_000, 10_000_000, 10_000, |_| 20.0),
    ]);
    let (ledger, rows) = run(&roles, &samples, 10_000_000);
    let sums = ledger.sums();
    // By arithmetic: 4 kW for 10 s, 6 kW for 7 s.
    close(sums.energy_out, 82_000.0, 1e-13);
    close(sums.charge_out, 240.0, 1e-13);
    assert_eq!(sums.time_unobserved, 3.0);
    let gaps: Vec<_> = ledger.gaps().iter().map(|gap| (gap.what, gap.from.0, gap.to.0)).collect();
    assert_eq!(gaps, [(GapOf::Pack(1), 4_000_000, 7_000_000)]);
    let last = rows.last().expect("a run has a last row");
    assert_eq!(last.roles[Role::PackVoltage as usize], 400.0);
    assert_eq!(last.roles[Role::PackCurrent as usize], 30.0);
    assert_eq!(last.roles[Role::PackPower as usize], 10_000.0);
    // While one is stale, so is the total.
    assert!(rows[50].roles[Role::PackCurrent as usize].is_nan());
}

#[test]
fn a_gap_is_counted_not_bridged_and_both_sides_are_kept() {
    let roles = [vi()[0], vi()[1], role(Role::Speed), role(Role::Odometer)];
    let mut samples = merged(&[
        sampled(0, 0, 20_000_000, 10_000, |_| 400.0),
        sampled(1, 1_000_000, 5_000_000, 10_000, |_| 50.0),
        sampled(1, 9_000_000, 20_000_000, 10_000, |_| 100.0),
        sampled(2, 0, 20_000_000, 20_000, |_| 25.0),
        sampled(3, 500_000, 20_000_000, 1_000_000, |t| 25.0 * t),
    ]);
    samples.retain(|(role, at, _)| *role != 3 || !(6_000_000..9_000_000).contains(at));
    let (ledger, _) = run(&roles, &samples, 21_000_000);
    let sums = ledger.sums();
    // Observed 1 to 5 s at 20 kW and 9 to 20 s at 40 kW, by arithmetic.
    close(sums.energy_out, 80e3 + 440e3, 1e-13);
    assert_eq!(sums.time_unobserved, 1.0 + 4.0 + 1.0);
    close(sums.distance, 500.0, 1e-13);
    let pack: Vec<_> = ledger.gaps().iter().filter(|gap| gap.what == GapOf::Pack(0)).collect();
    let spans: Vec<_> = pack.iter().map(|gap| (gap.from.0, gap.to.0)).collect();
    assert_eq!(spans, [(0, 1_000_000), (5_000_000, 9_000_000), (20_000_000, 21_000_000)]);
    let (before, after) = (pack[1].before, pack[1].after.expect("the run goes on"));
    assert_eq!((before.current, before.power, before.odometer), (Some(50.0), Some(20e3), Some(112.5)));
    assert_eq!((after.current, after.power, after.odometer), (Some(100.0), Some(40e3), Some(237.5)));
    assert_eq!((pack[0].before.voltage, pack[2].after), (None, None));
    let speed: Vec<_> = ledger.gaps().iter().filter(|gap| gap.what == GapOf::Speed).collect();
    assert_eq!(speed.len(), 1, "{speed:?}");
}

#[test]
fn what_changes_seldom_is_held_and_never_unobserved() {
    // 400 V said once, current in steps: 10 A for 3600 s, then 20 A for 400 s, by arithmetic.
    let roles = VI.map(held);
    let samples = [(0, 0, 400.0), (1, 0, 10.0), (1, 3_600_000_000, 20.0)];
    let (ledger, rows) = run(&roles, &samples, 4_000_000_000);
    close(ledger.sums().energy_out, 400.0 * 44_000.0, 1e-13);
    assert_eq!((ledger.sums().time_unobserved, rows.len()), (0.0, 40_001));
    close(rows[18_000].sums.charge_out, 18_000.0, 1e-13);
    assert_eq!(rows[39_999].roles[Role::PackVoltage as usize], 400.0);
}

#[test]
fn what_is_not_mapped_is_not_measured() {
    let (ledger, _) = run(&[role(Role::Speed)], &[(0, 0, 10.0), (0, 1_000_000, 10.0)], 1_000_000);
    let sums = ledger.sums();
    assert_eq!(sums.distance, 10.0);
    assert!(sums.energy_out.is_nan() && sums.charge_in.is_nan() && sums.time_unobserved.is_nan());
    // Current alone gives charge, and no energy.
    let samples = [(0, 0, 10.0), (0, 1_000_000, 10.0)];
    let sums = run(&[role(Role::PackCurrent)], &samples, 2_000_000).0.sums();
    assert_eq!((sums.charge_out, sums.time_unobserved), (10.0, 1.0));
    assert!(sums.energy_out.is_nan());
    // A second pack that only tells its voltage leaves the total unknown.
    let roles = [vi()[0], vi()[1], of_pack(Role::PackVoltage, 1)];
    assert!(run(&roles, &[(0, 0, 1.0)], 1).0.sums().energy_out.is_nan());
}

#[test]
fn nonsense_poisons_nothing() {
    let mut ledger = Ledger::new(&vi());
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300] {
        ledger.sample(0, RunTime(0), value);
    }
    ledger.sample(7, RunTime(0), 1.0);
    ledger.position(RunTime(0), f64::NAN, 0.0);
    ledger.sample(0, RunTime(i64::MIN), 1e15);
    ledger.sample(1, RunTime(-5), -1e15);
    ledger.sample(0, RunTime(1_000_000), 1e15);
    ledger.sample(1, RunTime(10), -1e15);
    ledger.finish(RunTime(0));
    ledger.sample(1, RunTime(2_000_000), 5.0);
    assert_eq!((ledger.sums().energy_in, ledger.observed().ignored), (1e30, 4));
    // Nothing at all was said: one row, at 0.
    let (ledger, rows) = run(&[], &[], 0);
    assert_eq!((rows.len(), ledger.gaps().len(), ledger.observed().roles.len()), (1, 0, 0));
}

#[test]
fn the_time_after_the_last_sample_is_unobserved_however_short() {
    let samples = merged(&[sampled(0, 0, 1_000_000, 10_000, |_| 400.0), sampled(1, 0, 1_000_000, 10_000, |_| 10.0)]);
    for end in [1_000_000, 1_000_001, 1_050_000, 1_100_000] {
        let (ledger, rows) = run(&vi(), &samples, end);
        let rest = (end - 1_000_000) as f64 / 1e6;
        assert_eq!(ledger.sums().time_unobserved, rest);
        assert_eq!(ledger.gaps().len(), usize::from(end > 1_000_000));
        assert_eq!(rows.last().map(|row| (row.at.0, row.sums.time_unobserved)), Some((end, rest)));
    }
}
