//! A rehearsal without a bus: the sensors' readings themselves, by role, each at its own period.
//!
//! For trials that need thousands of drives, where making and decoding frames would take most of the time. The car, its
//! sensors and the truth are those of [`super::Rehearsal`]; no map, no frame and no jitter take part.

use super::car::{Car, Stage};
use super::check;
use super::scenario::Scenario;
use super::senses::{Senses, Sensing};
use super::truth::{Truth, Witness};
use crate::course::Course;
use crate::document::Fault;
use crate::schema::Role;
use crate::time::{RunTime, Span};

/// A role that is read, and how often.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Asked {
    /// Which.
    pub role: Role,
    /// Its period, s.
    pub period_s: f64,
    /// When it is first read, s since the start.
    pub begins_s: f64,
}

/// A drive under way whose readings are handed out.
pub struct Readings {
    car: Car,
    sensing: Sensing,
    witness: Witness,
    asked: Vec<(Asked, u64)>,
    gaps: Vec<(f64, f64)>,
    steps_left: u64,
    due: Vec<(i64, usize)>,
}

impl Readings {
    /// A car at its start; the faults say what the scenario asks that this course does not have.
    pub fn new(scenario: &Scenario, course: &Course, asked: &[Asked]) -> Result<Self, Vec<Fault>> {
        let faults = check::against_course(scenario, course);
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Self {
            car: Car::new(scenario, course),
            sensing: Sensing::new(scenario),
            witness: Witness::new(scenario),
            asked: asked.iter().map(|asked| (*asked, 0)).collect(),
            gaps: scenario.gap.iter().map(|gap| (gap.start_s, gap.start_s + gap.duration_s)).collect(),
            steps_left: (scenario.drive.hours_max * 3_600_000.0 / f64::from(scenario.step_ms)) as u64,
            due: Vec::new(),
        })
    }

    /// Drives one step further and hands out what was read in it, in time order, by its place in what was asked; `false`
    /// once the car sleeps.
    pub fn step(&mut self, mut each: impl FnMut(usize, RunTime, f64)) -> bool {
        if self.car.stage() == Stage::Silent || self.steps_left == 0 {
            return false;
        }
        self.steps_left -= 1;
        let moment = self.car.step();
        self.witness.see(&moment, &self.car);
        self.car.told_zero(self.witness.zero_is_held());
        self.sensing.remember(&moment);
        let until = Span::from_seconds(moment.time).0;
        self.due.clear();
        for (place, (asked, read)) in self.asked.iter_mut().enumerate() {
            let at = |read: u64| Span::from_seconds(asked.begins_s + read as f64 * asked.period_s.max(1e-3)).0;
            while at(*read) <= until {
                self.due.push((at(*read), place));
                *read += 1;
            }
        }
        self.due.sort_unstable();
        let now = Senses { moment: &moment, car: &self.car, sums: self.witness.sums() };
        for (at, place) in &self.due {
            let time = *at as f64 / 1e6;
            let Some((asked, _)) = self.asked.get(*place) else { continue };
            let value = self.sensing.read(asked.role, 1.0, time, &now);
            if !self.gaps.iter().any(|(from, to)| (*from..*to).contains(&time)) {
                each(*place, RunTime(*at), value);
            }
        }
        true
    }

    /// What really happened so far.
    pub fn truth(&self) -> Truth {
        self.witness.truth(&self.car)
    }
}

#[cfg(test)]
mod tests;
