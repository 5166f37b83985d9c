//! Courses as written: what is refused, with its line, and what the road says between places.

use super::*;

const SOUND: &str = "name = 'Test road'
[[place]]
name = 'A'
km = 1
elevation_m = 100
position = [-48.0, -123.0]
turn_back = true
charger = true
[[place]]
name = 'B'
km = 11.0
elevation_m = 300
position = [-48.05, -123.0]
turn = true
turn_km = 2
turn_s = 180
charger = true
side = 'out'
[[place]]
name = 'C'
km = 13
elevation_m = 300
position = [-48.06, -123.01]
turn_out = true
[[stretch]]
from_km = 2
to_km = 4
speed_kmh = 90
";

fn faults(text: &str) -> Vec<String> {
    Course::parse(&Document::from_text("road.toml", text)).1.iter().map(Fault::to_string).collect()
}

fn sound() -> Course {
    let (course, faults) = Course::parse(&Document::from_text("road.toml", SOUND));
    assert_eq!(faults, []);
    course.unwrap()
}

#[test]
fn the_road_between_places() {
    let course = sound();
    let km = Metre::from_km;
    assert_eq!(course.elevation(km(6.0)), Some(Metre(200.0)));
    assert_eq!(course.elevation(km(0.0)), Some(Metre(100.0)));
    assert_eq!(course.grade(km(6.0)), 0.02);
    assert_eq!(course.grade(km(12.0)), 0.0);
    assert_eq!((course.grade(km(0.5)), course.grade(km(14.0))), (0.0, 0.0));
    assert!((course.position(km(6.0)).unwrap().latitude_deg + 48.025).abs() < 1e-12);
    // Straight on past the end: a turn's way lies there.
    assert!((course.position(km(14.0)).unwrap().longitude_deg + 123.015).abs() < 1e-9);
    assert_eq!(course.stretch_speed(km(3.0)), Some(MetrePerSecond::from_kmh(90.0)));
    assert_eq!(course.stretch_speed(km(4.0)), None);
}

#[test]
fn turns_and_chargers_know_their_direction() {
    let course = sound();
    let km = Metre::from_km;
    let next = |from, direction| course.next_turn(km(from), direction).map(|(place, _)| &*place.name);
    assert_eq!(next(2.0, Direction::Out), Some("B"));
    assert_eq!(next(11.0, Direction::Out), Some("C"));
    assert_eq!(next(13.0, Direction::Out), None);
    assert_eq!(next(11.0, Direction::Back), Some("A"));
    assert_eq!(course.place("B").unwrap().turn_out.unwrap().length, Metre(2000.0));
    let chargers: Vec<_> = course.chargers().map(|(place, side)| (&*place.name, side)).collect();
    assert_eq!(chargers, [("A", Side::Both), ("B", Side::Out)]);
    assert!(!Side::Out.admits(Direction::Back));
}

#[test]
fn everything_wrong_is_told_with_line_and_remedy() {
    let text = "[[place]]\nname = 'A'\nkm = 5\nside = 'out'\nturn_km = 1\n[[place]]\nname = 'A'\nkm = 4\nelevation_m = 1e9\nchrger = true\n[[stretch]]\nfrom_km = 3\nto_km = 2\nspeed_kmh = 0\n";
    assert_eq!(
        faults(text),
        [
            "road.toml:1: no place has a charger; add `charger = true` to one",
            "road.toml:1: elevation_m is given for some places but not for this one; give it for all places or for none",
            "road.toml:4: side is given where there is no charger; add `charger = true` or remove it",
            "road.toml:5: turn_km is given where one cannot turn; add `turn = true` or remove it",
            "road.toml:7: 'A' is the name of two places; rename one",
            "road.toml:8: 4 km follows 5 km; list places by increasing km",
            "road.toml:9: elevation_m is 1000000000; give a number from -500 to 9000",
            "road.toml:10: unknown key 'chrger'; did you mean 'charger'?",
            "road.toml:13: the stretch ends before it begins; give to_km greater than from_km",
            "road.toml:14: speed_kmh is 0; give a number from 1 to 300",
        ]
    );
}

#[test]
fn positions_further_apart_than_the_road_are_told() {
    let far = SOUND.replace("-48.05, -123.0]", "-48.5, -123.0]");
    let (course, faults) = Course::parse(&Document::from_text("road.toml", far));
    assert!(course.is_some());
    assert_eq!(
        faults[0].to_string(),
        "road.toml:13: warning: 10.0 km of road, but 55.6 km apart; check km and position"
    );
}

proptest::proptest! {
    #[test]
    fn no_text_panics(at in 0..SOUND.len(), length in 0..40_usize, new in "[\\[\\]a-z0-9=.' \n-]{0,12}") {
        let mut text = SOUND.to_owned();
        text.replace_range(at..(at + length).min(SOUND.len()), &new);
        let (course, faults) = Course::parse(&Document::from_text("road.toml", text));
        proptest::prop_assert!(course.is_some() != faults.iter().any(Fault::is_error));
    }

    #[test]
    fn any_numbers_are_taken_or_refused(km in proptest::num::f64::ANY, at in proptest::num::f64::ANY) {
        let text = SOUND.replace("km = 13", &format!("km = {km:?}").to_lowercase());
        if let (Some(course), _) = Course::parse(&Document::from_text("road.toml", text)) {
            course.position(Metre(at));
            course.elevation(Metre(at));
            course.grade(Metre(at));
        }
    }
}

#[test]
fn what_is_there_for_the_last_kilometres() {
    let text = SOUND.replace(
        "turn_back = true\ncharger = true",
        "turn_back = true\ntrailer = false\nsafe_stop = true\ncharger = true",
    ) + "[[stretch]]\nfrom_km = 5\nto_km = 6\none_way = 'out'\n[finish]\nplace = 'B'\nkm = 4\n";
    let (course, faults) = Course::parse(&Document::from_text("road.toml", text));
    assert_eq!(faults, []);
    let (course, km) = (course.unwrap(), Metre::from_km);
    assert_eq!((course.places[0].refuge, course.places[1].refuge), (Some(Side::Both), None));
    assert_eq!((course.places[0].trailer, course.places[1].trailer), (false, true));
    // 4 km at 40 km/h are 360 s.
    let finish = course.finish.clone().unwrap();
    assert_eq!((&*finish.place, finish.length, finish.duration), ("B", km(4.0), Span::of_seconds(360)));
    assert!(course.is_open(km(1.0), km(11.0), Direction::Out) && !course.is_open(km(11.0), km(1.0), Direction::Back));
    assert!(course.is_open(km(5.0), km(1.0), Direction::Back) && course.is_open(km(13.0), km(6.0), Direction::Back));
    assert_eq!(course.stretch_speed(km(5.5)), None);
}

#[test]
fn faults_of_the_last_kilometres() {
    let told = faults(&(SOUND.to_owned() + "[finish]\nplace = 'Bee'\nkm = 4\n[[stretch]]\nfrom_km = 5\nto_km = 6\n"));
    assert!(told[0].contains("no place is called 'Bee'; use one of: A, B, C"), "{told:?}");
    assert!(told[1].contains("the stretch says nothing of the road; add speed_kmh, or one_way"), "{told:?}");
    let told =
        faults(&SOUND.replace("position = [-48.06, -123.01]", "position = [-48.06, -123.01]\nsafe_stop_side = 'out'"));
    assert!(
        told[0].contains("safe_stop_side is given where there is no safe stop; add `safe_stop = true`"),
        "{told:?}"
    );
}
