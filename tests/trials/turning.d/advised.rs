//! The drive of a tester who does what the program advises.
//!
//! Reads the advice now and then, as a driver would be told, and acts at places on what was read last. Judges nothing.

use std::collections::VecDeque;

use drawdown::observation::{Mark, MarkKind};
use drawdown::plan::picture::KnownBy;
use drawdown::plan::turning::Act;
use drawdown::plan::{Advice, Pilot, Sequence, State};
use drawdown::time::RunTime;

use super::courses::Road;
use super::draw::{Taken, Test};
use super::outcome::Outcome;
use super::rows::Recording;
use super::simple::MISSED;
use super::world::{Deed, Drive, Event, within};

/// When the driver is told.
#[derive(Clone, Copy)]
pub enum Looks {
    /// Every minute, and 2 km, 1 km and 400 m before each place; with more than [`MUCH`] shown every 5 min and 400 m before.
    Usual,
    /// Every 10 s, and every second from 2 km to 150 m before each place.
    Close,
}

/// The last that a driver is told before a place, m.
const LAST_M: [f64; 3] = [400.0, 1_000.0, 2_000.0];
/// With more than this shown nothing is near its end, and the driver is told less often.
const MUCH: f64 = 0.4;

struct Advised<'a> {
    drive: Drive<'a>,
    recording: Recording<'a>,
    pilot: Pilot,
    outcome: Outcome,
    looks: Looks,
    next: f64,
    way: f64,
    advice: Option<Advice>,
    before: Option<Vec<(usize, Act)>>,
    before_that: Option<Vec<(usize, Act)>>,
    /// Something happened that is a cause for another plan, until this moment, s.
    cause: f64,
    heaters: (f64, f64),
    /// The charger of this place is taken.
    taken: Option<usize>,
    /// Where the program sent the car for when the charger is taken; it is driven whatever is said later.
    follow: Option<VecDeque<(usize, Act)>>,
    /// A turn that the passenger has still to mark, at this moment, s.
    to_mark: Option<f64>,
    /// When one was marked last, s.
    marked: f64,
    verbose: bool,
    whereabouts: String,
}

/// The drive of a test.
pub fn run(test: &Test, road: &Road, looks: Looks, verbose: bool) -> Outcome {
    let drive = Drive::new(test, &road.course, road.start, road.direction);
    let recording = Recording::new(&drive, &road.course);
    let mut advised = Advised {
        drive,
        recording,
        pilot: Pilot::new(test.known.clone()),
        outcome: Outcome::default(),
        looks,
        next: 0.0,
        way: f64::INFINITY,
        advice: None,
        before: None,
        before_that: None,
        cause: 0.0,
        heaters: (0.0, 0.0),
        taken: None,
        follow: None,
        to_mark: None,
        marked: -1e9,
        verbose,
        whereabouts: String::new(),
    };
    while !advised.second() {}
    advised.outcome
}

impl Advised<'_> {
    /// A second passes; whether it was the last.
    fn second(&mut self) -> bool {
        let event = self.drive.step();
        let row = self.recording.row(&self.drive);
        self.pilot.see(0, row);
        if self.to_mark.is_some_and(|at| at <= self.drive.t) {
            self.to_mark = None;
            self.marked = self.drive.t;
            if self.verbose {
                self.outcome.log.push(format!("{:6.0} s turn marked", self.drive.t));
            }
            let mark = Mark { kind: MarkKind::Turned, value: None, text: String::new() };
            self.pilot.mark(0, RunTime((self.drive.t * 1e6) as i64), &mark);
        }
        let heaters = (self.drive.pack_heater, self.drive.cabin_heater);
        if (heaters.0 - self.heaters.0).abs() > 500.0 || (heaters.1 - self.heaters.1).abs() > 500.0 {
            self.cause = self.drive.t + 600.0;
        }
        self.heaters = heaters;
        if self.is_due() {
            self.look();
        }
        match event {
            Event::Nothing => false,
            Event::Stopped => {
                self.outcome.stop(&self.drive, self.taken.is_some());
                true
            }
            Event::Place(place) => self.at(place),
        }
    }

    fn is_due(&mut self) -> bool {
        let way = self.drive.next_place().map_or(f64::INFINITY, |(_, way)| way);
        let (t, before) = (self.drive.t, std::mem::replace(&mut self.way, way));
        let much = self.drive.shown > MUCH;
        let near = match self.looks {
            Looks::Usual => LAST_M[..if much { 1 } else { 3 }].iter().any(|last| way <= *last && *last < before),
            Looks::Close => (150.0..2_000.0).contains(&way),
        };
        if !near && t < self.next {
            return false;
        }
        self.next = t + match self.looks {
            Looks::Close => 10.0,
            Looks::Usual if much => 300.0,
            Looks::Usual => 60.0,
        };
        true
    }

    fn look(&mut self) {
        let picture = self.pilot.picture();
        self.outcome.looks += 1;
        let Some(advice) = picture.advice else {
            // Nothing is said: what was said last stands.
            self.outcome.blind += 1;
            return;
        };
        // Without fixes the page may have it the wrong way round: the passenger sees that and says so.
        let wrong =
            picture.here.is_some_and(|here| here.direction != self.drive.direction && here.by == KnownBy::Distance);
        if wrong && self.drive.next_place().is_some() && self.drive.t > self.marked + 120.0 {
            self.to_mark = Some(self.drive.t + 5.0);
        }
        let usable = self.drive.test.pack.usable();
        if self.drive.shown < 0.2 && self.outcome.sure.is_none() {
            self.outcome.sure = picture.to_zero.map(|zero| (zero.u / usable, (zero.mean - self.drive.left()) / usable));
        }
        self.outcome.too_late += u32::from(matches!(advice.state, State::TooLate | State::NoWay));
        if self.verbose {
            let here = picture.here.map(|here| (here.at.0.round() / 1e3, here.u.round(), here.direction, here.by));
            let usable = self.drive.test.pack.usable();
            let cliff = picture.cliff.map(|cliff| (cliff.energy.mean / usable, cliff.energy.u / usable, cliff.counts));
            let volt = self.drive.test.pack.lowest_cell(self.drive.charge, self.drive.current);
            let ahead = picture.per_metre.ahead.map(|both| both.map(|guess| (guess.mean / 3.6, guess.u / 3.6)));
            let step = picture.step.map(|step| step.power);
            self.whereabouts =
                format!("{here:?} cliff {cliff:.4?} cell {volt:.3} V, Wh/km {ahead:.0?}, step {step:.0?} W");
        }
        self.compare(&advice, picture.to_zero.map_or(f64::NAN, |zero| zero.mean / usable));
        let goal = advice.plan.as_ref().is_some_and(|plan| plan.sequence.acts.len() == 1);
        self.drive.homeward = goal.then_some(advice.ahead);
        let spare = advice.spare.clone();
        let arriving = advice.plan.as_ref().map(|plan| plan.sequence.end());
        let ahead = advice.ahead;
        self.advice = Some(advice);
        if let (true, Taken::Told(before), None, Some(place)) = (goal, self.drive.test.taken, self.taken, arriving)
            && ahead <= before
        {
            self.tell(place, spare);
        }
    }

    /// The passenger is told on the way that the charger is taken.
    fn tell(&mut self, place: usize, spare: Option<Sequence>) {
        self.outcome.zero = self.drive.shown_zero;
        self.outcome.stranded = Some(false);
        self.taken = Some(place);
        self.cause = self.drive.t + 60.0;
        self.pilot.taken(Some(place));
        self.look();
        // Where no other charger is within the limits: as it was said for this case, over the charger to the safe stop.
        let lost = self.advice.as_ref().is_none_or(|advice| matches!(advice.state, State::TooLate | State::NoWay));
        if lost {
            self.follow = spare.map(|spare| spare.acts.into());
        }
    }

    /// Counts changes of the plan.
    fn compare(&mut self, advice: &Advice, left: f64) {
        let Some(plan) = &advice.plan else { return };
        let acts = &plan.sequence.acts;
        let is_new = self.before.as_ref().is_none_or(|before| !before.ends_with(acts));
        if is_new && self.before.is_some() {
            self.outcome.changes += 1;
            self.outcome.late_changes += u32::from(self.drive.shown < 0.2);
            self.outcome.uncaused += u32::from(self.drive.t > self.cause);
            self.outcome.flaps += u32::from(self.before_that.as_ref().is_some_and(|that| that.ends_with(acts)));
        }
        if self.verbose && (is_new || self.before.as_ref() != Some(acts)) {
            let usable = self.drive.test.pack.usable();
            self.outcome.log.push(format!(
                "{:6.0} s at {:6.2} km {:?} shown {:4.1} true {:5.2} said {:5.2} {:?} left {:.1} +- {:.1} zero {:.4} stop {:.5} {acts:?} {}",
                self.drive.t,
                self.drive.at / 1e3,
                self.drive.direction,
                self.drive.shown * 100.0,
                self.drive.left() / usable * 100.0,
                left * 100.0,
                advice.state,
                plan.left.mean / usable * 100.0,
                plan.left.u / usable * 100.0,
                plan.zero,
                plan.stop,
                self.whereabouts,
            ));
        }
        let acts = acts.clone();
        if is_new {
            self.before_that = self.before.take();
        }
        self.before = Some(acts);
    }

    /// At a place; whether that was the end.
    fn at(&mut self, place: usize) -> bool {
        let act = match &mut self.follow {
            Some(acts) => acts.front().filter(|(at, _)| *at == place).map(|(_, act)| *act),
            None => self.said(place),
        };
        let course = self.drive.course();
        let can_turn = course.places[place].turn(self.drive.direction).is_some();
        let is_last = match self.drive.direction {
            drawdown::course::Direction::Out => place + 1 == course.places.len(),
            drawdown::course::Direction::Back => place == 0,
        };
        let deed = match act {
            Some(Act::Arrive) => return self.arrive(place),
            Some(Act::Turn) if can_turn => Deed::Turn,
            Some(Act::Round) => Deed::Round,
            // At the end of the course everyone turns, told or not.
            _ if is_last => Deed::Turn,
            _ => Deed::On,
        };
        let missed = deed != Deed::On && !is_last && self.follow.is_none() && self.drive.luck.one_in(MISSED);
        if missed {
            self.outcome.missed += 1;
            self.cause = self.drive.t + 120.0;
        } else if let Some(acts) = &mut self.follow
            && act.is_some()
        {
            acts.pop_front();
        }
        let deed = if missed { Deed::On } else { deed };
        if self.verbose && (missed || deed != Deed::On) {
            let lost = within(&self.drive.test.lost, self.drive.t);
            self.outcome
                .log
                .push(format!("{:6.0} s {deed:?} at {place}, missed {missed}, fixes lost {lost}", self.drive.t));
        }
        if deed == Deed::Turn && (self.drive.test.marks || within(&self.drive.test.lost, self.drive.t)) {
            self.to_mark = Some(self.drive.t + 40.0);
        }
        self.drive.do_at(place, deed);
        self.way = f64::INFINITY;
        false
    }

    /// What was said for this place, if its act is the next one.
    fn said(&self, place: usize) -> Option<Act> {
        let plan = self.advice.as_ref()?.plan.as_ref()?;
        plan.sequence.acts.first().filter(|(at, _)| *at == place).map(|(_, act)| *act)
    }

    fn arrive(&mut self, place: usize) -> bool {
        if self.taken.is_some() {
            // Sent to the very charger that is taken: nobody goes on from there.
            self.outcome.stranded = Some(self.taken == Some(place) && self.follow.is_none());
            return true;
        }
        self.outcome.arrive(&self.drive, place);
        if self.drive.test.taken != Taken::OnArrival {
            return true;
        }
        self.outcome.stranded = Some(false);
        self.taken = Some(place);
        self.pilot.taken(Some(place));
        let spare = self.advice.as_ref().and_then(|advice| advice.spare.clone());
        self.follow = spare.map(|spare| spare.acts.into());
        match &self.follow {
            // No way on is named: the car waits where it is.
            None => true,
            Some(_) => self.at(place),
        }
    }
}
