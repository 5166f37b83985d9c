//! CSV of signals: columns by header, times, decimals, damage, and headers that fit no table or two.

use super::*;
use crate::map::{Message, Sent};
use crate::schema::Role;
use crate::source::replay::test_support::{Everything, everything};
use proptest::prelude::*;

fn layout(time: &str, columns: &[&str], delimiter: u8, decimal_comma: bool, format: TimeFormat) -> CsvTable {
    let columns = columns.iter().map(|column| (*column).to_owned()).collect();
    CsvTable { time_column: time.into(), time_format: format, columns, delimiter, decimal_comma }
}

fn map(tables: Vec<(&str, CsvTable)>) -> Map {
    let message = |(name, layout): (&str, CsvTable)| Message {
        name: name.into(),
        origin: Origin::Table(layout),
        signals: vec![],
        sent: Sent::Cyclic,
    };
    let messages = tables.into_iter().map(message).collect();
    let (name, digest) = ("m.toml".into(), String::new());
    Map { name, digest, messages, roles: vec![], soc_counts: Role::Soc, files: vec![] }
}

fn seconds(start: i64) -> TimeFormat {
    TimeFormat::Seconds { start: WallClock(start) }
}

fn trip() -> Map {
    map(vec![("trip", layout("Time [s]", &["Speed", "Current [A]"], b';', true, seconds(1_000_000)))])
}

fn read(text: &[u8], map: &Map) -> Result<Everything, Fault> {
    let reader = Box::new(std::io::Cursor::new(text.to_vec()));
    Signals::new(Input::from_reader("t.csv".into(), reader), map).map(|mut signals| everything(&mut signals, 2))
}

fn rows(all: &Everything) -> Vec<(i64, Vec<f64>)> {
    let row = |stamped: &Stamped| match &stamped.item {
        Item::Row(row) => (stamped.at.0, row.values.clone()),
        other => panic!("{other:?}"),
    };
    all.batch.rest.iter().map(row).collect()
}

#[test]
fn columns_are_found_by_their_header_in_any_order() {
    let text = "\u{feff}\"Current [A]\";Other; Time [s] ;Speed\r\n1,5;x;0,25;\"10,0\"\r\n-3;y;0,5;11\r\n";
    let all = read(text.as_bytes(), &trip()).unwrap();
    assert_eq!(rows(&all), [(1_250_000, vec![10.0, 1.5]), (1_500_000, vec![11.0, -3.0])]);
    assert_eq!(all.damage.count, 0);
}

#[test]
fn cells_that_cannot_be_read_are_counted_with_their_line() {
    let text = "Time [s];Speed;Current [A]\n1;;2\n2;abc;inf\nx;1;1\n3;NaN\n";
    let all = read(text.as_bytes(), &trip()).unwrap();
    let seen = rows(&all);
    assert_eq!(seen.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [2_000_000, 3_000_000, 4_000_000]);
    assert!(seen[0].1[0].is_nan() && seen[0].1[1] == 2.0);
    assert!(seen[1].1.iter().chain(&seen[2].1).all(|value| value.is_nan()));
    let told: Vec<String> = all.damage.first.iter().map(Fault::to_string).collect();
    assert_eq!(
        told,
        [
            "t.csv:3: warning: 'abc' in column 'Speed' is no number (byte 32)",
            "t.csv:3: warning: 'inf' in column 'Current [A]' is no number (byte 32)",
            "t.csv:4: warning: the time 'x' cannot be read; the row is left out (byte 42)",
        ]
    );
}

#[test]
fn times_are_floored_exactly() {
    let iso = map(vec![("trip", layout("t", &["v"], b',', false, TimeFormat::Iso8601))]);
    let all = read(b"t,v\n1970-01-01T01:00:00.1234569+01:00,1\n1970-01-01T00:00:00,1\n", &iso).unwrap();
    assert_eq!((rows(&all), all.damage.count), (vec![(123_456, vec![1.0])], 1));
    for (text, expected) in [
        ("1700000000.123456", 1_700_000_000_123_456),
        ("1700000000.1234569999", 1_700_000_000_123_456),
        ("-0.0000001", -1),
        ("-1.5", -1_500_000),
        ("+2", 2_000_000),
        (".5", 500_000),
        ("5.", 5_000_000),
        ("1.5e3", 1_500_000_000),
    ] {
        assert_eq!(micros(text.as_bytes(), false), Some(expected), "{text}");
    }
    for text in ["", ".", "-", "x", "1,5", "1e300", "99999999999999999999", "nan"] {
        assert_eq!(micros(text.as_bytes(), false), None, "{text}");
    }
}

#[test]
fn headers_that_fit_no_table_or_two_are_refused() {
    let told = |text: &str, map: &Map| read(text.as_bytes(), map).unwrap_err().to_string();
    assert_eq!(
        told("Time [s];Sped;Current [A]\n", &trip()),
        "t.csv:1: no table of the map fits the header; of 'trip' it lacks 'Speed'; it has: Time [s], Sped, Current [A]; did the map mean 'Sped'?"
    );
    assert!(told("Time [s];Speed;Speed;Current [A]\n", &trip()).contains("'Speed' stands twice"));
    assert!(told("", &trip()).contains("it lacks 'Time [s]', 'Speed', 'Current [A]'"));
    assert!(told("a,b\n", &map(vec![])).contains("no [[table]]"));
    let two = map(vec![
        ("one", layout("t", &["a"], b',', false, seconds(0))),
        ("two", layout("t", &["b"], b',', false, seconds(0))),
    ]);
    assert!(told("t,a,b\n", &two).contains("fits several tables of the map: one, two"));
    assert_eq!(rows(&read(b"t,b\n1,2\n", &two).unwrap()), [(1_000_000, vec![2.0])]);
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), text in "[0-9,.;\"\n\r eE+-]{0,200}") {
        let header = b"Time [s];Speed;Current [A]\n";
        let _ = read(&bytes, &trip());
        let _ = read(&[&header[..], &bytes].concat(), &trip());
        let _ = read(&[&header[..], text.as_bytes()].concat(), &trip());
    }

    #[test]
    fn decimal_seconds_agree_with_their_digits(whole in 0i64..10_000_000_000, micro in 0i64..1_000_000) {
        let text = format!("{whole},{micro:06}");
        prop_assert_eq!(micros(text.as_bytes(), true), Some(whole * 1_000_000 + micro));
    }
}
