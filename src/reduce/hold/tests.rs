//! Invented drives whose share at the target is known by counting seconds.

use super::super::reduction::{Options, Reduction, reduce};
use super::super::trip::Trip;
use super::*;
use crate::document::Document;
use crate::reduce::RunInput;
use proptest::prelude::*;

const TARGET: &str = "[driving]\ntarget_kmh = 108\ntolerance_kmh = 3\n";

fn reduced(runs: &[RunInput], card: &str) -> Reduction {
    let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0.unwrap();
    reduce(runs, Some(&card), &Options::default())
}

fn held(runs: &[RunInput], card: &str) -> Held {
    match reduced(runs, card).hold {
        Hold::Held(held) => *held,
        Hold::NotKnown(why) => panic!("{why}"),
    }
}

fn outside(held: &Held, why: Why) -> (f64, f64) {
    held.outside.iter().find(|part| part.why == why).map_or((0.0, 0.0), |part| (part.seconds, part.metres))
}

/// 108 km/h; wheels that read 2 % too much, which the satellites correct.
fn trip() -> Trip {
    Trip { wheels: 1.02, ..Trip::legs(30.0, &[15_000.0, 15_000.0]) }
}

/// The seconds of a trip that lie within a tolerance of 30 m/s, by its own arithmetic: distance and time.
fn truth(trip: &Trip, tolerance: f64) -> (f64, f64) {
    let mean = |pair: &[f64]| (pair[0] + pair[1]) / 2.0;
    let within = trip.speed.windows(2).map(mean).filter(|speed| (speed - 30.0).abs() <= tolerance);
    within.fold((0.0, 0.0), |sum, speed| (sum.0 + speed, sum.1 + 1.0))
}

#[test]
fn the_share_is_that_of_the_true_speed() {
    let trip = trip();
    let held = held(&[trip.run("run=1")], TARGET);
    assert!(held.corrected && held.tolerance_by_card);
    let (metres, seconds) = truth(&trip, 3.0 / 3.6);
    let whole = *trip.driven().last().unwrap();
    let moving = trip.speed.windows(2).filter(|pair| pair[0] + pair[1] > 0.0).count() as f64;
    assert!((held.share_of_distance.value - metres / whole).abs() < 1e-3, "{}", held.share_of_distance.value);
    assert!((held.share_of_time.value - seconds / moving).abs() < 1e-3, "{}", held.share_of_time.value);
    assert!((held.mean.value - whole / moving).abs() < 0.05, "{}", held.mean.value);
    // Half of the drive lies before the turn.
    assert!((held.longest.0 - metres / 2.0).abs() < 200.0, "{:?}", held.longest);
    // The turn is told from begin and end of the drive, and nothing else was outside.
    let (turn, stop) = (outside(&held, Why::Turn), outside(&held, Why::Stop));
    assert!(turn.0 > 40.0 && turn.1 > 400.0 && stop.0 > 30.0, "{turn:?} {stop:?}");
    let told: f64 = held.outside.iter().map(|part| part.seconds).sum();
    assert!((told + seconds - moving).abs() < 1e-6, "every second is told once");
    // And listed once, as far as its speed is known.
    let listed: f64 = held.seconds.iter().map(|second| second.metres).sum();
    assert!((listed - whole).abs() < 1e-3 * whole, "{listed} {whole}");
    let near = held.seconds.iter().filter(|second| (second.speed - 30.0).abs() <= 3.0 / 3.6);
    let near: f64 = near.map(|second| second.metres).sum();
    assert!((near - metres).abs() < 1e-3 * whole, "{near} {metres}");
}

#[test]
fn without_satellites_the_wheels_speed_counts_and_is_said() {
    let mut run = trip().run("run=1");
    run.fixes.clear();
    let held = held(&[run], TARGET);
    // The wheels say 110.2 km/h, still within 3 km/h of 108; the mean is theirs.
    assert!(!held.corrected && (held.mean.value - 1.02 * 29.2).abs() < 0.5, "{}", held.mean.value);
    let mut run = Trip { wheels: 1.05, ..trip() }.run("run=1");
    run.fixes.clear();
    assert!(self::held(&[run], TARGET).share_of_distance.value < 0.1);
}

#[test]
fn traffic_stops_and_haste_are_told_apart() {
    let mut trip = Trip::legs(30.0, &[30_000.0]);
    let mut put = |from: usize, speeds: &[f64]| trip.speed[from..from + speeds.len()].copy_from_slice(speeds);
    put(200, &[24.0; 40]);
    put(400, &[33.0; 30]);
    put(600, &[20.0, 10.0, 0.0, 0.0, 0.0, 0.0, 0.0, 10.0, 20.0]);
    let run = trip.run("run=1");
    let all = held(std::slice::from_ref(&run), TARGET);
    assert_eq!(outside(&all, Why::Traffic).0, 41.0, "40 s, and half a second on both sides");
    assert_eq!(outside(&all, Why::Above).0, 31.0);
    assert!((10.0..60.0).contains(&outside(&all, Why::Stop).0));
    let rule = format!("{TARGET}leave_out = ['traffic', 'stop', 'turn']\n");
    let ruled = held(std::slice::from_ref(&run), &rule);
    assert!(ruled.share_of_time.value > all.share_of_time.value);
    let above = outside(&ruled, Why::Above).0;
    let (_, seconds) = truth(&trip, 3.0 / 3.6);
    assert!(
        (ruled.share_of_time.value - seconds / (seconds + above)).abs() < 1e-9,
        "what is too fast is never left out"
    );
    // The card leaves out a stretch of time: 06:15:02 is the run's begin.
    let stretch = format!("[[leave_out]]\nfrom = '2027-03-14T06:18:22Z'\nto = '2027-03-14T06:19:12Z'\n{TARGET}");
    let left = held(std::slice::from_ref(&run), &stretch);
    // The second in which the car slows down is still traffic's.
    assert_eq!((outside(&left, Why::Card).0, outside(&left, Why::Traffic).0), (50.0, 1.0));
}

#[test]
fn energy_over_held_stretches_reckons_with_the_speed_at_their_ends() {
    // Constant energy per metre: what kinetic energy there is was not drawn, so the correction shows as it is.
    let trip = Trip { per_metre: [600.0; 2], other: 0.0, ..Trip::legs(30.0, &[15_000.0, 15_000.0]) };
    let run = trip.run("run=1");
    let unknown = held(std::slice::from_ref(&run), TARGET);
    let of = |held: &Held| held.consumption.clone().unwrap();
    assert!(!unknown.mass_known && (of(&unknown).value - 600.0).abs() < 0.01, "{}", of(&unknown).value);
    assert!(of(&unknown).contribution(&sources::KINETIC).abs() > 0.0);
    let known = held(&[run], &format!("{TARGET}[load]\ncar_kg = 1900\nload_kg = 100\n"));
    assert!(known.mass_known);
    // Two stretches, each from 108 - 3 to 108 - 3 km/h or about it.
    let most = 2.0 * 2_000.0 * 30.0 * (2.0 * 3.0 / 3.6) / 30_000.0;
    assert!((of(&known).value - 600.0).abs() <= most, "{} {most}", of(&known).value);
}

#[test]
fn absences_are_named() {
    let run = trip().run("run=1");
    let why = |runs: &[RunInput], card: &str| match reduced(runs, card).hold {
        Hold::NotKnown(why) => why,
        Hold::Held(held) => panic!("{held:?}"),
    };
    assert_eq!(why(std::slice::from_ref(&run), ""), "the card lacks driving.target");
    assert_eq!(
        why(&[Trip { without: vec!["distance", "speed"], ..trip() }.run("run=1")], TARGET),
        "there is no wheel speed"
    );
    assert_eq!(
        reduce(&[run], None, &Options::default()).hold,
        Hold::NotKnown("there is no test card: driving.target is needed")
    );
    let no_pack = Trip { without: vec!["energy_out", "charge_out", "pack_voltage", "pack_current"], ..trip() };
    let held = held(&[no_pack.run("run=1")], "[driving]\ntarget_kmh = 108");
    assert!(held.consumption.is_none() && held.share_of_distance.value > 0.8 && !held.tolerance_by_card);
    assert!((held.tolerance * 3.6 - 2.0).abs() < 1e-12);
}

#[test]
fn units_of_the_card_convert_exactly() {
    // The mile is 1609.344 m: 67.108 089 mph and so on; the same speed in both units is the same hold.
    let run = trip().run("run=1");
    let kmh = held(std::slice::from_ref(&run), "[driving]\ntarget_kmh = 104.60736\ntolerance_kmh = 3.218688");
    let mph = held(&[run], "[driving]\ntarget_mph = 65\ntolerance_mph = 2");
    assert!((kmh.target - mph.target).abs() < 1e-12 && (kmh.tolerance - mph.tolerance).abs() < 1e-12);
    assert!((mph.target - 65.0 * 0.447_04).abs() < 1e-12);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_cut_changes_nothing(cut in 0.1..0.9f64, tolerance in 1.0..6.0f64) {
        let trip = trip();
        let card = format!("[driving]\ntarget_kmh = 108\ntolerance_kmh = {tolerance}\n");
        let whole = held(&[trip.run("run=1")], &card);
        let parts = held(&trip.cut((trip.speed.len() as f64 * cut) as usize), &card);
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs();
        prop_assert!(near(parts.share_of_distance.value, whole.share_of_distance.value));
        prop_assert!(near(parts.share_of_time.value, whole.share_of_time.value));
        prop_assert!(near(parts.mean.value, whole.mean.value) && (parts.spread - whole.spread).abs() < 1e-6);
        prop_assert!(near(parts.longest.0, whole.longest.0), "{:?} {:?}", parts.longest, whole.longest);
    }
}
