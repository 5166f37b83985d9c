//! A scenario's car on another course than the scenario's own: where it starts, and where it turns unless it is told.
//!
//! Only chooses places: whether they can be reached with what the pack holds is not known here.

use super::scenario::Scenario;
use crate::course::{Course, Direction, Place};

/// The scenario with a drive on this course: from its first charger, out where there is a road that way, then to and fro between
/// the turn furthest along and the one furthest back. Where nobody can turn, it drives to the road's end.
pub(super) fn on(scenario: &Scenario, course: &Course) -> Scenario {
    let mut scenario = scenario.clone();
    let Some((start, _)) = course.chargers().next() else { return scenario };
    let last = course.places.last().map_or(start.at, |place| place.at);
    let first = if start.at < last { Direction::Out } else { Direction::Back };
    let far = furthest(course, start, first);
    let near = far.and_then(|far| furthest(course, far, first.turned()));
    scenario.drive.from = start.name.clone();
    scenario.drive.out_first = first == Direction::Out;
    scenario.drive.turns = far.into_iter().chain(near).map(|place| place.name.clone()).collect();
    scenario
}

/// The furthest place ahead where one can turn and that an open road leads to.
fn furthest<'a>(course: &'a Course, from: &Place, direction: Direction) -> Option<&'a Place> {
    let way = |place: &Place| (place.at - from.at).0 * direction.sign();
    let reached = course.places.iter().filter(|place| {
        way(place) > 0.0 && place.turn(direction).is_some() && course.is_open(from.at, place.at, direction)
    });
    reached.max_by(|a, b| way(a).total_cmp(&way(b)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;

    fn turns(course: &str) -> (String, bool, Vec<String>) {
        let (course, faults) = Course::parse(&Document::from_text("course.toml", course));
        let course = course.unwrap_or_else(|| panic!("{faults:?}"));
        let text = include_str!("../../recordings/demo-scenario.toml");
        let scenario = Scenario::parse(Document::from_text("s.toml", text)).0.expect("the demo's scenario");
        let drive = on(&scenario, &course).drive;
        (drive.from, drive.out_first, drive.turns)
    }

    const MIDDLE: &str = "[[place]]\nname = 'West'\nkm = 0\nturn = true\nturn_km = 1\nturn_s = 60\n\
        [[place]]\nname = 'Plug'\nkm = 5\ncharger = true\n\
        [[place]]\nname = 'East'\nkm = 9\nturn_out = true\nturn_km = 1\nturn_s = 60\n\
        [[place]]\nname = 'End'\nkm = 12\nturn_back = true\nturn_km = 1\nturn_s = 60\n";

    #[test]
    fn the_turns_furthest_apart_are_chosen() {
        // At 'End' one can turn only driving back, which nobody does there.
        assert_eq!(turns(MIDDLE), ("Plug".into(), true, vec!["East".into(), "West".into()]));
        let closed = MIDDLE.to_owned() + "[[stretch]]\nfrom_km = 1\nto_km = 2\none_way = 'out'\n";
        assert_eq!(turns(&closed), ("Plug".into(), true, vec!["East".into()]));
    }

    #[test]
    fn a_charger_at_the_end_of_the_road_is_left_back() {
        let course = "[[place]]\nname = 'Low'\nkm = 0\nturn = true\nturn_km = 1\nturn_s = 60\n\
            [[place]]\nname = 'High'\nkm = 5\ncharger = true\n";
        assert_eq!(turns(course), ("High".into(), false, vec!["Low".into()]));
    }
}
