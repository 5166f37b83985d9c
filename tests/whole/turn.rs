//! `drawdown turn` on the demo's course, by hand.
//!
//! Does not judge the widths, which are common practice: sequences and distances are added up from the course's file.

use serde_json::Value;

use crate::support::{companion, root};

/// Exit status, standard output and standard error.
fn turn(arguments: &str) -> (Option<i32>, String, String) {
    let course = root().join("recordings/demo-course.toml");
    let output = companion().arg("turn").arg(course).args(arguments.split(' ')).output().expect("to run");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

#[test]
fn what_a_passenger_reads() {
    let car = "--usable-kwh 48 --usable-u-percent 1 --wh-per-km 170 --wh-per-km-back 160 --reserve-kwh 0.9";
    let said = |what: &str| turn(&format!("{what} {car}")).1;
    let texts = [
        said("--at 20 --direction out --soc 46"),
        said("--at 20 --direction out --soc 46 --no-spare"),
        said("--at 3.5 --direction back --soc 1"),
        said("--at 40 --direction back --soc 17"),
    ];
    assert!(texts.iter().flat_map(|text| text.lines()).all(|line| line.chars().count() <= 80), "{texts:?}");
    insta::assert_snapshot!(texts.join("---\n"));
}

#[test]
fn distances_are_those_of_the_course() {
    let (status, json, _) = turn(
        "--at 50 --direction out --soc 34 --usable-kwh 48 --usable-u-percent 1 --wh-per-km 170 --reserve-kwh 0.9 --json",
    );
    let told: Value = serde_json::from_str(&json).expect("JSON");
    // 8.5 km to Orrindale, 1.1 km to turn there, 58.5 km back to Quaymoor.
    assert_eq!((status, told["ahead_km"].as_f64()), (Some(0), Some(8.5)));
    assert_eq!(told["plan"]["acts"][0], serde_json::json!({ "place": "Orrindale", "act": "turn" }));
    assert!((told["plan"]["km"].as_f64().expect("a number") - 68.1).abs() < 1e-9, "{json}");
}

#[test]
fn what_cannot_be_is_refused() {
    let rest = "--direction out --soc 46 --usable-kwh 48 --wh-per-km 170";
    let (status, _, error) = turn(&format!("--at Orindale {rest}"));
    assert_eq!(status, Some(2));
    assert!(error.contains("no place is called 'Orindale'; did you mean 'Orrindale'?"), "{error}");
    let (status, _, error) = turn(&format!("--at 500 {rest}"));
    assert!(status == Some(2) && error.contains("--at 500 is not on the course; give 0 to 58.5 km"), "{error}");
    assert_eq!(turn(&format!("--at nan {rest}")).0, Some(2));
    let (status, _, error) = turn("--at 5 --direction out --soc 146 --usable-kwh 48 --wh-per-km 170");
    assert!(status == Some(2) && error.contains("not 0 to 100"), "{error}");
}
