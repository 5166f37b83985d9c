//! The errors of the car's sensors as the scenario writes them.
//!
//! Reads nothing.

use serde::Deserialize;

/// The errors of the car's sensors.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Sensors {
    /// Of the current.
    pub current: SensorCurrent,
    /// Of the voltage.
    pub voltage: SensorVoltage,
    /// Standard deviation of one reading of the wheels' speed.
    pub speed_noise_kmh: f64,
    /// Standard deviation of one reading of a temperature.
    pub temperature_noise_degc: f64,
}

/// The current sensor.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SensorCurrent {
    /// Reads more than the truth by this share.
    pub gain: f64,
    /// Reads this at zero current.
    pub zero_a: f64,
    /// The zero wanders by so much in an hour, in two by the root of two as much: a random walk.
    pub drift_a_per_root_h: f64,
    /// Standard deviation of one reading.
    pub noise_a: f64,
    /// Its step; 0 for none beside the signal's own.
    pub resolution_a: f64,
    /// Age of the value when its frame is received.
    pub delay_ms: f64,
}

/// The voltage sensor.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SensorVoltage {
    /// Reads more than the truth by this share.
    pub gain: f64,
    /// Standard deviation of one reading.
    pub noise_v: f64,
    /// Its step; 0 for none beside the signal's own.
    pub resolution_v: f64,
    /// Age of the value when its frame is received.
    pub delay_ms: f64,
}
