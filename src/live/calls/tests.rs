//! What is said when: by example over a drive, and by property over any moments.
//!
//! The rules are those of `docs/calls.md`; distances and times here are plain arithmetic beside them.

use std::sync::{Arc, LazyLock};

use proptest::prelude::*;

use super::*;
use crate::course::{Course, Direction};
use crate::document::Document;
use crate::live::moment::Recording;
use crate::observation::MarkKind;
use crate::plan::advice::{Advice, Judged, LastMoment, State};
use crate::plan::outlook::Guess;
use crate::plan::picture::{KnownBy, Picture, Whereabouts};
use crate::plan::turning::{Act, Sequence};
use crate::quantity::{ConsumptionUnit, Metre};
use crate::time::WallClock;

static COURSE: LazyLock<Arc<Course>> = LazyLock::new(|| {
    let text = include_str!("../../../recordings/demo-course.toml");
    Arc::new(Course::parse(&Document::from_text("course.toml", text)).0.expect("the demo's course"))
});

/// 600 J/m is 167 Wh/km.
const PER_METRE: f64 = 600.0;

fn advice(place: usize, act: Act, ahead: f64, state: State, left_km: f64) -> Advice {
    let sequence = Sequence { acts: vec![(place, act)], arriving: Direction::Back, trip: Default::default() };
    let left = Guess::new(left_km * 1e3 * PER_METRE, 1e6);
    let plan = Some(Judged { sequence, left, zero: 0.01, stop: 1e-5 });
    Advice { state, plan, ahead, if_missed: None, last: None, spare: None }
}

fn moment(second: f64, advice: Option<Advice>) -> Moment {
    let ahead = Some([Guess::new(700.0, 20.0), Guess::new(PER_METRE, 20.0)]);
    let here = Whereabouts { at: Metre(20_000.0), direction: Direction::Out, u: 10.0, by: KnownBy::Fix };
    let mut picture = Picture { phase: Some(Phase::Drive), advice, here: Some(here), ..Picture::default() };
    picture.per_metre.ahead = ahead;
    Moment {
        at: Steady((second * 1e6) as i64),
        utc: WallClock(0),
        vehicle: "heron".into(),
        picture,
        course: Some(Arc::clone(&COURSE)),
        recording: Recording::default(),
        alarms: Vec::new(),
        ready: Vec::new(),
        units: ConsumptionUnit::WhPerKm,
        rehearsal: false,
    }
}

fn alarm(key: &str, acknowledged: bool) -> Alarm {
    Alarm { key: key.into(), text: format!("{key} gives nothing; is it plugged in?"), since: Span(0), acknowledged }
}

/// What is said second by second.
fn said(seconds: i32, mut at: impl FnMut(f64) -> Moment) -> Vec<(i32, String)> {
    let mut calls = Calls::new();
    let mut said = Vec::new();
    for second in 0..seconds {
        said.extend(calls.hear(&at(f64::from(second))).into_iter().map(|call| (second, call.text)));
    }
    said
}

fn is(said: &[(i32, String)], expected: &[(i32, &str)]) {
    let said: Vec<(i32, &str)> = said.iter().map(|(at, text)| (*at, &**text)).collect();
    assert_eq!(said, expected);
}

#[test]
fn a_turn_is_said_when_it_becomes_the_plan_and_at_5_2_and_a_half_kilometre() {
    // 40 m/s from 8 km before it; Underfell is the fifth place.
    let drive = |second: f64| {
        let mut moment = moment(second, Some(advice(4, Act::Turn, 8_000.0 - 40.0 * second, State::Safe, 14.2)));
        moment.picture.advice.as_mut().expect("advice").last = Some(LastMoment { place: 4, ahead: 0.0 });
        moment
    };
    let expected = [
        (10, "Next: turn at Underfell in 7.6 kilometres, about 14 kilometres to spare at the charger."),
        (75, "Turn at Underfell in 5 kilometres, about 14 kilometres to spare at the charger."),
        (150, "Turn at Underfell in 2 kilometres, the last place to turn that is safe."),
        (188, "Turn at Underfell in 500 metres."),
    ];
    is(&said(200, drive), &expected);
    let in_miles = |second: f64| Moment { units: ConsumptionUnit::WhPerMi, ..drive(second) };
    let expected = [
        (10, "Next: turn at Underfell in 4.7 miles, about 8.8 miles to spare at the charger."),
        (80, "Turn at Underfell in 3 miles, about 8.8 miles to spare at the charger."),
        (160, "Turn at Underfell in 1 mile, the last place to turn that is safe."),
        (188, "Turn at Underfell in 0.3 miles."),
    ];
    is(&said(200, in_miles), &expected);
}

#[test]
fn a_plan_driven_gives_the_next_and_one_given_up_a_changed_one() {
    let turned = |second: f64| {
        if second < 100.0 {
            return moment(second, Some(advice(4, Act::Turn, (4_000.0 - 40.0 * second).max(0.0), State::Safe, 0.2)));
        }
        let mut moment = moment(second, Some(advice(0, Act::Arrive, 30_000.0, State::Safe, -3.0)));
        moment.picture.here.as_mut().expect("a place").direction = Direction::Back;
        moment
    };
    let expected = [
        (10, "Next: turn at Underfell in 3.6 kilometres, nothing to spare at the charger."),
        (50, "Turn at Underfell in 2 kilometres."),
        (88, "Turn at Underfell in 500 metres."),
        (110, "Next: the charger at Quaymoor in 30 kilometres, about 3 kilometres short of the charger."),
    ];
    is(&said(200, turned), &expected);
    let changed = |second: f64| {
        let (place, ahead) = if second < 100.0 { (5, 38_600.0) } else { (4, 28_600.0) };
        moment(second, Some(advice(place, Act::Turn, ahead, State::Safe, 14.0)))
    };
    let expected = [
        (10, "Next: turn at Orrindale in 39 kilometres, about 14 kilometres to spare at the charger."),
        (110, "Changed plan: turn at Underfell in 29 kilometres, about 14 kilometres to spare at the charger."),
    ];
    is(&said(400, changed), &expected);
}

#[test]
fn a_plan_that_comes_late_is_said_all_the_same() {
    // Turning at Underfell was not the plan until 600 m before it... which is no time to wait in.
    let drive = |second: f64| {
        let plan = if second < 30.0 { (5, 38_600.0) } else { (4, 1_000.0 - 40.0 * (second - 30.0)) };
        moment(second, Some(advice(plan.0, Act::Turn, plan.1, State::Safe, 14.0)))
    };
    let said = said(60, drive);
    assert_eq!(said[1].0, 40, "{said:?}");
    assert!(said[1].1.starts_with("Changed plan: turn at Underfell in 600 metres"), "{said:?}");
    assert_eq!(said.len(), 2, "{said:?}");
}

#[test]
fn go_to_the_charger_is_said_at_once_and_not_over_and_over() {
    let drive = |second: f64| {
        // Back and forth between the two each 20 s, as at a limit.
        let state = if (second as i64 / 20) % 2 == 1 { State::GoNow } else { State::Safe };
        moment(second, Some(advice(0, Act::Arrive, 20_000.0 - second, state, 12.0)))
    };
    let said = said(400, drive);
    let now =
        "Go to the charger now: the charger at Quaymoor in 20 kilometres, about 12 kilometres to spare at the charger.";
    let times: Vec<i32> = said.iter().filter(|(_, text)| text.starts_with("Go to")).map(|(at, _)| *at).collect();
    assert!(said.contains(&(23, now.into())), "{said:?}");
    assert_eq!(times, [23, 223], "{said:?}");
    for (state, start) in [
        (State::NoSpare, "Go to the charger now: the charger at Quaymoor in 20 kilometres, if it is taken, "),
        (State::TooLate, "Too late to be sure of the charger: drive slower, the charger at Quaymoor in 20 kilometres."),
        (State::NoWay, "No charger can be reached"),
    ] {
        let said = self::said(60, |second| moment(second, Some(advice(0, Act::Arrive, 20_000.0, state, 1.0))));
        assert!(said.len() <= 2 && said[0].0 == 3 && said[0].1.starts_with(start), "{said:?}");
    }
}

#[test]
fn a_lost_source_is_repeated_ever_more_seldom_until_seen_to() {
    let drive = |second: f64, seen: f64, back: f64| {
        let mut moment = moment(second, None);
        if (5.0..back).contains(&second) {
            moment.alarms.push(alarm("can0", second >= seen));
        }
        moment
    };
    let text = "can0 gives nothing; is it plugged in?";
    let back = "No longer: can0 gives nothing.";
    let times = |said: Vec<(i32, String)>| said.iter().map(|(at, _)| *at).collect::<Vec<_>>();
    let alone = said(1_000, |second| drive(second, 1e9, 1e9));
    assert!(alone.iter().all(|(_, said)| said == text));
    assert_eq!(times(alone), [5, 35, 95, 215, 455, 935]);
    is(&said(1_000, |second| drive(second, 100.0, 1e9)), &[(5, text), (35, text), (95, text)]);
    is(&said(1_000, |second| drive(second, 1e9, 60.0)), &[(5, text), (35, text), (65, back)]);
}

#[test]
fn what_has_words_of_its_own_is_not_said_twice() {
    let late = |second: f64| {
        let mut moment = moment(second, Some(advice(0, Act::Arrive, 20_000.0, State::TooLate, 1.0)));
        moment.alarms.extend(IN_OWN_WORDS.map(|key| alarm(key, false)));
        moment
    };
    is(
        &said(600, late),
        &[(3, "Too late to be sure of the charger: drive slower, the charger at Quaymoor in 20 kilometres.")],
    );
}

#[test]
fn marks_are_confirmed_and_the_cliff_is_watched() {
    let mut calls = Calls::new();
    let mark = |kind, value| Mark { kind, value, text: String::new() };
    calls.noted(Steady(0), &mark(MarkKind::ShowsZero, None));
    calls.noted(Steady(1), &mark(MarkKind::Soc, Some(31.0)));
    let said: Vec<(i32, Call)> =
        (0..40).flat_map(|s| calls.hear(&moment(f64::from(s), None)).into_iter().map(move |call| (s, call))).collect();
    let texts: Vec<(i32, &str, bool)> = said.iter().map(|(at, call)| (*at, &*call.text, call.alarm)).collect();
    assert_eq!(texts, [(0, "Noted: the display shows zero.", false), (10, "Noted: 31 percent displayed.", false)]);
    calls.noted(Steady(40_000_000), &mark(MarkKind::Note, None));
    assert_eq!(calls.hear(&moment(61.0, None)), [], "too old to be worth a word");

    let ahead_by = |second: f64| 0.03 + 0.0002 * second;
    let cliff = |second: f64| {
        let mut moment = moment(second, None);
        let energy = Guess::new(13.0e6, 1e6);
        let cliff = crate::plan::picture::Cliff { energy, display_ahead_by: ahead_by(second), counts: second >= 20.0 };
        moment.picture.cliff = Some(cliff);
        moment
    };
    // 13 MJ at 650 J/m, the mean of both directions: 20 km. It has grown by 2 % after 100 s, but is said after 120 s again.
    let text = "The voltage gives out before the display, about 20 kilometres are left.";
    is(&self::said(260, cliff), &[(30, text), (150, text)]);
}

#[derive(Clone, Copy, Debug)]
struct Step {
    place: usize,
    ahead: f64,
    state: State,
    alarms: u8,
    seen: u8,
    back: bool,
    marks: bool,
    drives: bool,
}

fn steps() -> impl Strategy<Value = Vec<(Step, u8)>> {
    let state = prop_oneof![6 => Just(State::Safe), 1 => Just(State::GoNow), 1 => Just(State::NoSpare), 1 => Just(State::TooLate)];
    let alarms = prop_oneof![3 => Just(0_u8), 1 => any::<u8>()];
    let step = (0..6_usize, 0.0..9_000.0f64, state, alarms, any::<u8>(), any::<bool>(), any::<bool>(), 0..8_u8)
        .prop_map(|(place, ahead, state, alarms, seen, back, marks, drives)| Step {
            place,
            ahead,
            state,
            alarms,
            seen,
            back,
            marks,
            drives: drives > 0,
        });
    prop::collection::vec((step, 1..30_u8), 1..60)
}

fn of(step: &Step, second: f64) -> Moment {
    let mut moment = moment(second, Some(advice(step.place, Act::Turn, step.ahead, step.state, 5.0)));
    for bit in 0..8 {
        if step.alarms & (1 << bit) != 0 {
            moment.alarms.push(alarm(&format!("source {bit}"), step.seen & (1 << bit) != 0));
        }
    }
    if step.back {
        moment.picture.here.as_mut().expect("a place").direction = Direction::Back;
    }
    if !step.drives {
        moment.picture.phase = Some(Phase::Stand);
    }
    moment
}

proptest! {
    #[test]
    fn two_that_can_wait_are_never_within_the_limit_and_every_alarm_is_said(steps in steps()) {
        let mut calls = Calls::new();
        let (mut second, mut last): (i64, Option<i64>) = (0, None);
        let mut first_seen = std::collections::HashMap::new();
        for (step, lasts) in &steps {
            for repeat in 0..*lasts {
                let moment = of(step, second as f64);
                if step.marks && repeat == 0 {
                    calls.noted(moment.at, &Mark { kind: MarkKind::Note, value: None, text: String::new() });
                }
                let said = calls.hear(&moment);
                let can_wait = said.iter().filter(|call| !call.alarm).count();
                prop_assert!(can_wait <= 1 && (can_wait == 0 || said.len() == 1), "{said:?}");
                if can_wait == 1 {
                    prop_assert!(last.is_none_or(|last| second - last >= 10), "{said:?} at {second}, {last:?}");
                }
                for alarm in moment.alarms.iter().filter(|alarm| !alarm.acknowledged) {
                    if first_seen.insert(alarm.key.clone(), second).is_none() {
                        prop_assert!(said.iter().any(|call| call.alarm && call.text == alarm.text), "{} {said:?}", alarm.key);
                    }
                }
                prop_assert!(said.iter().all(|call| call.text.len() < 200 && call.text.ends_with(['.', '?'])), "{said:?}");
                if !said.is_empty() {
                    last = Some(second);
                }
                second += 1;
            }
        }
    }

    #[test]
    fn a_moment_that_does_not_change_falls_silent(steps in steps()) {
        let mut calls = Calls::new();
        let mut second = 0;
        for (step, lasts) in &steps {
            for _ in 0..*lasts {
                calls.hear(&of(step, f64::from(second)));
                second += 1;
            }
        }
        // The last moment stays, all that is wrong in it having been seen.
        let (last, _) = steps.last().expect("a step");
        let last = Step { seen: 255, ..*last };
        let mut said = 0;
        for quiet in 0..2_000 {
            let calls = calls.hear(&of(&last, f64::from(second + quiet))).len();
            // 8 alarms that are over, four marks, a state, a plan, its distance: all told, 10 s apart; or a plan held back for 8 min.
            said += calls;
            prop_assert!(calls == 0 || quiet < 700, "{quiet} s later");
        }
        prop_assert!(said <= 16, "{said}");
    }

    #[test]
    fn a_plan_that_flaps_is_not_chattered(each in 1..90_i32, seconds in 600..3_000_i32, places in 2..6_usize) {
        let flaps = |second: f64| {
            let place = (second as i32 / each) as usize % places;
            moment(second, Some(advice(place, Act::Turn, 20_000.0, State::Safe, 5.0)))
        };
        let said = said(seconds, flaps);
        // After 1, 2, 4, and then each 8 minutes.
        let most = 4 + (seconds - 420).max(0) / 480 + 1;
        prop_assert!(said.len() as i32 <= most, "{said:?}");
        prop_assert!(each >= 11 || said.is_empty(), "{said:?}");
    }
}
