//! The world's truth: a drawn car on its road, second by second.
//!
//! Naive arithmetic of its own, nothing of the program's. Decides nothing: at a place it does what the driver says.

use drawdown::course::{Course, Direction};

use super::chance::{Chance, Drift};
use super::draw::{Test, While};

/// Shelter from the wind differs from one stretch of so many metres to the next.
const SHELTER_M: f64 = 3_000.0;
/// Turning and short ways round are driven at this speed at most, m/s.
const SLOW: f64 = 11.0;

/// What the driver does at a place.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Deed {
    On,
    Turn,
    Round,
    Arrive,
}

/// What a second brought.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Event {
    Nothing,
    /// The car comes to a place and waits for the driver's word.
    Place(usize),
    Stopped,
}

/// A way off the road: how long, how far, and which way it leads on.
#[derive(Clone, Copy, Debug)]
struct Aside {
    length: f64,
    done: f64,
    place: usize,
    onward: Direction,
    round: bool,
}

/// A drive under way.
#[derive(Clone)]
pub struct Drive<'a> {
    pub test: &'a Test,
    course: &'a Course,
    pub t: f64,
    /// Along the road, m; and which way.
    pub at: f64,
    pub direction: Direction,
    pub speed: f64,
    aside: Option<Aside>,
    /// Past the place whose word is awaited, m.
    past: f64,
    /// Above displayed 0, C.
    pub charge: f64,
    pub power: f64,
    pub current: f64,
    pub voltage: f64,
    /// Heating of the pack and of the cabin beyond the usual, W.
    pub pack_heater: f64,
    pub cabin_heater: f64,
    held: f64,
    hold: f64,
    pub shown: f64,
    pub driven: f64,
    /// On the last way to a charger so far away, m: set by the driver.
    pub homeward: Option<f64>,
    warmed: f64,
    recent: f64,
    gust: Drift,
    slow: Drift,
    shelter: Vec<f64>,
    noise: Chance,
    pub shown_zero: bool,
    /// The driver's own chance: misses.
    pub luck: Chance,
}

impl<'a> Drive<'a> {
    pub fn new(test: &'a Test, course: &'a Course, start: usize, direction: Direction) -> Self {
        let mut noise = Chance::of(test.seed, 2);
        let long = course.places.last().map_or(0.0, |place| place.at.0);
        let pieces = (long / SHELTER_M) as usize + 2;
        let shelter = (0..pieces).map(|_| noise.normal(test.air.shelter)).collect();
        let slow = Drift::new(noise.normal(test.air.drift), test.air.drift, 5_400.0);
        Self {
            test,
            course,
            t: 0.0,
            at: course.places[start].at.0,
            direction,
            speed: 0.0,
            aside: None,
            past: 0.0,
            charge: test.pack.charge,
            power: 0.0,
            current: 0.0,
            voltage: test.pack.voltage(test.pack.charge, 0.0),
            pack_heater: 0.0,
            cabin_heater: 0.0,
            held: 1.0,
            hold: noise.between(0.01, 0.03),
            shown: 1.0,
            driven: 0.0,
            homeward: None,
            warmed: 0.0,
            recent: test.per_metre * (1.0 + test.own[1]),
            gust: Drift::new(0.0, test.air.gust, 25.0),
            slow,
            shelter,
            noise,
            shown_zero: false,
            luck: Chance::of(test.seed, 3),
        }
    }

    /// Its road.
    pub fn course(&self) -> &'a Course {
        self.course
    }

    /// The next place ahead and how far it is; none past the end, and none while turning.
    pub fn next_place(&self) -> Option<(usize, f64)> {
        if self.aside.is_some() {
            return None;
        }
        let places = &self.course.places;
        let sign = self.direction.sign();
        let way = |place: usize| (places[place].at.0 - self.at) * sign;
        match self.direction {
            Direction::Out => (0..places.len()).find(|place| way(*place) > 1e-9),
            Direction::Back => (0..places.len()).rev().find(|place| way(*place) > 1e-9),
        }
        .map(|place| (place, way(place)))
    }

    /// Energy left above displayed 0, J.
    pub fn left(&self) -> f64 {
        self.test.pack.energy_of(self.charge)
    }

    /// The distance that the car says it can go, m.
    pub fn says_it_can_go(&self) -> f64 {
        let own = self.test.pack.usable() * (1.0 + self.test.own[0]);
        (self.shown * own / self.recent / 1e3).round() * 1e3
    }

    /// A second passes.
    pub fn step(&mut self) -> Event {
        self.t += 1.0;
        let (speed, moved) = self.move_on();
        self.take(speed);
        self.show(moved);
        if self.charge <= -self.test.pack.below {
            return Event::Stopped;
        }
        self.driven += moved;
        self.homeward = self.homeward.map(|way| way - moved);
        self.along(moved)
    }

    /// Speed and way of this second.
    fn move_on(&mut self) -> (f64, f64) {
        let wanted = if self.aside.is_some() { SLOW } else { self.wanted() };
        let before = self.speed;
        self.speed = before + ((wanted - before) / 4.0).clamp(-1.5, 0.7);
        let mean = 0.5 * (before + self.speed);
        (mean, mean)
    }

    fn wanted(&self) -> f64 {
        let stretch =
            self.course.stretch_speed(drawdown::quantity::Metre(self.at)).map_or(f64::INFINITY, |speed| speed.0);
        let traffic = now(&self.test.traffic, self.t).unwrap_or(f64::INFINITY);
        self.test.target.min(stretch).min(traffic)
    }

    /// The energy that it takes.
    fn take(&mut self, speed: f64) {
        let (vehicle, air) = (&self.test.vehicle, &self.test.air);
        let pushed = (self.speed - speed) * 2.0;
        let shelter = self.shelter[((self.at.max(0.0) / SHELTER_M) as usize).min(self.shelter.len() - 1)];
        let wind = air.wind + self.slow.step(&mut self.noise) + shelter;
        let gust = self.gust.step(&mut self.noise);
        let (wind, grade) = match self.aside {
            Some(_) => (gust, 0.0),
            None => ((wind + gust) * self.direction.sign(), self.grade() * self.direction.sign()),
        };
        let cold = 1.0 + vehicle.cold_share * libm::exp(-self.t / vehicle.cold_s);
        let rolling = vehicle.mass * 9.81 * vehicle.rolling * cold * f64::from(speed > 0.1);
        let through = speed + wind;
        let drag = 0.5 * air.density * vehicle.drag_area * through * through.abs();
        let force = rolling + drag + vehicle.mass * (9.81 * grade + 1.04 * pushed);
        let wheels = force * speed;
        let drive = if wheels > 0.0 { wheels / vehicle.drive } else { (wheels * vehicle.regain).max(-60_000.0) };
        let fading = libm::exp(-self.t / 420.0);
        let climate = vehicle.climate + (vehicle.climate_start - vehicle.climate) * fading;
        self.heat(climate);
        self.power = drive + vehicle.accessory + self.cabin_heater + self.pack_heater;
        self.current = self.test.pack.current(self.power, self.charge);
        self.voltage = self.test.pack.voltage(self.charge, self.current);
        self.charge -= self.current;
    }

    fn heat(&mut self, climate: f64) {
        self.cabin_heater = climate + now(&self.test.extra, self.t).unwrap_or(0.0);
        self.pack_heater = 0.0;
        let Some(warming) = self.test.warming else { return };
        let near = self.homeward.is_some_and(|way| way < warming.within);
        if near && self.warmed < warming.lasts && self.shown >= warming.not_below {
            self.pack_heater = warming.power;
            self.warmed += 1.0;
        }
    }

    fn grade(&self) -> f64 {
        self.course.grade(drawdown::quantity::Metre(self.at))
    }

    /// What the displays say now.
    fn show(&mut self, moved: f64) {
        let level = self.test.pack.level(self.charge);
        // The display of flat cells stays until it is too far off, then jumps; where the voltage tells, it follows.
        let sticks = self.test.pack.flat && (0.12..0.97).contains(&level);
        if !sticks {
            self.held = level;
        } else if (self.held - level).abs() > self.hold {
            self.held = level;
            self.hold = self.noise.between(0.01, 0.03);
        }
        self.shown = self.test.pack.shown(self.held);
        self.shown_zero |= self.shown <= 0.0;
        if moved > 3.0 {
            self.recent += (self.power / moved - self.recent) * moved / 20_000.0;
        }
    }

    /// Along the road, or on the way round.
    fn along(&mut self, moved: f64) -> Event {
        if let Some(aside) = &mut self.aside {
            aside.done += moved;
            if aside.done < aside.length {
                return Event::Nothing;
            }
            let Aside { done, length, place, onward, round } = *aside;
            self.aside = None;
            self.direction = onward;
            self.at = self.course.places[place].at.0;
            self.past = done - length;
            if round {
                return Event::Place(place);
            }
            self.at += self.past * onward.sign();
            return Event::Nothing;
        }
        let next = self.next_place();
        self.at += moved * self.direction.sign();
        match next {
            Some((place, way)) if way <= moved => {
                self.past = moved - way;
                self.at = self.course.places[place].at.0;
                Event::Place(place)
            }
            _ => Event::Nothing,
        }
    }

    /// At a place: the driver's word is done.
    pub fn do_at(&mut self, place: usize, deed: Deed) {
        let aside = |length: f64, onward: Direction, round: bool| Aside { length, done: 0.0, place, onward, round };
        match deed {
            Deed::On => self.at += self.past * self.direction.sign(),
            Deed::Turn => {
                let turn = self.course.places[place].turn(self.direction);
                let length = turn.map_or(2_000.0, |turn| turn.length.0);
                self.aside = Some(Aside { done: self.past, ..aside(length, self.direction.turned(), false) });
            }
            Deed::Round => {
                let length = self.course.finish.as_ref().map_or(0.0, |finish| finish.length.0);
                self.aside = Some(Aside { done: self.past, ..aside(length, self.direction, true) });
            }
            Deed::Arrive => {}
        }
        self.past = 0.0;
    }

    /// Where the receiver sees the car: along the road and beside it, m.
    pub fn seen(&self) -> (f64, f64) {
        let Some(aside) = &self.aside else { return (self.at, 0.0) };
        let share = (aside.done / aside.length).clamp(0.0, 1.0);
        let (sine, cosine) = libm::sincos(std::f64::consts::TAU * share);
        if aside.round {
            // A circle to the side of the road.
            let radius = aside.length / std::f64::consts::TAU;
            return (self.at + self.direction.sign() * radius * sine, radius * (1.0 - cosine));
        }
        // Past the place, over the road and back to it.
        let reach = 250.0_f64.min(aside.length / 4.0);
        let forth = libm::sin(std::f64::consts::PI * share);
        (self.at + self.direction.sign() * reach * forth, 40.0 * sine)
    }
}

/// What a list of stretches says for a moment: the last that holds it.
fn now(list: &[While], t: f64) -> Option<f64> {
    list.iter().rev().find(|one| one.from <= t && t < one.to).map(|one| one.value)
}

/// Whether a moment is within one of them.
pub fn within(list: &[While], t: f64) -> bool {
    now(list, t).is_some()
}
