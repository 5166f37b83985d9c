//! Alarms on causes made by hand, and properties that hold whatever comes.

use proptest::prelude::*;

use super::*;
use crate::ledger::Sums;
use crate::live::SourceNow;
use crate::plan::Guess;
use crate::plan::advice::Advice;
use crate::plan::picture::Cliff;
use crate::schema::Role;
use crate::time::RunTime;

/// What may be wrong, each a switch.
#[derive(Clone, Debug, Default)]
struct Wrong {
    asleep: bool,
    parked: bool,
    stale: bool,
    no_speed: bool,
    no_run: bool,
    waits: bool,
    unplugged: bool,
    little_room: bool,
    cliff: bool,
    fault: bool,
    state: Option<State>,
}

/// The alarms a second later than the last time.
fn see(alarms: &mut Alarms, second: i64, wrong: &Wrong) -> Vec<Alarm> {
    let phase = if wrong.parked { Phase::Stand } else { Phase::Drive };
    let mut roles = [1.0; Role::COUNT];
    if wrong.no_speed {
        roles[Role::Speed as usize] = f64::NAN;
    }
    let row =
        TraceRow { at: RunTime(0), phase, sums: Sums::NOTHING, roles, latitude_deg: f64::NAN, longitude_deg: f64::NAN };
    let source = SourceNow { name: "can0".into(), reads: !wrong.unplugged, ..SourceNow::default() };
    let recording = Recording {
        run: (!wrong.no_run).then(|| "20270314T061502Z".into()),
        waits: wrong.waits.then(|| "the disk is full".into()),
        sources: vec![source],
        ..Recording::default()
    };
    let advice =
        wrong.state.map(|state| Advice { state, plan: None, ahead: 0.0, if_missed: None, last: None, spare: None });
    let energy = Guess::new(0.0, 1.0);
    let cliff = Some(Cliff { energy, display_ahead_by: 0.05, counts: wrong.cliff });
    let picture = Picture { advice, cliff, ..Picture::default() };
    alarms.see(&Facts {
        now: Steady(second * 1_000_000),
        awake: !wrong.asleep,
        row: Some(&row),
        stale: wrong.stale,
        // No receiver: a missing position is no alarm.
        to_be_had: &Need::ALL[..3],
        recording: &recording,
        room: Room { free: Some(if wrong.little_room { 1 } else { 1 << 40 }), floor: 100, per_hour: 1e6 },
        picture: (!wrong.fault).then_some(&picture),
    })
}

fn keys(alarms: &[Alarm]) -> Vec<&str> {
    alarms.iter().map(|alarm| &*alarm.key).collect()
}

/// The seconds at which a cause that lasts from 10 to 40 s is told.
fn told(wrong: &Wrong, key: &str) -> (Option<i64>, Option<i64>) {
    let mut alarms = Alarms::default();
    let seconds: Vec<i64> = (0..120)
        .filter(|second| {
            let now = if (10..40).contains(second) { wrong.clone() } else { Wrong::default() };
            let all = see(&mut alarms, *second, &now);
            all.iter().any(|alarm| alarm.key == key)
        })
        .collect();
    (seconds.first().copied(), seconds.last().copied())
}

#[test]
fn a_cause_that_lasts_is_told_and_one_that_is_gone_ends() {
    let none = Wrong::default();
    let cases = [
        (Wrong { no_speed: true, ..none.clone() }, "missing.speed", (20, 41)),
        (Wrong { stale: true, ..none.clone() }, "missing.state_of_charge", (20, 41)),
        (Wrong { stale: true, ..none.clone() }, "missing.power_of_the_pack", (20, 41)),
        (Wrong { unplugged: true, ..none.clone() }, "source.can0", (15, 42)),
        (Wrong { waits: true, ..none.clone() }, "recording", (13, 41)),
        (Wrong { no_run: true, ..none.clone() }, "recording", (13, 41)),
        (Wrong { asleep: true, stale: true, ..none.clone() }, "recording", (13, 41)),
        (Wrong { asleep: true, stale: true, ..none.clone() }, "missing.speed", (20, 41)),
        (Wrong { little_room: true, ..none.clone() }, "disk", (10, 99)),
        (Wrong { cliff: true, ..none.clone() }, "cliff", (15, 69)),
        (Wrong { fault: true, ..none.clone() }, "plan.fault", (13, 41)),
        (Wrong { state: Some(State::GoNow), ..none.clone() }, "plan.go_now", (13, 49)),
        (Wrong { state: Some(State::NoSpare), ..none.clone() }, "plan.go_now", (13, 49)),
        (Wrong { state: Some(State::TooLate), ..none.clone() }, "plan.too_late", (13, 49)),
        (Wrong { state: Some(State::NoWay), ..none.clone() }, "plan.no_way", (13, 49)),
    ];
    for (wrong, key, (first, last)) in cases {
        assert_eq!(told(&wrong, key), (Some(first), Some(last)), "{key}");
    }
}

#[test]
fn a_car_that_was_parked_sleeps_without_an_alarm() {
    let sleeps = Wrong { asleep: true, parked: true, stale: true, no_run: true, ..Wrong::default() };
    let mut alarms = Alarms::default();
    assert!((0..200).all(|second| see(&mut alarms, second, &sleeps).is_empty()));
}

#[test]
fn a_seen_alarm_is_told_as_seen_until_its_cause_is_gone_and_is_new_when_it_comes_back() {
    let (wrong, none) = (Wrong { unplugged: true, waits: true, ..Wrong::default() }, Wrong::default());
    let mut alarms = Alarms::default();
    assert!(!alarms.acknowledge("recording"), "there is none");
    (0..9).for_each(|second| drop(see(&mut alarms, second, &wrong)));
    let now = see(&mut alarms, 9, &wrong);
    assert_eq!(keys(&now), ["recording", "source.can0"], "the worst first");
    assert_eq!((&*now[0].text, now[0].since), ("Nothing is recorded: the disk is full", Span::of_seconds(9)));
    assert!(alarms.acknowledge("recording") && !alarms.acknowledge("recordings"));
    let now = see(&mut alarms, 10, &wrong);
    assert_eq!(keys(&now), ["source.can0", "recording"], "what was seen stands behind");
    assert!(!now[0].acknowledged && now[1].acknowledged);
    // Gone for less than its patience it is the same alarm still.
    see(&mut alarms, 11, &none);
    assert!(see(&mut alarms, 12, &wrong)[1].acknowledged);
    (13..20).for_each(|second| drop(see(&mut alarms, second, &none)));
    (20..28).for_each(|second| drop(see(&mut alarms, second, &wrong)));
    assert!(see(&mut alarms, 28, &wrong).iter().all(|alarm| !alarm.acknowledged));
}

#[test]
fn room_on_the_disk_has_a_band_in_which_nothing_changes() {
    let mut alarms = Alarms::default();
    // 2 h at 1 MB/h above a floor of 100 B: 2 000 100 B; told until there are 2 400 120 B.
    let mut at = |free| alarms.little_room(&Room { free: Some(free), floor: 100, per_hour: 1e6 }).is_some();
    assert!(!at(2_000_100) && at(2_000_099) && at(2_400_119) && !at(2_400_120) && !at(2_000_100));
}

fn wrong() -> impl Strategy<Value = Wrong> {
    let states = [State::Safe, State::GoNow, State::NoSpare, State::TooLate, State::NoWay];
    (any::<u16>(), proptest::option::of(proptest::sample::select(states.to_vec()))).prop_map(|(bits, state)| {
        let bit = |at: u16| bits & (1 << at) != 0;
        Wrong {
            asleep: bit(0),
            parked: bit(1),
            stale: bit(2),
            no_speed: bit(3),
            no_run: bit(4),
            waits: bit(5),
            unplugged: bit(6),
            little_room: bit(7),
            cliff: bit(8),
            fault: bit(9),
            state,
        }
    })
}

proptest! {
    #[test]
    fn keys_are_unique_the_seen_last_and_nothing_is_told_too_soon(
        stretches in proptest::collection::vec((1..30i64, wrong()), 1..8),
        seen in 0..100i64,
    ) {
        let (mut alarms, mut second) = (Alarms::default(), 0);
        let mut began: BTreeMap<String, i64> = BTreeMap::new();
        for (lasts, wrong) in stretches {
            for _ in 0..lasts {
                let now = see(&mut alarms, second, &wrong);
                let names = keys(&now);
                let mut unique = names.clone();
                unique.sort_unstable();
                unique.dedup();
                prop_assert_eq!(unique.len(), names.len());
                prop_assert!(now.is_sorted_by_key(|alarm| alarm.acknowledged));
                prop_assert!(now.iter().all(|alarm| alarm.since <= Span::of_seconds(second) && !alarm.text.is_empty()));
                began.retain(|key, _| names.contains(&&**key));
                for alarm in &now {
                    began.entry(alarm.key.clone()).or_insert(second);
                }
                if second == seen && let Some(first) = now.first() {
                    prop_assert!(alarms.acknowledge(&first.key));
                }
                second += 1;
            }
        }
        // All is well again: after the longest patience nothing is told.
        for _ in 0..61 {
            see(&mut alarms, second, &Wrong::default());
            second += 1;
        }
        let last = see(&mut alarms, second, &Wrong::default());
        prop_assert!(last.is_empty());
        prop_assert!(alarms.held.is_empty(), "nothing is remembered");
    }

    #[test]
    fn a_cause_that_flickers_faster_than_its_patience_is_never_told(on in 1..10i64, off in 1..5i64) {
        let mut alarms = Alarms::default();
        for second in 0..300 {
            let no_speed = second % (on + off) < on;
            let wrong = Wrong { no_speed, ..Wrong::default() };
            prop_assert!(see(&mut alarms, second, &wrong).is_empty());
        }
    }
}
