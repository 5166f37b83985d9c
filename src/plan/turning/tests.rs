//! Sequences against an enumeration that leaves nothing out, on small courses.

use proptest::prelude::*;

use super::*;
use crate::course::{Finish, Place, Turn};
use crate::time::Span;

/// A place without anything, `km` along the road.
fn place(index: usize, km: f64) -> Place {
    Place {
        name: format!("P{index}"),
        at: Metre::from_km(km),
        elevation: None,
        position: None,
        turn_out: None,
        turn_back: None,
        charger: None,
        refuge: None,
        trailer: true,
    }
}

fn turn(km: f64) -> Option<Turn> {
    Some(Turn { length: Metre::from_km(km), duration: Span::of_seconds(60) })
}

/// Charger at 0, places to turn at 5, 12, 21 and 30 km, none with a way of its own worth speaking of.
fn road() -> Course {
    let mut places: Vec<Place> =
        [0.0, 5.0, 12.0, 21.0, 30.0].iter().enumerate().map(|(at, km)| place(at, *km)).collect();
    places[0].charger = Some(Side::Both);
    places.iter_mut().skip(1).for_each(|place| (place.turn_out, place.turn_back) = (turn(1.0), turn(1.0)));
    Course { name: "road".into(), places, stretches: Vec::new(), finish: None }
}

/// Every sequence, by trying everything: acts, and lengths out, back and besides.
fn tried(course: &Course, here: Here, rules: &Rules, longest: f64) -> Vec<Sequence> {
    let mut found = Vec::new();
    let Some(first) = first_place(course, here) else { return found };
    if course.is_open(here.at, course.places[first].at, here.direction) {
        let trip = along(Trip::default(), here.at, course.places[first].at, here.direction);
        try_on(course, rules, longest, first, here.direction, trip, &mut Vec::new(), &mut found);
    }
    found
}

#[allow(clippy::too_many_arguments)] // A recursion that carries all it has done.
fn try_on(
    course: &Course,
    rules: &Rules,
    longest: f64,
    at: usize,
    direction: Direction,
    trip: Trip,
    acts: &mut Vec<(usize, Act)>,
    found: &mut Vec<Sequence>,
) {
    if trip.length() > longest {
        return;
    }
    let missed = |missed: usize| if direction == Direction::Out { at <= missed } else { at >= missed };
    let passing = acts.is_empty() && rules.passing.is_some_and(missed);
    let turned_here = passing || acts.last() == Some(&(at, Act::Turn));
    if !turned_here && is_charger(course, rules, at, direction) {
        let acts = acts.iter().copied().chain([(at, Act::Arrive)]).collect();
        found.push(Sequence { acts, arriving: direction, trip });
    }
    let place = &course.places[at];
    if let Some(turn) = place.turn(direction).filter(|_| !turned_here && (place.trailer || !rules.trailer)) {
        acts.push((at, Act::Turn));
        let trip = Trip { extra: trip.extra + turn.length.0, ..trip };
        try_on(course, rules, longest, at, direction.turned(), trip, acts, found);
        acts.pop();
    }
    if let Some(finish) = course.finish.as_ref().filter(|finish| finish.place == place.name && !turned_here) {
        acts.push((at, Act::Round));
        let trip = Trip { extra: trip.extra + finish.length.0, ..trip };
        try_on(course, rules, longest, at, direction, trip, acts, found);
        acts.pop();
    }
    if let Some(next) = next_place(course, at, direction)
        && course.is_open(place.at, course.places[next].at, direction)
    {
        let trip = along(trip, place.at, course.places[next].at, direction);
        try_on(course, rules, longest, next, direction, trip, acts, found);
    }
}

#[test]
fn the_shortest_way_home_and_the_ways_after_it() {
    let here = Here { at: Metre::from_km(3.0), direction: Direction::Out };
    let found = sequences(&road(), here, &Rules::default(), 40_000.0);
    // Turn at 5: 2 out, 1 besides, 5 back. Turn at 12: 9, 1, 12. Turn at 21: 18, 1, 21. And two turns more.
    let told: Vec<(Vec<usize>, f64)> =
        found.iter().map(|one| (one.acts.iter().map(|(place, _)| *place).collect(), one.trip.length() / 1e3)).collect();
    assert_eq!(told[..2], [(vec![1, 0], 8.0), (vec![2, 0], 22.0)]);
    assert!(told.contains(&(vec![3, 0], 40.0)) && told.contains(&(vec![2, 1, 2, 0], 38.0)), "{told:?}");
}

#[test]
fn what_was_missed_is_not_turned_at_first() {
    let here = Here { at: Metre::from_km(3.0), direction: Direction::Out };
    let rules = Rules { passing: Some(1), ..Rules::default() };
    assert_eq!(sequences(&road(), here, &rules, 30_000.0)[0].acts, [(2, Act::Turn), (0, Act::Arrive)]);
    let taken = Rules { not_at: Some(0), ..Rules::default() };
    assert_eq!(shortest(&road(), here, &taken), None);
}

#[test]
fn the_way_on_from_a_charger_that_is_taken() {
    let mut course = road();
    let towing = Rules { trailer: true, ..Rules::default() };
    course.places[1].refuge = Some(Side::Out);
    // Arrived at 0 driving back, nothing to turn at: no way on, unless the end of the road can be turned at.
    assert_eq!(alternative(&course, 0, Direction::Back, &Rules::default()), None);
    course.places[0].turn_back = turn(0.4);
    let way = alternative(&course, 0, Direction::Back, &Rules::default()).unwrap();
    assert_eq!((way.acts, way.trip.length()), (vec![(0, Act::Turn), (1, Act::Arrive)], 5_400.0));
    course.places[0].trailer = false;
    assert_eq!(alternative(&course, 0, Direction::Back, &towing), None);
    // A charger that is dead is no way on.
    course.places[1].refuge = None;
    course.places[1].charger = Some(Side::Out);
    let dead = Rules { not_at: Some(1), ..Rules::default() };
    assert_eq!(alternative(&course, 0, Direction::Back, &Rules::default()).map(|way| way.end()), Some(1));
    assert_eq!(alternative(&course, 0, Direction::Back, &dead), None);
    course.places[0].refuge = Some(Side::Both);
    assert_eq!(alternative(&course, 0, Direction::Back, &towing).map(|way| way.trip.length()), Some(0.0));
}

#[test]
fn one_way_roads_are_driven_one_way() {
    let mut course = road();
    let (from, to) = (Metre::from_km(6.0), Metre::from_km(11.0));
    course.stretches = vec![crate::course::Stretch { from, to, speed: None, one_way: Some(Direction::Out) }];
    let here = Here { at: Metre::from_km(3.0), direction: Direction::Out };
    // Whoever passes 6 km never comes back.
    let found = sequences(&course, here, &Rules::default(), 100_000.0);
    assert!(found.iter().all(|one| one.acts.iter().all(|(place, _)| *place <= 1)), "{found:?}");
    assert!(!found.is_empty());
}

fn courses() -> impl Strategy<Value = (Course, Here, Rules)> {
    let place = (2.0..9.0f64, any::<(bool, bool)>(), 0.3..2.0f64, 0..6u8, prop::bool::weighted(0.8));
    let places = prop::collection::vec(place, 2..5);
    let missed = prop::option::of(0..4usize);
    (places, any::<bool>(), prop::option::of(2.0..6.0f64), any::<bool>(), 0.0..1.0f64, missed).prop_map(
        |(drawn, out, finish, trailer, along, passing)| {
            let mut km = 0.0;
            let mut places = Vec::new();
            for (index, (step, (out, back), length, charger, suits)) in drawn.into_iter().enumerate() {
                let mut one = super::tests::place(index, km);
                (one.turn_out, one.turn_back) = (turn(length).filter(|_| out), turn(length).filter(|_| back));
                one.charger = [Some(Side::Out), Some(Side::Back), Some(Side::Both), None, None, None][charger as usize];
                one.trailer = suits;
                km += step;
                places.push(one);
            }
            let last = places.last().map_or(0.0, |place| place.at.0);
            let finish = finish.map(|km| Finish {
                place: "P1".into(),
                length: Metre::from_km(km),
                duration: Span::of_seconds(300),
            });
            let direction = if out { Direction::Out } else { Direction::Back };
            let course = Course { name: "drawn".into(), places, stretches: Vec::new(), finish };
            (course, Here { at: Metre(along * last), direction }, Rules { trailer, passing, not_at: None })
        },
    )
}

proptest! {
    /// Nothing is left out but what is as long as something kept, to the grain; and nothing is made up.
    #[test]
    fn grown_sequences_are_those_of_trying_everything((course, here, rules) in courses()) {
        let longest = 35_000.0;
        let (all, grown) = (tried(&course, here, &rules, longest), sequences(&course, here, &rules, longest));
        for one in &grown {
            let same = all.iter().find(|other| other.acts == one.acts);
            prop_assert!(same.is_some(), "{one:?} cannot be driven");
            let other = same.unwrap();
            prop_assert!((other.trip.out - one.trip.out).abs() < 1e-6 && (other.trip.extra - one.trip.extra).abs() < 1e-6);
        }
        for one in &all {
            let alike = |other: &&Sequence| {
                other.end() == one.end() && (other.trip.length() - one.trip.length()).abs() <= 8.0 * GRAIN_M
            };
            let near = grown.iter().find(alike);
            prop_assert!(near.is_some(), "{one:?} was left out");
        }
        let shortest_of_all = all.iter().map(|one| one.trip.length()).fold(f64::INFINITY, f64::min);
        if let Some(found) = shortest(&course, here, &rules)
            && shortest_of_all.is_finite()
        {
            prop_assert!(found.trip.length() <= shortest_of_all + GRAIN_M * 8.0);
        }
    }
}
