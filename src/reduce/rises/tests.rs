//! Rises in invented discharges: found where they were put, not found where there are none.

use std::sync::Arc;

use crate::ledger::Phase;
use crate::reduce::charging::tests::charge;
use crate::reduce::fold::{Folder, TraceChunk, columns};
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, Reduction, RunInput, reduce};

/// A pack of 60 kWh at 400 V, discharged at 30 kW from 90 % for so many seconds, shown in steps of half a per cent; the
/// display rises by some per cent at a moment and stays there.
fn discharge(seconds: usize, at: usize, by: f64) -> RunInput {
    let names = columns();
    let place = |name: &str| names.iter().position(|known| *known == name).unwrap();
    let mut cells = vec![Vec::new(); names.len()];
    for row in 0..seconds {
        let energy = 30e3 * row as f64;
        let soc = 90.0 - energy / (600.0 * 3_600.0) + if row >= at { by } else { 0.0 };
        let values = [
            ("energy_out", energy),
            ("charge_out", energy / 400.0),
            ("distance", 30.0 * row as f64),
            ("pack_voltage", 400.0),
            ("pack_current", 75.0),
            ("speed", 30.0),
            ("soc", (soc * 2.0).floor() / 2.0),
            ("plug", 0.0),
        ];
        values.iter().for_each(|(name, value)| cells[place(name)].push(*value));
    }
    // Nothing came back, and nothing was unobserved or charged.
    for name in ["energy_in", "charge_in", "energy_charged", "charge_charged", "time_unobserved"] {
        cells[place(name)].resize(seconds, 0.0);
    }
    let t: Vec<i64> = (0..seconds as i64).map(|row| row * 1_000_000).collect();
    let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
    let mut folder = Folder::default();
    folder.push(&TraceChunk { t_us: &t, phase: &vec![Phase::Drive; seconds], columns: &views });
    RunInput { summary: folder.finish().into(), ..charge(9.5, 100, |_| 1e3, None) }
}

fn reduced(run: RunInput) -> Reduction {
    reduce(&[run], None, &Options::default())
}

#[test]
fn a_display_that_jumps_up_ends_a_discharge() {
    let plain = reduced(discharge(4_000, 0, 0.0));
    let whole = plain.usable.energy.unwrap().value;
    assert!(plain.rises.is_empty() && (whole / (60.0 * 3.6e6) - 1.0).abs() < 0.02, "{whole}");
    let jumped = reduced(discharge(4_000, 1_500, 6.0));
    let [rise] = &jumped.rises[..] else { panic!("{:?}", jumped.rises) };
    assert!((rise.at - 1_500.0).abs() < 2.0 && (rise.percent - 6.0).abs() < 1.0 && !rise.charging, "{rise:?}");
    assert!(jumped.problems.iter().any(|problem| problem.contains("does not explain")));
    // Of the larger part alone, 2500 s of it: the jump is in neither.
    let after = jumped.usable.energy.unwrap_or_else(|| panic!("{}", jumped.usable.why)).value;
    assert!((after / whole - 1.0).abs() < 0.03, "{after} {whole}");
    // All that was drawn is still counted as drawn.
    assert!((jumped.energy.net.unwrap().value - plain.energy.net.unwrap().value).abs() < 1.0);
}

#[test]
fn a_bent_and_noisy_display_is_no_rise() {
    for seed in 0..20 {
        let mut chance = Chance::new(seed);
        let drive = Drive::of(&Car::drawn(&mut chance), &mut chance);
        let found = super::of(&drive.run("run=1", drive.window(100.0, 0.0)), 0);
        assert!(found.is_empty(), "{seed}: {found:?}");
    }
}

#[test]
fn charge_drawn_at_displayed_zero_is_no_rise() {
    // Some 9 % of the charge more after the display has reached 0, which it then shows on.
    let mut run = discharge(7_200, 0, 0.0);
    let seconds: Vec<_> = run.summary.seconds.to_vec();
    let clamp = |second: &crate::reduce::fold::Second| {
        let soc = second.soc.map(|soc| (soc - 10.0).max(0.0));
        crate::reduce::fold::Second { soc, ..*second }
    };
    Arc::make_mut(&mut run.summary).seconds = seconds.iter().map(clamp).collect();
    assert!(run.summary.seconds.iter().filter(|second| second.soc[0] == 0.0).count() > 500);
    assert_eq!(super::of(&run, 0), []);
}
