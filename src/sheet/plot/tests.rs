//! Plots of invented drives: sound, small, the same twice, and nothing breaks them.

mod reading;
mod values;

use proptest::prelude::*;
use reading::Read;

use super::*;
use crate::card::Card;
use crate::document::Document;
use crate::ledger::Phase;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::trail::TrailPoint;
use crate::reduce::trip::Trip;
use crate::reduce::{Options, RunInput, charging, reduce_and_trace};

const UNITS: ConsumptionUnit = ConsumptionUnit::WhPerKm;

/// A full discharge with a gap of 200 s.
fn drive() -> RunInput {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1)).with("pack_temperature", |row| 10.0 + row as f64 / 1e3);
    drive.run_with_gap("20270314T061502Z", drive.window(100.0, 0.0), Some(2_000..2_100))
}

/// Two legs of 15 km at 108 km/h, 713 J/m out and 513 J/m back.
fn trip() -> Trip {
    Trip { per_metre: [700.0, 500.0], ..Trip::legs(30.0, &[15_000.0, 15_000.0]) }
}

fn traced(runs: &[RunInput], card: &str) -> (Reduction, Trail) {
    let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0.unwrap();
    reduce_and_trace(runs, Some(&card), &Options::default())
}

fn drawn(runs: &[RunInput], card: &str) -> Vec<Plot> {
    let (reduction, trail) = traced(runs, card);
    plots(&reduction, &trail, UNITS)
}

const TARGET: &str = "[driving]\ntarget_kmh = 108\ntolerance_kmh = 3\n";

/// Plots that between them are of every kind.
fn all() -> Vec<Plot> {
    let charge = charging::tests::charge(9.5, 2_400, charging::tests::tapering, None);
    let dot = |label: &str, first, second| Dot { label: label.into(), first, second };
    let rows = [dot("heron, 14 March", Some((301.0, 8.0)), Some((312.0, 12.0))), dot("stork <1> & co", None, None)];
    let compared = Intervals {
        name: "range",
        title: "Range".into(),
        quantity: "Range",
        unit: "km",
        first: "as measured",
        second: Some("at reference conditions"),
        rows: &rows,
    };
    let sets = [drawn(&[drive()], ""), drawn(&[trip().run("run=1")], TARGET), drawn(&[charge], "")];
    sets.into_iter().flatten().chain(intervals(&compared)).collect()
}

fn empty() -> Reduction {
    reduce_and_trace(&[], None, &Options::default()).0
}

fn point(second: usize) -> TrailPoint {
    let t = second as f64;
    TrailPoint {
        run: 0,
        t: t + 1.0,
        elapsed: t + 1.0,
        distance: 30.0 * (t + 1.0),
        energy: 20e3 * (t + 1.0),
        phase: Phase::Drive,
        leg: second / 3_000,
        speed: 30.0,
        speed_ends: [29.8, 30.2],
        power: 20e3,
        power_ends: [19e3, 21e3],
        soc: 100.0 - t / 300.0,
        temperature: [11.5, 21.0, 20.0],
        is_observed: true,
    }
}

#[test]
fn every_kind_is_drawn_and_sound() {
    let all = all();
    let names: std::collections::BTreeSet<&str> = all.iter().map(|plot| plot.name).collect();
    let kinds = ["along", "capacity", "charge_along", "charging", "hold", "legs", "range", "temperature"];
    assert_eq!(names.into_iter().collect::<Vec<_>>(), kinds);
    for plot in &all {
        reading::sound(plot);
        assert!(plot.alternative.len() > 40, "{}: {}", plot.name, plot.alternative);
    }
}

#[test]
fn nothing_to_draw_is_no_plot() {
    assert_eq!(plots(&empty(), &Trail::default(), UNITS), []);
    let unknown = TrailPoint {
        distance: f64::NAN,
        energy: f64::NAN,
        speed: f64::NAN,
        speed_ends: [f64::NAN; 2],
        power: f64::NAN,
        power_ends: [f64::NAN; 2],
        soc: f64::NAN,
        temperature: [f64::NAN; 3],
        is_observed: false,
        ..point(0)
    };
    assert_eq!(plots(&empty(), &Trail { points: vec![unknown; 50] }, UNITS), []);
    // Nothing known but the distance: no plot either.
    let moved = (0..50).map(|second| TrailPoint { distance: point(second).distance, ..unknown }).collect();
    assert_eq!(plots(&empty(), &Trail { points: moved }, UNITS), []);
}

#[test]
fn one_point_is_drawn() {
    let plots = plots(&empty(), &Trail { points: vec![point(0)] }, UNITS);
    assert_eq!(plots.iter().map(|plot| plot.name).collect::<Vec<_>>(), ["along", "charge_along", "temperature"]);
    plots.iter().for_each(reading::sound);
}

#[test]
fn the_same_drive_gives_the_same_bytes() {
    let (once, again) = (all(), all());
    assert_eq!(once, again);
    let pictures = [&once[0], &again[0]].map(|plot| png(plot, 360).unwrap());
    assert_eq!(pictures[0], pictures[1]);
    // The PNG's own header (PNG specification, 5.2 and 11.2.2): signature, then width and height in its first chunk.
    assert_eq!(&pictures[0][..8], b"\x89PNG\r\n\x1a\n");
    let read = Read::of(&once[0]);
    let size = |at: usize| u32::from_be_bytes(pictures[0][at..at + 4].try_into().unwrap());
    assert_eq!(size(16), 360);
    assert!((f64::from(size(20)) - 360.0 * read.height / read.width).abs() <= 0.5, "{}", size(20));
    for width in [0, 8_001] {
        assert!(png(&once[0], width).is_err());
    }
}

#[test]
fn eight_hours_stay_small_and_keep_a_second_of_power_and_of_speed() {
    // Every value as rough as it can be: nothing is alike from second to second.
    let mut chance = Chance::new(7);
    let mut points: Vec<TrailPoint> = (0..28_800).map(point).collect();
    for point in &mut points {
        let mut rough = |middle: f64, by: f64| middle + by * (chance.uniform() - 0.5);
        point.power_ends = [rough(-20e3, 40e3), rough(60e3, 40e3)];
        point.speed_ends = [rough(20.0, 5.0), rough(28.0, 5.0)];
        point.soc += rough(0.0, 3.0);
        point.temperature = [rough(10.0, 4.0), rough(20.0, 4.0), rough(30.0, 4.0)];
    }
    points[12_345].power_ends[1] = 240e3;
    points[22_222].power_ends[0] = -180e3;
    points[6_789].speed_ends[1] = 65.0;
    let trail = Trail { points };
    let plots = plots(&empty(), &trail, UNITS);
    assert_eq!(plots.len(), 3);
    for plot in &plots {
        reading::sound(plot);
        assert!(plot.svg.len() < 60_000, "{}: {} bytes", plot.name, plot.svg.len());
    }
    let read = Read::of(&plots[0]);
    let power = read.band(0, palette::SKY);
    // 30 m a second: second 12 345 ends at 370.38 km, 22 222 at 666.69 km.
    let highest = power.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    let lowest = power.iter().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    assert!((highest.1 - 240.0).abs() < 1.0 && (highest.0 - 370.4).abs() < 1.0, "{highest:?}");
    assert!((lowest.1 + 180.0).abs() < 1.0 && (lowest.0 - 666.7).abs() < 1.0, "{lowest:?}");
    let speed = read.band(1, palette::ORANGE);
    let fastest = speed.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    assert!((fastest.1 - 234.0).abs() < 1.0 && (fastest.0 - 203.7).abs() < 1.0, "{fastest:?}");
}

#[test]
fn a_gap_stays_a_gap() {
    let (reduction, trail) = traced(&[drive()], "");
    let plots = plots(&reduction, &trail, UNITS);
    // Rows of 2 s at 30 m/s: the gap lies from 119.94 km on and is 6 km long.
    let (from, to) = (119.9, 125.9);
    let mut seen = 0;
    for (name, panel, ink) in
        [("along", 0, palette::SKY), ("along", 0, palette::BLUE), ("charge_along", 1, palette::VERMILLION)]
    {
        let plot = plots.iter().find(|plot| plot.name == name).unwrap();
        assert!(plot.svg.contains("Hatched: power not observed"), "{name}");
        for line in Read::of(plot).lines(panel, ink) {
            seen += 1;
            let bin = 0.8;
            let (left, right): (Vec<_>, Vec<_>) = line.iter().partition(|(x, _)| *x < (from + to) / 2.0);
            assert!(left.is_empty() || right.is_empty(), "{name} {ink}: a line over the gap");
            assert!(left.iter().all(|(x, _)| *x < from + bin) && right.iter().all(|(x, _)| *x > to - bin), "{name}");
        }
    }
    assert!(seen >= 6, "{seen}");
}

/// Any number, odd ones as often as plain ones.
fn any() -> impl Strategy<Value = f64> {
    prop_oneof![
        proptest::num::f64::ANY,
        -1e6..1e6f64,
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(0.0),
        Just(-0.0),
        Just(f64::MAX)
    ]
}

fn odd_point() -> impl Strategy<Value = TrailPoint> {
    let phase = prop_oneof![Just(Phase::Drive), Just(Phase::Stand), Just(Phase::Charge)];
    let ten = proptest::array::uniform10(any());
    (0usize..3, 0usize..5, ten, proptest::array::uniform5(any()), phase, proptest::bool::ANY).prop_map(
        |(run, leg, a, b, phase, is_observed)| TrailPoint {
            run,
            leg,
            phase,
            is_observed,
            t: a[0],
            elapsed: a[1],
            distance: a[2],
            energy: a[3],
            speed: a[4],
            speed_ends: [a[5], a[6]],
            power: a[7],
            power_ends: [a[8], a[9]],
            soc: b[0],
            temperature: [b[1], b[2], b[3]],
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn no_value_breaks_a_plot(
        points in proptest::collection::vec(odd_point(), 0..30),
        plain in 0usize..40,
        vehicle in "\\PC{0,20}|[<>&\"'\u{0}-\u{1f}\u{fffe}]{0,9}",
    ) {
        // Odd points among plain ones reach further than odd ones alone.
        let points: Vec<TrailPoint> = (0..plain).map(point).chain(points).chain((plain..2 * plain).map(point)).collect();
        let reduction = Reduction { vehicle, ..empty() };
        for units in [UNITS, ConsumptionUnit::MiPerKwh] {
            let plots = plots(&reduction, &Trail { points: points.clone() }, units);
            plots.iter().for_each(reading::sound);
        }
    }

    #[test]
    fn no_row_breaks_the_intervals(
        rows in proptest::collection::vec((".{0,90}", proptest::option::of((any(), any())), proptest::option::of((any(), any()))), 0..80),
        two in proptest::bool::ANY,
    ) {
        let rows: Vec<Dot> = rows.into_iter().map(|(label, first, second)| Dot { label, first, second }).collect();
        let second = two.then_some("at reference conditions");
        let what = Intervals {
            name: "range", title: "Range".into(), quantity: "Range", unit: "km", first: "as measured", second, rows: &rows,
        };
        intervals(&what).iter().for_each(reading::sound);
    }
}
