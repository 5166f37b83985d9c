//! How well the sensors are known: what the card says, else what the map says, else what common practice assumes, said as assumed.
//!
//! The runs of one test share the car's sensors, so one set holds for all of them. Several packs count as one sensor
//! with one error, which is never too small.

use super::capacity::SensorErrors;
use super::input::{RoleUse, RunInput};
use crate::card::{Card, Sensor, SensorTolerance, ToleranceBasis};
use crate::map::Basis;
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
    /// What card and map say, with its basis, in plain words.
    pub stated: Vec<String>,
}

/// A role with the card's word in place of the map's, and that word.
type Word = (Option<RoleUse>, Option<SensorTolerance>);

/// A role by the card's word where it has one: what the card leaves open stays the map's.
fn by_card(role: Option<&RoleUse>, card: Option<&Card>, sensor: Sensor) -> Word {
    let word = card.and_then(|card| card.tolerances.iter().find(|word| word.sensor == sensor)).copied();
    let Some((role, word)) = role.zip(word) else { return (role.cloned(), None) };
    let (gain, offset) = (word.gain.or(role.gain), word.offset.or(role.offset));
    (Some(RoleUse { gain, offset, ..role.clone() }), Some(word))
}

fn basis(of: ToleranceBasis) -> Basis {
    match of {
        ToleranceBasis::DataSheet => Basis::DataSheet,
        ToleranceBasis::Balanced => Basis::BalancedAgainstMeter,
        ToleranceBasis::Assumed => Basis::Assumed,
    }
}

impl Tolerances {
    /// Of the car that made the runs: each role as the card says, else as the first run that has it.
    pub fn of(runs: &[RunInput], card: Option<&Card>) -> Self {
        let mut found =
            Self { speed_scale: assumed::DISTANCE_SCALE, odometer_scale: assumed::DISTANCE_SCALE, ..Self::default() };
        let role = |role: Role| runs.iter().find_map(|run| run.role(role));
        let word = |sensor: Sensor, of: Role| by_card(role(of), card, sensor);
        if role(Role::PackCurrent).is_some() || role(Role::PackPower).is_none() {
            let current = word(Sensor::PackCurrent, Role::PackCurrent);
            found.sensors.current_gain = found.parts("current gain", &current, assumed::CURRENT_GAIN);
            found.sensors.current_zero = found.zero("current zero", &current, assumed::CURRENT_ZERO, "A");
            let voltage = word(Sensor::PackVoltage, Role::PackVoltage);
            found.sensors.voltage_gain = found.parts("voltage gain", &voltage, assumed::VOLTAGE_GAIN);
            found.sensors.voltage_zero = found.zero("voltage zero", &voltage, 0.0, "V");
        } else {
            let power = word(Sensor::PackPower, Role::PackPower);
            let gain = found.parts("power gain", &power, assumed::POWER_GAIN);
            found.power = Some((gain, found.zero("power zero", &power, assumed::POWER_ZERO, "W")));
        }
        if role(Role::Speed).is_some() {
            let speed = word(Sensor::Speed, Role::Speed);
            found.speed_scale = found.parts("scale of the speed", &speed, assumed::DISTANCE_SCALE);
        }
        if role(Role::Odometer).is_some() {
            let odometer = word(Sensor::Odometer, Role::Odometer);
            found.odometer_scale = found.parts("scale of the odometer", &odometer, assumed::DISTANCE_SCALE);
        }
        found.assumed.push(format!("skew of voltage and current {} ms", SKEW_S * 1e3));
        found
    }

    fn parts(&mut self, name: &str, word: &Word, default: f64) -> f64 {
        let given = word.0.as_ref().and_then(|role| role.gain);
        let value = given.unwrap_or(default);
        let by_card = word.1.is_some_and(|word| word.gain.is_some());
        self.say(format!("{name} {}", crate::format::share(value)), word, given.is_some(), by_card);
        value
    }

    fn zero(&mut self, name: &str, word: &Word, default: f64, unit: &str) -> f64 {
        let given = word.0.as_ref().and_then(|role| role.offset);
        let value = given.unwrap_or(default);
        if value > 0.0 {
            let by_card = word.1.is_some_and(|word| word.offset.is_some());
            let text = format!("{name} {} {unit}", crate::format::significant(value, 2));
            self.say(text, word, given.is_some(), by_card);
        }
        value
    }

    fn say(&mut self, text: String, word: &Word, given: bool, by_card: bool) {
        match &word.0 {
            // A map may say itself that it only assumes; that is its word still, not this room's.
            Some(_) if by_card => {
                let basis = word.1.map_or(Basis::Assumed, |word| basis(word.basis));
                self.stated.push(format!("{text} (card: {})", basis.text()));
            }
            Some(role) if given => self.stated.push(format!("{text} ({})", role.basis.text())),
            _ => self.assumed.push(text),
        }
    }
}
