//! Requests on a hub with a moment made by hand, and without one.

use super::*;
use crate::daemon::test_support::Hand;
use crate::document::Document;
use crate::live::{Alarm, Recording};
use crate::observation::MarkKind;
use crate::plan::{Check, Picture};
use crate::quantity::ConsumptionUnit;
use crate::time::{Steady, WallClock};

fn moment(run: Option<&str>) -> Moment {
    let road = "name = 'Quaymoor road'\n[[place]]\nname = 'Quaymoor'\nkm = 0\ncharger = true\n[[place]]\nname = 'Sallowmere'\n\
                km = 17\nturn = true\nturn_km = 0.7\nturn_s = 65\n";
    let check = |go| Check { name: "disk".into(), go, found: "2 MB free".into(), remedy: String::new() };
    Moment {
        at: Steady(0),
        utc: WallClock(0),
        vehicle: "heron".into(),
        picture: Picture::default(),
        course: crate::course::Course::parse(&Document::from_text("road.toml", road)).0.map(Arc::new),
        recording: Recording { run: run.map(str::to_owned), ..Recording::default() },
        alarms: vec![Alarm { key: "disk".into(), text: "full".into(), since: Span(0), acknowledged: false }],
        ready: vec![check(true), check(false)],
        units: ConsumptionUnit::WhPerKm,
        rehearsal: false,
    }
}

fn desk(moment: Option<Moment>) -> (Desk, Arc<Hand>, Arc<Hub>) {
    let (hub, hand) = (Arc::new(Hub::default()), Arc::new(Hand::default()));
    moment.into_iter().for_each(|moment| hub.show(moment));
    let clock = Arc::clone(&hand) as Arc<dyn Clock>;
    (Desk::new(&hub, &clock), hand, hub)
}

fn ask(desk: &Desk, line: &str) -> Value {
    serde_json::from_str(&desk.answer(line.as_bytes(), "{\"vehicle\":\"heron\"}\n")).unwrap()
}

#[test]
fn a_mark_is_left_with_the_loop_and_said_back() {
    let (desk, hand, hub) = desk(Some(moment(Some("20270314T061502Z"))));
    hand.move_on(Span::of_seconds(2));
    let said = ask(&desk, r#"{"ask":"mark","kind":"soc","value":"42 %"}"#);
    assert_eq!(said, json!({"noted": "soc 42 %", "run": "20270314T061502Z", "utc": "1970-01-01T00:00:02Z"}));
    let mark = Mark { kind: MarkKind::Soc, value: Some(42.0), text: String::new() };
    assert_eq!(hub.take_asks(), [(Steady(2_000_000), Ask::Mark(mark))]);
    let refused = ask(&desk, r#"{"ask":"mark","kind":"soc","value":142}"#);
    assert_eq!(refused["refused"], "a state of charge of 142 % can't be");
    assert!(hub.take_asks().is_empty());
}

#[test]
fn a_mark_that_would_be_in_no_run_is_refused() {
    let note = r#"{"ask":"mark","kind":"note","text":"here"}"#;
    let (asleep, _, hub) = desk(Some(moment(None)));
    assert_eq!(ask(&asleep, note)["refused"], "no run is being recorded: the car sleeps");
    let waits = Recording { run: Some("r".into()), waits: Some("the disk is full".into()), ..Recording::default() };
    let (full, ..) = desk(Some(Moment { recording: waits, ..moment(None) }));
    assert_eq!(ask(&full, note)["refused"], "nothing is recorded now: the disk is full");
    assert!(hub.take_asks().is_empty());
}

#[test]
fn alarms_and_places_are_known_by_name() {
    let (desk, _, hub) = desk(Some(moment(None)));
    assert_eq!(ask(&desk, r#"{"ask":"acknowledge","key":"disk"}"#), json!({"acknowledged": "disk"}));
    assert_eq!(ask(&desk, r#"{"ask":"acknowledge","key":"dis"}"#)["remedy"], "did you mean 'disk'?");
    assert_eq!(ask(&desk, r#"{"ask":"taken","place":"Quaymoor"}"#), json!({"taken": "Quaymoor"}));
    assert_eq!(ask(&desk, r#"{"ask":"taken"}"#), json!({"taken": null}));
    // One can turn at Sallowmere, and not charge.
    assert_eq!(ask(&desk, r#"{"ask":"taken","place":"Sallowmere"}"#)["remedy"], "use one of: Quaymoor");
    let asks: Vec<Ask> = hub.take_asks().into_iter().map(|(_, ask)| ask).collect();
    assert_eq!(asks, [Ask::Acknowledge("disk".into()), Ask::Taken(Some("Quaymoor".into())), Ask::Taken(None)]);
}

#[test]
fn the_moment_and_the_checks_are_told_while_they_are_fresh() {
    let (desk, hand, _) = desk(Some(moment(None)));
    assert_eq!(ask(&desk, r#"{"ask":"moment"}"#)["vehicle"], "heron");
    let ready = ask(&desk, r#"{"ask":"ready"}"#);
    assert_eq!((&ready["go"], ready["checks"].as_array().map(Vec::len)), (&json!(false), Some(2)));
    let read: Answer<Ready> = serde_json::from_value(ready).unwrap();
    assert!(matches!(read, Answer::Told(Ready { go: false, .. })));
    assert_eq!(ask(&desk, r#"{"ask":"status"}"#), json!({"vehicle": "heron"}));
    hand.move_on(Span::of_seconds(6));
    assert_eq!(ask(&desk, r#"{"ask":"moment"}"#)["refused"], "nothing is known of this moment");
    let refused: Watched = serde_json::from_value(ask(&desk, r#"{"ask":"moment"}"#)).unwrap();
    assert!(matches!(refused, Answer::Refused { .. }));
}

#[test]
fn too_much_at_once_is_said() {
    let (desk, ..) = desk(Some(moment(None)));
    let answers: Vec<Value> = (0..100).map(|_| ask(&desk, r#"{"ask":"acknowledge","key":"disk"}"#)).collect();
    assert_eq!(answers[0], json!({"acknowledged": "disk"}));
    assert_eq!(answers[99]["refused"], "too much is asked at once");
}
