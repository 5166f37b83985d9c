//! How well the sensors are known: what the map says, else what common practice assumes, said as assumed.
//!
//! The runs of one test share the car's sensors, so one set holds for all of them. Several packs count as one sensor
//! with one error, which is never too small.

use super::capacity::SensorErrors;
use super::input::{RoleUse, RunInput};
use crate::schema::Role;

/// Assumed where the map gives nothing, one standard uncertainty: common practice, no source.
mod assumed {
    /// Current gain, in parts.
    pub const CURRENT_GAIN: f64 = 0.02;
    /// Current zero, A.
    pub const CURRENT_ZERO: f64 = 1.0;
    /// Voltage gain, in parts.
    pub const VOLTAGE_GAIN: f64 = 0.005;
    /// Gain of a power that the car gives, in parts.
    pub const POWER_GAIN: f64 = 0.02;
    /// Its zero, W: 1 A at 350 V.
    pub const POWER_ZERO: f64 = 350.0;
    /// Scale of wheel speed or odometer, in parts: tyre wear and pressure move it so far.
    pub const DISTANCE_SCALE: f64 = 0.01;
}
/// Scale of the line through the fixes, in parts: common practice, no source.
pub const FIXES_SCALE: f64 = 0.005;
/// Skew between voltage and current, s: common practice, no source.
pub const SKEW_S: f64 = 0.005;

/// One standard uncertainty of every sensor, and what of it was assumed.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Tolerances {
    /// Current and voltage.
    pub sensors: SensorErrors,
    /// The car gives power alone: its gain in parts and zero in W; there is no charge then.
    pub power: Option<(f64, f64)>,
    /// Scale of the wheel speed, in parts.
    pub speed_scale: f64,
    /// Scale of the odometer, in parts.
    pub odometer_scale: f64,
    /// What this room assumed, in plain words.
    pub assumed: Vec<String>,
    /// What the map says, with its basis, in plain words.
    pub stated: Vec<String>,
}

impl Tolerances {
    /// Of the car that made the runs: each role as the first run that has it says.
    pub fn of(runs: &[RunInput]) -> Self {
        let mut found =
            Self { speed_scale: assumed::DISTANCE_SCALE, odometer_scale: assumed::DISTANCE_SCALE, ..Self::default() };
        let role = |role: Role| runs.iter().find_map(|run| run.role(role));
        if role(Role::PackCurrent).is_some() || role(Role::PackPower).is_none() {
            let current = role(Role::PackCurrent);
            found.sensors.current_gain = found.parts("current gain", current, assumed::CURRENT_GAIN);
            found.sensors.current_zero = found.zero("current zero", current, assumed::CURRENT_ZERO, "A");
            let voltage = role(Role::PackVoltage);
            found.sensors.voltage_gain = found.parts("voltage gain", voltage, assumed::VOLTAGE_GAIN);
            found.sensors.voltage_zero = found.zero("voltage zero", voltage, 0.0, "V");
        } else {
            let power = role(Role::PackPower);
            let gain = found.parts("power gain", power, assumed::POWER_GAIN);
            found.power = Some((gain, found.zero("power zero", power, assumed::POWER_ZERO, "W")));
        }
        if let Some(speed) = role(Role::Speed) {
            found.speed_scale = found.parts("scale of the speed", Some(speed), assumed::DISTANCE_SCALE);
        }
        if let Some(odometer) = role(Role::Odometer) {
            found.odometer_scale = found.parts("scale of the odometer", Some(odometer), assumed::DISTANCE_SCALE);
        }
        found.assumed.push(format!("skew of voltage and current {} ms", SKEW_S * 1e3));
        found
    }

    fn parts(&mut self, name: &str, role: Option<&RoleUse>, default: f64) -> f64 {
        let given = role.and_then(|role| role.gain);
        let value = given.unwrap_or(default);
        self.say(format!("{name} {}", crate::format::share(value)), role, given.is_some());
        value
    }

    fn zero(&mut self, name: &str, role: Option<&RoleUse>, default: f64, unit: &str) -> f64 {
        let given = role.and_then(|role| role.offset);
        let value = given.unwrap_or(default);
        if value > 0.0 {
            self.say(format!("{name} {} {unit}", crate::format::significant(value, 2)), role, given.is_some());
        }
        value
    }

    fn say(&mut self, text: String, role: Option<&RoleUse>, given: bool) {
        match role {
            // A map may say itself that it only assumes; that is its word still, not this room's.
            Some(role) if given => self.stated.push(format!("{text} ({})", role.basis.text())),
            _ => self.assumed.push(text),
        }
    }
}
