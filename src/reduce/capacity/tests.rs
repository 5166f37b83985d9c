//! Discharges whose whole charge is known.

use super::*;
use crate::reduce::Source;

/// A constant-current discharge: 20 A for a pack of 60 Ah, line from 400 V to 340 V, display in steps of 1 %, ticks from..=to.
fn discharge(from: u32, to: u32, display: impl Fn(f64) -> f64) -> Discharge {
    let whole = 60.0 * 3600.0;
    let at = |remaining: f64, value: f64| {
        let charge = whole * (1.0 - remaining);
        // Integral of a straight line of voltage.
        let energy = charge * (400.0 + 340.0 + 60.0 * remaining) / 2.0 + 0.0 * value;
        TickPoint { value, charge, energy, time: charge / 20.0, volt_seconds: energy / 20.0 }
    };
    // Nearest rounding: the display reaches v where the underlying value passes v + half a step.
    let ticks: Vec<TickPoint> = (to..=from)
        .rev()
        .map(|value| {
            let value = f64::from(value) / 100.0;
            at(display(value + 0.005), value)
        })
        .collect();
    let ends = [ticks[0], ticks[ticks.len() - 1]];
    Discharge {
        stretches: vec![ticks],
        step: 0.01,
        ends,
        from_full: false,
        to_zero: false,
        period_s: 1.0,
        sampling_charge: 0.0,
    }
}

fn whole(discharge: &Discharge, sensors: &SensorErrors) -> (Estimate, Estimate) {
    let outside = outside(discharge, sensors).unwrap();
    let measured = |of: fn(&TickPoint) -> f64| Estimate::exact(of(&discharge.ends[1]) - of(&discharge.ends[0]));
    (measured(|t| t.charge).add(&outside.charge), measured(|t| t.energy).add(&outside.energy))
}

#[test]
fn a_straight_display_gives_the_whole() {
    let (charge, energy) = whole(&discharge(90, 40, |d| d), &SensorErrors::default());
    // To displayed 0 by nearest rounding: 99.5 % of 60 Ah, 0.5 % for what may go before the display leaves 100 %, and 8 s of
    // 20 A for its lag; the mean of the second order, some 0.2 %, is part of the figure.
    assert!((charge.value / 3600.0 - 60.0 - 8.0 * 20.0 / 3600.0).abs() < 0.2, "{}", charge.value / 3600.0);
    // 60 Ah from 400 V to 340 V: 22.2 kWh, less half a per cent at 340 V.
    let truth = 22.2 - 0.3 * 0.340;
    assert!(
        (energy.value / 3.6e6 - truth).abs() < energy.u95() / 3.6e6,
        "{} {}",
        energy.value / 3.6e6,
        energy.u95() / 3.6e6
    );
    assert!(energy.u95() < 0.08 * energy.value && charge.u95() < 0.08 * charge.value);
}

#[test]
fn what_is_drawn_is_the_fit_and_ends_at_its_figure() {
    let discharge = discharge(90, 40, |d| d);
    let outside = outside(&discharge, &SensorErrors::default()).unwrap();
    let drawn = &outside.drawn;
    let whole = outside.charge.value + discharge.ends[1].charge - discharge.ends[0].charge;
    let (first, last) = (drawn.outside[0].last().unwrap(), drawn.outside[1].last().unwrap());
    assert_eq!(*first, (1.0, 0.0));
    assert!(last.0.abs() < 1e-12 && (last.1 - whole).abs() < 1e-6 * whole, "{last:?} {whole}");
    let ticks = &drawn.stretches[0];
    assert_eq!(ticks.len(), outside.ticks);
    // A straight display: the charge falls by 0.6 Ah of 60 Ah for every per cent, measured and fitted.
    for pair in ticks.windows(2) {
        let percents = (pair[0].value - pair[1].value) * 100.0;
        assert!(((pair[1].charge - pair[0].charge) / 3600.0 - 0.6 * percents).abs() < 1e-9);
        assert!(((pair[1].fitted - pair[0].fitted) / 3600.0 - 0.6 * percents).abs() < 0.01);
    }
    assert!(ticks.iter().all(|tick| (tick.fitted - tick.charge).abs() < 0.02 * 3600.0), "{ticks:?}");
    assert!((drawn.measured[1] - drawn.measured[0] - 0.5 * 60.0 * 3600.0).abs() < 1e-6, "{:?}", drawn.measured);
}

#[test]
fn shorter_spans_know_less() {
    let u95 = |from, to| whole(&discharge(from, to, |d| d), &SensorErrors::default()).0.u95();
    assert!(u95(90, 70) > 1.2 * u95(90, 50));
    assert!(u95(90, 50) > 1.2 * u95(90, 10));
}

#[test]
fn a_bent_display_stays_inside_the_interval() {
    for bend in [-0.03, 0.03] {
        let (charge, _) = whole(&discharge(90, 50, |d| d + bend * 4.0 * d * (1.0 - d)), &SensorErrors::default());
        assert!((charge.value / 3600.0 - 59.7).abs() < charge.u95() / 3600.0, "{bend}: {charge:?}");
        assert!((charge.value / 3600.0 - 59.7).abs() > 0.2, "a bend of 3 % must show");
    }
}

#[test]
fn sensors_errors_go_through() {
    let discharge = discharge(90, 40, |d| d);
    let sensors = SensorErrors { current_gain: 0.02, current_zero: 1.0, voltage_gain: 0.005, ..Default::default() };
    let outside = outside(&discharge, &sensors).unwrap();
    let relative = |estimate: &Estimate, source: &Source| estimate.contribution(source) / estimate.value;
    assert!((relative(&outside.charge, &sources::CURRENT_GAIN) - 0.02).abs() < 1e-12);
    assert!((relative(&outside.energy, &sources::VOLTAGE_GAIN) - 0.005).abs() < 1e-12);
    // 1 A in 20 A all along: as a gain of 5 %.
    assert!((relative(&outside.charge, &sources::CURRENT_ZERO) - 0.05).abs() < 0.001, "{outside:?}");
}

#[test]
fn a_break_costs_its_own_increment_only() {
    let mut broken = discharge(90, 40, |d| d);
    let ticks = broken.stretches.remove(0);
    let (above, below) = ticks.split_at(25);
    // 1 Ah went by unseen between the two.
    let shifted = below.iter().map(|tick| TickPoint { charge: tick.charge - 3600.0, ..*tick }).collect();
    broken.stretches = vec![above.to_vec(), shifted];
    let fit = fit(&broken).unwrap();
    assert!((fit.theta[0] / 3600.0 - 60.0).abs() < 0.2, "{:?}", fit.theta);
}

#[test]
fn the_mean_of_a_bent_display_is_that_of_drawn_ones() {
    // By drawing: d = x + b(x) solved for x, over bends of the prior's width; the first order would give d itself.
    let mut chance = crate::reduce::synthetic::Chance::new(3);
    let draws = 40_000;
    for d in [0.2, 0.5, 0.8] {
        let mut sum = 0.0;
        for _ in 0..draws {
            let sizes = BEND_SD.map(|sd| sd * chance.normal());
            let bent = |x: f64| sizes.iter().enumerate().map(|(at, size)| size * mode(at, x).0).sum::<f64>();
            let x = (0..6).fold(d, |x, _| d - bent(x));
            // The first order has the mean 0: taken off, it leaves less to chance.
            sum += x + bent(d);
        }
        let mean = sum / f64::from(draws);
        assert!((mean - expected(d)).abs() < 4e-5, "{d}: {mean} {}", expected(d));
    }
    assert!((expected(0.2) - 0.2).abs() > 4e-4 && expected(1.0) == 1.0 && expected(0.0) == 0.0);
}

#[test]
fn too_little_is_refused() {
    let mut single = discharge(90, 40, |d| d);
    single.stretches[0].truncate(1);
    assert!(outside(&single, &SensorErrors::default()).is_err());
    single.stretches.clear();
    assert!(outside(&single, &SensorErrors::default()).is_err());
}
