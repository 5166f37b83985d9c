//! From what was gathered to the picture: the outlook, the advice, the end of the pack beside the display.
//!
//! Gathers nothing itself.

use super::cliff::Watch;
use super::worth::{self, Facts};
use super::{Pilot, WORSE_S, reach};
use crate::course::Course;
use crate::ledger::Phase;
use crate::plan::advice::{Advice, Limits, State, advise};
use crate::plan::outlook::{DOF, Guess, Outlook};
use crate::plan::picture::{Cliff, Picture, RestsOn};
use crate::plan::turning::{Act, Rules};

/// Cut-off voltage of the lowest cell where none is given, V: between those of the usual chemistries; common practice, no source.
const CELL_CUT_OFF: f64 = 2.8;
/// Display and voltage disagree from this share of the usable energy on.
const DISAGREE: f64 = 0.02;
/// Standard uncertainty of what lies below displayed 0 on a car that is not known, as a share of its usable energy, and in parts of what
/// is known: as in [`crate::plan::outlook`].
const BELOW_U: [f64; 2] = [0.01, 0.2];
/// A pack may give up before its display says so, even of a car that is known: standard deviation, as a share of the usable energy;
/// common practice, no source.
const DROP_U: f64 = 0.007;
/// Learned: the energy is known better than before by this factor.
const LEARNED: f64 = 0.9;
/// Nearer than this to a charger the car slows down to arrive, m: common practice, no source.
const AT_CHARGER_M: f64 = 1_000.0;
/// A charger this near is at hand, m: common practice, no source.
const AT_HAND_M: f64 = 3_000.0;
/// A place this uncertain, m, is part of the way.
const LOST_M: f64 = 50.0;

/// Energy left.
#[derive(Clone, Copy, Debug)]
struct Left {
    to_zero: Guess,
    below: Guess,
    usable: f64,
}

impl Pilot {
    pub(super) fn decide(&mut self) -> Picture {
        let test = &self.test;
        let speed = self.speed_ahead();
        let mut picture = Picture {
            phase: self.phase,
            soc: test.display.shown(),
            dof: DOF,
            speed: test.speed,
            hold: test.recent.hold(),
            per_metre: test.recent.per_metre(),
            driven: test.recent.driven(test.measured, test.by_wheel),
            here: self.track.as_ref().and_then(|track| track.shown()),
            step: test.steps.now(),
            worth: test.worth.clone(),
            ..Picture::default()
        };
        if !test.measured {
            (picture.per_metre.last_10_km, picture.per_metre.leg, picture.per_metre.test) = (None, None, None);
        }
        let left = if self.phase == Some(Phase::Charge) { None } else { self.left() };
        let usable = test.charge.usable().mean;
        let rest = left.map_or(usable, |left| left.to_zero.mean) / 650.0;
        let (per_metre, together) = test.ahead.per_metre(speed, test.steps.unnamed(), rest);
        picture.per_metre.ahead = self.says_ahead().then(|| self.on_this_course(per_metre));
        let Some(left) = left else {
            self.test.worse = 0.0;
            return picture;
        };
        picture.to_zero = Some(left.to_zero);
        picture.rests_on = Some(match test.charge.learned() {
            None => RestsOn::Drive,
            Some(share) if share > LEARNED => RestsOn::Given,
            Some(_) => RestsOn::Both,
        });
        let mut outlook = Outlook {
            to_zero: left.to_zero,
            below_zero: left.below,
            per_metre,
            together,
            wander: test.ahead.per_metre_wander(),
            dof: DOF,
            per_rise: self.per_rise(),
        };
        picture.cliff = self.cliff(&left, &mut outlook);
        if !self.is_at_a_charger() {
            // A car that is slow has its speed still to come by.
            let motion = self.test.ahead.to_speed(self.test.speed.unwrap_or(speed), speed);
            outlook.to_zero =
                Guess::new((outlook.to_zero.mean - motion.mean).max(0.0), outlook.to_zero.u.hypot(motion.u));
        }
        picture.advice = self.advice(&outlook, left.usable);
        picture.distance_left = Some(self.distance_left(&outlook, picture.advice.as_ref()));
        picture
    }

    /// Speed at which the rest will be driven, m/s.
    fn speed_ahead(&self) -> f64 {
        let target = self.known.target.map(|target| target.0).filter(|target| (1.0..100.0).contains(target));
        target.or(self.test.recent.last_minute().filter(|speed| *speed > 15.0)).unwrap_or(30.0)
    }

    /// Whether the car is at a charger, or as good as there.
    fn is_at_a_charger(&self) -> bool {
        let here = self.track.as_ref().zip(self.known.course.as_ref());
        here.is_some_and(|(track, course)| {
            course.chargers().any(|(place, _)| (place.at.0 - track.at()).abs() < AT_CHARGER_M)
        })
    }

    /// Whether anything is known of the energy per distance ahead.
    fn says_ahead(&self) -> bool {
        self.known.per_metre.is_some() || self.test.measured && self.test.recent.test.distance > 3_000.0
    }

    /// With the mean grade of the whole course, as people drive it.
    fn on_this_course(&self, level: [Guess; 2]) -> [Guess; 2] {
        let grade = self.known.course.as_ref().map_or(0.0, |course| mean_grade(course));
        let lift = self.test.ahead.per_rise();
        let with = |guess: Guess, grade: f64| Guess::new(guess.mean + lift.mean * grade, guess.u.hypot(lift.u * grade));
        [with(level[0], grade), with(level[1], -grade)]
    }

    fn per_rise(&self) -> Guess {
        let heights =
            self.known.course.as_ref().is_some_and(|course| course.places.iter().all(|p| p.elevation.is_some()));
        if heights { self.test.ahead.per_rise() } else { Guess::default() }
    }

    /// Energy left by the display.
    fn left(&self) -> Option<Left> {
        let test = &self.test;
        let shown = test.display.shown()?;
        let usable = test.charge.usable();
        let reserve = self.known.reserve.filter(|reserve| (0.0..1e9).contains(&reserve.mean) && reserve.u.is_finite());
        let mut below = match reserve {
            Some(known) => {
                let own = known.u.max(BELOW_U[1] * known.mean);
                Guess::new(known.mean, own.hypot(DROP_U * usable.mean))
            }
            None => Guess::new(0.0, BELOW_U[0] * usable.mean),
        };
        // One row of 0 is none before it was held.
        if shown.share <= 0.0 && shown.marked.is_some() || test.display.zero().is_some() {
            // What was taken since then came from below 0.
            let since = test.display.zero().map_or(0.0, |zero| test.taken - zero).max(0.0);
            below.mean -= since;
            // Nothing is left by the display; how surely hangs on the pack, of which no more than the width may be known.
            let u = 0.001 * usable.mean.max(usable.u);
            return Some(Left { to_zero: Guess::new(0.0, u), below, usable: usable.mean });
        }
        let to_zero = test.charge.left(test.taken, test.filled, test.powers[1], shown.share)?;
        Some(Left { to_zero, below, usable: usable.mean })
    }

    /// The end of the pack by its voltage; where it is the worse, it takes the display's place in the outlook.
    fn cliff(&mut self, left: &Left, outlook: &mut Outlook) -> Option<Cliff> {
        let cut_off = &self.known.cut_off;
        let watch: &Watch = &self.test.watch;
        let end = watch.end(self.test.taken, cut_off.cell.or(Some(CELL_CUT_OFF)), cut_off.pack, left.usable);
        let Some(end) = end else {
            self.test.worse = 0.0;
            return None;
        };
        // The voltage tells when the car stops, so it is held against all that is promised until then.
        let promised = left.to_zero.mean + left.below.mean.max(0.0);
        let ahead = (promised - end.mean) / left.usable;
        let surely = promised - end.mean - end.u / 2.0 > DISAGREE * left.usable;
        // What was found to be the worse stays so until the two nearly agree.
        let counted = self.test.worse >= WORSE_S;
        self.test.is_worse = surely || counted && ahead > DISAGREE / 2.0;
        let counts = counted && self.test.is_worse;
        if counts {
            // What it has above the display's 0 is all there is, or the rest of it lies below.
            let below = (end.mean - left.to_zero.mean).max(0.0);
            outlook.to_zero = Guess::new(end.mean - below, end.u);
            outlook.below_zero = Guess::new(below, 0.0);
        }
        Some(Cliff { energy: end, display_ahead_by: ahead, counts })
    }

    fn advice(&mut self, outlook: &Outlook, usable: f64) -> Option<Advice> {
        let course = self.known.course.clone()?;
        let track = self.track.as_mut()?;
        let limits = limits(&self.known, usable, outlook.mean_per_metre());
        // Where the car is uncertain, so is the way: both to the turn and back.
        let u = track.shown()?.u;
        let mut outlook = *outlook;
        if u > LOST_M {
            outlook.to_zero.u = outlook.to_zero.u.hypot(2.0 * u * outlook.mean_per_metre());
        }
        let before = self.said.as_ref();
        let advice = track.heres().map(|(here, passing)| {
            let rules = Rules { trailer: self.known.trailer, passing, not_at: self.not_at };
            advise(&course, here, &outlook, &limits, &rules, before)
        });
        // Where it may be in two places: what is safe in both is what the worse of them asks for, and what must be done first.
        let worst = advice.reduce(|a, b| {
            let key = |advice: &Advice| (severity(advice.state), -first_turn(advice));
            // Too late is too late to pass a charger that one of them has at hand.
            let at_hand =
                |advice: &Advice| advice.plan.is_some() && first_turn(advice).is_infinite() && advice.ahead < AT_HAND_M;
            let late = severity(a.state).max(severity(b.state)) >= severity(State::TooLate);
            if late && at_hand(&a) != at_hand(&b) {
                return if at_hand(&b) { b } else { a };
            }
            let (a_key, b_key) = (key(&a), key(&b));
            if b_key.0 > a_key.0 || b_key.0 == a_key.0 && b_key.1 > a_key.1 { b } else { a }
        })?;
        let first = worst.plan.as_ref().and_then(|plan| plan.sequence.acts.first());
        track.planned(first.filter(|(_, act)| *act == Act::Turn).map(|(place, _)| *place));
        self.said = worst.plan.as_ref().map(|plan| plan.sequence.clone());
        Some(worst)
    }

    /// The distance until displayed 0 on the plan's way.
    fn distance_left(&self, outlook: &Outlook, advice: Option<&Advice>) -> Guess {
        let plan = advice.and_then(|advice| advice.plan.as_ref()).map(|plan| &plan.sequence);
        let here = self.track.as_ref().and_then(|track| track.shown().and(track.heres().next()).map(|(here, _)| here));
        let plan = self.known.course.as_deref().zip(here).zip(plan);
        reach::distance(outlook, plan.map(|((course, here), plan)| (course, here, plan)))
    }

    /// After a pair of legs: whether the test is still worth driving.
    pub(super) fn weigh(&mut self) {
        let test = &self.test;
        let speed = self.speed_ahead();
        let (ahead, together) = test.ahead.per_metre(speed, test.steps.unnamed(), test.charge.usable().mean / 650.0);
        if !test.measured {
            return;
        }
        let left = self.left().map(|left| {
            let wander = test.ahead.per_metre_wander();
            let per_rise = Guess::default();
            let (to_zero, below_zero) = (left.to_zero, left.below);
            let outlook = Outlook { to_zero, below_zero, per_metre: ahead, together, wander, dof: DOF, per_rise };
            (left.to_zero, reach::distance(&outlook, None))
        });
        let facts = Facts {
            recent: &test.recent,
            left,
            from_full: test.from_full,
            ahead,
            speed,
            degc: test.degc,
            unobserved: test.unobserved,
            dof: DOF,
        };
        let worth = worth::of(&facts);
        self.test.worth = worth;
    }
}

/// How much may be dared.
fn limits(known: &super::Known, usable: f64, per_metre: f64) -> Limits {
    let own = known.floor_share.filter(|share| (0.0..1.0).contains(share)).unwrap_or(0.0) * usable;
    let limits = match known.reserve {
        Some(reserve) if (0.0..1e9).contains(&reserve.mean) => Limits::known(own),
        _ => {
            let unknown = Limits::unknown(usable, per_metre);
            Limits { floor: unknown.floor.max(own), ..unknown }
        }
    };
    Limits { covers_alternative: !known.no_spare, ..limits }
}

fn severity(state: State) -> u8 {
    match state {
        State::Safe => 0,
        State::GoNow => 1,
        State::NoSpare => 2,
        State::TooLate => 3,
        State::NoWay => 4,
    }
}

/// The way to the first turn of the plan; endless where it does not turn.
fn first_turn(advice: &Advice) -> f64 {
    let first = advice.plan.as_ref().and_then(|plan| plan.sequence.acts.first());
    if first.is_some_and(|(_, act)| *act == Act::Turn) { advice.ahead } else { f64::INFINITY }
}

/// Rise per distance out over all of a course; 0 where no heights are given.
fn mean_grade(course: &Course) -> f64 {
    let ends = course.places.first().zip(course.places.last());
    ends.and_then(|(a, b)| Some((b.elevation? - a.elevation?).0 / (b.at - a.at).0))
        .filter(|g| g.is_finite())
        .unwrap_or(0.0)
}
