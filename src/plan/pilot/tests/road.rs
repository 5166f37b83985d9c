//! A car of plain arithmetic on a straight road along the equator: so many joules a metre out and back, a straight display; for tests.
//!
//! What it does is known by hand: no model, no bus. Knows no pilot.

use std::sync::Arc;

use crate::course::{Course, Direction, Place, Position, Side, Turn};
use crate::ledger::{Phase, Sums, TraceRow};
use crate::quantity::Metre;
use crate::schema::Role;
use crate::time::{RunTime, Span};

/// A degree of longitude on the equator, m (WGS84: 2 pi 6,378,137 / 360).
const DEGREE_M: f64 = 111_319.490_793;
/// Every turn's way, m.
pub const TURN_M: f64 = 600.0;

/// A charger and safe stop at 0; so many places to turn, evenly apart up to `km`.
pub fn course(places: usize, km: f64) -> Arc<Course> {
    let place = |index: usize| {
        let at = Metre::from_km(km * index as f64 / (places - 1) as f64);
        let home = index == 0;
        let turn = Some(Turn { length: Metre(TURN_M), duration: Span::of_seconds(60) }).filter(|_| !home);
        Place {
            name: format!("P{index}"),
            at,
            elevation: None,
            position: Some(Position { latitude_deg: 0.0, longitude_deg: at.0 / DEGREE_M }),
            turn_out: turn,
            turn_back: turn,
            charger: home.then_some(Side::Both),
            refuge: home.then_some(Side::Both),
            trailer: true,
        }
    };
    Arc::new(Course {
        name: "road".into(),
        places: (0..places).map(place).collect(),
        stretches: Vec::new(),
        finish: None,
    })
}

/// The same without positions.
pub fn blind(course: &Course) -> Arc<Course> {
    let mut course = course.clone();
    course.places.iter_mut().for_each(|place| place.position = None);
    Arc::new(course)
}

/// The car.
#[derive(Clone, Debug)]
pub struct Car {
    pub t: f64,
    pub at: f64,
    pub direction: Direction,
    /// m/s over the ground; its wheels show 1 % more.
    pub speed: f64,
    /// J/m out and back.
    pub takes: [f64; 2],
    /// From full to displayed 0, J, and taken so far.
    pub usable: f64,
    pub taken: f64,
    pub driven: f64,
    /// Way of the turn still to be driven, m.
    pub turning: f64,
    /// The display's step, as a share.
    pub step: f64,
    /// Its fixes are received.
    pub fixes: bool,
    /// Its pack is seen, and its display.
    pub pack: bool,
    pub display: bool,
    /// Extra power, W.
    pub extra: f64,
}

pub const WHEELS: f64 = 1.01;

impl Car {
    /// Full, at home, 600 J/m both ways, 50 kWh, at 108 km/h.
    pub fn new() -> Self {
        Self {
            t: 0.0,
            at: 0.0,
            direction: Direction::Out,
            speed: 30.0,
            takes: [600.0; 2],
            usable: 50.0 * 3.6e6,
            taken: 0.0,
            driven: 0.0,
            turning: 0.0,
            step: 0.005,
            fixes: true,
            pack: true,
            display: true,
            extra: 0.0,
        }
    }

    /// Turns here.
    pub fn turn(&mut self) {
        self.turning = TURN_M;
        self.direction = self.direction.turned();
    }

    /// Drives so many seconds on; the row then.
    pub fn drive(&mut self, dt: f64) -> TraceRow {
        self.t += dt;
        let way = self.speed * dt;
        self.driven += way;
        let on = (way - self.turning).max(0.0);
        self.turning = (self.turning - way).max(0.0);
        self.at += self.direction.sign() * on;
        let takes = self.takes[usize::from(self.direction == Direction::Back)];
        self.taken += takes * way + self.extra * dt;
        self.row()
    }

    /// The share displayed.
    pub fn shown(&self) -> f64 {
        let share = 1.0 - self.taken / self.usable;
        ((share / self.step - 1e-9).ceil() * self.step).clamp(0.0, 1.0)
    }

    /// Energy until it shows 0, J.
    pub fn left(&self) -> f64 {
        self.usable - self.taken
    }

    pub fn row(&self) -> TraceRow {
        let mut roles = [f64::NAN; Role::COUNT];
        roles[Role::Speed as usize] = self.speed * WHEELS;
        if self.display {
            roles[Role::Soc as usize] = 100.0 * self.shown();
        }
        let energy = if self.pack { self.taken } else { f64::NAN };
        let sums = Sums {
            energy_out: energy,
            energy_in: energy * 0.0,
            energy_charged: energy * 0.0,
            charge_out: energy / 350.0,
            charge_in: energy * 0.0,
            charge_charged: energy * 0.0,
            distance: self.driven * WHEELS,
            time_unobserved: 0.0,
        };
        let (latitude_deg, longitude_deg) = if self.fixes { (0.0, self.at / DEGREE_M) } else { (f64::NAN, f64::NAN) };
        let at = RunTime((self.t * 1e6).round() as i64);
        let phase = if self.speed > 0.0 { Phase::Drive } else { Phase::Stand };
        TraceRow { at, phase, sums, roles, latitude_deg, longitude_deg }
    }
}
