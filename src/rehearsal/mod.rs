//! The rehearsal: an invented car on an invented road, whose frames go through a map's own encoder.
//!
//! A [`Scenario`] (TOML) says what car, road load, pack, battery computer, wind, sensors and bus noise; [`Rehearsal`] drives it
//! and yields the frames a recorder would have received; [`Truth`] is what really happened, known to no recorder. The
//! same scenario gives the same bytes on every machine: the model uses `+ - * /`, square roots and the `libm` crate only,
//! and seeded noise. It plans nothing, decodes nothing and reduces nothing.
//!
//! `docs/rehearsal.md` describes the model and the scenario's keys.

mod bus;
mod car;
mod check;
mod computer;
mod driver;
mod elsewhere;
mod log;
mod noise;
mod pack;
mod readings;
mod road;
mod scenario;
mod senses;
mod truth;

use crate::course::Course;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::{Batch, BusNames};
use crate::time::{Span, Steady};

pub use driver::Order;
pub use log::{load, record, record_drive, truth_path, write};
pub use readings::{Asked, Readings};
pub use road::RoadLoad;
pub use scenario::{
    Absent, Air, BusTiming, ChargeBefore, Climate, ColdTyres, Computer, ConstantOrCounter, Curve, Drive, Gap, Jump,
    NoiseFrame, PackSpec, Plateau, Polarisation, Regeneration, Resistance, Rounding, Satellite, Scenario,
    SensorCurrent, SensorVoltage, Sensors, Traffic, Vehicle, WeakestCell,
};
pub use truth::{Checkpoint, GapTruth, Part, Reserve, Truth};

use bus::Receiver;
use car::{Car, Stage};
use senses::Senses;
use truth::Witness;

/// A drive under way: steps yield frames, the end yields the truth.
pub struct Rehearsal {
    car: Car,
    receiver: Receiver,
    witness: Witness,
    start: Steady,
    steps_left: u64,
}

impl Rehearsal {
    /// A car at its start; the faults say what the scenario asks that this course or map does not have.
    pub fn new(scenario: &Scenario, course: &Course, map: &Map) -> Result<Self, Vec<Fault>> {
        let faults = check::against_course(scenario, course);
        Self::checked(scenario, course, map, faults)
    }

    /// The same car on another course than the scenario's: from its first charger, to and fro between the turns furthest apart.
    pub fn elsewhere(scenario: &Scenario, course: &Course, map: &Map) -> Result<Self, Vec<Fault>> {
        Self::checked(&elsewhere::on(scenario, course), course, map, Vec::new())
    }

    fn checked(scenario: &Scenario, course: &Course, map: &Map, mut faults: Vec<Fault>) -> Result<Self, Vec<Fault>> {
        let (receiver, more) = Receiver::new(scenario, map);
        faults.extend(more);
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Self {
            car: Car::new(scenario, course),
            receiver,
            witness: Witness::new(scenario),
            start: Steady(scenario.start.0),
            steps_left: (scenario.drive.hours_max * 3_600_000.0 / f64::from(scenario.step_ms)) as u64,
        })
    }

    /// Lets the first moment be another than the scenario's, for stamps on a clock of its own.
    pub fn begin_at(&mut self, start: Steady) {
        self.start = start;
    }

    /// The moment up to which it has been driven.
    pub fn now(&self) -> Steady {
        self.start + Span::from_seconds(self.car.time())
    }

    /// Tells the driver what to do next; with `None` it drives as the scenario says, and to the charger at displayed 0 %.
    pub fn follow(&mut self, order: Option<Order>) {
        self.car.follow(order);
    }

    /// The buses that its frames come on, in the order in which they are numbered.
    pub fn buses(&self) -> &[String] {
        self.receiver.buses()
    }

    /// Drives one step of the model further and appends what was received in it, in time order; `false` once the bus is
    /// silent for good. Stamps are microseconds of wall-clock time.
    pub fn step(&mut self, out: &mut Batch, names: &mut BusNames) -> bool {
        if self.car.stage() == Stage::Silent || self.steps_left == 0 {
            return false;
        }
        self.steps_left -= 1;
        let moment = self.car.step();
        self.witness.see(&moment, &self.car);
        self.car.told_zero(self.witness.zero_is_held());
        let senses = Senses { moment: &moment, car: &self.car, sums: self.witness.sums() };
        self.receiver.receive(&senses, self.start, out, names);
        true
    }

    /// Drives to the end; each step's frames are handed over and dropped.
    pub fn run(mut self, mut each: impl FnMut(&Batch, &BusNames)) -> Truth {
        let (mut batch, mut names) = (Batch::default(), BusNames::default());
        while self.step(&mut batch, &mut names) {
            each(&batch, &names);
            batch.clear();
        }
        self.truth()
    }

    /// What really happened so far.
    pub fn truth(&self) -> Truth {
        self.witness.truth(&self.car)
    }
}

#[cfg(test)]
mod tests;
