//! The schedule on a simulated link: what it keeps on time, what it stretches, when it keeps silent. Waits for no clock.

use proptest::prelude::*;

use super::super::permission::Why;
use super::*;

fn poll(name: &str, period_ms: i64, priority: u8) -> Poll {
    let (request, target) = (Request::current_data(0x0D), Target::FUNCTIONAL);
    Poll { name: name.into(), request, target, period: Span::of_millis(period_ms), priority }
}

/// Runs a link on which every request takes `trip` and ends as `ending` says; gives the moments each poll was asked.
fn run(
    schedule: &mut Schedule,
    from_s: i64,
    seconds: i64,
    trip: Span,
    permission: Permission,
    ending: impl Fn(&Poll) -> Ending,
) -> Vec<Vec<Steady>> {
    let mut asked = vec![Vec::new(); schedule.entries.len()];
    let (mut now, end) = (Steady(from_s * 1_000_000), Steady((from_s + seconds) * 1_000_000));
    while now < end {
        match schedule.pick(now, permission) {
            Some(index) => {
                asked[index].push(now);
                let ending = ending(schedule.poll(index).unwrap());
                schedule.ended(index, now, now + trip, ending);
                now = now + trip;
            }
            None => now = now + Span::of_millis(1),
        }
    }
    asked
}

fn answered(_: &Poll) -> Ending {
    Ending::Answered
}

#[test]
fn periods_are_kept_on_a_fast_link() {
    let mut schedule = Schedule::new(vec![poll("fast", 100, 0), poll("slow", 1_000, 1)]);
    let asked = run(&mut schedule, 0, 60, Span::of_millis(10), Permission::Full, answered);
    assert!((599..=601).contains(&asked[0].len()) && (59..=61).contains(&asked[1].len()));
    let report = schedule.report(Steady(60_000_000));
    assert_eq!(report[0].state, PollState::OnTime);
    assert!((report[0].achieved.unwrap().seconds() - 0.1).abs() < 0.002, "{report:?}");
    assert_eq!(report[0].round_trip, Some(Span::of_millis(10)));
}

/// 200 ms a round trip carry five requests a second: the important one wants two of them, the others ten.
#[test]
fn the_most_important_stay_on_time_on_a_slow_link() {
    let mut polls = vec![poll("important", 500, 0)];
    polls.extend((0..10).map(|n| poll(&format!("other {n}"), 1_000, 1)));
    let mut schedule = Schedule::new(polls);
    let asked = run(&mut schedule, 0, 120, Span::of_millis(200), Permission::Full, answered);
    assert!(asked[0].len() >= 230, "{}", asked[0].len());
    let others: Vec<usize> = asked[1..].iter().map(Vec::len).collect();
    let (least, most) = (others.iter().min().unwrap(), others.iter().max().unwrap());
    assert!(*least >= 28 && most - least <= 3, "shared alike: {others:?}");
    let report = schedule.report(Steady(120_000_000));
    assert_eq!((report[0].state, report[1].state), (PollState::OnTime, PollState::Stretched));
    let achieved = report[1].achieved.unwrap().seconds();
    assert!((achieved - report[1].planned.seconds()).abs() < 0.5 * achieved, "{report:?}");
}

#[test]
fn an_overloading_priority_leaves_the_rest_a_little() {
    let mut schedule = Schedule::new(vec![poll("greedy", 50, 0), poll("modest", 1_000, 5), poll("last", 1_000, 9)]);
    let asked = run(&mut schedule, 0, 600, Span::of_millis(200), Permission::Full, answered);
    let counts: Vec<usize> = asked.iter().map(Vec::len).collect();
    assert!(counts[0] > 2_700 && counts[1] >= 50 && counts[2] >= 50, "{counts:?}");
}

#[test]
fn nothing_is_asked_without_permission() {
    for why in [Why::Off, Why::Asleep, Why::SupplyLow] {
        let mut schedule = Schedule::new(vec![poll("one", 100, 0)]);
        let asked = run(&mut schedule, 0, 5, Span::of_millis(10), Permission::Denied(why), answered);
        assert!(asked[0].is_empty());
    }
}

#[test]
fn charging_has_a_slow_period_of_its_own() {
    let mut schedule = Schedule::new(vec![poll("one", 100, 0), poll("two", 5_000, 0)]);
    run(&mut schedule, 0, 10, Span::of_millis(10), Permission::Full, answered);
    let slow = Permission::Slow(Span::of_seconds(60));
    let asked = run(&mut schedule, 10, 600, Span::of_millis(10), slow, answered);
    for moments in asked {
        assert!((9..=10).contains(&moments.len()), "{}", moments.len());
        assert!(moments.windows(2).all(|pair| pair[1] - pair[0] >= Span::of_seconds(60)));
    }
}

#[test]
fn failures_are_asked_less_often_and_come_back() {
    let mut schedule = Schedule::new(vec![poll("dead", 1_000, 0), poll("unknown", 1_000, 0), poll("well", 1_000, 0)]);
    let ending = |poll: &Poll| match &*poll.name {
        "dead" => Ending::Silent,
        "unknown" => Ending::Refused(NegativeCode(0x31)),
        _ => Ending::Answered,
    };
    let asked = run(&mut schedule, 0, 600, Span::of_millis(20), Permission::Full, ending);
    let counts: Vec<usize> = asked.iter().map(Vec::len).collect();
    assert!((10..=20).contains(&counts[0]) && (4..=5).contains(&counts[1]) && counts[2] >= 590, "{counts:?}");
    let states: Vec<PollState> = schedule.report(Steady(600_000_000)).iter().map(|report| report.state).collect();
    assert_eq!(states, [PollState::BackedOff, PollState::Unsupported, PollState::OnTime]);
    // One answer is enough to be trusted again.
    let asked = run(&mut schedule, 600, 400, Span::of_millis(20), Permission::Full, answered);
    assert!(asked[0].len() > 300 && asked[1].len() > 90, "{} {}", asked[0].len(), asked[1].len());
}

#[test]
fn a_barred_poll_is_never_asked() {
    let mut schedule = Schedule::new(vec![poll("one", 100, 0), poll("two", 100, 1)]);
    schedule.bar(0);
    let asked = run(&mut schedule, 0, 10, Span::of_millis(10), Permission::Full, answered);
    assert!(asked[0].is_empty() && asked[1].len() >= 99);
    assert_eq!(schedule.report(Steady(0))[0].state, PollState::Barred);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_poll_is_asked_more_often_than_wanted(
        polls in prop::collection::vec((1..2_000_i64, 0..4_u8), 1..12),
        trip_ms in 20..400_i64,
        fate in any::<u64>(),
    ) {
        let polls: Vec<Poll> = polls.iter().map(|(period, priority)| poll("p", *period, *priority)).collect();
        let mut schedule = Schedule::new(polls.clone());
        let ending = |poll: &Poll| match fate >> (poll.period.0 % 61) & 3 {
            0 => Ending::Silent,
            1 => Ending::Refused(NegativeCode(0x22)),
            _ => Ending::Answered,
        };
        let asked = run(&mut schedule, 0, 30, Span::of_millis(trip_ms), Permission::Full, ending);
        for (poll, moments) in polls.iter().zip(&asked) {
            let most = 30_000_000 / poll.period.max(PERIOD_MIN).0 + 2;
            prop_assert!(moments.len() as i64 <= most, "{} of {most}", moments.len());
        }
    }

    #[test]
    fn wild_moments_and_periods_do_not_panic(
        periods in prop::collection::vec(any::<i64>(), 1..6),
        moments in prop::collection::vec(any::<i64>(), 1..40),
    ) {
        let polls = periods.iter().map(|period| Poll { period: Span(*period), ..poll("p", 1, 0) }).collect();
        let mut schedule = Schedule::new(polls);
        for pair in moments.windows(2) {
            if let Some(index) = schedule.pick(Steady(pair[0]), Permission::Slow(Span(pair[1]))) {
                schedule.ended(index, Steady(pair[0]), Steady(pair[1]), Ending::Silent);
            }
            schedule.report(Steady(pair[1]));
        }
    }
}
