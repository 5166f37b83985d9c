//! What the program is given of a drive: rows of the trace, with the errors of sensors, steps, and lost fixes.
//!
//! Sums are of what the sensors say, exact.

use drawdown::course::{Course, Direction, Position};

use drawdown::ledger::{Phase, Sums, TraceRow};
use drawdown::quantity::Metre;
use drawdown::schema::Role;
use drawdown::time::RunTime;

use super::chance::{Chance, Drift};
use super::world::{Drive, within};

/// A recording under way.
pub struct Recording<'a> {
    course: &'a Course,
    row: TraceRow,
    noise: Chance,
    off: [Drift; 2],
}

impl<'a> Recording<'a> {
    pub fn new(drive: &Drive<'a>, course: &'a Course) -> Self {
        let row = TraceRow {
            at: RunTime(0),
            phase: Phase::Stand,
            sums: Sums::NOTHING,
            roles: [f64::NAN; Role::COUNT],
            latitude_deg: f64::NAN,
            longitude_deg: f64::NAN,
        };
        let off = Drift::new(0.0, 3.0, 60.0);
        let mut recording = Self { course, row, noise: Chance::of(drive.test.seed, 4), off: [off; 2] };
        recording.fill(drive);
        recording
    }

    /// The row of this second.
    pub fn row(&mut self, drive: &Drive) -> &TraceRow {
        let test = drive.test;
        self.row.at = RunTime((drive.t * 1e6) as i64);
        let power = drive.current * drive.voltage * (1.0 + test.energy_gain);
        let amp = drive.current * (1.0 + test.energy_gain);
        let sums = &mut self.row.sums;
        if power > 0.0 {
            sums.energy_out += power;
            sums.charge_out += amp;
        } else {
            sums.energy_in -= power;
            sums.charge_in -= amp;
        }
        sums.distance = drive.driven * (1.0 + test.wheel_gain);
        self.fill(drive);
        &self.row
    }

    fn fill(&mut self, drive: &Drive) {
        let test = drive.test;
        self.row.phase = if drive.speed > 0.3 { Phase::Drive } else { Phase::Stand };
        let amp = drive.current * (1.0 + test.energy_gain) + self.noise.bell(0.2);
        let odometer = ((12_345_600.0 + self.row.sums.distance) / 100.0).floor() * 100.0;
        let mut say = |role: Role, value: f64| self.row.roles[role as usize] = value;
        say(Role::Speed, drive.speed * (1.0 + test.wheel_gain));
        say(Role::Odometer, odometer);
        say(Role::PackVoltage, (drive.voltage * 10.0).round() / 10.0);
        say(Role::PackCurrent, amp);
        say(Role::Soc, drive.shown * 100.0);
        if test.tells.cell {
            let volt = test.pack.lowest_cell(drive.charge, drive.current);
            say(Role::CellVoltageMin, (volt * 1e3).round() / 1e3);
        }
        if test.tells.heaters {
            say(Role::HeaterPower, (drive.cabin_heater / 50.0).round() * 50.0);
            say(Role::BatteryHeaterPower, (drive.pack_heater / 50.0).round() * 50.0);
        }
        if test.tells.rest {
            say(Role::DisplayedRest, drive.says_it_can_go());
        }
        if test.tells.temperature {
            say(Role::PackTemperature, 22.0 + 8.0 * (1.0 - libm::exp(-drive.t / 4_000.0)));
        }
        (self.row.latitude_deg, self.row.longitude_deg) = self.fix(drive).unwrap_or((f64::NAN, f64::NAN));
    }

    fn fix(&mut self, drive: &Drive) -> Option<(f64, f64)> {
        let north = self.off[0].step(&mut self.noise);
        let east = self.off[1].step(&mut self.noise);
        if within(&drive.test.lost, drive.t) {
            return None;
        }
        let (along, aside) = drive.seen();
        let Position { latitude_deg, longitude_deg } = self.course.position(Metre(along))?;
        // Two lanes, and the road runs about east: beside it is north or south.
        let lane = if drive.direction == Direction::Out { -6.0 } else { 6.0 };
        Some((latitude_deg + (north + aside + lane) / 111_200.0, longitude_deg + east / 74_600.0))
    }
}
