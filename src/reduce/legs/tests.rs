//! Legs of invented drives to and fro, whose turns, distances and energies are arithmetic.

use super::super::reduction::{Options, Reduction, reduce};
use super::super::trip::{DEGREE_M, Trip};
use super::*;
use crate::card::Card;
use crate::course::Course;
use crate::document::Document;
use crate::reduce::RunInput;
use proptest::prelude::*;

const SPEED: f64 = 30.0;

fn trip(lengths: &[f64]) -> Trip {
    Trip { per_metre: [700.0, 500.0], noise: (2.0, 0.1), wheels: 1.01, ..Trip::legs(SPEED, lengths) }
}

/// A straight road on the equator from where the trips begin, `lengths` m from place to place.
fn course(heights: [f64; 3]) -> Course {
    let place = |(name, km, height): (&str, f64, f64)| {
        let east = 10.0 + km * 1e3 / DEGREE_M;
        format!(
            "[[place]]\nname = '{name}'\nkm = {km}\nelevation_m = {height}\nposition = [0.0, {east}]\nturn = true\ncharger = true\n"
        )
    };
    let places = [("A", 0.0, heights[0]), ("B", 7.0, heights[1]), ("C", 30.0, heights[2])];
    let text: String = places.into_iter().map(place).collect();
    let (course, faults) = Course::parse(&Document::from_text("course.toml", text));
    course.unwrap_or_else(|| panic!("{faults:?}"))
}

fn on_course(runs: &[RunInput], card: &str) -> Reduction {
    let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0.unwrap();
    let options = Options { course: Some(course([10.0, 200.0, 60.0])), ..Options::default() };
    reduce(runs, Some(&card), &options)
}

fn value(figure: &Option<Estimate>) -> f64 {
    figure.as_ref().expect("a figure").value
}

#[test]
fn turns_along_the_course_make_legs_and_pairs() {
    let trip = trip(&[20_000.0, 20_000.0, 20_000.0, 12_000.0]);
    let reduction = on_course(&[trip.run("run=1")], "");
    let legs = &reduction.legs;
    assert_eq!((legs.by, legs.legs.len(), legs.turns.len()), (Some(By::Course), 4, 3), "{:?}", legs.why);
    assert_eq!(legs.legs.iter().map(|leg| leg.out).collect::<Vec<_>>(), [true, false, true, false].map(Some));
    let places = trip.places();
    for turn in &legs.turns {
        // The farthest point, to a few seconds at 10 m/s.
        let at = places[turn.t as usize];
        let far = places.iter().copied().fold(0.0, f64::max);
        assert!(at > far - 150.0 || at < 150.0, "turned at {at} m");
    }
    let truth = [20_000.0, 20_000.0, 20_000.0, 12_000.0];
    for (leg, truth) in legs.legs.iter().zip(truth) {
        let distance = leg.distance.as_ref().unwrap();
        assert!((distance.value - truth).abs() < 250.0, "{} {truth}", distance.value);
        let spent = if leg.out == Some(true) { 700.0 } else { 500.0 };
        // 400 W of everything else, and a second at either end.
        let expected = spent + 400.0 / (distance.value / leg.seconds);
        assert!((value(&leg.consumption) / expected - 1.0).abs() < 0.01, "{} {expected}", value(&leg.consumption));
        assert!(leg.temperature.is_some_and(|t| (9.0..14.0).contains(&t)));
        assert!((25.0..SPEED).contains(&value(&leg.speed)));
    }
    assert_eq!(legs.pairs.len(), 1, "the last two legs are not alike");
    let difference = legs.pairs[0].difference.as_ref().unwrap();
    // The sensors' gain is shared: it makes the difference uncertain by its own share alone.
    assert!((difference.value - 200.0).abs() < 15.0 && difference.u95() < 0.1 * difference.value, "{difference:?}");
    let cancels = legs.cancels.as_ref().unwrap();
    assert!(!cancels.closed && cancels.apart.is_some_and(|apart| (apart - 8_000.0).abs() < 300.0), "{cancels:?}");
}

#[test]
fn the_height_between_start_and_end_is_energy() {
    // The car ends 8 km out, at B (200 m) less a twenty-third of the way down to C: start at 10 m.
    let trip = trip(&[20_000.0, 20_000.0, 20_000.0, 12_000.0]);
    let masses = "[load]\ncar_kg = 1850\nload_kg = 150\nby = 'weighed'";
    let height = on_course(&[trip.run("run=1")], masses).legs.height.unwrap();
    let end = trip.places().last().unwrap() - 7_000.0;
    let truth = 200.0 - 140.0 * end / 23_000.0 - 10.0;
    assert!((height.rise.value - truth).abs() < 3.0, "{} {truth}", height.rise.value);
    // 2,000 kg over 100 m: 0.544814 kWh (g 9.80665).
    let expected = 0.544_814 * 3.6e6 * height.rise.value / 100.0;
    let energy = height.energy.unwrap();
    assert!((energy.value / expected - 1.0).abs() < 1e-5 && energy.u95() < 0.1 * energy.value);
    // Without masses the energy is not known, and not zero.
    let height = on_course(&[trip.run("run=1")], "[load]\ncar_kg = 1850").legs.height.unwrap();
    assert!(height.energy.is_none() && height.by == "the course");
    let by_receiver = reduce(&[trip.run("run=1")], None, &Options::default()).legs.height.unwrap();
    assert_eq!((by_receiver.rise.value, by_receiver.by), (0.0, "the satellite receiver"));
    assert!(by_receiver.rise.u95() > 10.0);
}

#[test]
fn a_closed_course_cancels_grade() {
    let trip = trip(&[20_000.0, 20_000.0]);
    let cancels = on_course(&[trip.run("run=1")], "").legs.cancels.unwrap();
    assert!(cancels.closed, "{cancels:?}");
}

#[test]
fn marks_and_the_path_itself_tell_turns_where_no_course_does() {
    let trip = trip(&[20_000.0, 20_000.0, 20_000.0]);
    let plain = |run: &RunInput| reduce(std::slice::from_ref(run), None, &Options::default()).legs;
    let mut run = trip.run("run=1");
    let by_path = plain(&run);
    assert_eq!((by_path.by, by_path.legs.len()), (Some(By::Path), 3));
    let by_course = on_course(std::slice::from_ref(&run), "").legs;
    for (a, b) in by_path.turns.iter().zip(&by_course.turns) {
        assert!((a.t - b.t).abs() < 30.0, "{} {}", a.t, b.t);
    }
    assert!(by_path.legs.iter().all(|leg| leg.out.is_none()), "out and back are the course's words");
    run.turned = vec![by_course.turns[0].t, by_course.turns[1].t];
    let by_marks = plain(&run);
    assert_eq!((by_marks.by, by_marks.legs.len()), (Some(By::Marks), 3));
    // Without fixes, marks still tell.
    run.fixes.clear();
    assert_eq!(plain(&run).by, Some(By::Marks));
    run.turned.clear();
    let unknown = plain(&run);
    assert_eq!((unknown.by, unknown.legs.len()), (None, 0));
    assert!(unknown.why.unwrap().contains("no satellite fixes"));
    // One way alone retraces nothing.
    assert!(plain(&self::trip(&[30_000.0]).run("run=1")).by.is_none());
}

#[test]
fn without_satellites_the_distance_driven_tells_turns_on_the_course() {
    // From A to C and back to B and so on; each turn's own way (1 km) is shared half and half.
    let trip = trip(&[30_500.0, 24_000.0, 24_000.0, 15_000.0]);
    let mut run = trip.run("run=1");
    run.fixes.clear();
    let legs = on_course(std::slice::from_ref(&run), "").legs;
    assert_eq!((legs.by, legs.legs.len()), (Some(By::Distance), 4), "{:?}", legs.why);
    let turned = trip.direction.windows(2).enumerate().filter(|(_, pair)| pair[0] != pair[1]);
    for (turn, (truth, _)) in legs.turns.iter().zip(turned) {
        assert!((turn.t - truth as f64).abs() < 30.0, "{} {truth}", turn.t);
    }
    assert_eq!(legs.legs[1].out, Some(false));
    // Traffic in between is no turn; without a wheel speed nothing is known.
    let mut slow = trip.clone();
    slow.speed.splice(500..560, [12.0; 150]);
    slow.direction.splice(500..560, [1.0; 150]);
    let mut run = slow.run("run=1");
    run.fixes.clear();
    assert_eq!(on_course(&[run], "").legs.turns.len(), 3);
    // Legs of another length fit no course.
    let mut run = self::trip(&[20_000.0, 20_000.0, 12_000.0]).run("run=1");
    run.fixes.clear();
    let legs = on_course(&[run], "").legs;
    assert_eq!(legs.by, None);
    assert!(legs.why.unwrap().contains("fit no one way"));
}

#[test]
fn a_course_elsewhere_is_not_used() {
    let mut run = trip(&[20_000.0, 20_000.0]).run("run=1");
    run.fixes.iter_mut().for_each(|fix| fix.latitude += 1.0);
    let reduction = on_course(&[run], "");
    assert_eq!(reduction.legs.by, Some(By::Path));
    assert!(
        reduction.problems.iter().any(|problem| problem.contains("100 % of the satellite fixes lie off the course"))
    );
}

#[test]
fn what_is_missing_is_absent_and_not_zero() {
    let mut trip = trip(&[20_000.0, 20_000.0]);
    trip.without = vec!["energy_out", "charge_out", "pack_voltage", "pack_current", "ambient_temperature"];
    let legs = on_course(&[trip.run("run=1")], "").legs;
    assert_eq!(legs.legs.len(), 2);
    let leg = &legs.legs[0];
    assert!(leg.distance.is_some() && leg.consumption.is_none() && leg.energy.is_none() && leg.temperature.is_none());
    assert!(legs.pairs[0].difference.is_none());
    trip.without = vec!["distance", "speed", "odometer"];
    let legs = on_course(&[trip.run("run=1")], "").legs;
    assert!(legs.legs.iter().all(|leg| leg.distance.is_none() && leg.consumption.is_none() && leg.energy.is_some()));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn legs_join_to_the_whole_and_a_cut_changes_nothing(
        outs in prop::collection::vec(3_000.0..9_000.0f64, 1..3), cut in 0.05..0.95f64, noise in 0.0..3.0f64,
    ) {
        // Each way out is driven back, so that the car stays on the course.
        let lengths: Vec<f64> = outs.iter().flat_map(|out| [*out; 2]).collect();
        let mut trip = trip(&lengths);
        trip.noise.0 = noise;
        let whole = on_course(&[trip.run("run=1")], "");
        let legs = &whole.legs.legs;
        prop_assert!(!legs.is_empty(), "{:?}", whole.legs.why);
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        let sum = |of: fn(&Leg) -> &Option<Estimate>| legs.iter().map(|leg| of(leg).as_ref().unwrap().value).sum::<f64>();
        prop_assert!(near(sum(|leg| &leg.distance), whole.way.counting().unwrap().value));
        prop_assert!(near(sum(|leg| &leg.energy), whole.energy.net.as_ref().unwrap().value));
        let at = (trip.speed.len() as f64 * cut) as usize;
        let parts = on_course(&trip.cut(at), "");
        prop_assert_eq!(parts.legs.legs.len(), legs.len());
        for (a, b) in parts.legs.legs.iter().zip(legs) {
            // The turn's moment is found from points some 50 m apart, which a cut may move by one.
            let (a, b) = (a.distance.as_ref().unwrap().value, b.distance.as_ref().unwrap().value);
            prop_assert!((a - b).abs() < 120.0, "{} {}", a, b);
        }
        prop_assert!(near(parts.energy.net.as_ref().unwrap().value, whole.energy.net.as_ref().unwrap().value));
        prop_assert!(near(parts.way.by_speed, whole.way.by_speed));
    }
}
