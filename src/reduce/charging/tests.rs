//! Invented charges whose power is known by arithmetic.

use crate::ledger::Phase;
use crate::map::{Basis, Sent};
use crate::reduce::fold::{Folder, TraceChunk, columns};
use crate::reduce::input::{RoleUse, RunInput};
use crate::reduce::{Options, Reduction, reduce};
use crate::schema::Role;
use crate::time::WallClock;

/// Energy of a per cent, J: 0.6 kWh.
const PER_PERCENT: f64 = 0.6 * 3.6e6;
const VOLT: f64 = 400.0;

/// A charge second by second: from a state of charge, at a power (W) that hangs on it, for so many seconds, shown in whole
/// per cents; `jump` is added to the display from a second on. Ten seconds of rest before and after.
pub fn charge(from: f64, seconds: usize, power: impl Fn(f64) -> f64, jump: Option<(usize, f64)>) -> RunInput {
    let names = columns();
    let place = |name: &str| names.iter().position(|known| *known == name).unwrap();
    let rows = seconds + 21;
    let mut cells = vec![vec![f64::NAN; rows]; names.len()];
    for name in ["energy_out", "energy_in", "charge_out", "charge_in", "distance", "time_unobserved", "speed"] {
        cells[place(name)].fill(0.0);
    }
    let (mut soc, mut energy) = (from, 0.0);
    let mut phases = vec![Phase::Stand; rows];
    for row in 0..rows {
        let charging = (10..10 + seconds).contains(&row);
        let lift = jump.filter(|(at, _)| row >= *at).map_or(0.0, |(_, by)| by);
        cells[place("soc")][row] = (soc + lift).floor();
        cells[place("energy_charged")][row] = energy;
        cells[place("charge_charged")][row] = energy / VOLT;
        cells[place("pack_voltage")][row] = VOLT;
        cells[place("pack_temperature")][row] = 20.0 + (soc - from) / 4.0;
        cells[place("pack_current")][row] = if charging { -power(soc) / VOLT } else { 0.0 };
        if charging {
            energy += power(soc);
            soc += power(soc) / PER_PERCENT;
        }
        if row > 10 && row <= 10 + seconds {
            phases[row] = Phase::Charge;
        }
    }
    let mut folder = Folder::default();
    let t: Vec<i64> = (0..rows as i64).map(|row| row * 1_000_000).collect();
    let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
    folder.push(&TraceChunk { t_us: &t, phase: &phases, columns: &views });
    RunInput {
        name: "20270314T101502Z".into(),
        vehicle: "invented".into(),
        start: WallClock::parse_iso("2027-03-14T10:15:02Z"),
        soc_counts: Role::Soc,
        roles: [Role::PackCurrent, Role::PackVoltage]
            .map(|role| RoleUse { role, gain: None, offset: None, basis: Basis::Assumed, sent: Sent::Cyclic })
            .to_vec(),
        gaps: Vec::new(),
        summary: folder.finish().into(),
        fixes: Vec::new(),
        unplaced: None,
        turned: Vec::new(),
        sampling: None,
        cut: false,
        problems: Vec::new(),
    }
}

/// 150 kW to 50 %, then falling by 2.5 kW per per cent.
pub fn tapering(soc: f64) -> f64 {
    150e3 - 2.5e3 * (soc - 50.0).max(0.0)
}

pub fn reduced(run: RunInput) -> Reduction {
    reduce(&[run], None, &Options::default())
}

#[track_caller]
fn close(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value} is not {expected} to {within}");
}

#[test]
fn a_constant_power_takes_the_energy_over_it() {
    // From a to b at constant power P: t = (b - a) E / P exactly; 70 % of 60 kWh at 100 kW is 1512 s.
    let reduction = reduced(charge(9.5, 1_700, |_| 100e3, None));
    let [session] = &reduction.sessions[..] else { panic!("{:?}", reduction.sessions.len()) };
    let window = &session.windows[0];
    let time = window.time.as_ref().unwrap();
    close(time.value, 1_512.0, 1.0);
    assert!(time.u95() > 1.0 && time.u95() < 10.0, "{}", time.u95());
    close(window.energy.as_ref().unwrap().value / 3.6e6, 42.0, 0.06);
    close(window.mean_power.as_ref().unwrap().value, 100e3, 1e-6);
    close(session.energy.as_ref().unwrap().value, 1_700.0 * 100e3, 1e-3);
    close(session.peak.as_ref().unwrap().power.value, 100e3, 1e-3);
    close(session.duration(), 1_700.0, 1e-9);
    assert!(session.taper.is_empty(), "it ended at full power: {:?}", session.taper);
    assert_eq!(session.seen_from, (true, true));
    assert_eq!(session.pack_degc[0], Some(20.0));
    close(reduction.energy.charged.as_ref().unwrap().value, session.energy.as_ref().unwrap().value, 1e-6);
    // Two tenths of a per cent of the energy for each of its sources, as the whole reduction has them.
    close(reduction.energy.charged.unwrap().u(), session.energy.as_ref().unwrap().u(), 1e3);
}

#[test]
fn the_taper_is_found_where_the_power_was_made_to_fall() {
    let reduction = reduced(charge(9.5, 2_400, tapering, None));
    let session = &reduction.sessions[0];
    // 90 % of 150 kW is reached at 56 %, 75 % at 65 %, 50 % at 80 %.
    let at: Vec<(f64, f64)> = session.taper.iter().map(|taper| (taper.share, taper.soc.unwrap())).collect();
    assert_eq!(at[..3].iter().map(|(share, _)| *share).collect::<Vec<_>>(), [0.9, 0.75, 0.5]);
    for ((_, found), expected) in at.iter().zip([56.0, 65.0, 80.0]) {
        close(*found, expected, 1.0);
    }
    // Time from 10 to 80 %: 40 % at 150 kW, then dt = E ds / (150 - 2.5 s) from 0 to 30: E / 2.5 ln(150 / 75).
    let expected = 40.0 * PER_PERCENT / 150e3 + PER_PERCENT / 2.5e3 * 2f64.ln();
    close(session.windows[0].time.as_ref().unwrap().value, expected, 2.5);
    let powers: Vec<f64> = session.by_percent.iter().map(|point| point.power).collect();
    assert!(powers.windows(2).all(|pair| pair[1] <= pair[0] + 1.0), "{powers:?}");
    assert!(session.by_time.len() > 50 && session.by_time.len() <= 241, "{}", session.by_time.len());
}

#[test]
fn what_was_not_charged_through_is_not_measured() {
    // From 14 to 71 % there is no time from 10 to 80 %, and there is one from 20 to 60 %.
    let seconds = ((71.5 - 14.0) * PER_PERCENT / 100e3) as usize;
    let run = charge(14.0, seconds, |_| 100e3, None);
    let options = Options { charge_windows: vec![(10.0, 80.0), (20.0, 60.0)], ..Options::default() };
    let reduction = reduce(&[run], None, &options);
    let [refused, measured] = &reduction.sessions[0].windows[..] else { panic!() };
    assert_eq!((&refused.time, &*refused.why), (&None, "the session went from 14 % to 71 %"));
    close(measured.time.as_ref().unwrap().value, 864.0, 1.0);
}

#[test]
fn a_rise_that_no_charge_explains_is_told_and_kept_out() {
    let reduction = reduced(charge(9.5, 1_700, |_| 100e3, Some((800, 5.0))));
    let [rise] = &reduction.rises[..] else { panic!("{:?}", reduction.rises) };
    assert!((798.0..=801.0).contains(&rise.at) && rise.charging, "{rise:?}");
    close(rise.percent, 5.0, 1.5);
    assert_eq!(reduction.sessions[0].windows[0].time, None);
    assert!(reduction.problems.iter().any(|problem| problem.contains("does not explain")), "{:?}", reduction.problems);
    assert!(reduced(charge(9.5, 1_700, |_| 100e3, None)).rises.is_empty());
    assert!(reduced(charge(9.5, 2_400, tapering, None)).rises.is_empty());
}
