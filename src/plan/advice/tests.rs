//! Advice by hand, and what must always hold of it.

use proptest::prelude::*;

use super::*;
use crate::course::{Place, Side, Turn};
use crate::time::Span;

/// Charger and safe stop at 0; one can turn every `step` km up to `end`, 500 m each time.
fn road(step: f64, end: f64) -> Course {
    let count = (end / step).round() as usize;
    let places = (0..=count).map(|index| {
        let turn = Some(Turn { length: Metre(500.0), duration: Span::of_seconds(60) });
        let home = index == 0;
        Place {
            name: format!("P{index}"),
            at: Metre::from_km(step * index as f64),
            elevation: None,
            position: None,
            turn_out: turn.filter(|_| !home),
            turn_back: turn.filter(|_| !home),
            charger: home.then_some(Side::Both),
            refuge: home.then_some(Side::Both),
            trailer: true,
        }
    });
    Course { name: "road".into(), places: places.collect(), stretches: Vec::new(), finish: None }
}

/// So many km are left at 1 J/m, give or take a share.
fn outlook(km: f64, u: f64) -> Outlook {
    Outlook {
        to_zero: Guess::new(km * 1e3, km * 1e3 * u),
        below_zero: Guess::new(10_000.0, 3_000.0),
        per_metre: [Guess::new(1.0, 0.0); 2],
        together: 1.0,
        wander: 0.0,
        dof: f64::INFINITY,
        per_rise: Guess::default(),
    }
}

fn limits() -> Limits {
    Limits { zero: 0.1, stop: 0.001, floor: 0.0, covers_alternative: true }
}

fn out_at(km: f64) -> Here {
    Here { at: Metre::from_km(km), direction: Direction::Out }
}

fn acts(judged: &Option<Judged>) -> Vec<usize> {
    judged.iter().flat_map(|one| one.sequence.acts.iter().map(|(place, _)| *place)).collect()
}

#[test]
fn the_last_place_from_which_one_gets_home() {
    // At 12 km with 60 km left +- 2 %: 1.2816 standard uncertainties leave 10 % (normal distribution), so 58.46 km may be driven. Turning
    // at 35 drives 23 + 0.5 + 35 = 58.5, a little too much; turning at 30 drives 48.5 km.
    let course = road(5.0, 60.0);
    let advice = advise(&course, out_at(12.0), &outlook(60.0, 0.02), &limits(), &Rules::default(), None);
    assert_eq!(advice.state, State::Safe);
    let plan = advice.plan.clone().unwrap();
    assert!(plan.zero <= 0.1 && plan.left.mean >= 1_537.0, "{plan:?}");
    // The last place ahead from which one still gets home is 30 km, 18 km ahead.
    assert_eq!(advice.last, Some(LastMoment { place: 6, ahead: 18_000.0 }));
}

#[test]
fn too_little_is_said_as_such() {
    let course = road(5.0, 60.0);
    let at = |km| advise(&course, out_at(27.0), &outlook(km, 0.02), &limits(), &Rules::default(), None);
    // Home is 3 + 0.5 + 30 = 33.5 km; with 35 km left just that, with 33 not even.
    assert_eq!((at(35.0).state, acts(&at(35.0).plan)), (State::GoNow, vec![6, 0]));
    assert!(at(35.0).if_missed.is_some_and(|missed| missed.sequence.acts[0].0 == 7 && missed.zero > 0.9));
    assert_eq!((at(33.0).state, acts(&at(33.0).plan)), (State::TooLate, vec![6, 0]));
    assert_eq!(at(33.0).last, None);
    let taken = Rules { not_at: Some(0), ..Rules::default() };
    assert_eq!(advise(&course, out_at(27.0), &outlook(80.0, 0.02), &limits(), &taken, None).state, State::NoWay);
}

#[test]
fn a_missed_place_has_its_next_which_is_safe_unless_it_was_the_last() {
    let course = road(5.0, 60.0);
    let mut seen = 0;
    for left in 30..105 {
        let left = outlook(f64::from(left), 0.02);
        let advice = advise(&course, out_at(12.0), &left, &limits(), &Rules::default(), None);
        let (Some(plan), Some(last), Some(missed)) = (advice.plan, advice.last, advice.if_missed) else { continue };
        let first = plan.sequence.acts[0].0;
        assert!(missed.sequence.acts[0].0 > first);
        // Turns that may be missed in their turn add up to 1 in 20 each, which the last moment does not count.
        let misses = MISSED * missed.sequence.turns() as f64;
        if first < last.place {
            assert!(missed.zero <= 0.1 + misses, "{missed:?}");
        } else {
            assert!(missed.zero > 0.1, "{missed:?}");
        }
        seen += 1;
    }
    assert!(seen > 60, "{seen}");
}

#[test]
fn the_floor_covers_the_way_to_the_next_charger() {
    // A second charger 5 km beyond the first: arriving at the first with less than 5 km is not enough.
    let mut course = road(5.0, 60.0);
    course.places[0].refuge = None;
    course.places[1].charger = Some(Side::Out);
    course.places[0].turn_back = course.places[1].turn_back;
    let advice = |covers| {
        let limits = Limits { covers_alternative: covers, ..limits() };
        advise(
            &course,
            Here { at: Metre::from_km(40.0), direction: Direction::Back },
            &outlook(44.0, 0.01),
            &limits,
            &Rules::default(),
            None,
        )
    };
    assert_eq!(advice(false).state, State::GoNow);
    // 44 - 40 = 4 km left are no 5.5.
    assert_eq!(advice(true).state, State::NoSpare);
}

proptest! {
    /// Every plan keeps the limits, unless it says that it does not; and nothing that arrives with much less does.
    #[test]
    fn plans_keep_the_limits(at in 0.0..55.0f64, out in any::<bool>(), left in 5.0..200.0f64, u in 0.002..0.08f64) {
        let course = road(5.0, 60.0);
        let direction = if out { Direction::Out } else { Direction::Back };
        let here = Here { at: Metre::from_km(at), direction };
        let advice = advise(&course, here, &outlook(left, u), &limits(), &Rules::default(), None);
        let plan = advice.plan.expect("a road with a charger at its end");
        // The road's charger is its safe stop too, so that something is always to spare.
        prop_assert!(advice.state != State::NoSpare);
        // Where there is nothing shorter, a turn that may be missed is no reason not to go.
        let misses = MISSED * plan.sequence.turns() as f64;
        match advice.state {
            State::Safe => prop_assert!(plan.zero <= 0.1 && plan.stop <= 0.001),
            State::GoNow => prop_assert!(plan.zero <= 0.1 + misses && plan.stop <= 0.001 + misses),
            _ => prop_assert!(plan.zero > 0.1 || plan.stop > 0.001),
        }
    }

    /// While the car drives on as planned and uses what was expected, the plan stays.
    #[test]
    fn plans_stay_while_nothing_changes(left in 40.0..120.0f64, u in 0.005..0.03f64) {
        let course = road(5.0, 60.0);
        let mut said: Option<Sequence> = None;
        let mut at = 2.0;
        let mut changes = 0;
        let first = advise(&course, out_at(at), &outlook(left, u), &limits(), &Rules::default(), None).plan.unwrap();
        let turn_at = course.places[first.sequence.acts[0].0].at.km();
        while at < turn_at - 0.05 {
            let now = Outlook { to_zero: Guess::new((left - at + 2.0) * 1e3, left * 1e3 * u), ..outlook(left, u) };
            let advice = advise(&course, out_at(at), &now, &limits(), &Rules::default(), said.as_ref());
            let plan = advice.plan.unwrap().sequence;
            changes += usize::from(said.as_ref().is_some_and(|said| said.acts != plan.acts));
            said = Some(plan);
            at += 0.5;
        }
        prop_assert_eq!(changes, 0);
    }
}

/// A long road, early in a drive: what the daemon does every second.
#[test]
fn advice_is_quick() {
    let course = road(2.0, 60.0);
    let started = std::time::Instant::now();
    let advice = advise(&course, out_at(1.0), &outlook(300.0, 0.03), &limits(), &Rules::default(), None);
    let took = started.elapsed();
    assert_eq!(advice.state, State::Safe);
    // 10 ms is the aim with optimisation (docs/turning.md); a debug build on a busy machine gets fifty times that.
    assert!(took.as_millis() < 2_000, "{took:?}");
}
