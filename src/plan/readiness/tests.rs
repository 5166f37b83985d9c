//! Each check on facts made by hand: all as it should be, then one thing wrong at a time.

use std::sync::Arc;

use super::*;
use crate::course::{Course, Direction};
use crate::document::Document;
use crate::ledger::{Phase, Sums};
use crate::plan::Guess;
use crate::plan::picture::{Displayed, KnownBy, Whereabouts};
use crate::quantity::{Metre, MetrePerSecond};
use crate::time::RunTime;

fn row(at_s: i64, phase: Phase, roles: &[(Role, f64)]) -> TraceRow {
    let mut row = TraceRow {
        at: RunTime(at_s * 1_000_000),
        phase,
        sums: Sums::NOTHING,
        roles: [f64::NAN; Role::COUNT],
        latitude_deg: -48.0,
        longitude_deg: -123.0,
    };
    roles.iter().for_each(|(role, value)| row.roles[*role as usize] = *value);
    row
}

/// A card on which nothing is open.
const CARD: &str = "map = 'm.toml'\ncourse = 'c.toml'\nfull_charge = 'ended by the car'\nclaimed_usable_kwh = 48\n\
    [driving]\ntarget_kmh = 108\ntolerance_kmh = 3\nassist = 'none'\n[tyres]\nplacard_bar = 2.5\nset_bar = 2.6\n\
    [load]\ncar_kg = 1750\nload_kg = 160\n[climate]\nsetting = 'off'\n[charge]\nend = 2027-03-14T05:00:00Z\n\
    current = 'AC'\npack_degc = 14\nwarm_up = 'none'\nenergy_kwh = 41.3\nmetered_at = 'wall'\nmeter_class = 'B'\n\
    [battery]\nchemistry = 'NMC'\nlast_full_charge = 2027-03-07\n[weather]\ntemperature_degc = 9\npressure_hpa = 1016\n\
    pressure_of = 'the place'\nhumidity_percent = 70\nwind_mps = 3\nwind_from_deg = 250\n[road]\nwet_percent = 0\n\
    traffic = 'light'\n[road_load]\nrolling_resistance = 0.0092\ndrag_area_m2 = 0.61\nreference = 'SAE'\n";

fn full_card() -> Card {
    let (card, faults) = Card::parse(&Document::from_text("test.toml", CARD), std::path::Path::new(""));
    let card = card.unwrap_or_else(|| panic!("{faults:?}"));
    assert_eq!((faults, card.missing()), (vec![], vec![]));
    card
}

struct Scene {
    row: TraceRow,
    card: Card,
    known: Known,
    picture: Picture,
    trouble: Vec<(String, String)>,
}

fn scene() -> Scene {
    let road = "name = 'Quaymoor road'\n[[place]]\nname = 'Quaymoor'\nkm = 0\ncharger = true\n[[place]]\nname = 'Sallowmere'\n\
                km = 17\nturn = true\nturn_km = 0.7\nturn_s = 65\n";
    let course = Course::parse(&Document::from_text("road.toml", road)).0.map(Arc::new);
    Scene {
        row: row(10, Phase::Stand, &[(Role::Speed, 0.0), (Role::PackPower, 300.0), (Role::Soc, 100.0)]),
        card: full_card(),
        known: Known {
            course,
            // 48 kWh at 600 J/m and 30 m/s: 288 km, 9600 s.
            usable: Some(Guess::new(48.0 * 3.6e6, 0.03 * 48.0 * 3.6e6)),
            per_metre: Some(Guess::new(600.0, 20.0)),
            target: Some(MetrePerSecond(30.0)),
            ..Known::default()
        },
        picture: Picture {
            soc: Some(Displayed { share: 1.0, marked: None }),
            here: Some(Whereabouts { at: Metre(0.0), direction: Direction::Out, u: 5.0, by: KnownBy::Fix }),
            ..Picture::default()
        },
        trouble: Vec::new(),
    }
}

fn facts(scene: &Scene) -> Facts<'_> {
    Facts {
        utc: WallClock::parse_iso("2027-03-14T06:15:02Z").unwrap(),
        ahead_of_satellites: Some(Span::of_millis(120)),
        run: Some("20270314T061002Z"),
        waits: None,
        in_trouble: &scene.trouble,
        to_be_had: &Need::ALL,
        row: Some(&scene.row),
        room: Room { free: Some(2_000_000_000), floor: 200_000_000, per_hour: 50e6 },
        card: Some(&scene.card),
        span: None,
        known: &scene.known,
        picture: &scene.picture,
        charged: Charged::Full,
    }
}

/// The one check that is not as it should be: its name, what was found, the remedy.
fn only(facts: &Facts) -> (String, String, String) {
    let mut wrong: Vec<Check> = checks(facts).into_iter().filter(|check| !check.go).collect();
    assert_eq!(wrong.len(), 1, "{wrong:?}");
    let check = wrong.remove(0);
    assert!(!check.remedy.is_empty());
    (check.name, check.found, check.remedy)
}

#[test]
fn a_car_that_is_ready_is_told_so() {
    let scene = scene();
    let all = checks(&facts(&scene));
    assert!(is_go(&all), "{all:?}");
    assert!(all.iter().all(|check| check.remedy.is_empty() && !check.found.is_empty()));
    let text: Vec<String> = all.iter().map(|check| format!("{}: {}", check.name, check.found)).collect();
    insta::assert_snapshot!(text.join("\n"));
}

#[test]
fn what_is_not_as_it_should_be_is_said_with_its_remedy() {
    let scene = scene();
    let base = facts(&scene);
    let stale = Scene { picture: Picture { soc: None, ..scene.picture.clone() }, ..self::scene() };
    let trouble = Scene { trouble: vec![("can0".into(), "no such interface".into())], ..self::scene() };
    let lost = Scene { picture: Picture { here: None, ..scene.picture.clone() }, ..self::scene() };
    let no_course = Scene { known: Known { course: None, ..scene.known.clone() }, ..self::scene() };
    let unclaimed = Scene { known: Known { usable: None, ..scene.known.clone() }, ..self::scene() };
    let read = |minutes: i64| {
        let soc = Some(Displayed { share: 0.99, marked: Some(Span::of_seconds(60 * minutes)) });
        Scene { picture: Picture { soc, ..scene.picture.clone() }, ..self::scene() }
    };
    let old = read(31);
    let blind = Scene { row: TraceRow { latitude_deg: f64::NAN, ..scene.row.clone() }, ..self::scene() };
    let no_soc = |scene: &Scene| {
        row(10, Phase::Stand, &[(Role::Speed, 0.0), (Role::PackPower, scene.row.roles[Role::PackPower as usize])])
    };
    let blank = Scene { row: no_soc(&scene), ..stale };
    let cases = [
        (Facts { waits: Some("the disk is full"), ..base.clone() }, "recording", "the disk is full", "put that right"),
        (Facts { run: None, ..base.clone() }, "recording", "no run", "wake the car"),
        (facts(&trouble), "sources", "can0: no such interface", "plug it in"),
        (Facts { to_be_had: &Need::ALL[1..], ..base.clone() }, "speed", "no such role", "[roles] speed"),
        (facts(&blank), "state of charge", "not known", "drawdown mark soc PERCENT"),
        (facts(&old), "state of charge", "more than half an hour ago", "note it again"),
        (Facts { to_be_had: &Need::ALL[..3], ..facts(&blind) }, "position", "no satellite receiver", "mark turned"),
        (facts(&blind), "position", "no fresh fix", "a clear view of the sky"),
        (facts(&lost), "course", "the car is not on it", "drive onto it"),
        (facts(&no_course), "course", "nothing says where to turn", "from-run"),
        (facts(&unclaimed), "usable energy", "neither claimed", "claimed_usable_kwh"),
        (Facts { card: None, ..base.clone() }, "test card", "none", "drawdown card new"),
        (
            Facts { utc: WallClock(12_000_000), ahead_of_satellites: None, ..base.clone() },
            "clock",
            "1970-01-01T00:00:12Z",
            "set it",
        ),
    ];
    for (facts, name, found, remedy) in cases {
        let (said, what, do_this) = only(&facts);
        assert!(said == name && what.contains(found) && do_this.contains(remedy), "{said}: {what}; {do_this}");
    }
    // A reading by a person does where the bus says nothing.
    let told = checks(&facts(&read(29)));
    assert!(is_go(&told) && told.iter().any(|check| check.found == "99 %, read by a person"), "{told:?}");
    // A clock that is wrong is dated by the satellites.
    let wrong = Facts { ahead_of_satellites: Some(Span::of_seconds(-3_600)), ..base };
    assert!(is_go(&checks(&wrong)));
}

#[test]
fn the_disk_must_hold_the_drive() {
    let scene = scene();
    // 9600 s and an hour at 50 MB/h: 183.3 MB above the floor of 200 MB.
    let with = |free: u64| Facts { room: Room { free: Some(free), ..facts(&scene).room }, ..facts(&scene) };
    assert!(is_go(&checks(&with(383_400_000))));
    let (name, found, _) = only(&with(383_200_000));
    assert_eq!(
        (&*name, &*found),
        ("disk", "384 MB free; 3.7 h of recording take some 184 MB above the floor of 200 MB")
    );
    // Where nothing is known of the drive: 8 h and an hour, 450 MB.
    let unknown = Scene { known: Known { target: None, ..scene.known.clone() }, ..self::scene() };
    let with = |free: u64| Facts { room: Room { free: Some(free), ..facts(&unknown).room }, ..facts(&unknown) };
    assert!(is_go(&checks(&with(650_100_000))));
    assert_eq!(only(&with(649_900_000)).0, "disk");
}

#[test]
fn a_card_with_open_keys_or_against_its_run_is_said() {
    let open = Scene { card: Card { full_charge: FullCharge::EndedByTheCar, ..Card::default() }, ..scene() };
    let (name, found, remedy) = only(&facts(&open));
    assert!(name == "test card" && found.contains("keys are open: map, course,"), "{found}");
    assert!(remedy.contains("drawdown card check"));
    let mut card = full_card();
    card.driving.assist = None;
    assert_eq!(only(&facts(&Scene { card: card.clone(), ..scene() })).1, "open: driving.assist");
    // What only the charger tells afterwards is not asked for.
    (card.charge.energy, card.recharge.energy) = (None, None);
    card.driving.assist = full_card().driving.assist;
    assert!(is_go(&checks(&facts(&Scene { card: card.clone(), ..scene() }))));
    // A charge that ended after now.
    card.charge.end = WallClock::parse_iso("2027-03-14T07:00:00Z");
    let scene = Scene { card, ..scene() };
    let span = RunSpan { start: facts(&scene).utc - Span::of_seconds(300), end: facts(&scene).utc };
    let (name, found, _) = only(&Facts { span: Some(span), ..facts(&scene) });
    assert!(name == "test card" && found.contains("the card's charge.end is 2027-03-14T07:00:00Z"), "{found}");
}

#[test]
fn full_is_what_the_car_ends_itself() {
    let scene = Scene { card: Card { full_charge: FullCharge::DisplayOnly, ..full_card() }, ..scene() };
    let with = |charged| Facts { charged, ..facts(&scene) };
    assert!(is_go(&checks(&with(Charged::Full))));
    assert!(only(&with(Charged::NotSeen)).1.contains("the display alone"));
    assert_eq!(only(&with(Charged::Charging)).1, "it is charging");
    let by_card = Scene { card: full_card(), ..self::scene() };
    let said = Scene { card: Card { full_charge: FullCharge::EndedByTheCar, ..by_card.card.clone() }, ..by_card };
    assert!(is_go(&checks(&Facts { charged: Charged::NotSeen, ..facts(&said) })));
}

#[test]
fn a_charge_is_watched_to_its_end() {
    let charge = |at, power, soc| row(at, Phase::Charge, &[(Role::PackPower, power), (Role::Soc, soc)]);
    let mut watch = FullWatch::default();
    let mut see = |run, row: TraceRow| {
        watch.see(run, &row);
        watch.charged()
    };
    // Plugged in and at rest before it began is no end of a charge.
    assert_eq!(see(1, charge(0, 0.0, 99.0)), Charged::NotSeen);
    assert_eq!(see(1, charge(100, -7_000.0, 99.0)), Charged::Charging);
    // A pause at 80 % is none either.
    assert_eq!(see(1, charge(200, 0.0, 80.0)), Charged::Charging);
    assert_eq!(see(1, charge(300, 0.0, 80.0)), Charged::Charging);
    assert_eq!(see(1, charge(400, -2_000.0, 99.5)), Charged::Charging);
    assert_eq!(see(1, charge(500, -20.0, 100.0)), Charged::Charging);
    assert_eq!(see(1, charge(559, 10.0, 100.0)), Charged::Charging);
    assert_eq!(see(1, charge(560, 10.0, 100.0)), Charged::Full);
    // Unplugged and driven off it stays; the next charge begins anew.
    assert_eq!(see(2, row(0, Phase::Drive, &[(Role::PackPower, 20_000.0)])), Charged::Full);
    assert_eq!(see(3, charge(0, -7_000.0, 30.0)), Charged::Charging);
    assert_eq!(see(3, row(9, Phase::Stand, &[(Role::PackPower, 0.0)])), Charged::NotSeen, "unplugged before its end");
}
