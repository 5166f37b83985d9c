//! Figures with the fixes' places and without them: the same text of JSON, to the last digit. And no place is left.

use std::sync::Arc;

use super::*;
use crate::course::Course;
use crate::document::Document;
use crate::reduce::rehearsed::{COURSE, SCENARIO, run};
use crate::reduce::trip::Trip;
use crate::reduce::{Reduction, reduce};

fn card(text: &str) -> Option<Card> {
    let (card, faults) = Card::parse(&Document::from_text("card.toml", text), FilePath::new(""));
    assert!(faults.is_empty(), "{faults:?}");
    card
}

fn course(text: &str) -> Option<Course> {
    let (course, faults) = Course::parse(&Document::from_text("road.toml", text));
    assert!(!faults.iter().any(|fault| fault.is_error()), "{faults:?}");
    course
}

/// The course without positions.
fn without_positions(text: &str) -> String {
    text.lines().filter(|line| !line.starts_with("position")).collect::<Vec<_>>().join("\n")
}

/// The runs with their places taken away, through the forms in which the table and `run.json` hold what is kept.
fn taken_away(runs: &[RunInput], card: Option<&Card>, options: &Options) -> Vec<RunInput> {
    let kept = of(runs, card, options);
    let strip = |run: &RunInput| {
        let (_, unplaced) = kept.iter().find(|(name, _)| *name == run.name).expect("every run");
        let row = |row: &Row| {
            let (by, numbers) = row.cells();
            Row::of(((row.t * 1e6).round() as i64) as f64 / 1e6, BY[usize::from(by)], numbers)
        };
        let sums = serde_json::from_str(&serde_json::to_string(&unplaced.sums).unwrap()).unwrap();
        let unplaced = Unplaced { rows: unplaced.rows.iter().map(row).collect(), sums };
        let mut run = run.clone();
        run.fixes = unplaced.fixes();
        run.unplaced = Some(unplaced);
        Arc::make_mut(&mut run.summary).positions.clear();
        run
    };
    runs.iter().map(strip).collect()
}

/// Reduces with and without the places, and gives what both came to.
fn same(runs: &[RunInput], card: Option<&Card>, on: Option<&str>) -> Reduction {
    let with = Options { course: on.and_then(course), ..Options::default() };
    let without = Options { course: on.and_then(|text| course(&without_positions(text))), ..Options::default() };
    let reduction = reduce(runs, card, &with);
    let again = reduce(&taken_away(runs, card, &with), card, &without);
    assert_eq!(again.to_json(), reduction.to_json());
    reduction
}

const LOAD: &str = "[driving]\ntarget_kmh = 110\ntolerance_kmh = 5\n[road_load]\nrolling_resistance = 0.009\n\
    drag_area_m2 = 0.6\n[load]\ncar_kg = 1700\nload_kg = 100\n[weather]\ntemperature_degc = 20\npressure_hpa = 982.1\n\
    pressure_of = 'the place'\nhumidity_percent = 0\n";

#[test]
fn a_rehearsed_drive_on_its_course_in_every_wind() {
    let windy = SCENARIO.replace("density_kg_per_m3", "wind_out_mps = 3\nwind_across_mps = 1\ndensity_kg_per_m3");
    let (drive, _) = run(&windy, COURSE);
    assert!(drive.fixes.len() > 500);
    for wind in ["", "wind_mps = 3\nwind_from_deg = 250\n", "wind_mps = 2\n", "wind_mps = 0\n"] {
        let card = card(&format!("{LOAD}{wind}"));
        let reduction = same(std::slice::from_ref(&drive), card.as_ref(), Some(COURSE));
        let conditions = &reduction.conditions;
        assert!(conditions.restated.is_some() && conditions.at_target.is_some(), "{wind}: {}", conditions.why);
        assert_eq!(reduction.legs.by, Some(crate::reduce::legs::By::Course), "{wind}");
        assert!(reduction.legs.turns.len() >= 2 && reduction.way.fixes.is_some() && reduction.legs.height.is_some());
    }
    // Without a course the path itself tells the turns; without a card's road load the drive is asked for one.
    let reduction = same(&[drive], card("[weather]\nwind_mps = 3\nwind_from_deg = 200\n").as_ref(), None);
    assert_eq!(reduction.legs.by, Some(crate::reduce::legs::By::Path));
}

#[test]
fn lines_gaps_jumps_and_several_runs() {
    let trip = Trip { wheels: 1.03, noise: (2.0, 0.1), ..Trip::legs(30.0, &[9_000.0, 9_000.0]) };
    let whole = trip.run("run=1");
    let mut odd = whole.clone();
    for (at, fix) in odd.fixes.iter_mut().enumerate() {
        match at {
            50..150 => fix.speed = f32::NAN,
            200..203 => fix.latitude += 0.5,
            260 => fix.hdop = f32::NAN,
            _ => {}
        }
    }
    odd.fixes.drain(300..340);
    let reduction = same(std::slice::from_ref(&odd), None, None);
    assert!(reduction.ground.shares.iter().all(|share| *share > 0.0), "{:?}", reduction.ground.shares);
    assert!(reduction.ground.jumps >= 3);
    let mut later = whole.clone();
    later.name = "run=2".into();
    later.start = None;
    same(&[odd, later], None, None);
    let mut nowhere = whole;
    nowhere.fixes.clear();
    same(&[nowhere], None, None);
}

#[test]
fn nothing_that_is_kept_is_a_place() {
    let far = COURSE.replace("position = [0.0, ", "position = [41.25, ");
    let (mut drive, _) = run(SCENARIO, COURSE);
    drive.fixes.iter_mut().for_each(|fix| fix.latitude += 41.25);
    let options = Options { course: course(&far), ..Options::default() };
    let kept = of(std::slice::from_ref(&drive), None, &options);
    let near = |value: f64| (value - 41.25).abs() < 0.01;
    for row in &kept[0].1.rows {
        let (_, numbers) = row.cells();
        // Metres, seconds and the like: a number that happens to be near is not the latitude at every row.
        assert!(!numbers.iter().enumerate().any(|(at, number)| near(*number) && ![1, 2, 3].contains(&at)), "{row:?}");
    }
    assert!(kept[0].1.rows.iter().filter(|row| row.along.is_finite()).count() > 100);
}
