//! Rows that come at odd times, late or not at all, as on a computer that is busy or whose disk stalls.
//!
//! Knows no clock: rows bring their time.

use super::drive::demo;
use crate::plan::advice::State;
use crate::plan::outlook::Guess;
use crate::plan::pilot::{Known, Pilot};
use crate::quantity::MetrePerSecond;
use crate::schema::Role;
use crate::time::Span;

const CONSUMERS: [Role; 4] = [Role::HeaterPower, Role::CompressorPower, Role::BatteryHeaterPower, Role::AccessoryPower];

#[test]
fn odd_times_make_no_step_in_power_and_no_alarm() {
    let drive = demo(&[], 0.1);
    let known = Known {
        course: Some(drive.course.clone()),
        target: Some(MetrePerSecond::from_kmh(110.0)),
        usable: Some(Guess::new(49.5 * 3.6e6, 0.03 * 49.5 * 3.6e6)),
        ..Known::default()
    };
    // With and without roles that tell what the consumers take; steps of 0.5 to 12 s, the same each time.
    for told in [true, false] {
        let mut pilot = Pilot::new(known.clone());
        let (mut next, mut odd, mut said) = (0.0, 7u64, 0.0);
        for row in &drive.rows {
            let t = row.at.seconds();
            if t < next {
                continue;
            }
            odd = odd.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let gap = [0.5, 1.0, 1.0, 1.0, 2.0, 3.5, 12.0][(odd >> 33) as usize % 7];
            next = t + gap;
            let mut row = row.clone();
            if !told {
                CONSUMERS.iter().for_each(|role| row.roles[*role as usize] = f64::NAN);
            }
            pilot.see(0, &row);
            let shown = row.roles[Role::Soc as usize];
            // The scenario's own driver goes on to displayed 0, wherever that is: only what lies before says something of the rows.
            if shown < 40.0 || t - said < 20.0 {
                continue;
            }
            said = t;
            let picture = pilot.picture();
            assert!(picture.step.is_none(), "{told} at {t} s: {:?}", picture.step);
            let recent = picture.per_metre.last_10_km.unwrap_or(600.0) / 3.6;
            assert!((60.0..320.0).contains(&recent), "{told} at {t} s: {recent} Wh/km");
            if let Some(advice) = picture.advice.filter(|_| t > 600.0) {
                assert!(matches!(advice.state, State::Safe | State::GoNow), "{told} at {t} s: {:?}", advice.state);
            }
        }
    }
}

#[test]
fn a_silence_blanks_what_is_stale_and_late_rows_still_count() {
    let drive = demo(&[], 1.0);
    let known = Known { usable: Some(Guess::new(49.5 * 3.6e6, 5e6)), ..Known::default() };
    let (mut plain, mut stalled) = (Pilot::new(known.clone()), Pilot::new(known));
    for (index, row) in drive.rows.iter().take(4_000).enumerate() {
        plain.see(0, row);
        // Every ten minutes the rows of the next half minute come late, while the pilot is told of the silence.
        if index % 600 == 300 {
            stalled.silent(Span::of_seconds(3));
            let at_first = stalled.picture();
            assert!(at_first.speed.is_none() && at_first.soc.is_some());
            for second in 6..30 {
                stalled.silent(Span::of_seconds(second));
                let while_silent = stalled.picture();
                assert!(while_silent.soc.is_none() && while_silent.advice.is_none() && while_silent.here.is_none());
            }
        }
        stalled.see(0, row);
    }
    assert_eq!(plain.picture(), stalled.picture());
    stalled.silent(Span::of_seconds(6));
    let blank = stalled.picture();
    assert!(blank.soc.is_none() && blank.to_zero.is_none() && blank.distance_left.is_none() && blank.here.is_none());
    assert_eq!(blank.driven, plain.picture().driven);
}
