//! Orders: each is followed at its place, and what can't be followed changes nothing.

use super::*;
use crate::document::Document;
use crate::rehearsal::Rehearsal;

const ROUND: &str = "\n[finish]\nplace = 'Sallowmere'\nkm = 1.5\nduration_s = 120\n";

fn course(more: &str) -> Course {
    let text = include_str!("../../../recordings/demo-course.toml").to_owned() + more;
    let (course, faults) = Course::parse(&Document::from_text("course.toml", text));
    course.unwrap_or_else(|| panic!("{faults:?}"))
}

fn scenario() -> Scenario {
    let text =
        include_str!("../../../recordings/demo-scenario.toml").replace("stand_before_s = 125", "stand_before_s = 1");
    Scenario::parse(Document::from_text("scenario.toml", text)).0.expect("the demo's scenario")
}

/// Drives until the car has gone so far, told each step what to do; direction and place along the road at the end.
fn driven(more: &str, km: f64, order: impl Fn(&Driver) -> Option<Order>) -> (Direction, f64) {
    let map = crate::map::load(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("signal-maps/demo.toml")).map;
    let mut rehearsal = Rehearsal::elsewhere(&scenario(), &course(more), &map.expect("the demo's map")).expect("a car");
    let (mut batch, mut names) = (Default::default(), Default::default());
    while rehearsal.car.driver.driven < km * 1e3 && rehearsal.step(&mut batch, &mut names) {
        let order = order(&rehearsal.car.driver);
        rehearsal.follow(order);
    }
    (rehearsal.car.driver.direction, rehearsal.car.driver.at() / 1e3)
}

fn near((direction, at): (Direction, f64), expected: (Direction, f64)) {
    assert!(direction == expected.0 && (at - expected.1).abs() < 0.01, "{direction:?} {at}, not {expected:?}");
}

#[test]
fn it_turns_where_it_is_told() {
    // Sallowmere lies at 17 km, and turning there takes 0.7 km: after 20 km it is 2.3 km back. Untold it drives on.
    near(driven("", 20.0, |_| None), (Direction::Out, 20.0));
    let turn = |_: &Driver| Some(Order::Turn("Sallowmere".into()));
    near(driven("", 20.0, turn), (Direction::Back, 14.7));
    // Told too late, there is no stopping for it any more.
    let late = |driver: &Driver| (driver.at > 16_950.0).then(|| Order::Turn("Sallowmere".into()));
    near(driven("", 20.0, late), (Direction::Out, 20.0));
}

#[test]
fn it_drives_the_way_round_once_and_goes_on() {
    let round = |_: &Driver| Some(Order::Round("Sallowmere".into()));
    near(driven(ROUND, 20.0, round), (Direction::Out, 18.5));
    near(driven("", 20.0, round), (Direction::Out, 20.0));
}

#[test]
fn it_goes_to_the_charger_it_is_told_of_and_no_other() {
    let stop = |name: &'static str| move |_: &Driver| Some(Order::Arrive(name.into()));
    // The charger at Underfell can be driven into only on the way back, from Orrindale at 58.5 km and its turn of 1.1 km.
    near(driven("", 50.0, stop("Underfell")), (Direction::Out, 50.0));
    near(driven("", 1e6, stop("Underfell")), (Direction::Back, 48.5));
    near(driven("", 50.0, stop("Nowhere")), (Direction::Out, 50.0));
}
