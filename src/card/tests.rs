//! What a card's text gives, and every fault of it word for word.
//!
//! No outside source: what is a fault is this project's own to say. Zone changes are those of the IANA database.

use super::*;

mod road_load;
mod sealing;
mod spans;

fn parse(text: &str) -> (Option<Card>, Vec<String>) {
    let (card, faults) = Card::parse(&Document::from_text("card.toml", text), Path::new("tests-of-may"));
    (card, faults.iter().map(Fault::to_string).collect())
}

fn sound(text: &str) -> Card {
    let (card, faults) = parse(text);
    assert!(faults.is_empty(), "{faults:?}");
    card.unwrap()
}

fn faults(text: &str) -> Vec<String> {
    parse(text).1
}

/// A template's keys with the `#` before them taken away; of two units the first.
fn filled_in() -> String {
    let other_units = [
        "_mph =",
        "_kpa =",
        "_psi =",
        "_degf =",
        "_lb =",
        "_inhg =",
        "_mi =",
        "wind_kmh =",
        "#gain =",
        "_lbf =",
        "_mph2 =",
        "#rolling",
        "#drag",
    ];
    let others = |line: &&str| !other_units.iter().any(|unit| line.contains(unit)) && !line.starts_with("#offset");
    let lines = TEMPLATE.lines().filter(others);
    lines
        .map(|line| line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')).unwrap_or(line))
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn the_template_loads_as_it_stands_and_filled_in() {
    assert_eq!(sound(TEMPLATE), Card { name: "card.toml".into(), ..Card::default() });
    let card = sound(&filled_in());
    assert_eq!(card.missing(), [], "it fills in everything");
    assert_eq!(
        card.tyres.set.unwrap().map(|pressure| pressure.0.round()),
        [260_000.0, 260_000.0, 280_000.0, 280_000.0]
    );
    assert_eq!((card.driving.target.unwrap().kmh().round(), card.driving.assist), (110.0, Some(Assist::CruiseControl)));
    assert_eq!(card.charge.rest, Some(Span::of_seconds(6_000)));
    assert_eq!(card.charge.end.unwrap().iso(), "2027-03-14T04:40:00.000000Z");
    assert_eq!(card.recharge.energy, Some(Joule::from_kwh(53.9)));
    assert_eq!(card.battery.last_full_charge.unwrap().iso(), "2027-03-07T12:00:00.000000Z");
    assert!((card.road_load.coefficients.unwrap()[1] - 1.98).abs() < 1e-12);
    assert_eq!((card.road_load.reference, card.charge.lost), (Some(Reference::Sae), Some(Joule::from_kwh(2.1))));
    assert_eq!(card.trailer.unwrap().mass, Some(Kilogram(900.0)));
    assert_eq!(card.rated[0].consumption.unwrap().round(), 558.0, "155 Wh/km in J/m");
    assert_eq!((card.leave_out.len(), card.driving.leave_out.len(), card.course.is_some()), (1, 3, true));
    let current = card.tolerances[0];
    assert_eq!((current.sensor, current.basis), (Sensor::PackCurrent, ToleranceBasis::DataSheet));
    assert_eq!((current.gain, current.offset), (Some(0.01 / 3f64.sqrt()), Some(0.5 / 3f64.sqrt())));
    assert_eq!(card.instruments, [(Sensor::PackCurrent, "clamp 2".into())]);
}

#[test]
fn an_instrument_has_a_name_and_needs_no_tolerance() {
    let card = sound("[tolerances.pack_voltage]\nsensor = ' probe '\n");
    assert_eq!((card.tolerances, card.instruments), (vec![], vec![(Sensor::PackVoltage, "probe".into())]));
    let text = "[tolerances.speed]\ngain = 0.01\nsensor = ''\n";
    let told = ["card.toml:3: the sensor's name is empty; give the instrument's name, or remove the key"];
    assert_eq!(faults(text), told);
    assert_eq!(parse(text).0.unwrap().instruments, []);
}

#[test]
fn every_key_is_in_the_template_and_on_its_page() {
    let page = include_str!("../../docs/card.md");
    let keys = include_str!("written.rs").split("tables! {").nth(1).unwrap();
    let keys = keys.lines().filter_map(|line| line.strip_prefix("        ")?.split_once(": ").map(|(key, _)| key));
    let keys: Vec<&str> = keys.collect();
    assert!(keys.len() > 90, "{}", keys.len());
    for key in keys {
        assert!(TEMPLATE.contains(key), "the template lacks {key}");
        assert!(page.contains(&format!("`{key}`")), "docs/card.md lacks {key}");
    }
}

#[test]
fn keys_of_old_cards_are_read() {
    let text = "vehicle = 'blue-van'\nruns = ['../data/run=1', '../data/run=2']\nstate_of_charge = 'internal'\n\
                distance = 'odometer'\nfull_charge = 'ended by the car'\nclaimed_usable_kwh = 58\nunits = 'wh-per-mi'\nnote = 'dry'\n";
    let card = sound(text);
    assert_eq!(card.vehicle.as_deref(), Some("blue-van"));
    assert_eq!(card.runs[1], ("../data/run=2".into(), PathBuf::from("tests-of-may/../data/run=2")));
    assert_eq!((card.state_of_charge, card.distance), (Some(SocCounts::Internal), Some(DistanceCounts::Odometer)));
    assert_eq!((card.full_charge, card.units), (FullCharge::EndedByTheCar, Some(ConsumptionUnit::WhPerMi)));
    assert_eq!((card.claimed_usable_kwh, card.note.as_deref()), (Some(58.0), Some("dry")));
}

#[test]
fn what_is_wrong_has_line_and_remedy() {
    let text = "vehicle = 'blue van'\nruns = ['a', '', 'a']\nstate_of_charge = 'dash'\nclaimed_usable_kwh = 58000\n\
                units = 'wh-per-kn'\nfull_charg = 'unknown'\nmap = ''\nzone = 'Middle/Earth'\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:1: 'blue van' is no name of a vehicle; use 1 to 64 of A-Z, a-z, 0-9, _ and -",
            "card.toml:2: a run without a name; write the run's folder, as a path from this card's folder",
            "card.toml:2: run 'a' is named twice; name each run once",
            "card.toml:3: unknown value 'dash'; use one of: displayed, internal",
            "card.toml:4: a claimed usable capacity of 58000 kWh is impossible; write it in kWh, from 1 to 1000",
            "card.toml:5: unknown units 'wh-per-kn'; did you mean 'wh-per-km'?",
            "card.toml:6: unknown key 'full_charg'; did you mean 'full_charge'?",
            "card.toml:7: map names no file; write a path from this card's folder, or remove the key",
            "card.toml:8: unknown time zone 'Middle/Earth'; write a name of the IANA time zone database, as Europe/Lisbon, or give every time its offset",
        ]
    );
}

#[test]
fn pressures_in_the_wrong_unit_are_found() {
    let text = "[tyres]\nplacard_kpa = 2.5\nset_bar = [36, 38]\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:2: a cold tyre pressure of 2.5 kPa is impossible; did you mean tyres.placard_bar?",
            "card.toml:3: a cold tyre pressure of 36 bar is impossible; did you mean tyres.set_psi?",
        ]
    );
    let text = "[tyres]\nplacard_bar = 250\nset_psi = [2.6, 2.6, 2.8, 2.8]\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:2: a cold tyre pressure of 250 bar is impossible; did you mean tyres.placard_kpa?",
            "card.toml:3: a cold tyre pressure of 2.6 psi is impossible; did you mean tyres.set_bar?",
        ]
    );
    let text = "[tyres]\nplacard_bar = -2\nset_kpa = [250, 250, 260]\nset_at_degc = 120\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:2: a cold tyre pressure of -2 bar is impossible; give 1.2 to 7 bar",
            "card.toml:3: 3 tyre pressures; give one, [front, rear], or [front left, front right, rear left, rear right]",
            "card.toml:4: a tyre temperature of 120 degC is impossible; did you mean tyres.set_at_degf?",
        ]
    );
    assert_eq!(
        faults("[tyres]\nset_kpa = 250\nset_bar = 2.5\nplacard_bar = 'much'\n"),
        [
            "card.toml:2: set_bar and set_kpa say the same thing; keep one",
            "card.toml:4: invalid type: string \"much\", expected a number or a list of numbers",
        ]
    );
    assert_eq!(parse("[tyres]\nset_kpa = 2.5\nplacard_psi = 36").0.unwrap().tyres.set, None, "it is kept out");
}

#[test]
fn impossible_masses_speeds_and_tolerances_are_found() {
    let text = "[load]\nload_kg = -150\ncar_kg = 17\npersons = 1.5\n[trailer]\nmass_lb = -1\nfrontal_area_m2 = 350\n\
                [driving]\ntarget_kmh = -110\ntolerance_kmh = 0\n[tolerances.pack_current]\ngain = 0\noffset = -1\n\
                [tolerances.odometer]\ngain = 1.5\noffset = 3\n[tolerances.speed]\ngain = 0.01\nlimit_gain = 0.02\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:2: a load of -150 kg is impossible; give 0 to 10000 kg",
            "card.toml:3: a mass of the empty car of 17 kg is impossible; give 100 to 20000 kg",
            "card.toml:4: a number of persons of 1.5 is impossible; give a whole number",
            "card.toml:6: a mass of the trailer of -1 lb is impossible; give 22 to 22046 lb",
            "card.toml:7: a frontal area of 350 m2 is impossible; give 0.1 to 20 m2",
            "card.toml:9: a target speed of -110 km/h is impossible; give 10 to 300 km/h",
            "card.toml:10: a tolerance of 0 lets nothing be held; give how far off the target still counts",
            "card.toml:12: a gain of 0: no sensor is perfect; give what its data sheet says, or remove it",
            "card.toml:13: an offset of -1 is impossible; give a number above 0",
            "card.toml:15: a gain of 1.5 is impossible; give it in parts, above 0 and up to 0.5",
            "card.toml:16: the odometer has no offset: distance is a difference; give its gain alone",
            "card.toml:19: gain and limit_gain say the same thing; keep one",
        ]
    );
    let card = parse(text).0.unwrap();
    assert_eq!((card.load, card.driving, card.tolerances), (Load::default(), Driving::default(), vec![]));
    assert_eq!(
        faults("[driving]\ntarget_kmh = 20\ntolerance_mph = 15\n"),
        ["card.toml:1: the tolerance is as large as the target speed; correct one of them"]
    );
}

#[test]
fn impossible_charges_weather_and_ratings_are_found() {
    let text = "[charge]\nfrom_percent = 80\nto_percent = 20\nenergy_kwh = 41300\nmeter_class = 'D'\nrest_min = -5\n\
                [weather]\ntemperature_degc = 68\npressure_hpa = 29.9\nhumidity_percent = 0.7e3\nwind_mps = 80\nwind_from_deg = 400\n\
                [[rated]]\nrange_km = 340\n[[rated]]\nname = 'cycle'\n[[rated]]\nname = 'maker'\nrange_km = 4\n\
                [[rated]]\nname = 'maker'\nusable_kwh = 50\n[road]\nwet_percent = 101\ntraffic = 'ligth'\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:3: the charge lowered the state of charge; correct charge.from_percent or charge.to_percent",
            "card.toml:4: a charged energy of 41300 kWh is impossible; give 0.01 to 1000 kWh",
            "card.toml:5: unknown value 'D'; did you mean 'A'?",
            "card.toml:6: a rest of -5 min is impossible; give 0 to 100000 min",
            "card.toml:8: an air temperature of 68 degC is impossible; did you mean weather.temperature_degf?",
            "card.toml:9: warning: nothing says whether the air pressure is of the place; add pressure_of = \"the place\" or \"sea level\"; until then it is not used",
            "card.toml:9: an air pressure of 29.9 hPa is impossible; did you mean weather.pressure_inhg?",
            "card.toml:10: a relative humidity of 700 % is impossible; give 0 to 100 %",
            "card.toml:11: a wind of 80 m/s is impossible; did you mean weather.wind_kmh or weather.wind_mph?",
            "card.toml:12: a direction of 400 degrees is impossible; give 0 to 360 degrees",
            "card.toml:13: a rating without a name; add name = \"...\": by whom, or after what cycle",
            "card.toml:16: the rating 'cycle' says nothing; add range_km, consumption_wh_per_km or usable_kwh",
            "card.toml:19: a rated range of 4 km is impossible; give 10 to 5000 km",
            "card.toml:21: two ratings are named 'maker'; rename one",
            "card.toml:24: a wet share of 101 % is impossible; give 0 to 100 %",
            "card.toml:25: unknown value 'ligth'; did you mean 'light'?",
        ]
    );
}

#[test]
fn unknown_keys_have_line_and_nearest_key_in_every_table() {
    let text =
        "[tyres]\nset_barr = 2.5\n[charge]\nenergy = 40\n[counting]\nbegin = 'run'\n[driving]\nassist = 'autopilot'\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:2: unknown key 'set_barr'; did you mean 'set_bar'?",
            "card.toml:4: unknown key 'energy'; use one of: start, end, from_percent, to_percent, current, supply, rest_min, pack_degc, pack_degf, warm_up, energy_kwh, metered_at, meter_class, lost_kwh, lost_u_kwh",
            "card.toml:6: unknown key 'begin'; use one of: start, end",
            "card.toml:8: unknown value 'autopilot'; use one of: none, limiter, cruise control, adaptive cruise control, adaptive cruise control with steering",
        ]
    );
}

#[test]
fn times_name_moments_or_are_refused() {
    let start = |text: &str| {
        let (card, faults) = parse(text);
        (card.unwrap().counting.start, faults)
    };
    let moment = |text: &str| Bound::At(WallClock::parse_iso(text).unwrap());
    let half_past = moment("2027-10-31T01:30:00Z");
    assert_eq!(start("[counting]\nstart = 2027-10-31T02:30:00+01:00"), (half_past, vec![]));
    assert_eq!(start("[counting]\nstart = '2027-10-31T01:30:00Z'"), (half_past, vec![]));
    let in_zone = |time: &str| start(&format!("zone = 'Europe/Lisbon'\n[counting]\nstart = {time}"));
    // Lisbon goes from +01:00 to +00:00 at 01:00 UTC on the last Sunday of October (IANA, rule EU).
    assert_eq!(in_zone("2027-10-31T03:30:00"), (moment("2027-10-31T03:30:00Z"), vec![]));
    assert_eq!(in_zone("2027-10-31T01:30:00+01:00"), (moment("2027-10-31T00:30:00Z"), vec![]));
    assert_eq!(in_zone("2027-10-31T01:30:00+00:00"), (moment("2027-10-31T01:30:00Z"), vec![]));
    assert_eq!(in_zone("2027-07-01T08:00:00").0, moment("2027-07-01T07:00:00Z"));
    let refused = |text: &str| {
        let (bound, faults) = start(text);
        assert_eq!(bound, Bound::Run, "{text}");
        faults.join("\n")
    };
    let zoned = |time: &str| refused(&format!("zone = 'Europe/Lisbon'\n[counting]\nstart = {time}"));
    assert_eq!(
        refused("[counting]\nstart = 2027-03-14T07:20:00"),
        "card.toml:2: '2027-03-14T07:20:00' has no offset, so it names no moment; write the offset that the clock was at, as 2027-03-14T07:20:00+01:00, or add zone = \"...\" to the card"
    );
    assert_eq!(
        zoned("2027-10-31T01:30:00"),
        "card.toml:3: '2027-10-31T01:30:00' happened twice in Europe/Lisbon: clocks were set back from +01:00 to +00:00; write which one is meant, 2027-10-31T01:30:00+01:00 or 2027-10-31T01:30:00+00:00"
    );
    assert_eq!(
        zoned("2027-03-28T01:30:00"),
        "card.toml:3: '2027-03-28T01:30:00' never happened in Europe/Lisbon: clocks were set on from +00:00 to +01:00; correct the time, or write it with its offset"
    );
    assert_eq!(
        zoned("2027-07-01T08:00:00+00:00"),
        "card.toml:3: '2027-07-01T08:00:00+00:00' contradicts the zone: Europe/Lisbon was at +01:00 then; write 2027-07-01T08:00:00+01:00, or correct the time or the zone"
    );
    assert_eq!(
        refused("[counting]\nstart = 2027-03-14"),
        "card.toml:2: '2027-03-14' is not a moment: date or time of day is missing; write date, time and offset, as 2027-03-14T07:20:00+01:00"
    );
    assert_eq!(
        refused("[counting]\nstart = 7"),
        "card.toml:2: 7 is no time; write date, time and offset, as 2027-03-14T07:20:00+01:00"
    );
    assert_eq!(
        refused("[counting]\nstart = 'frist movement'"),
        "card.toml:2: unknown value 'frist movement'; did you mean 'first movement'?"
    );
    assert_eq!(
        refused("[counting]\nstart = 'unplugged'"),
        "card.toml:2: unknown value 'unplugged'; use 'run', 'first movement' or a time with its offset"
    );
}

#[test]
fn times_of_one_card_that_contradict_each_other_are_found() {
    let text = "[counting]\nstart = 2027-03-14T08:00:00Z\nend = 2027-03-14T07:00:00Z\n\
                [charge]\nstart = 2027-03-14T01:00:00Z\nend = 2027-03-14T06:00:00Z\nrest_min = 30\n\
                [recharge]\nstart = 2027-03-13T11:00:00Z\n[battery]\nlast_full_charge = 2027-04-01\n\
                [[leave_out]]\nfrom = 2027-03-14T08:20:00Z\nto = 2027-03-14T08:10:00Z\n[[leave_out]]\nfrom = 2027-03-14T08:20:00Z\n";
    assert_eq!(
        faults(text),
        [
            "card.toml:3: counting ends before it starts; correct counting.start or counting.end",
            "card.toml:7: 30 min since the charge ended, but charge.end and counting.start are 120 min apart; correct one of the three, or remove rest_min",
            "card.toml:9: the charge after the test begins before that before it ended; correct charge.end or recharge.start",
            "card.toml:11: the last full charge lies after the start of the charge for this test; give the one before it",
            "card.toml:14: the stretch to leave out ends before it begins; give 'to' after 'from'",
            "card.toml:15: a stretch to leave out without 'to'; add it",
        ]
    );
    assert_eq!(
        faults(
            "[counting]\nstart = 2027-03-14T08:00:00Z\n[charge]\nend = 2027-03-14T09:00:00Z\n[recharge]\nstart = 2027-03-14T09:00:00Z\nend = 2027-03-14T08:00:00Z\n"
        ),
        [
            "card.toml:4: the charge before the test ends after the counted start; correct charge.end or counting.start",
            "card.toml:7: the charge ends before it starts; correct recharge.start or recharge.end",
        ]
    );
}

#[test]
fn a_missing_file_is_one_fault() {
    let (card, faults) = Card::load(Path::new("no-such-card.toml"));
    assert!(card.is_none() && faults.len() == 1 && faults[0].remedy.is_some());
}

#[test]
fn what_is_missing_is_named_with_what_it_limits() {
    let empty = sound("");
    assert_eq!(empty.missing().len(), 27);
    let limited = empty.limited();
    assert!(limited.contains(&("usable capacity from a confirmed full charge", vec!["full_charge"])), "{limited:?}");
    assert!(
        limited.contains(&("hold of the target speed", vec!["driving.target", "driving.tolerance"])),
        "{limited:?}"
    );
    let metered =
        sound("[recharge]\nenergy_kwh = 50\n[weather]\npressure_hpa = 1000\npressure_of = 'the place'\nwind_mps = 3\n");
    let keys: Vec<&str> = metered.missing().iter().map(|missing| missing.key).collect();
    for (key, is_missing) in [
        ("metered_at", true),
        ("meter_class", true),
        ("charge.energy_kwh or recharge.energy_kwh", false),
        ("weather.pressure_of", false),
        ("weather.wind_from_deg", true),
    ] {
        assert_eq!(keys.contains(&key), is_missing, "{key}");
    }
}

proptest::proptest! {
    #[test]
    fn no_text_panics(text in "([a-z\\[\\]={}\"'#., \n0-9]|runs|units|vehicle|claimed_usable_kwh|é){0,80}") {
        let _ = parse(&text);
    }

    /// The template filled in, with some bytes replaced: deep enough to reach every table.
    #[test]
    fn no_damaged_card_panics(
        at in proptest::prelude::any::<proptest::sample::Index>(),
        put in "[-+:0-9a-zA-Z\\[\\]{}=.\"# \n]{0,8}",
        cut in 0usize..12,
    ) {
        let text = filled_in();
        let start = at.index(text.len());
        let end = (start + cut).min(text.len());
        if text.is_char_boundary(start) && text.is_char_boundary(end) {
            let _ = parse(&format!("{}{put}{}", &text[..start], &text[end..]));
        }
    }

    #[test]
    fn no_number_panics(number in proptest::num::f64::ANY, key in 0usize..6) {
        let key = ["tyres.set_bar", "load.car_lb", "charge.rest_min", "weather.temperature_degf", "claimed_usable_kwh", "tolerances.speed.gain"][key];
        let text = format!("{key} = {number:?}");
        let (card, faults) = parse(&text.replace("NaN", "nan"));
        proptest::prop_assert!(card.is_some() || !faults.is_empty());
    }
}
