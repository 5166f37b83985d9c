//! The driver: holds the target speed, slows for traffic and turns, turns round, and makes for the charger at displayed 0 %.
//!
//! Knows the course, not the pack; where to turn is the scenario's to say, or that of whoever gives an [`Order`]: nothing is
//! planned.

use super::noise::{Noise, Stream, Wander};
use super::scenario::Scenario;
use crate::course::{Course, Direction, Turn};
use crate::quantity::Metre;

/// The hardest braking, m/s^2 (common practice, no source: short of an emergency stop).
const BRAKING_MAX: f64 = 4.0;
/// How eagerly the driver closes in on a speed, s.
const CLOSING_S: f64 = 3.0;

/// What the driver is told to do next, at a place of the course by its name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Order {
    /// Turn there.
    Turn(String),
    /// Drive the short way round there and go on.
    Round(String),
    /// Drive to the charger there.
    Arrive(String),
}

/// The driver and where the car is.
pub(super) struct Driver {
    course: Course,
    turns: Vec<String>,
    next_turn: usize,
    target: f64,
    acceleration: f64,
    braking: f64,
    /// Slower traffic: start, end, speed; in m driven and m/s.
    traffic: Vec<(f64, f64, f64)>,
    wander: Wander,
    noise: Noise,
    /// Along the road, m.
    at: f64,
    /// Which way.
    pub direction: Direction,
    /// Driven since the start, m.
    pub driven: f64,
    goal: Goal,
    turning: Option<Turning>,
    to_charger: bool,
    order: Option<Order>,
    /// Whether the foot is on the brake for something ahead; it stays there until that is reached.
    on_brake: bool,
}

/// What the driver makes for, with its distance along the road.
#[derive(Clone, Copy)]
enum Goal {
    Turn { at: f64, turn: Turn, round: bool },
    Charger { at: f64 },
    EndOfRoad { at: f64 },
}

/// A turn under way.
#[derive(Clone, Copy)]
struct Turning {
    at: f64,
    length: f64,
    speed: f64,
    done: f64,
    /// It comes back to the road the way it left it.
    round: bool,
}

impl Driver {
    pub fn new(scenario: &Scenario, course: &Course, step: f64) -> Self {
        let drive = &scenario.drive;
        let traffic =
            |it: &super::scenario::Traffic| (it.start_km * 1e3, (it.start_km + it.length_km) * 1e3, it.speed_kmh / 3.6);
        let mut driver = Self {
            course: course.clone(),
            turns: drive.turns.clone(),
            next_turn: 0,
            target: drive.target_kmh / 3.6,
            acceleration: drive.acceleration_mps2,
            braking: drive.braking_mps2,
            traffic: drive.traffic.iter().map(traffic).collect(),
            wander: Wander::new(drive.wander_kmh / 3.6, drive.wander_s, step),
            noise: Noise::new(scenario.seed, Stream::Driver),
            at: course.place(&drive.from).map_or(0.0, |place| place.at.0),
            direction: if drive.out_first { Direction::Out } else { Direction::Back },
            driven: 0.0,
            goal: Goal::EndOfRoad { at: 0.0 },
            turning: None,
            to_charger: false,
            order: None,
            on_brake: false,
        };
        driver.choose(0.0);
        driver
    }

    /// Where the car is along the road, m; in a turn, half its way past the place and half back; on a way round, at the place.
    pub fn at(&self) -> f64 {
        match self.turning {
            Some(turning) if turning.round => turning.at,
            Some(turning) => {
                let past = turning.done.min(turning.length - turning.done);
                turning.at + self.direction.sign() * past
            }
            None => self.at,
        }
    }

    /// Which way the car moves along the road just now: +1 out, -1 back.
    pub fn heading(&self) -> f64 {
        let back_again = self.turning.is_some_and(|turning| !turning.round && turning.done > turning.length / 2.0);
        if back_again { -self.direction.sign() } else { self.direction.sign() }
    }

    /// Rise per distance driven.
    pub fn grade(&self) -> f64 {
        if self.turning.is_some() { 0.0 } else { self.course.grade(Metre(self.at)) * self.direction.sign() }
    }

    /// The course.
    pub fn course(&self) -> &Course {
        &self.course
    }

    /// From now on the driver makes for the charger.
    pub fn make_for_charger(&mut self, speed: f64) {
        self.to_charger = true;
        if self.turning.is_none() {
            self.choose(speed);
        }
    }

    /// From now on the driver does this next; with `None`, and where it can't be done from here, as if nothing had been said.
    pub fn follow(&mut self, order: Option<Order>, speed: f64) {
        if self.order == order {
            return;
        }
        self.order = order;
        if self.turning.is_none() {
            self.choose(speed);
        }
    }

    /// Whether a stop now is at the charger (or at the end of the road).
    pub fn arrived(&self) -> bool {
        self.turning.is_none() && self.remaining() < 2.0 && !matches!(self.goal, Goal::Turn { .. })
    }

    /// Whether the goal is a charger.
    pub fn charger_ahead(&self) -> bool {
        matches!(self.goal, Goal::Charger { .. })
    }

    /// Distance to the goal, m.
    fn remaining(&self) -> f64 {
        let (Goal::Turn { at, .. } | Goal::Charger { at } | Goal::EndOfRoad { at }) = self.goal;
        (at - self.at) * self.direction.sign()
    }

    fn choose(&mut self, speed: f64) {
        // What is nearer than this can't be stopped for any more.
        let from = self.at + self.direction.sign() * speed * speed / (2.0 * self.braking);
        self.goal = match self.ordered(from) {
            Some(goal) => goal,
            None if self.to_charger => self.way_to_charger(from),
            None => self.way_to_turn(from),
        };
    }

    /// What was ordered, if it can be done.
    fn ordered(&self, from: f64) -> Option<Goal> {
        let (Order::Turn(name) | Order::Round(name) | Order::Arrive(name)) = self.order.as_ref()?;
        let place = self.course.place(name).filter(|place| (place.at.0 - from) * self.direction.sign() > 0.0)?;
        let at = place.at.0;
        match self.order.as_ref()? {
            Order::Turn(_) => Some(Goal::Turn { at, turn: place.turn(self.direction)?, round: false }),
            Order::Round(name) => {
                let finish = self.course.finish.as_ref().filter(|finish| finish.place == *name)?;
                let turn = Turn { length: finish.length, duration: finish.duration };
                Some(Goal::Turn { at, turn, round: true })
            }
            Order::Arrive(_) => place.charger?.admits(self.direction).then_some(Goal::Charger { at }),
        }
    }

    /// The next turn of those to be made that lies ahead, else any.
    fn way_to_turn(&self, from: f64) -> Goal {
        let (done, next) = self.turns.split_at(self.next_turn.min(self.turns.len()));
        let ahead = |name: &String| {
            let place = self.course.place(name)?;
            let turn = place.turn(self.direction)?;
            let at = place.at.0;
            ((at - self.at) * self.direction.sign() > 0.0).then_some(Goal::Turn { at, turn, round: false })
        };
        next.iter().chain(done).find_map(ahead).unwrap_or_else(|| self.turn_ahead(from))
    }

    fn turn_ahead(&self, from: f64) -> Goal {
        match self.course.next_turn(Metre(from), self.direction) {
            Some((place, turn)) => Goal::Turn { at: place.at.0, turn, round: false },
            None => {
                let places = &self.course.places;
                let end = if self.direction == Direction::Out { places.last() } else { places.first() };
                let charger = end.and_then(|place| place.charger).is_some_and(|side| side.admits(self.direction));
                let at = end.map_or(0.0, |place| place.at.0);
                if charger { Goal::Charger { at } } else { Goal::EndOfRoad { at } }
            }
        }
    }

    /// The charger ahead, or the turn towards one behind, whichever is the shorter way.
    fn way_to_charger(&self, from: f64) -> Goal {
        let sign = self.direction.sign();
        let ahead = |at: f64| (at - from) * sign;
        let shortest = |direction: Direction, from: f64| {
            let reachable = self.course.chargers().filter(|(_, side)| side.admits(direction));
            let ways = reachable.map(|(place, _)| (place.at.0, (place.at.0 - from) * direction.sign()));
            ways.filter(|(_, way)| *way > 0.0).min_by(|a, b| a.1.total_cmp(&b.1))
        };
        let onward = shortest(self.direction, from);
        let turn = self.turn_ahead(from);
        let turned = match turn {
            Goal::Turn { at, turn, .. } => {
                shortest(self.direction.turned(), at).map(|(_, way)| ahead(at) + turn.length.0 + way)
            }
            _ => None,
        };
        match (onward, turned) {
            (Some((at, way)), Some(back)) if way <= back => Goal::Charger { at },
            (Some((at, _)), None) => Goal::Charger { at },
            _ => turn,
        }
    }

    /// The acceleration that the driver wants at a speed (m/s), for one step (s).
    pub fn wish(&mut self, speed: f64) -> f64 {
        let wander = self.wander.step(&mut self.noise);
        let mut wanted = self.target + wander;
        let mut brake: f64 = 0.0;
        let least = self.braking * if self.on_brake { 0.5 } else { 0.97 };
        let mut ahead = |distance: f64, slower: f64| {
            if speed > slower {
                let need = (speed * speed - slower * slower) / (2.0 * distance.max(0.01));
                if need >= least {
                    brake = brake.max(need);
                }
            }
        };
        match self.turning {
            Some(turning) => wanted = wanted.min(turning.speed),
            None => {
                let (Goal::Turn { at, .. } | Goal::Charger { at } | Goal::EndOfRoad { at }) = self.goal;
                let slower = if let Goal::Turn { turn, .. } = self.goal { turn_speed(turn) } else { 0.0 };
                let distance = (at - self.at) * self.direction.sign();
                if slower == 0.0 && distance < 0.05 {
                    return -self.braking;
                }
                ahead(distance, slower);
                wanted = wanted.min(self.course.stretch_speed(Metre(self.at)).map_or(wanted, |limit| limit.0));
                for stretch in &self.course.stretches {
                    let begins = if self.direction == Direction::Out { stretch.from.0 } else { stretch.to.0 };
                    let distance = (begins - self.at) * self.direction.sign();
                    if let Some(speed) = stretch.speed.filter(|_| distance > 0.0) {
                        ahead(distance, speed.0);
                    }
                }
            }
        }
        for (start, end, slower) in &self.traffic {
            if self.driven < *start {
                ahead(start - self.driven, *slower);
            } else if self.driven < *end {
                wanted = wanted.min(*slower);
            }
        }
        self.on_brake = brake > 0.0;
        let free = ((wanted - speed) / CLOSING_S).clamp(-self.braking, self.acceleration);
        if brake > 0.0 { free.min(-brake.min(BRAKING_MAX)) } else { free }
    }

    /// Moves on by a distance (m) at a speed (m/s).
    pub fn advance(&mut self, distance: f64, speed: f64) {
        self.driven += distance;
        if let Some(turning) = &mut self.turning {
            turning.done += distance;
            if turning.done >= turning.length {
                let round = turning.round;
                self.at = turning.at;
                self.turning = None;
                if !round {
                    self.direction = self.direction.turned();
                    self.next_turn = if self.next_turn + 1 < self.turns.len() { self.next_turn + 1 } else { 0 };
                }
                self.choose(speed);
            }
            return;
        }
        self.at += distance * self.direction.sign();
        if let Goal::Turn { at, turn, round } = self.goal
            && (at - self.at) * self.direction.sign() <= 0.0
        {
            self.turning = Some(Turning { at, length: turn.length.0, speed: turn_speed(turn), done: 0.0, round });
        }
    }
}

fn turn_speed(turn: Turn) -> f64 {
    turn.length.0 / turn.duration.seconds().max(0.1)
}

#[cfg(test)]
mod tests;
