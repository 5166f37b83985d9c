//! The same worlds under two simple rules: the displayed rest taken at its word, and a fixed share of the charge.
//!
//! Both go on as long as their rule allows, straight on where they can and turning where they cannot. Neither plans.

use super::courses::Road;
use super::draw::{Taken, Test};
use super::outcome::Outcome;
use super::ways::Ways;
use super::world::{Deed, Drive, Event};

/// Turns are missed once in so many.
pub const MISSED: f64 = 20.0;
/// The pack is warmed when the charger is the next goal: for the rule of the displayed rest when less than this is over, m.
const GOAL_M: f64 = 20_000.0;
/// The shares tried for the second rule, the largest first.
pub const SHARES: [f64; 12] = [0.40, 0.35, 0.30, 0.25, 0.22, 0.20, 0.18, 0.15, 0.12, 0.10, 0.08, 0.05];

/// A rule.
#[derive(Clone, Copy)]
enum Rule {
    /// Go on as long as the displayed rest covers the way to the next place where one can turn, and back.
    Rest,
    /// Go on.
    Tour,
    /// The shortest way to a charger.
    Home,
}

/// The displayed rest taken at its word.
pub fn by_rest(test: &Test, road: &Road) -> Outcome {
    let ways = Ways::to_chargers(&road.course);
    let drive = Drive::new(test, &road.course, road.start, road.direction);
    run(drive, Outcome::default(), &ways, Rule::Rest)
}

/// The shortest way to a charger once the display falls to each of [`SHARES`].
pub fn by_shares(test: &Test, road: &Road) -> Vec<Outcome> {
    let ways = Ways::to_chargers(&road.course);
    let mut drive = Drive::new(test, &road.course, road.start, road.direction);
    let mut so_far = Outcome::default();
    let mut all = Vec::new();
    while all.len() < SHARES.len() {
        // A display that jumps passes several at once.
        while all.len() < SHARES.len() && drive.shown <= SHARES[all.len()] {
            all.push(run(drive.clone(), so_far.clone(), &ways, Rule::Home));
        }
        match drive.step() {
            Event::Place(place) => {
                let deed = decide(&mut drive, &mut so_far, &ways, place, Rule::Tour);
                drive.do_at(place, deed);
            }
            Event::Stopped => {
                so_far.stop(&drive, false);
                all.resize(SHARES.len(), so_far.clone());
            }
            Event::Nothing => {}
        }
    }
    all
}

fn run(mut drive: Drive, mut outcome: Outcome, ways: &Ways, rule: Rule) -> Outcome {
    let mut goal = matches!(rule, Rule::Home);
    loop {
        if let Some((place, way)) = drive.next_place() {
            let home = way + ways.from(place, drive.direction);
            if matches!(rule, Rule::Rest) {
                goal = drive.says_it_can_go() < home + GOAL_M;
            }
            drive.homeward = goal.then_some(home);
            if let (true, Taken::Told(before)) = (goal, drive.test.taken)
                && home <= before
            {
                let end = end_of(ways, place, drive.direction);
                outcome.zero = drive.shown_zero;
                return divert(drive, outcome, end, None);
            }
        }
        match drive.step() {
            Event::Stopped => {
                outcome.stop(&drive, false);
                return outcome;
            }
            Event::Nothing => {}
            Event::Place(place) => match decide(&mut drive, &mut outcome, ways, place, rule) {
                Deed::Arrive => {
                    outcome.arrive(&drive, place);
                    let taken = drive.test.taken == Taken::OnArrival;
                    return if taken { divert(drive, outcome, place, Some(place)) } else { outcome };
                }
                deed => drive.do_at(place, deed),
            },
        }
    }
}

/// The charger at which the shortest way from a place ends.
fn end_of(ways: &Ways, mut place: usize, mut direction: drawdown::course::Direction) -> usize {
    loop {
        match ways.deed(place, direction) {
            Deed::Turn => direction = direction.turned(),
            Deed::On => {}
            _ => return place,
        }
        place = if direction == drawdown::course::Direction::Out { place + 1 } else { place - 1 };
    }
}

/// The charger is taken: the shortest way to another or to a safe stop, from the place where the car is or from the road.
fn divert(mut drive: Drive, mut outcome: Outcome, taken: usize, mut at: Option<usize>) -> Outcome {
    let course = drive.course();
    let ways = Ways::to_others(course, taken);
    outcome.stranded = Some(false);
    loop {
        if let Some(place) = at.take() {
            match ways.deed(place, drive.direction) {
                Deed::Arrive => return outcome,
                deed => drive.do_at(place, deed),
            }
        }
        match drive.step() {
            Event::Place(place) => at = Some(place),
            Event::Stopped => {
                outcome.stop(&drive, true);
                return outcome;
            }
            Event::Nothing => {}
        }
    }
}

fn decide(drive: &mut Drive, outcome: &mut Outcome, ways: &Ways, place: usize, rule: Rule) -> Deed {
    let direction = drive.direction;
    let (on, turning) = (ways.on(place, direction), ways.turning(place, direction));
    let rest = match rule {
        Rule::Rest => drive.says_it_can_go(),
        Rule::Tour => f64::MAX,
        Rule::Home => 0.0,
    };
    let deed = if on <= rest {
        Deed::On
    } else if turning <= rest {
        Deed::Turn
    } else {
        ways.deed(place, direction)
    };
    if deed == Deed::Turn && on.is_finite() && drive.luck.one_in(MISSED) {
        outcome.missed += 1;
        return Deed::On;
    }
    deed
}
