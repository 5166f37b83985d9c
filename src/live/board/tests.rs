//! What the board says of an invented moment, and of one of which nothing is known.

use std::sync::Arc;

use super::*;
use crate::course::{Course, Direction};
use crate::document::Document;
use crate::live::{Alarm, Check, Moment, Recording, SourceNow};
use crate::plan::advice::{Advice, Judged, LastMoment};
use crate::plan::outlook::{Guess, Trip};
use crate::plan::picture::*;
use crate::plan::turning::{Act, Sequence};
use crate::plan::{Picture, State};
use crate::quantity::{ConsumptionUnit, Metre};
use crate::time::{Span, Steady, WallClock};

const KWH: f64 = 3.6e6;

fn course() -> Course {
    let text = include_str!("../../../recordings/demo-course.toml");
    Course::parse(&Document::from_text("course.toml", text)).0.unwrap()
}

fn judged(acts: &[(usize, Act)], left: f64, metres: f64) -> Judged {
    Judged {
        sequence: Sequence {
            acts: acts.to_vec(),
            arriving: Direction::Back,
            trip: Trip { out: 0.0, back: metres, extra: 0.0 },
        },
        left: Guess::new(left * KWH, 0.6 * KWH),
        zero: 0.035,
        stop: 1e-7,
    }
}

/// A moment in the middle of a drive: 42 % left, on the way out, a turn ahead.
pub(in crate::live) fn sample() -> Moment {
    let advice = Advice {
        state: State::Safe,
        plan: Some(judged(&[(4, Act::Turn), (0, Act::Arrive)], 2.4, 63_000.0)),
        ahead: 12_440.0,
        if_missed: Some(judged(&[(5, Act::Turn), (0, Act::Arrive)], -0.9, 83_000.0)),
        last: Some(LastMoment { place: 4, ahead: 12_440.0 }),
        spare: None,
    };
    let picture = Picture {
        phase: Some(crate::ledger::Phase::Drive),
        soc: Some(Displayed { share: 0.42, marked: None }),
        to_zero: Some(Guess::new(20.2 * KWH, 0.5 * KWH)),
        distance_left: Some(Guess::new(112_400.0, 4_100.0)),
        dof: 12.0,
        rests_on: Some(RestsOn::Both),
        speed: Some(33.1),
        hold: Some(Hold { target: 120.0 / 3.6, last_minute: Some(33.25), share_of_leg: Some(0.964) }),
        per_metre: PerMetre {
            last_10_km: Some(176.4 * 3.6),
            leg: Some(181.0 * 3.6),
            test: Some(179.2 * 3.6),
            ahead: Some([Guess::new(181.0 * 3.6, 4.0 * 3.6), Guess::new(176.0 * 3.6, 6.0 * 3.6)]),
        },
        driven: Driven { distance: Some(153_000.0), leg: Some(36_000.0), energy: Some(27.4 * KWH), time: 4_890.0 },
        here: Some(Whereabouts { at: Metre(36_060.0), direction: Direction::Out, u: 5.0, by: KnownBy::Fix }),
        advice: Some(advice),
        step: Some(PowerStep { power: 1_840.0, since: Span::of_seconds(250), by: None }),
        cliff: Some(Cliff { energy: Guess::new(18.9 * KWH, 1.0 * KWH), display_ahead_by: 0.027, counts: true }),
        worth: Some(Worth {
            pairs: 1,
            per_metre: Guess::new(178.0 * 3.6, 2.0 * 3.6),
            range: Some(Guess::new(268_000.0, 5_000.0)),
            dof: 9.0,
            spoiled: vec!["The road was wet on the way back.".into()],
        }),
    };
    Moment {
        at: Steady(0),
        utc: WallClock::parse_iso("2027-03-14T07:15:02Z").unwrap(),
        vehicle: "heron".into(),
        picture,
        course: Some(Arc::new(course())),
        recording: Recording {
            run: Some("20270314T061502Z".into()),
            duration: Span::of_seconds(4_920),
            waits: None,
            on_disk: Some(Span::of_millis(640)),
            free_bytes: Some(23_400_000_000),
            sources: vec![
                SourceNow { name: "can0".into(), reads: true, per_second: 1_240.2, ..SourceNow::default() },
                SourceNow { name: "gps".into(), trouble: "no such device".into(), ..SourceNow::default() },
            ],
        },
        alarms: vec![Alarm {
            key: "source.gps".into(),
            text: "gps is not read: plug it in again.".into(),
            since: Span::of_seconds(75),
            acknowledged: false,
        }],
        ready: vec![Check { name: "Tyres".into(), go: true, found: "2.9 bar".into(), remedy: String::new() }],
        units: ConsumptionUnit::WhPerKm,
        rehearsal: true,
    }
}

/// A board as it would be read aloud.
fn read(board: &Board) -> String {
    let mut text = String::new();
    if let Some(loud) = &board.loud {
        text += &format!("{}! {}\n", loud.what, loud.why);
    }
    for line in &board.lines {
        let value = line.value.as_deref().unwrap_or("-");
        text += &format!("[{:?}] {}: {value} ({}) {:?}\n", line.group, line.label, line.beside, line.tone);
    }
    text + board.road.as_ref().map_or("", |road| &road.words)
}

#[test]
fn a_moment_in_words() {
    insta::assert_snapshot!("moment", read(&board(&sample())));
    let mut miles = sample();
    miles.units = ConsumptionUnit::MiPerKwh;
    if let Some(advice) = &mut miles.picture.advice {
        advice.state = State::GoNow;
    }
    insta::assert_snapshot!("moment_in_miles", read(&board(&miles)));
}

#[test]
fn what_is_not_known_has_no_value() {
    let mut nothing = sample();
    nothing.picture = Picture::default();
    nothing.course = None;
    nothing.recording = Recording::default();
    let board = board(&nothing);
    assert!(board.road.is_none() && board.loud.is_none());
    let known: Vec<&str> = board.lines.iter().filter(|line| line.value.is_some()).map(|line| &*line.key).collect();
    assert_eq!(known, ["recording"], "that the car sleeps is all that is known");
}

#[test]
fn it_comes_back_from_json_as_it_was() {
    let board = board(&sample());
    let text = serde_json::to_string(&board).unwrap();
    assert_eq!(serde_json::from_str::<Board>(&text).unwrap(), board);
    // Positions of the course never leave: the demo's lie at 48 degrees south, 123 degrees west.
    assert!(!text.contains("-48") && !text.contains("123."), "{text}");
}

#[test]
fn every_state_but_safe_is_loud() {
    let loud = |state| super::loud(state).map(|loud| loud.what);
    assert_eq!(loud(State::Safe), None);
    for state in [State::GoNow, State::NoSpare, State::TooLate, State::NoWay] {
        assert!(loud(state).is_some());
    }
}

proptest::proptest! {
    #[test]
    fn odd_numbers_never_break_it(values in proptest::collection::vec(proptest::num::f64::ANY, 12), place in 0..40_usize) {
        let mut moment = sample();
        let guess = |at: usize| Guess::new(values[at], values[at + 1]);
        let picture = &mut moment.picture;
        picture.soc = Some(Displayed { share: values[0], marked: Some(Span(values[1] as i64)) });
        picture.to_zero = Some(guess(2));
        picture.distance_left = Some(guess(3));
        picture.dof = values[5];
        picture.speed = Some(values[6]);
        picture.per_metre.ahead = Some([guess(7), guess(8)]);
        picture.driven.distance = Some(values[9]);
        if let Some(advice) = &mut picture.advice {
            advice.ahead = values[10];
            advice.last = Some(LastMoment { place, ahead: values[11] });
            if let Some(plan) = &mut advice.plan {
                plan.left = guess(4);
                plan.sequence.acts[0].0 = place;
            }
        }
        let board = board(&moment);
        proptest::prop_assert!(serde_json::to_string(&board).is_ok());
    }
}
