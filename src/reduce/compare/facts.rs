//! What a test was, as far as it decides what it may be compared with.
//!
//! Taken from card and reduction; judges nothing.

use crate::card::{Card, ClimateSetting, Sensor, Trailer};
use crate::course::Course;
use crate::ledger::Phase;
use crate::quantity::Pascal;
use crate::reduce::conditions::At;
use crate::reduce::legs::Legs;
use crate::reduce::reduction::Reduction;
use crate::reduce::usable::Method;
use crate::schema::Role;
use crate::time::WallClock;

/// How far off the target counts as held where the card says nothing, m/s (2 km/h): common practice, no source.
const TOLERANCE: f64 = 2.0 / 3.6;

/// How the car was set up, as far as the card says.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Setup {
    /// What people call the car.
    pub label: Option<String>,
    /// Size and make of the tyres.
    pub tyres: Option<String>,
    /// What they were set to.
    pub pressures: Option<[Pascal; 4]>,
    /// Driving mode.
    pub mode: Option<String>,
    /// Climate control.
    pub climate: Option<ClimateSetting>,
    /// People and what they brought, kg.
    pub load: Option<f64>,
}

/// What a test was.
#[derive(Clone, PartialEq, Debug)]
pub struct Facts {
    /// Its name among the tests compared.
    pub name: String,
    /// The vehicle's name.
    pub vehicle: String,
    /// Whether there is a card.
    pub has_card: bool,
    /// When counting began.
    pub start: Option<WallClock>,
    /// Its runs.
    pub runs: Vec<String>,
    /// Target speed and tolerance, m/s.
    pub target: Option<[f64; 2]>,
    /// Mean speed while driving, m/s.
    pub mean_speed: Option<f64>,
    /// The trailer.
    pub trailer: Option<Trailer>,
    /// Wet share of the way, percent.
    pub wet_percent: Option<f64>,
    /// Temperature of the air, degC.
    pub degc: Option<f64>,
    /// Size of the wind, m/s: the card's, else what the legs tell of that along the road.
    pub wind: Option<f64>,
    /// Which state of charge counts.
    pub soc: Role,
    /// How usable capacity was found.
    pub method: Method,
    /// Whether grade and wind's first order cancelled, or why that is not so or not known.
    pub closed: Result<(), String>,
    /// The course.
    pub course: Option<Course>,
    /// An invented car drove it.
    pub is_rehearsal: bool,
    /// What figures are restated at.
    pub reference: At,
    /// How the car was set up.
    pub setup: Setup,
    /// Instruments that are not the car's own.
    pub instruments: Vec<(Sensor, String)>,
}

impl Facts {
    /// Of a test that was reduced.
    pub fn of(
        name: &str,
        reduction: &Reduction,
        card: Option<&Card>,
        course: Option<&Course>,
        is_rehearsal: bool,
    ) -> Self {
        let conditions = &reduction.conditions;
        let by_card = |card: &Card| card.weather.wind.map(|wind| wind.0);
        Self {
            name: name.to_owned(),
            vehicle: reduction.vehicle.clone(),
            has_card: card.is_some(),
            start: reduction.counted.map(|(start, _)| start),
            runs: reduction.runs.iter().map(|run| run.name.clone()).collect(),
            target: card.and_then(target),
            mean_speed: mean_speed(reduction),
            trailer: card.and_then(|card| card.trailer.clone()),
            wet_percent: card.and_then(|card| card.road.wet_percent),
            degc: conditions.weather.map(|weather| weather.degc.0),
            wind: card.and_then(by_card).or(conditions.wind.and_then(known)),
            soc: reduction.soc.role,
            method: reduction.usable.method,
            closed: closed(&reduction.legs),
            course: course.cloned(),
            is_rehearsal,
            reference: conditions.at,
            setup: card.map(setup).unwrap_or_default(),
            instruments: card.map(|card| card.instruments.clone()).unwrap_or_default(),
        }
    }

    /// What people call the car.
    pub fn car(&self) -> &str {
        self.setup.label.as_deref().unwrap_or(&self.vehicle)
    }
}

fn target(card: &Card) -> Option<[f64; 2]> {
    let target = card.driving.target?.0;
    Some([target, card.driving.tolerance.map_or(TOLERANCE, |tolerance| tolerance.0)])
}

fn known(wind: (f64, crate::reduce::conditions::WindBy)) -> Option<f64> {
    use crate::reduce::conditions::WindBy;
    (wind.1 != WindBy::Nothing).then_some(wind.0.abs())
}

fn mean_speed(reduction: &Reduction) -> Option<f64> {
    let drive = reduction.phases.iter().find(|line| line.phase == Phase::Drive)?;
    let scale = reduction.way.counted_per_wheel().filter(|scale| scale.is_finite()).unwrap_or(1.0);
    Some(drive.distance / drive.duration * scale).filter(|speed| speed.is_finite() && *speed > 0.0)
}

fn closed(legs: &Legs) -> Result<(), String> {
    let km = |metres: f64| crate::format::way(metres, false);
    match &legs.cancels {
        Some(cancels) if cancels.closed => Ok(()),
        Some(cancels) => {
            let [one, other] = cancels.distances.map(km);
            let apart = cancels.apart.map_or(String::new(), |apart| format!(", ends {} apart", km(apart)));
            Err(format!("the course does not close: {one} one way and {other} the other{apart}"))
        }
        None => {
            let why = legs.why.as_deref().unwrap_or("one leg alone");
            Err(format!("not known whether the course closes: {why}"))
        }
    }
}

fn setup(card: &Card) -> Setup {
    Setup {
        label: card.label.clone(),
        tyres: card.tyres.label.clone(),
        pressures: card.tyres.set,
        mode: card.driving.mode.clone(),
        climate: card.climate.setting,
        load: card.load.load.map(|load| load.0),
    }
}
