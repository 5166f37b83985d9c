//! Checkpoints of invented discharges whose truth is known.

use super::*;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, Reduction, reduce};

fn reduced(drive: &Drive, from: f64, to: f64) -> Reduction {
    reduce(&[drive.run("20270314T061502Z", drive.window(from, to))], None, &Options::default())
}

#[test]
fn what_was_driven_and_used_is_that_of_the_rows() {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(11));
    let reduction = reduced(&drive, 100.0, 0.0);
    let reached = &reduction.checkpoints.reached;
    assert_eq!(reached.iter().map(|one| one.value).collect::<Vec<_>>(), USUAL);
    let all = drive.window(100.0, 0.0);
    for one in reached {
        // By hand: rows of 2 s at 30 m/s, and the true net energy of the same rows.
        let rows = drive.window(100.0, one.value).end.min(drive.first_at(one.value) + 1);
        let metres = 60.0 * (rows - 1) as f64;
        let distance = one.so_far.distance.as_ref().unwrap();
        assert!((distance.value - metres).abs() < 61.0, "{} {metres}", distance.value);
        let (energy, _) = drive.true_net(&(all.start..rows));
        assert!((one.so_far.energy.value / energy - 1.0).abs() < 2e-3, "{} {energy}", one.so_far.energy.value);
    }
    // Parts between checkpoints make up the whole.
    let parts: f64 = reached[0].so_far.energy.value
        + reached[1..].iter().map(|one| one.since_last.as_ref().unwrap().energy.value).sum::<f64>();
    assert!((parts / reached[4].so_far.energy.value - 1.0).abs() < 1e-12);
}

#[test]
fn halves_and_their_ratio() {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(11));
    let reduction = reduced(&drive, 100.0, 0.0);
    let [first, second] = reduction.checkpoints.halves.as_ref().unwrap();
    // Less voltage in the second half: less energy at the same charge (a straight display, a fall of 50 of 400 V).
    assert!(second.energy.value < first.energy.value);
    let ratio = reduction.checkpoints.halves_ratio.as_ref().unwrap();
    let by_hand = second.consumption.as_ref().unwrap().value / first.consumption.as_ref().unwrap().value;
    assert!((ratio.value - by_hand).abs() < 1e-12);
    // Gains of both halves' sensors cancel.
    assert!(ratio.u() / ratio.value < 0.5 * first.energy.u() / first.energy.value);
    assert_eq!(reduced(&drive, 80.0, 0.0).checkpoints.halves, None);
}

#[test]
fn nothing_is_said_where_nothing_was_reached() {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(11));
    let reached = |from, to| {
        let found = reduced(&drive, from, to).checkpoints;
        (found.reached.iter().map(|one| one.value).collect::<Vec<_>>(), found.beyond.is_some())
    };
    // The window ends when the last value appears, which is not held then.
    assert_eq!(reached(100.0, 50.0), (vec![75.0], false));
    assert_eq!(reached(60.0, 20.0), (vec![50.0, 25.0], false));
    let blind = drive.without(&["soc"]);
    let run = blind.run("20270314T061502Z", 0..500);
    assert_eq!(reduce(&[run], None, &Options::default()).checkpoints, Checkpoints::default());
}

/// Displays as bent as the prior is wide, curves of the voltage and loads drawn: the projection's interval holds what came true.
#[test]
fn projections_hold_what_came_true() {
    let mut chance = Chance::new(5);
    let (mut inside, mut drawn) = (0, 0);
    for _ in 0..60 {
        // At a held speed the load sways little, and from one stretch to the next.
        let car = Car { sway: 0.06, ..Car::drawn(&mut chance) };
        let drive = Drive::of(&car, &mut chance);
        for one in reduced(&drive, 100.0, 0.0).checkpoints.reached {
            if let [Some(off), _] = &one.off {
                inside += u32::from(off.value.abs() <= off.u95());
                drawn += 1;
            }
        }
    }
    // The load does not change on the way here, so more than 95 % may hold it.
    assert!(drawn > 200 && f64::from(inside) >= 0.93 * f64::from(drawn), "{inside} of {drawn}");
}
