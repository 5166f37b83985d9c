//! Where to turn: of all sequences the one that arrives with the least left and stays within two limits and above a floor.
//!
//! Judges; knows no speech and no page. What is said: the next act, how it would be without it, the last moment to decide, and
//! 'go to the charger now' where nothing else is safe.

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::outlook::{Guess, Outlook, Trip};
use super::turning::{Act, End, Here, Rules, Sequence, alternative, follow, grown, missable, shortest};
use crate::course::{Course, Direction};
use crate::quantity::Metre;

/// A plan that arrives with this much more left than the best is kept, if it is safe: nobody wants a new plan for a few hundred
/// metres, m.
const KEEP_M: f64 = 1_500.0;
/// Likewise with so many standard uncertainties of what is left.
const KEEP_U: f64 = 0.5;
/// A new plan takes this share of the limits, so that it may be kept when they come a little nearer.
const ROOM: f64 = 0.5;
/// One more turn must bring the car this much nearer to empty, m: nobody drives to and fro for a hundred metres.
const TURN_WORTH_M: f64 = 500.0;

/// A turn is missed once in twenty: common practice, no source.
const MISSED: f64 = 0.05;

/// How much may be dared.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Limits {
    /// Chance of displayed 0 before the charger.
    pub zero: f64,
    /// Chance of the car stopping before it.
    pub stop: f64,
    /// Least energy left on arrival, J, as expected.
    pub floor: f64,
    /// What is left covers the way to the next charger or safe stop.
    pub covers_alternative: bool,
}

impl Limits {
    /// A car that is known to have a reserve below displayed 0.
    pub fn known(floor: f64) -> Self {
        Self { zero: 0.1, stop: 0.001, floor, covers_alternative: true }
    }

    /// The first test of a car: 3 % of its usable energy, J, or 10 km at its energy per distance, J/m, the larger.
    pub fn unknown(usable: f64, per_metre: f64) -> Self {
        Self { zero: 0.005, stop: 0.001, floor: (0.03 * usable).max(10_000.0 * per_metre), covers_alternative: true }
    }
}

/// How it stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum State {
    /// The plan is within the limits.
    Safe,
    /// No other sequence is: go to the charger now.
    GoNow,
    /// The shortest way is within the limits, but what is left there would not do for the next charger or safe stop.
    NoSpare,
    /// Not even that is within the limits: the nearest way to a charger, and slower.
    TooLate,
    /// No charger can be reached from here at all.
    NoWay,
}

impl State {
    /// As programs are told it.
    pub fn key(self) -> &'static str {
        match self {
            Self::Safe => "safe",
            Self::GoNow => "go now",
            Self::NoSpare => "no spare",
            Self::TooLate => "too late",
            Self::NoWay => "no way",
        }
    }
}

/// A sequence and what it comes to.
#[derive(Clone, PartialEq, Debug)]
pub struct Judged {
    /// The sequence.
    pub sequence: Sequence,
    /// Energy left on arrival, J.
    pub left: Guess,
    /// Chance of displayed 0 before the charger, turns that are missed on the way counted in.
    pub zero: f64,
    /// Chance of stopping before it, likewise.
    pub stop: f64,
}

/// The last place at which one can still decide.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LastMoment {
    /// The place, by its index in the course.
    pub place: usize,
    /// The way to it, m.
    pub ahead: f64,
}

/// What to do.
#[derive(Clone, PartialEq, Debug)]
pub struct Advice {
    /// How it stands.
    pub state: State,
    /// The plan; `None` only where there is no way.
    pub plan: Option<Judged>,
    /// The way to its next act, m.
    pub ahead: f64,
    /// The plan if that is missed: the best that is safe then, else the shortest; `None` where there is none or nothing to miss.
    pub if_missed: Option<Judged>,
    /// The last place at which one can turn (or arrive) and be safe.
    pub last: Option<LastMoment>,
    /// The way on from the plan's charger if that is taken or dead; `None` where the course names none.
    pub spare: Option<Sequence>,
}

/// What to do from here. `before`: the plan as it was said last.
pub fn advise(
    course: &Course,
    here: Here,
    outlook: &Outlook,
    limits: &Limits,
    rules: &Rules,
    before: Option<&Sequence>,
) -> Advice {
    let spares = Spares::default();
    let judge = Judge { course, here, outlook, limits, rules, spares: &spares, misses: true };
    let Some(shortest) = shortest(course, here, rules).map(|shortest| judge.judged(shortest)) else {
        return Advice { state: State::NoWay, plan: None, ahead: 0.0, if_missed: None, last: None, spare: None };
    };
    let Some(best) = judge.best(rules) else {
        let ahead = judge.ahead(&shortest.sequence);
        let limits = Limits { covers_alternative: false, ..*limits };
        let bare = Judge { misses: false, ..judge };
        let without = Judge { limits: &limits, ..bare };
        // There is nothing shorter, whether a turn might be missed or not.
        let plain = bare.judged(shortest.sequence.clone());
        let state = match (bare.is_safe(&plain), without.is_safe(&plain)) {
            (true, _) => State::GoNow,
            (false, true) => State::NoSpare,
            (false, false) => State::TooLate,
        };
        // As safe as the state says, and no less.
        let last = if state == State::GoNow { bare.last_moment() } else { without.last_moment() };
        let spare = judge.spare(shortest.sequence.end(), shortest.sequence.arriving);
        let if_missed = if state == State::GoNow { judge.if_missed(&shortest) } else { None };
        return Advice { state, plan: Some(shortest), ahead, if_missed, last, spare };
    };
    let plan = judge.kept(&best, before).unwrap_or(best);
    let ahead = judge.ahead(&plan.sequence);
    let if_missed = judge.if_missed(&plan);
    let last = judge.last_moment();
    let only = plan.sequence.acts == shortest.sequence.acts;
    let spare = judge.spare(plan.sequence.end(), plan.sequence.arriving);
    Advice { state: if only { State::GoNow } else { State::Safe }, plan: Some(plan), ahead, if_missed, last, spare }
}

struct Judge<'a> {
    course: &'a Course,
    here: Here,
    outlook: &'a Outlook,
    limits: &'a Limits,
    rules: &'a Rules,
    /// Ways on by where one arrived and whether out: few, but asked for by every sequence.
    spares: &'a Spares,
    /// Whether turns may be missed.
    misses: bool,
}

/// See [`Judge`].
type Found = RefCell<BTreeMap<(usize, bool), Option<Sequence>>>;

/// See [`Judge`].
#[derive(Default)]
struct Spares {
    on: Found,
    past: Found,
}

impl Judge<'_> {
    /// Of the safe sequences that with the least left, every act counted as if it left [`TURN_WORTH_M`] more: of those with some room
    /// to the limits, so that the next reading does not overthrow it, else of all.
    fn best(&self, rules: &Rules) -> Option<Judged> {
        self.best_within(rules, ROOM).or_else(|| self.best_within(rules, 1.0))
    }

    /// [`Self::best`] within a share of the limits.
    fn best_within(&self, rules: &Rules, room: f64) -> Option<Judged> {
        let most = self.outlook.to_zero.mean.max(0.0) + 3.0 * self.outlook.to_zero.u;
        let least = self.outlook.per_metre[0].mean.min(self.outlook.per_metre[1].mean).max(1.0);
        let (growth, ends) = grown(self.course, self.here, rules, most / least);
        let turn = TURN_WORTH_M * self.outlook.mean_per_metre();
        let worth = |end: &End| {
            let left = self.after(end.place).left(&end.trip).mean;
            // No limit lets a plan end below its floor, so chances need not be asked there.
            (left >= self.floor(end.place, end.direction)).then_some((left + turn * end.acts as f64, *end))
        };
        let mut open: Vec<(f64, End)> = ends.iter().filter_map(worth).collect();
        open.sort_by(|(a, _), (b, _)| a.total_cmp(b));
        let safe = |trip: &Trip, end: &End| {
            let outlook = self.after(end.place);
            outlook.chance_of_zero(trip) <= room * self.limits.zero
                && outlook.chance_of_stopping(trip) <= room * self.limits.stop
        };
        let judged = |(_, end): (f64, End)| safe(&end.trip, &end).then(|| self.judged(growth.sequence(&end)));
        open.into_iter().filter_map(judged).find(|judged| self.is_within(judged, room))
    }

    /// The best that is safe, else the shortest, if the turn that a plan begins with is missed.
    fn if_missed(&self, plan: &Judged) -> Option<Judged> {
        let (place, _) = *plan.sequence.acts.first().filter(|(_, act)| *act == Act::Turn)?;
        let without = Rules { passing: Some(place), ..*self.rules };
        self.best(&without).or_else(|| shortest(self.course, self.here, &without).map(|way| self.judged(way)))
    }

    /// What missed turns add to the chances of displayed 0 and of stopping: of each turn of a plan, the chance that it is missed
    /// times what is then still the shortest way. Turns to come count as well: later it is too late to plan otherwise.
    fn missed(&self, sequence: &Sequence) -> (f64, f64) {
        if !self.misses {
            return (0.0, 0.0);
        }
        let mut sum = (0.0, 0.0);
        for (place, direction, so_far) in missable(self.course, self.here, &sequence.acts) {
            let Some(on) = self.past(place, direction) else {
                sum = (sum.0 + MISSED, sum.1 + MISSED);
                continue;
            };
            let trip = Trip {
                out: so_far.out + on.trip.out,
                back: so_far.back + on.trip.back,
                extra: so_far.extra + on.trip.extra,
            };
            let outlook = self.after(on.end());
            sum.0 += MISSED * outlook.chance_of_zero(&trip);
            sum.1 += MISSED * outlook.chance_of_stopping(&trip);
        }
        sum
    }

    /// The shortest way from a place that was passed without turning.
    fn past(&self, place: usize, direction: Direction) -> Option<Sequence> {
        let here = Here { at: self.course.places[place].at, direction };
        let find = || shortest(self.course, here, &Rules { passing: Some(place), ..*self.rules });
        self.spares.past.borrow_mut().entry((place, direction == Direction::Out)).or_insert_with(find).clone()
    }

    /// The outlook after the rise to where a way ends.
    fn after(&self, end: usize) -> Outlook {
        self.outlook.risen(self.rise(self.here.at, end))
    }

    fn judged(&self, sequence: Sequence) -> Judged {
        let trip = &sequence.trip;
        let outlook = self.after(sequence.end());
        let (zero, stop) = self.missed(&sequence);
        Judged {
            left: outlook.left(trip),
            zero: (outlook.chance_of_zero(trip) + zero).min(1.0),
            stop: (outlook.chance_of_stopping(trip) + stop).min(1.0),
            sequence,
        }
    }

    /// How much the road rises from somewhere to a place, whatever way one drives; 0 where no heights are given.
    fn rise(&self, from: Metre, to: usize) -> f64 {
        let heights = self.course.elevation(from).zip(self.course.places[to].elevation);
        heights.map_or(0.0, |(from, to)| (to - from).0)
    }

    /// The way on from a place where the car arrived in a direction.
    fn spare(&self, end: usize, arriving: Direction) -> Option<Sequence> {
        let find = || alternative(self.course, end, arriving, self.rules);
        self.spares.on.borrow_mut().entry((end, arriving == Direction::Out)).or_insert_with(find).clone()
    }

    /// Least energy that must be left at a charger, J.
    fn floor(&self, end: usize, arriving: Direction) -> f64 {
        // Where the course names no way on there is nothing to cover, which is said beside the plan.
        let next = if self.limits.covers_alternative { self.spare(end, arriving) } else { None };
        let next = next.map_or(0.0, |way| {
            let lift = self.outlook.per_rise.mean * self.rise(self.course.places[end].at, way.end());
            self.outlook.need(&way.trip).mean + lift
        });
        self.limits.floor.max(next)
    }

    fn is_within(&self, judged: &Judged, room: f64) -> bool {
        judged.zero <= room * self.limits.zero && judged.stop <= room * self.limits.stop
    }

    fn is_safe(&self, judged: &Judged) -> bool {
        self.is_within(judged, 1.0) && judged.left.mean >= self.floor(judged.sequence.end(), judged.sequence.arriving)
    }

    /// The plan of before, as far as it goes on from here, if it is safe still and little worse.
    fn kept(&self, best: &Judged, before: Option<&Sequence>) -> Option<Judged> {
        let acts = &before?.acts;
        let keep = (KEEP_M * self.outlook.mean_per_metre()).max(KEEP_U * best.left.u);
        // Its first act may lie behind: then the rest of it is the plan.
        let rest = |from: usize| follow(self.course, self.here, self.rules, &acts[from..]);
        let found = self.judged((0..acts.len()).find_map(rest)?);
        (self.is_safe(&found) && found.left.mean <= best.left.mean + keep).then_some(found)
    }

    /// The way from here to the first act.
    fn ahead(&self, sequence: &Sequence) -> f64 {
        sequence.acts.first().map_or(0.0, |(place, _)| self.way_to(*place))
    }

    fn way_to(&self, place: usize) -> f64 {
        (self.course.places[place].at - self.here.at).0.abs()
    }

    /// The last place ahead from which, turning (or arriving) there, the shortest way is safe.
    fn last_moment(&self) -> Option<LastMoment> {
        let sign = self.here.direction.sign();
        let ahead = |place: &usize| (self.course.places[*place].at - self.here.at).0 * sign >= 0.0;
        let mut places: Vec<usize> = (0..self.course.places.len()).filter(ahead).collect();
        if self.here.direction == Direction::Back {
            places.reverse();
        }
        let open =
            |place: &usize| self.course.is_open(self.here.at, self.course.places[*place].at, self.here.direction);
        let reached: Vec<usize> = places.into_iter().take_while(open).collect();
        let place = reached.into_iter().rev().find(|place| self.safe_at(*place))?;
        Some(LastMoment { place, ahead: self.way_to(place) })
    }

    fn safe_at(&self, place: usize) -> bool {
        let (course, direction) = (self.course, self.here.direction);
        let to: Metre = course.places[place].at;
        let way = (to - self.here.at).0.abs();
        let judged = |mut sequence: Sequence| {
            match direction {
                Direction::Out => sequence.trip.out += way,
                Direction::Back => sequence.trip.back += way,
            }
            // From here on it is the shortest way: nothing is gained by counting misses.
            let bare = Judge { misses: false, ..*self };
            bare.is_safe(&bare.judged(sequence))
        };
        let side = course.places[place].charger;
        if Some(place) != self.rules.not_at && side.is_some_and(|side| side.admits(direction)) {
            let acts = vec![(place, Act::Arrive)];
            if judged(Sequence { acts, arriving: direction, trip: Default::default() }) {
                return true;
            }
        }
        let suits = course.places[place].trailer || !self.rules.trailer;
        let Some(turn) = course.places[place].turn(direction).filter(|_| suits) else { return false };
        let from = Here { at: to, direction: direction.turned() };
        let shortest = shortest(course, from, &Rules { passing: Some(place), ..*self.rules });
        shortest.is_some_and(|mut sequence| {
            sequence.trip.extra += turn.length.0;
            judged(sequence)
        })
    }
}

#[cfg(test)]
mod tests;
