//! What is known before the drive, by which of the files that say it; arithmetic by hand.

use super::*;

const KWH: f64 = 3.6e6;

/// A configuration in a folder that holds the given files.
fn load(lines: &str, files: &[(&str, &str)]) -> (Prior, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    files.iter().for_each(|(name, text)| std::fs::write(folder.path().join(name), text).unwrap());
    let text = format!("vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\n{lines}\n[[source]]\nkind = 'gpsd'\n");
    let (config, faults) = Config::from_document(&Document::from_text("car.toml", text), folder.path());
    assert_eq!(faults, []);
    let (prior, faults) = Prior::load(&config.unwrap());
    let place = format!("{}/", folder.path().display());
    (prior, faults.iter().map(|fault| fault.to_string().replace(&place, "")).collect())
}

const CARD: &str = "course = 'road.toml'\nclaimed_usable_kwh = 48.0\nunits = 'kwh-per-100km'\n[driving]\ntarget_kmh = 108\n\
                    tolerance_kmh = 3.6\n[trailer]\nmass_kg = 900\n";
const ROAD: &str = "name = 'Quaymoor road'\n[[place]]\nname = 'Quaymoor'\nkm = 0\ncharger = true\n[[place]]\n\
                    name = 'Sallowmere'\nkm = 17\nturn = true\nturn_km = 0.7\nturn_s = 65\n";
/// Half-widths of 1.96 kWh, 0.196 kWh and 1.96 Wh/km: standard uncertainties of 1 kWh, 0.1 kWh and 1 Wh/km.
const EARLIER: &str = "{\"schema\": 1, \"vehicle\": \"heron\", \"consumption_wh_per_km\": {\"value\": 170, \"u95\": 1.96}, \
                       \"usable_capacity\": {\"kwh\": {\"value\": 47, \"u95\": 1.96}, \"reserve_kwh\": {\"value\": 0.9, \
                       \"u95\": 0.196}, \"why\": \"\"}, \"problems\": []}";

fn near(guess: Option<Guess>, mean: f64, u: f64) {
    let guess = guess.expect("a value");
    assert!((guess.mean / mean - 1.0).abs() < 1e-12 && (guess.u / u - 1.0).abs() < 1e-4, "{guess:?}: {mean} {u}");
}

#[test]
fn nothing_named_is_nothing_known() {
    assert_eq!(load("", &[]), (Prior::default(), vec![]));
}

#[test]
fn a_card_brings_target_claim_units_trailer_and_course() {
    let (prior, faults) = load("card = 'test.toml'", &[("test.toml", CARD), ("road.toml", ROAD)]);
    assert_eq!(faults, [""; 0]);
    let known = prior.known;
    assert_eq!(known.target.map(|target| (target.0 * 1e6).round() / 1e6), Some(30.0));
    assert_eq!(known.tolerance.map(|tolerance| (tolerance.0 * 1e6).round() / 1e6), Some(1.0));
    near(known.usable, 48.0 * KWH, 0.03 * 48.0 * KWH);
    assert!(known.trailer && !known.no_spare && known.reserve.is_none() && known.per_metre.is_none());
    assert_eq!(prior.units, ConsumptionUnit::KwhPer100Km);
    assert_eq!(known.course.map(|course| course.name.clone()), Some("Quaymoor road".into()));
}

#[test]
fn the_configuration_wins_over_the_card_and_an_earlier_test_over_both() {
    let car = "card = 'test.toml'\ncourse = 'mine.toml'\n[car]\nusable_kwh = 50\nusable_u_percent = 2\nreserve_kwh = 1\n\
               wh_per_km = 180\ncell_cut_off_v = 2.8\npack_cut_off_v = 280\nfloor_percent = 4\nno_spare = true\n";
    let mine = ROAD.replace("Quaymoor road", "mine");
    let files = [("test.toml", CARD), ("mine.toml", &*mine), ("earlier.json", EARLIER)];
    let (prior, faults) = load(car, &files);
    assert_eq!(faults, [""; 0]);
    let known = prior.known;
    near(known.usable, 50.0 * KWH, KWH);
    near(known.reserve, KWH, 0.2 * KWH);
    near(known.per_metre, 648.0, 0.06 * 648.0);
    assert_eq!((known.cut_off.cell, known.cut_off.pack), (Some(2.8), Some(280.0)));
    assert_eq!((known.floor_share, known.no_spare), (Some(0.04), true));
    assert_eq!(known.course.map(|course| course.name.clone()), Some("mine".into()));
    let (prior, faults) = load(&format!("{car}earlier = 'earlier.json'\n"), &files);
    assert_eq!(faults, [""; 0]);
    near(prior.known.usable, 47.0 * KWH, KWH);
    near(prior.known.reserve, 0.9 * KWH, 0.1 * KWH);
    // 1 Wh/km and 2 % of 170 Wh/km: the root of 1 + 3.4², 3.544 Wh/km.
    near(prior.known.per_metre, 612.0, 3.544_009 * 3.6);
}

#[test]
fn the_uncertainty_that_is_said_holds_for_the_cards_claim_too() {
    let (prior, _) = load("card = 'test.toml'\n[car]\nusable_u_percent = 1\n", &[("test.toml", CARD)]);
    near(prior.known.usable, 48.0 * KWH, 0.48 * KWH);
}

#[test]
fn what_is_wrong_with_a_file_is_said_and_the_rest_is_used() {
    let (prior, faults) = load("card = 'test.toml'\n[car]\nearlier = 'earlier.json'\n", &[("test.toml", CARD)]);
    assert_eq!(faults.len(), 2, "{faults:?}");
    assert!(
        faults[0].starts_with("road.toml: cannot read") && faults[1].starts_with("earlier.json: cannot"),
        "{faults:?}"
    );
    assert!(prior.known.course.is_none() && prior.known.usable.is_some());
    let odd = |text: &str| load("[car]\nearlier = 'e.json'\n", &[("e.json", text)]);
    let (prior, faults) = odd("{\n\"schema\": 1,\n");
    assert!(faults[0].starts_with("e.json:3: not what `drawdown reduce --json` writes"), "{faults:?}");
    assert_eq!(prior, Prior::default());
    let (prior, faults) = odd(&EARLIER.replace("\"schema\": 1", "\"schema\": 7"));
    assert!(faults[0].contains("its schema is 7, this program knows 1; it is not used"), "{faults:?}");
    assert_eq!(prior, Prior::default());
    let (prior, faults) = odd(&EARLIER.replace("heron", "egret").replace("{\"value\": 47, \"u95\": 1.96}", "null"));
    assert!(faults[0].contains("it is of vehicle 'egret', the configuration records 'heron'"), "{faults:?}");
    assert!(faults[1].contains("the earlier test measured no usable energy"), "{faults:?}");
    assert!(prior.known.usable.is_none() && prior.known.per_metre.is_some());
}

#[test]
fn a_card_of_another_car_is_said() {
    let (_, faults) = load("card = 'test.toml'", &[("test.toml", "vehicle = 'egret'\n")]);
    assert_eq!(
        faults,
        [
            "test.toml: warning: the card is of vehicle 'egret', the configuration records 'heron'; name the card of this test"
        ]
    );
}
