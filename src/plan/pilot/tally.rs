//! From rows of the trace to what happened between them: seconds, joules, metres; runs of one test joined.
//!
//! The sums of a run begin at nothing; a step that no car can make (a meter that leaps) is not believed. What went unobserved is
//! filled with the power and the speed of just before, and said beside it. Does not judge what it means.

use crate::geodesy::{Position, geodesic};
use crate::ledger::{Phase, TraceRow};
use crate::schema::Role;

/// More power than any car's, W, and more speed, m/s: what is above is a fault of the reading.
const POWER_MAX: f64 = 1.5e6;
const SPEED_MAX: f64 = 100.0;
/// Power and speed of just before: means over so many seconds.
const RECENT_S: f64 = 60.0;
/// A filled stretch is known to this share of itself: common practice, no source.
const FILL_U: f64 = 0.3;
/// Fixes this far apart show a way, m, and a speed for so long, s: common practice, no source.
const CHORD_M: f64 = 25.0;
const CHORD_S: f64 = 10.0;
/// Seconds unobserved within a step that are no more than the ledger's own edge.
const EDGE_S: f64 = 0.05;

/// What happened between two rows.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Step {
    /// How long it took, s; 0 from one run to the next.
    pub dt: f64,
    /// Whether the car drove.
    pub drives: bool,
    /// Net energy out of the pack, J; `None` where it is not measured.
    pub energy: Option<f64>,
    /// Net charge out of the pack, C.
    pub charge: Option<f64>,
    /// Distance by the wheels, m.
    pub wheel: Option<f64>,
    /// Energy that was filled in, J, and its standard uncertainty.
    pub filled: f64,
    /// See `filled`.
    pub filled_u: f64,
    /// Time in which the pack's power was unobserved, s.
    pub unobserved: f64,
    /// Speed by the wheels now, m/s.
    pub speed: Option<f64>,
    /// The first row of a run.
    pub begins: bool,
}

impl Step {
    /// All energy, with what was filled in.
    pub fn all_energy(&self) -> Option<f64> {
        self.energy.map(|energy| energy + self.filled)
    }

    /// Mean power over it, W.
    pub fn power(&self) -> Option<f64> {
        self.energy.filter(|_| self.dt > 0.0 && self.unobserved <= EDGE_S).map(|energy| energy / self.dt)
    }
}

/// Forms steps.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    last: Option<(u64, TraceRow)>,
    power: f64,
    speed: f64,
    /// Without wheels: the fix from which the way is counted, its run's time, s, and the speed found last with its age, s.
    fix_from: Option<(Position, f64)>,
    fix_speed: Option<(f64, f64)>,
}

/// A value that is known.
pub fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

impl Tally {
    /// The step to this row; `None` for a row that is not after the one before.
    pub fn step(&mut self, run: u64, row: &TraceRow) -> Option<Step> {
        let last = self.last.take();
        let before = last.as_ref().filter(|(known, _)| *known == run).map(|(_, row)| row);
        if before.is_some_and(|before| row.at <= before.at) || last.as_ref().is_some_and(|(known, _)| *known > run) {
            self.last = last;
            return None;
        }
        let begins = before.is_none();
        let speed = finite(row.roles[Role::Speed as usize]).filter(|speed| (0.0..SPEED_MAX).contains(speed));
        // A test's first row may come late in its run: what lies before it is not this test's.
        let dt = before.map_or(0.0, |before| (row.at - before.at).seconds());
        let mut step = Step { dt, drives: row.phase == Phase::Drive, speed, begins, ..Step::default() };
        if let Some(before) = before {
            self.sum_up(&mut step, before, row);
        }
        if step.wheel.is_none() && !begins {
            self.by_fixes(&mut step, row);
        }
        let weight = 1.0 - libm::exp(-dt / RECENT_S);
        if let Some(power) = step.power() {
            self.power += (power - self.power) * weight;
        }
        if let Some(speed) = speed {
            self.speed += (speed - self.speed) * weight;
        }
        self.last = Some((run, row.clone()));
        Some(step)
    }

    fn sum_up(&self, step: &mut Step, before: &TraceRow, row: &TraceRow) {
        let (from, to) = (&before.sums, &row.sums);
        let allowed = |value: f64, most: f64| finite(value).filter(|value| value.abs() <= most * (step.dt + 1.0));
        let net = |a: f64, b: f64, c: f64, d: f64| (c - a) - (d - b);
        step.energy = allowed(net(from.energy_out, from.energy_in, to.energy_out, to.energy_in), POWER_MAX);
        step.charge = allowed(net(from.charge_out, from.charge_in, to.charge_out, to.charge_in), POWER_MAX / 100.0);
        let unobserved = finite(to.time_unobserved - from.time_unobserved).filter(|time| *time > EDGE_S);
        step.unobserved = unobserved.unwrap_or(0.0).min(step.dt);
        if to.energy_out.is_finite() && step.energy.is_none() {
            step.energy = Some(0.0);
            step.unobserved = step.dt;
        }
        step.filled = self.power * step.unobserved;
        step.filled_u = FILL_U * step.filled.abs();
        step.wheel = allowed(to.distance - from.distance, SPEED_MAX).filter(|way| *way >= 0.0);
        let odometer = row.roles[Role::Odometer as usize] - before.roles[Role::Odometer as usize];
        let mapped = to.distance.is_finite();
        if !mapped {
            step.wheel = allowed(odometer, SPEED_MAX).filter(|way| *way >= 0.0);
        } else if step.unobserved > 1.0 {
            // Where the bus fell silent, the wheels did too.
            let filled = self.speed * step.unobserved;
            step.wheel = Some(step.wheel.map_or(filled, |way| way.max(filled.min(self.speed * step.dt))));
        }
    }

    /// A car whose wheels are on no bus that is known: chords between fixes, longer than those err.
    fn by_fixes(&mut self, step: &mut Step, row: &TraceRow) {
        let (fix, t) = ((row.latitude_deg, row.longitude_deg), row.at.seconds());
        self.fix_speed = self.fix_speed.map(|(speed, age)| (speed, age + step.dt)).filter(|(_, age)| *age < CHORD_S);
        if fix.0.abs() <= 90.0 && fix.1.abs() <= 540.0 {
            let (from, since) = *self.fix_from.get_or_insert((fix, t));
            let way = geodesic(from, fix);
            step.wheel = Some(0.0);
            if way >= CHORD_M {
                self.fix_from = Some((fix, t));
                let speed = way / (t - since);
                if t > since && speed < SPEED_MAX {
                    step.wheel = Some(way);
                    self.fix_speed = Some((speed, 0.0));
                }
            }
        }
        step.speed = step.speed.or(self.fix_speed.map(|(speed, _)| speed));
        step.drives |= step.speed.is_some();
    }
}
