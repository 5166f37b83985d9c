//! What must hold whatever comes in: no panic, the same answer twice, widths above nothing, more charge no shorter.

use proptest::prelude::*;

use super::super::*;
use super::road::{self, Car};
use crate::ledger::Sums;

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -10.0..1e3f64,
        2 => 0.0..1e9f64,
        1 => Just(f64::NAN),
        1 => prop_oneof![Just(f64::INFINITY), Just(f64::NEG_INFINITY), Just(f64::MAX), Just(-1e300), Just(0.0)],
    ]
}

fn row() -> impl Strategy<Value = (u64, TraceRow)> {
    let roles = prop::collection::vec(value(), Role::COUNT);
    let sums = prop::collection::vec(value(), 8);
    (0..3u64, 0..100_000_000i64, 0..3u8, roles, sums, value(), value()).prop_map(
        |(run, at, phase, roles, sums, latitude_deg, longitude_deg)| {
            let sums = Sums {
                energy_out: sums[0],
                energy_in: sums[1],
                energy_charged: sums[2],
                charge_out: sums[3],
                charge_in: sums[4],
                charge_charged: sums[5],
                distance: sums[6],
                time_unobserved: sums[7],
            };
            let phase = [Phase::Drive, Phase::Stand, Phase::Charge][usize::from(phase)];
            let mut all = [f64::NAN; Role::COUNT];
            all.copy_from_slice(&roles);
            (run, TraceRow { at: RunTime(at), phase, sums, roles: all, latitude_deg, longitude_deg })
        },
    )
}

fn mark() -> impl Strategy<Value = Mark> {
    (0..MarkKind::ALL.len(), prop::option::of(value())).prop_map(|(kind, value)| Mark {
        kind: MarkKind::ALL[kind].0,
        value,
        text: String::new(),
    })
}

fn guess() -> impl Strategy<Value = Option<Guess>> {
    prop::option::of((value(), value()).prop_map(|(mean, u)| Guess::new(mean, u)))
}

fn known() -> impl Strategy<Value = Known> {
    (guess(), guess(), guess(), prop::option::of(value()), prop::option::of(value()), any::<(bool, bool)>()).prop_map(
        |(usable, reserve, per_metre, speed, volts, (trailer, positions))| {
            let course = road::course(6, 40.0);
            Known {
                course: Some(if positions { course } else { road::blind(&course) }),
                target: speed.map(MetrePerSecond),
                tolerance: speed.map(MetrePerSecond),
                usable,
                reserve,
                per_metre,
                cut_off: CutOff { cell: volts, pack: volts },
                trailer,
                no_spare: trailer,
                floor_share: volts,
            }
        },
    )
}

/// Every width that is told is one.
fn is_sound(picture: &Picture) -> bool {
    let guesses = [picture.to_zero, picture.distance_left].into_iter().flatten();
    let ahead = picture.per_metre.ahead.into_iter().flatten();
    guesses.chain(ahead).all(|guess| guess.mean.is_finite() && guess.u.is_finite() && guess.u > 0.0)
        && picture.here.is_none_or(|here| here.u > 0.0 && here.at.0.is_finite())
}

/// A display that was told to read 0 and then 63.4 %, of a car of which nothing is known.
#[test]
fn a_display_that_takes_its_zero_back_leaves_a_width() {
    let mut pilot = Pilot::new(Known { course: Some(road::course(6, 40.0)), ..Known::default() });
    let roles = std::array::from_fn(|role| if role == 6 { 229.99172021909672 } else { 0.0 });
    let (at, sums) = (RunTime(0), Sums::NOTHING);
    pilot.see(0, &TraceRow { at, phase: Phase::Drive, sums, roles, latitude_deg: 0.0, longitude_deg: 0.0 });
    for value in [0.0, 63.413026155854105] {
        pilot.mark(0, at, &Mark { kind: MarkKind::Soc, value: Some(value), text: String::new() });
        assert!(is_sound(&pilot.picture()));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn nothing_read_can_break_it(
        known in known(),
        events in prop::collection::vec(prop_oneof![row().prop_map(Ok), mark().prop_map(Err)], 1..60),
        taken in prop::option::of(0..20usize),
    ) {
        let run = || {
            let mut pilot = Pilot::new(known.clone());
            let mut pictures = Vec::new();
            for event in &events {
                match event {
                    Ok((run, row)) => pilot.see(*run, row),
                    Err(mark) => pilot.mark(0, RunTime(0), mark),
                }
                pictures.push(pilot.picture());
            }
            pilot.taken(taken);
            pictures.push(pilot.picture());
            pictures
        };
        let pictures = run();
        for picture in &pictures {
            prop_assert!(is_sound(picture), "{picture:?}");
        }
        prop_assert_eq!(format!("{pictures:?}"), format!("{:?}", run()));
    }

    /// The same drive with more in the pack: never less to go.
    #[test]
    fn more_charge_is_no_shorter(taken in 0.05..0.85f64, more in 0.01..0.05f64, minutes in 1..40u32) {
        let left = |taken: f64| {
            let usable = Some(Guess::new(50.0 * 3.6e6, 1.5 * 3.6e6));
            let course = Some(road::course(6, 40.0));
            let mut pilot = Pilot::new(Known { course, usable, target: Some(MetrePerSecond(30.0)), ..Known::default() });
            let mut car = Car::new();
            car.taken = taken * car.usable;
            for _ in 0..minutes {
                for _ in 0..6 {
                    pilot.see(0, &car.drive(10.0));
                }
                if car.at > 38e3 || car.direction == Direction::Back && car.at < 9e3 {
                    car.turn();
                }
            }
            pilot.picture().distance_left.map(|way| way.mean)
        };
        prop_assert!(left(taken - more) >= left(taken));
    }
}
