//! The scenario as its TOML file writes it: plain data with units in the names.
//!
//! The checks are in [`super::check`]; the meaning of each number is in the model's files.
//!
//! Simulates nothing.

mod computer;
mod sensors;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

mod curve;

use serde::{Deserialize, Deserializer};

use crate::document::{Document, Fault};
use crate::time::WallClock;

pub use computer::{Computer, Jump, Plateau, Rounding};
pub use curve::Curve;
pub use sensors::{SensorCurrent, SensorVoltage, Sensors};

/// Everything a rehearsal needs but the course and the map.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// The invented car's name.
    pub car: String,
    /// Seed of all noise.
    pub seed: u64,
    /// Wall-clock time of the first moment.
    #[serde(deserialize_with = "iso")]
    pub start: WallClock,
    /// The course's file, relative to the scenario's folder.
    pub course: PathBuf,
    /// The model's step.
    #[serde(default = "Scenario::default_step_ms")]
    pub step_ms: u32,
    /// The car without its pack.
    pub vehicle: Vehicle,
    /// The pack.
    pub pack: PackSpec,
    /// The battery computer and the display.
    pub computer: Computer,
    /// The drive.
    pub drive: Drive,
    /// Charging before the drive; none: the recording starts unplugged at full.
    pub charge_before: Option<ChargeBefore>,
    /// The air.
    pub air: Air,
    /// The errors of the car's sensors.
    #[serde(default)]
    pub sensors: Sensors,
    /// The bus.
    pub bus: BusTiming,
    /// Period of each message of the map that is sent, by name.
    pub period_ms: BTreeMap<String, f64>,
    /// What the signals that play no role hold, by `MESSAGE.Signal`; 0 where not named.
    #[serde(default)]
    pub fill: BTreeMap<String, ConstantOrCounter>,
    /// When signals are not available.
    #[serde(default)]
    pub absent: Vec<Absent>,
    /// When all frames are missing.
    #[serde(default)]
    pub gap: Vec<Gap>,
    /// Frames that no map knows. May be emptied: drive and truth stay the same, the other frames but for their jitter.
    #[serde(default)]
    pub noise: Vec<NoiseFrame>,
    /// The satellite receiver, if there is one.
    pub satellite: Option<Satellite>,
    /// The file it was read from, for the lines of faults.
    #[serde(skip)]
    pub document: Option<Document>,
}

/// The car without its pack. Its road load comes in one of three forms.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Vehicle {
    /// Mass with all aboard.
    pub mass_kg: f64,
    /// What turning wheels and rotors add to the mass when accelerating.
    #[serde(default)]
    pub rotating_mass_kg: f64,
    /// Road load as A (N), B [N per m/s], C [N per (m/s)^2].
    pub road_load: Option<[f64; 3]>,
    /// Road load as A (lbf), B (lbf per mph), C (lbf per mph^2), the form of the public coast-down lists.
    pub road_load_lbf_mph: Option<[f64; 3]>,
    /// Rolling resistance as a share of the weight; with `drag_area_m2`.
    pub rolling_resistance: Option<f64>,
    /// Drag area.
    pub drag_area_m2: Option<f64>,
    /// Tyres that roll worse until they are warm; none where not given.
    pub cold_tyres: Option<ColdTyres>,
    /// From the pack's terminals to the wheels.
    pub drive_efficiency: f64,
    /// The most electric power of the drive.
    pub power_limit_kw: f64,
    /// Braking by the motor.
    pub regeneration: Regeneration,
    /// Electric power of everything but drive and climate, always.
    pub accessory_w: f64,
    /// Climate control.
    pub climate: Climate,
    /// The wheels' speed and the odometer read more than the road by this share.
    #[serde(default)]
    pub wheel_gain: f64,
    /// The dial shows more than the wheels' speed by this share.
    #[serde(default)]
    pub dial_gain: f64,
    /// The odometer at the start.
    #[serde(default)]
    pub odometer_km: f64,
}

/// Cold tyres: the A part is greater by `share * exp(-t / time_s)`, t driven.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ColdTyres {
    /// At first.
    pub share: f64,
    /// Time constant.
    pub time_s: f64,
}

/// Braking by the motor.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Regeneration {
    /// The most electric power; the brakes take the rest.
    pub limit_kw: f64,
    /// From the wheels to the pack's terminals.
    pub efficiency: f64,
}

/// Climate control: `steady_w + (start_w - steady_w) exp(-t / decay_s)` from unplugging on.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Climate {
    /// Power at first.
    pub start_w: f64,
    /// Power in the end.
    pub steady_w: f64,
    /// Time constant between the two.
    pub decay_s: f64,
    /// Whether the compressor takes it, else the heater.
    #[serde(default)]
    pub by_compressor: bool,
}

/// The pack.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PackSpec {
    /// Charge between the ends of the open-circuit curve.
    pub capacity_ah: f64,
    /// Cells in series.
    pub cells_in_series: u32,
    /// Open-circuit voltage of a cell (V) over true state of charge [%].
    pub open_circuit_v: Curve,
    /// Resistance of the pack.
    pub resistance: Resistance,
    /// A slower part of the voltage drop, if any.
    pub polarisation: Option<Polarisation>,
    /// The cell that ends the discharge, if the cells differ.
    pub weakest_cell: Option<WeakestCell>,
    /// Below this cell voltage the pack gives no more.
    pub cell_cutoff_v: f64,
    /// True state of charge at which the car ends charging.
    pub full_percent: f64,
    /// Temperature at the start.
    pub temperature_degc: f64,
    /// Heat that warms the pack by a degree.
    pub heat_capacity_j_per_degc: f64,
    /// Heat given to the air per degree.
    pub cooling_w_per_degc: f64,
}

/// Resistance: `ohm * exp(per_degc * (25 - T)) * over_soc(soc)`.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resistance {
    /// At 25 degC.
    pub ohm: f64,
    /// Relative rise per degree colder.
    #[serde(default)]
    pub per_degc: f64,
    /// Factor over true state of charge [%]; 1 where not given.
    pub over_soc: Option<Curve>,
}

/// A resistance that the current fills in with a time constant.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Polarisation {
    /// Its resistance.
    pub ohm: f64,
    /// Its time constant.
    pub time_s: f64,
}

/// The weakest cell.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WeakestCell {
    /// Its capacity as a share of the mean cell's; both are full together.
    pub capacity_share: f64,
    /// Its resistance as a multiple of the mean cell's.
    pub resistance_factor: f64,
}

/// The drive: from a place, to and fro between turns until the display holds 0 %, then to the charger.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drive {
    /// Where it starts.
    pub from: String,
    /// Whether the first leg is driven out, else back.
    #[serde(default = "yes")]
    pub out_first: bool,
    /// Where to turn, in order, over and over.
    pub turns: Vec<String>,
    /// Speed held, true speed over ground.
    pub target_kmh: f64,
    /// Standard deviation of the driver's wandering about it.
    #[serde(default)]
    pub wander_kmh: f64,
    /// Time constant of that wandering.
    #[serde(default = "Drive::default_wander_s")]
    pub wander_s: f64,
    /// Acceleration.
    #[serde(default = "Drive::default_acceleration")]
    pub acceleration_mps2: f64,
    /// Braking.
    #[serde(default = "Drive::default_braking")]
    pub braking_mps2: f64,
    /// Standing, awake and unplugged, before the drive.
    #[serde(default)]
    pub stand_before_s: f64,
    /// Standing, awake, after it.
    #[serde(default)]
    pub stand_after_s: f64,
    /// Slower traffic.
    #[serde(default)]
    pub traffic: Vec<Traffic>,
    /// The recording ends after this long at the latest.
    #[serde(default = "Drive::default_hours_max")]
    pub hours_max: f64,
}

/// Slower traffic over some distance.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Traffic {
    /// Where it begins, in distance driven.
    pub start_km: f64,
    /// How long it lasts.
    pub length_km: f64,
    /// Its speed.
    pub speed_kmh: f64,
}

/// A charge at the start of the recording, up to full.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChargeBefore {
    /// True state of charge at the start of the recording.
    pub from_percent: f64,
    /// Power into the pack.
    pub power_kw: f64,
    /// How long the plug stays after the car has ended the charge.
    #[serde(default)]
    pub rest_s: f64,
}

/// The air along the road.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Air {
    /// Temperature outside.
    pub temperature_degc: f64,
    /// Density.
    pub density_kg_per_m3: f64,
    /// Mean wind along the road, from behind when driving out.
    #[serde(default)]
    pub wind_out_mps: f64,
    /// Wind across the road.
    #[serde(default)]
    pub wind_across_mps: f64,
    /// Standard deviation of the gusts about it.
    #[serde(default)]
    pub gust_mps: f64,
    /// Time constant of the gusts.
    #[serde(default = "Air::default_gust_s")]
    pub gust_s: f64,
}

/// How frames come over the bus.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BusTiming {
    /// The bus of messages whose map names none, and of the noise.
    pub name: String,
    /// A frame comes up to this much early or late, evenly.
    #[serde(default)]
    pub jitter_us: u32,
    /// The least time between two frames.
    #[serde(default)]
    pub frame_us: u32,
}

/// What a signal without a role holds.
#[derive(Clone, PartialEq, Debug)]
pub enum ConstantOrCounter {
    /// A value, in the signal's unit.
    Constant(f64),
    /// A counter of the frames sent, starting over at the end of its bits.
    Counter,
}

/// When a signal is not available.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Absent {
    /// `MESSAGE.Signal`.
    pub signal: String,
    /// From when, since the start.
    pub from_s: f64,
    /// Until when, since the start.
    pub to_s: f64,
}

/// When all frames are missing.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gap {
    /// From when, since the start.
    pub start_s: f64,
    /// How long.
    pub duration_s: f64,
}

/// A frame that no map knows: random bytes, with a counter in the first if asked for.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoiseFrame {
    /// Its identifier.
    pub id: u32,
    /// Whether that has 29 bits.
    #[serde(default)]
    pub extended: bool,
    /// Payload bytes.
    pub length: u8,
    /// Its period.
    pub period_ms: f64,
    /// Whether its first byte counts.
    #[serde(default)]
    pub counter: bool,
}

/// The satellite receiver.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Satellite {
    /// Time between fixes.
    pub period_ms: f64,
    /// Standard deviation of a position in each direction, wandering within a minute.
    #[serde(default)]
    pub noise_m: f64,
    /// Standard deviation of a speed.
    #[serde(default)]
    pub speed_noise_mps: f64,
}

impl Scenario {
    /// Reads and checks a scenario's file: the scenario, if it can be used, and everything wrong with it.
    pub fn load(path: &Path) -> (Option<Self>, Vec<Fault>) {
        match Document::read(path) {
            Ok(document) => Self::parse(document),
            Err(fault) => (None, vec![fault]),
        }
    }

    /// [`Self::load`] on a text.
    pub fn parse(document: Document) -> (Option<Self>, Vec<Fault>) {
        let (written, mut faults) = document.parse_toml::<Self>();
        let Some(mut scenario) = written else { return (None, faults) };
        scenario.document = Some(document);
        faults.extend(super::check::alone(&scenario));
        faults.sort_by_key(|fault| fault.place);
        (faults.is_empty().then_some(scenario), faults)
    }

    /// The model's step, s.
    pub fn step_s(&self) -> f64 {
        f64::from(self.step_ms) / 1_000.0
    }

    /// A fault at one of its keys, a dotted path with arrays by index.
    pub(super) fn fault(&self, key: &str, what: impl Into<String>) -> Fault {
        match &self.document {
            Some(document) => document.fault_at_key(key, what),
            None => Fault::whole(self.car.clone(), format!("{key}: {}", what.into())),
        }
    }

    fn default_step_ms() -> u32 {
        10
    }
}

impl Drive {
    fn default_wander_s() -> f64 {
        20.0
    }
    fn default_acceleration() -> f64 {
        1.2
    }
    fn default_braking() -> f64 {
        1.0
    }
    fn default_hours_max() -> f64 {
        12.0
    }
}

impl Air {
    fn default_gust_s() -> f64 {
        8.0
    }
}

fn yes() -> bool {
    true
}

impl<'de> Deserialize<'de> for ConstantOrCounter {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl serde::de::Visitor<'_> for Reader {
            type Value = ConstantOrCounter;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a number or \"counter\"")
            }
            fn visit_f64<E>(self, value: f64) -> Result<Self::Value, E> {
                Ok(ConstantOrCounter::Constant(value))
            }
            fn visit_i64<E>(self, value: i64) -> Result<Self::Value, E> {
                Ok(ConstantOrCounter::Constant(value as f64))
            }
            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Self::Value, E> {
                match text {
                    "counter" => Ok(ConstantOrCounter::Counter),
                    _ => Err(E::invalid_value(serde::de::Unexpected::Str(text), &self)),
                }
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

fn iso<'de, D: Deserializer<'de>>(deserializer: D) -> Result<WallClock, D::Error> {
    let text = String::deserialize(deserializer)?;
    WallClock::parse_iso(&text)
        .ok_or_else(|| serde::de::Error::custom(format!("'{text}' is no time such as 2027-03-14T06:15:02Z")))
}
