//! Screens of boards made by hand, and sizes that nobody has.

use super::*;
use crate::live::board::{BoardAlarm, Group, Loud, Readiness};

fn board() -> Board {
    let line = |key: &str, label: &str, value: Option<&str>, beside: &str, tone| Line {
        key: key.into(),
        group: Group::Car,
        label: label.into(),
        value: value.map(str::to_owned),
        beside: beside.into(),
        tone,
    };
    Board {
        vehicle: "heron".into(),
        utc: "2027-03-14T07:37:02Z".into(),
        loud: Some(Loud { what: "Go to the charger now".into(), why: "No longer way is within the limits.".into() }),
        lines: vec![
            line("next", "Arrive at", Some("Quaymoor"), "in 12.4 km", Tone::Plain),
            line("soc", "State of charge", Some("12 %"), "", Tone::Plain),
            line("step", "Step in power", Some("+1.8 kW"), "for 0:04:10", Tone::Heed),
            line("cliff", "Left by the voltage", Some("18.9 ± 2.2 kWh"), &"the voltage counts ".repeat(5), Tone::Wrong),
            line("speed", "Speed", None, "", Tone::Plain),
        ],
        alarms: vec![
            BoardAlarm { key: "a".into(), text: "No speed".into(), since: "12 s".into(), acknowledged: false },
            BoardAlarm { key: "b".into(), text: "disk".into(), since: "0:01:00".into(), acknowledged: true },
        ],
        ready: vec![Readiness { name: "disk".into(), go: false, found: String::new(), remedy: String::new() }],
        ..Board::default()
    }
}

#[test]
fn what_a_person_reads() {
    let text: Vec<String> = rows(&board(), 80, 24).iter().map(|row| format!("{:5?} {}", row.style, row.text)).collect();
    insta::assert_snapshot!(text.join("\n"));
    insta::assert_snapshot!(
        line(&board()),
        @"07:37:02Z | GO TO THE CHARGER NOW | ALARM No speed | Arrive at Quaymoor | State of charge 12 % | Step in power +1.8 kW | Left by the voltage 18.9 ± 2.2 kWh"
    );
}

#[test]
fn checks_are_told_until_the_car_moves() {
    let mut board = board();
    let says = |board: &Board| rows(board, 80, 24).iter().any(|row| row.text.starts_with("no-go: disk"));
    assert!(says(&board));
    board.lines[4].value = Some("0 km/h".into());
    assert!(says(&board));
    board.lines[4].value = Some("119 km/h".into());
    assert!(!says(&board));
}

proptest::proptest! {
    #[test]
    fn nothing_is_wider_or_longer_than_the_screen(columns in 0..200usize, height in 0..60usize, more in 0..40usize) {
        let mut board = board();
        (0..more).for_each(|_| board.lines.push(board.lines[3].clone()));
        board.vehicle = "a\u{1b}[2Jb".into();
        let all = rows(&board, columns, height);
        proptest::prop_assert!(all.len() <= height);
        for row in all.iter().chain(&nothing("why\u{7}", columns.max(1))) {
            proptest::prop_assert!(row.text.chars().count() <= columns.max(1));
            proptest::prop_assert!(!row.text.chars().any(char::is_control));
        }
    }
}
