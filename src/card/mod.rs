//! The test card: what the tester writes down about a test; read from a TOML file into checked values, SI inside.
//!
//! Does not judge the test and opens no run: it only says where they are. `docs/card.md` describes every key.

mod against;
mod check;
mod missing;
mod numbers;
mod seal;
mod times;
mod words;
mod written;

use std::path::{Path, PathBuf};

use crate::document::{Document, Fault};
use crate::quantity::{Celsius, ConsumptionUnit, Joule, Kilogram, Metre, MetrePerSecond, Pascal};
use crate::time::{Span, WallClock};

pub use against::{Contradiction, RunSpan, contradictions};
pub use missing::Missing;
pub use seal::{Change, ChangeKind, Seal, SealedFile, Verdict, code, dbc_of, judge};
pub use words::*;

/// A commented card that loads as it stands: every key with its meaning and unit.
pub const TEMPLATE: &str = include_str!("template.toml");

/// A test card as checked. A value that is impossible is absent here, and was said as a fault.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Card {
    /// The card's file name, for people.
    pub name: String,
    /// The car's name, as in the data set.
    pub vehicle: Option<String>,
    /// What people call the car.
    pub label: Option<String>,
    /// The runs of the test, each as the card wrote it and as a path from the card's own folder.
    pub runs: Vec<(String, PathBuf)>,
    /// The signal map, a path from the card's own folder.
    pub map: Option<PathBuf>,
    /// The course, a path from the card's own folder.
    pub course: Option<PathBuf>,
    /// Which state of charge counts; the map's choice where absent.
    pub state_of_charge: Option<SocCounts>,
    /// Which distance counts; that with the smallest uncertainty where absent.
    pub distance: Option<DistanceCounts>,
    /// How the charge before the test ended.
    pub full_charge: FullCharge,
    /// The maker's claim, kWh.
    pub claimed_usable_kwh: Option<f64>,
    /// Units of all output.
    pub units: Option<ConsumptionUnit>,
    /// Free text.
    pub note: Option<String>,
    /// Where counting starts and ends.
    pub counting: Counting,
    /// Stretches of time that figures over held stretches leave out.
    pub leave_out: Vec<LeftOut>,
    /// How it was to be driven.
    pub driving: Driving,
    /// The tyres.
    pub tyres: Tyres,
    /// What the car and what was in it weigh.
    pub load: Load,
    /// A trailer, if there was one.
    pub trailer: Option<Trailer>,
    /// The climate control.
    pub climate: Climate,
    /// The charge before the test.
    pub charge: Charge,
    /// The charge after it.
    pub recharge: Charge,
    /// The pack.
    pub battery: Battery,
    /// The weather.
    pub weather: Weather,
    /// The road.
    pub road: Road,
    /// What driving at a speed takes, and the conditions that figures are restated at.
    pub road_load: RoadLoad,
    /// What others say of the car, to compare with.
    pub rated: Vec<Rated>,
    /// What this card knows of the sensors better than the map.
    pub tolerances: Vec<SensorTolerance>,
    /// The names of instruments that are not the car's own: the same name in two cars' cards is the same instrument.
    pub instruments: Vec<(Sensor, String)>,
}

/// Where counting starts or ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Bound {
    /// With the first run, or the last.
    #[default]
    Run,
    /// With the car's first movement in the runs, or its last.
    Movement,
    /// At a moment.
    At(WallClock),
}

/// Where counting starts and ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counting {
    /// Start.
    pub start: Bound,
    /// End.
    pub end: Bound,
}

impl Counting {
    /// Whether all of every run counts.
    pub fn is_everything(&self) -> bool {
        *self == Self::default()
    }
}

/// A stretch of time to be left out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LeftOut {
    /// From.
    pub from: WallClock,
    /// To, after `from`.
    pub to: WallClock,
    /// Why.
    pub why: Option<String>,
}

/// How it was to be driven.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Driving {
    /// True target speed.
    pub target: Option<MetrePerSecond>,
    /// How far off still counts as held.
    pub tolerance: Option<MetrePerSecond>,
    /// What helped to hold it.
    pub assist: Option<Assist>,
    /// The car's driving mode, in its own words.
    pub mode: Option<String>,
    /// What figures over held stretches leave out.
    pub leave_out: Vec<LeftOutKind>,
}

/// Tyres. Pressures are cold and above that of the air, front left, front right, rear left, rear right.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Tyres {
    /// Size and make.
    pub label: Option<String>,
    /// What the car's placard asks for.
    pub placard: Option<[Pascal; 4]>,
    /// What they were set to.
    pub set: Option<[Pascal; 4]>,
    /// Temperature of the tyres when they were set.
    pub set_temperature: Option<Celsius>,
    /// Depth of the tread.
    pub tread: Option<Metre>,
}

/// Masses.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Load {
    /// The empty car.
    pub car: Option<Kilogram>,
    /// People and what they brought.
    pub load: Option<Kilogram>,
    /// People.
    pub persons: Option<u32>,
    /// How the masses are known.
    pub by: Option<MassBy>,
}

/// A trailer.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Trailer {
    /// Its mass with its load.
    pub mass: Option<Kilogram>,
    /// Its frontal area, m².
    pub frontal_area_m2: Option<f64>,
}

/// Climate control.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Climate {
    /// What it was told.
    pub setting: Option<ClimateSetting>,
    /// The temperature set.
    pub cabin: Option<Celsius>,
    /// Seats, steering wheel, windows.
    pub note: Option<String>,
}

/// A charge.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Charge {
    /// When it began.
    pub start: Option<WallClock>,
    /// When it ended.
    pub end: Option<WallClock>,
    /// Displayed state of charge when it began, percent.
    pub from_percent: Option<f64>,
    /// Displayed state of charge when it ended, percent.
    pub to_percent: Option<f64>,
    /// Kind of current.
    pub current: Option<ChargeCurrent>,
    /// What it was taken from: socket, wall box, station.
    pub supply: Option<String>,
    /// From its end to the counted start.
    pub rest: Option<Span>,
    /// The pack's temperature at the counted start, of a charge after the test at its begin.
    pub pack: Option<Celsius>,
    /// What warmed or cooled the pack.
    pub warm_up: Option<WarmUp>,
    /// Energy by the meter.
    pub energy: Option<Joule>,
    /// Where it was metered.
    pub metered_at: Option<MeteredAt>,
    /// The meter's class.
    pub meter_class: Option<MeterClass>,
    /// Energy lost or used between the meter and the pack.
    pub lost: Option<Joule>,
    /// Its standard uncertainty.
    pub lost_u: Option<Joule>,
}

/// The pack.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Battery {
    /// Its cells.
    pub chemistry: Option<Chemistry>,
    /// Its energy by the maker's nameplate.
    pub nameplate: Option<Joule>,
    /// When it was last charged until the car ended it, before the charge for this test.
    pub last_full_charge: Option<WallClock>,
}

/// The weather, as measured or as a service says.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Weather {
    /// Of the air.
    pub temperature: Option<Celsius>,
    /// Of the air.
    pub pressure: Option<Pascal>,
    /// Which place that belongs to.
    pub pressure_of: Option<PressureOf>,
    /// Relative, percent.
    pub humidity_percent: Option<f64>,
    /// Speed of the wind.
    pub wind: Option<MetrePerSecond>,
    /// Where it comes from, degrees from north over east.
    pub wind_from_deg: Option<f64>,
    /// From what, and what it changed to.
    pub note: Option<String>,
}

/// The road.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Road {
    /// Share of it that was wet, percent.
    pub wet_percent: Option<f64>,
    /// Others on it.
    pub traffic: Option<Traffic>,
    /// Roadworks, surface, detours.
    pub note: Option<String>,
}

/// The force that a car needs on a level road, `A + B v + C v²`, in one of two forms, and reference conditions.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct RoadLoad {
    /// A, N; B, N per m/s; C, N per (m/s)²: as coast-down lists give them, at the reference conditions.
    pub coefficients: Option<[f64; 3]>,
    /// Rolling resistance as a share of the weight, tyres warm, at the reference temperature.
    pub rolling_resistance: Option<f64>,
    /// Drag area, m².
    pub drag_area_m2: Option<f64>,
    /// Named reference conditions.
    pub reference: Option<Reference>,
    /// Temperature of the user's own reference conditions; stands before the named ones.
    pub temperature: Option<Celsius>,
    /// Pressure of the user's own reference conditions; stands before the named ones.
    pub pressure: Option<Pascal>,
}

/// What is rated or certified of the car.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rated {
    /// By whom or after what.
    pub name: String,
    /// Range.
    pub range: Option<Metre>,
    /// Energy per distance, J/m.
    pub consumption: Option<f64>,
    /// Usable energy.
    pub usable: Option<Joule>,
}

/// What a card knows of a sensor: one standard uncertainty.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SensorTolerance {
    /// Of which.
    pub sensor: Sensor,
    /// Of its gain, in parts; the map's where absent.
    pub gain: Option<f64>,
    /// Of its zero, in A, V or W; the map's where absent.
    pub offset: Option<f64>,
    /// What that rests on.
    pub basis: ToleranceBasis,
}

/// The written forms of [`ConsumptionUnit`], as on the command line.
pub const UNITS: [(&str, ConsumptionUnit); 4] = [
    ("wh-per-km", ConsumptionUnit::WhPerKm),
    ("kwh-per-100km", ConsumptionUnit::KwhPer100Km),
    ("wh-per-mi", ConsumptionUnit::WhPerMi),
    ("mi-per-kwh", ConsumptionUnit::MiPerKwh),
];

impl Card {
    /// Reads a card's file; gives what could be read and everything wrong with it.
    pub fn load(path: &Path) -> (Option<Self>, Vec<Fault>) {
        match Document::read(path) {
            Ok(document) => {
                let folder = path.parent().unwrap_or(Path::new(""));
                let (card, faults) = Self::parse(&document, folder);
                let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
                (card.map(|card| Self { name, ..card }), faults)
            }
            Err(fault) => (None, vec![fault]),
        }
    }

    /// Reads a card's text; paths of runs, map and course are taken from `folder`.
    pub fn parse(document: &Document, folder: &Path) -> (Option<Self>, Vec<Fault>) {
        check::parse(document, folder)
    }
}

#[cfg(test)]
mod tests;
