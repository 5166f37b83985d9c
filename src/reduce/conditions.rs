//! Conditions: the air, the wind along the road, the road load; and energy per distance and range restated at reference
//! conditions, with the uncertainty that restating adds, beside the measured figure, never instead.
//!
//! Only the part of the energy that overcame the road is restated. Outside 5 to 30 degC, above 5 m/s of wind or on a wet road
//! nothing is. Pure; `docs/figures.md` says where the method is weak.

pub mod air;
mod fit;
mod restate;
pub mod road_load;
mod way;
mod weather;

use std::cell::LazyCell;

use super::estimate::Estimate;
use super::mass;
use super::reduction::{Consumption, Test};
use super::sources;
use super::unplaced::{RunDirections, Steady};
use super::usable::Usable;
use super::way::Way;
use crate::card::{Card, Reference};
use crate::format;
use restate::{Drive, Inputs, Load, Wind};
use road_load::{Air, GRAVITY, RoadLoad, TYRES_PER_K, TYRES_PER_K_BOUND};
use way::Piece;
use weather::forbidden;

pub use way::Directions;
pub use weather::Weather;

/// Above this wind, m/s, nothing is restated; of a wind that nobody measured it is the bound.
const WIND_MAX: f64 = 5.0;
/// Standard uncertainties, common practice, no source: temperature by card and by the car's sensor, K; pressure by the card
/// and by the standard atmosphere, Pa; humidity, a share.
const TEMPERATURE_U: [f64; 2] = [1.0, 1.5];
const PRESSURE_U: [f64; 2] = [200.0, 1_000.0];
const HUMIDITY_U: f64 = 0.1;
/// Of a wind that the card gives, in parts and at least in m/s, and of its direction, rad: common practice, no source.
const WIND_U: (f64, f64) = (0.3, 0.5);
const WIND_FROM_U: f64 = 0.35;
/// Of the drag's coefficient against the rolling resistance, of a card's road load, in parts: common practice, no source.
const DRAG_U: f64 = 0.1;
/// Standard uncertainty of the net rise by the fixes, m, and where there are none; mass where no card gives one, kg.
const RISE_U: [f64; 2] = [7.0, 20.0];
const MASS: f64 = 2_000.0;
/// Off the target by no more than this counts as held where the card does not say, m/s.
const HELD: f64 = 3.0 / 3.6;
/// Held driving must be so long to be restated at the target, m.
const HELD_MIN_M: f64 = 5_000.0;

/// How a wind became known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum WindBy {
    /// By the card.
    Card,
    /// By what the two directions of the road took: along the road alone.
    Pair,
    /// Not at all.
    Nothing,
}

/// What figures are restated at.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct At {
    /// Its name.
    pub name: &'static str,
    /// degC.
    pub degc: f64,
    /// Pa.
    pub pascal: f64,
    /// kg/m³, dry.
    pub density: f64,
}

/// Energy per distance as measured and restated, J/m.
#[derive(Clone, PartialEq, Debug)]
pub struct Restated {
    /// As measured.
    pub measured: Estimate,
    /// Restated.
    pub value: Estimate,
    /// What restating adds alone: its value is the change.
    pub added: Estimate,
}

/// Conditions and what is restated.
#[derive(Clone, PartialEq, Debug)]
pub struct Conditions {
    /// The air, where it is known.
    pub weather: Option<Weather>,
    /// Wind along the main axis of the road, m/s (size), and how it is known.
    pub wind: Option<(f64, WindBy)>,
    /// What figures are restated at.
    pub at: At,
    /// The road load at those conditions, from where, and the drag's share of the force over the drive.
    pub load: Option<([f64; 3], &'static str, f64)>,
    /// Of all driving.
    pub restated: Option<Restated>,
    /// Of the driving that held the target (m/s), at exactly that speed.
    pub at_target: Option<(f64, Restated)>,
    /// Usable energy by energy per distance, m: as measured, and restated.
    pub range: (Option<Estimate>, Option<Estimate>),
    /// Why nothing is restated; empty where it is.
    pub why: String,
    /// The card says something that asks for restating.
    pub asked: bool,
}

pub(super) fn of(test: &Test<'_>, consumption: &Consumption, way: &Way, usable: &Usable) -> Conditions {
    let at = reference(test.card);
    // Of a drive without weather nobody asks for them.
    let pieces = LazyCell::new(|| way::pieces(test, way));
    let weather = weather::weather(test, || &pieces);
    let asked = test.card.is_some_and(|card| {
        card.weather.temperature.is_some() || card.weather.pressure.is_some() || card.road_load != Default::default()
    });
    let range = |per_metre: Option<&Estimate>| usable.energy.as_ref()?.ratio(per_metre?);
    let mut conditions = Conditions {
        weather: weather.as_ref().ok().copied(),
        wind: None,
        at,
        load: None,
        restated: None,
        at_target: None,
        range: (range(consumption.net.as_ref()), None),
        why: String::new(),
        asked,
    };
    let measured = consumption.net.as_ref();
    match weather.and_then(|weather| restate(test, &mut conditions, &pieces, &weather, measured, way)) {
        Ok(()) => {
            let restated = conditions.restated.as_ref().map(|restated| &restated.value);
            conditions.range.1 = range(restated);
        }
        Err(why) => conditions.why = why,
    }
    conditions
}

fn reference(card: Option<&Card>) -> At {
    let load = card.map(|card| card.road_load).unwrap_or_default();
    let named = load.reference.unwrap_or(Reference::Sae);
    let (degc, pascal) = named.air();
    let own = load.temperature.is_some() || load.pressure.is_some();
    let degc = load.temperature.map_or(degc, |degc| degc.0);
    let pascal = load.pressure.map_or(pascal, |pascal| pascal.0);
    let name = if own { "the card's own" } else { named.written() };
    At { name, degc, pascal, density: air::density(degc, pascal, 0.0) }
}

/// The road load as the card gives it, at the reference conditions.
fn given(card: &Card, at: &At) -> Result<Option<(RoadLoad, &'static str)>, String> {
    let load = &card.road_load;
    let of = |abc: [f64; 3]| RoadLoad { abc, degc: at.degc, density: at.density };
    if let Some(abc) = load.coefficients {
        return Ok(Some((of(abc), "the card's coefficients")));
    }
    match (load.rolling_resistance, load.drag_area_m2) {
        (Some(rolling), Some(area)) => {
            let mass = mass::of(Some(card)).map(|mass| mass.value);
            let mass =
                mass.ok_or("rolling resistance and drag area need the mass: give load.car_kg and load.load_kg")?;
            let abc = [mass * GRAVITY * rolling, 0.0, 0.5 * at.density * area];
            Ok(Some((of(abc), "the card's rolling resistance and drag area")))
        }
        (None, None) => Ok(None),
        _ => Err("rolling_resistance and drag_area_m2 of the card's road load need each other".into()),
    }
}

fn restate(
    test: &Test<'_>,
    conditions: &mut Conditions,
    pieces: &[Piece],
    weather: &Weather,
    measured: Option<&Estimate>,
    way: &Way,
) -> Result<(), String> {
    if let Some(why) = forbidden(test.card, weather) {
        return Err(why);
    }
    let measured = measured.ok_or("energy per distance is not measured")?;
    let axis = way::axis(test, pieces);
    let (accessories, accessories_u) = weather::accessories(test);
    let mass = mass::of(test.card).map(|mass| mass.value);
    let card_wind = wind_by_card(test.card, axis);
    let rise = weather::rise(test);
    let mut inputs = Inputs {
        degc: weather.degc.0,
        pascal: weather.pascal.0,
        humidity: weather.humidity,
        tyres_per_k: TYRES_PER_K,
        drag: 1.0,
        wind: card_wind.unwrap_or(Wind::Unknown(WIND_MAX / 3f64.sqrt())),
        accessories,
        rise: rise.unwrap_or(0.0),
    };
    let blocks = steady(test, pieces, axis, &inputs.wind);
    let known = test.card.map(|card| given(card, &conditions.at)).transpose()?.flatten();
    let (load, from, drag_u) = match known {
        Some((load, from)) => (Load::Given(load), from, DRAG_U),
        None => {
            let fitted = fit::load(&blocks, accessories, mass)
                .map_err(|why| format!("no road load: give the card's [road_load]; {why}"))?;
            let share = fitted.c * blocks.iter().map(|b| b.air_squared).sum::<f64>() / blocks.len() as f64;
            let share = share / (fitted.a + share);
            // What moves the share by so much, as a factor on C alone.
            (Load::Fitted(fitted.a, fitted.c), "the drive itself", fitted.share_u / (share * (1.0 - share)))
        }
    };
    let reference = Air { degc: conditions.at.degc, density: conditions.at.density, tyres_per_k: TYRES_PER_K };
    let mut wind_by = if card_wind.is_some() { WindBy::Card } else { WindBy::Nothing };
    let mut pair_u = None;
    if let (Wind::Unknown(_), None, Some(_), Load::Given(load)) =
        (inputs.wind, test.card.and_then(|card| card.weather.wind), axis, load)
        && let Some((wind, u)) = fit::wind(&blocks, &load, &Drive::air(&inputs), accessories, mass)
    {
        if wind.abs() > WIND_MAX {
            let wind = format::significant(wind.abs(), 2);
            return Err(format!("measured only in a wind of {wind} m/s along the road: above 5 m/s"));
        }
        (inputs.wind, wind_by, pair_u) = (Wind::Along(wind), WindBy::Pair, Some(u));
    }
    let moved = Moved { weather, inputs, drag_u, accessories_u, rise: rise.is_some(), pair_u, card: test.card };
    conditions.wind = axis.map(|_| (inputs.wind.on(0.0).0, wind_by));
    let directions = sum(test, |of| of.all, || way::directions(test, pieces, axis.unwrap_or(f64::NAN), |_| true));
    let all =
        Drive { pieces, directions, per_metre: measured.value, load, reference, mass: mass.unwrap_or(MASS), at: None };
    let (driven, _) = all.work(&Inputs { drag: 1.0, ..inputs });
    let still = RoadLoad { abc: load_at(&load, &inputs, &reference), degc: reference.degc, density: reference.density };
    let rolling = Drive { load, ..all }.work(&Inputs { drag: 0.0, ..inputs }).0;
    conditions.load = Some((still.abc, from, 1.0 - rolling / driven));
    conditions.restated = Some(moved.restated(&all, measured)?);
    conditions.at_target = at_target(test, &all, measured, way, &moved, axis);
    Ok(())
}

/// The road load at the reference conditions, whichever conditions it came at.
fn load_at(load: &Load, inputs: &Inputs, reference: &Air) -> [f64; 3] {
    match load {
        Load::Given(load) => load.abc,
        Load::Fitted(a, c) => {
            let air = Drive::air(inputs);
            let rolling = 1.0 + inputs.tyres_per_k * (reference.degc - air.degc);
            [a / rolling, 0.0, c * reference.density / air.density]
        }
    }
}

/// The steady driving, in a wind.
fn steady(test: &Test<'_>, pieces: &[Piece], axis: Option<f64>, wind: &Wind) -> Vec<way::Block> {
    let axis = axis.unwrap_or(f64::NAN);
    let squared = |piece: &Piece| {
        let (ahead, across) = wind.on(piece.heading - axis);
        (piece.speed + ahead).powi(2) + across * across
    };
    way::blocks(test, pieces, axis, squared)
}

/// The sum over the runs: as was kept of runs without the places of their fixes, else as computed.
fn sum(
    test: &Test<'_>,
    kept: impl Fn(&RunDirections) -> Directions,
    computed: impl Fn() -> Vec<Directions>,
) -> Directions {
    let unplaced = test.runs.iter().filter_map(|run| Some(kept(&run.unplaced.as_ref()?.sums.directions)));
    let mut of_runs: Vec<Directions> = unplaced.collect();
    if of_runs.is_empty() {
        of_runs = computed();
    }
    of_runs.iter().fold(Directions::default(), |sum, of_run| sum.plus(of_run))
}

/// Of each run, what the wind asks for of its directions.
pub(super) fn directions(test: &Test<'_>, way: &Way) -> Vec<RunDirections> {
    let pieces = way::pieces(test, way);
    let axis = way::axis(test, &pieces);
    let wind = wind_by_card(test.card, axis).unwrap_or(Wind::Unknown(0.0));
    let blocks = steady(test, &pieces, axis, &wind);
    let along = axis.unwrap_or(f64::NAN);
    let all = way::directions(test, &pieces, along, |_| true);
    let target = test.card.and_then(target);
    let held = way::directions(test, &pieces, along, |piece| target.is_some_and(|target| is_held(piece, target)));
    let of = |(run, (all, held))| {
        let steady = blocks.iter().filter(|block| block.end.0 == run);
        let steady = steady.map(|b| Steady { t: b.end.1, along: b.along, air_squared: b.air_squared }).collect();
        RunDirections { axis, all, held, steady }
    };
    all.into_iter().zip(held).enumerate().map(of).collect()
}

/// The card's target speed and how far off it still counts as held, m/s.
fn target(card: &Card) -> Option<(f64, f64)> {
    Some((card.driving.target?.0, card.driving.tolerance.map_or(HELD, |tolerance| tolerance.0)))
}

fn is_held(piece: &Piece, (target, tolerance): (f64, f64)) -> bool {
    (piece.speed - target).abs() <= tolerance
}

/// The card's wind; of one without direction, or of a way without, only its size.
fn wind_by_card(card: Option<&Card>, axis: Option<f64>) -> Option<Wind> {
    let weather = &card?.weather;
    let speed = weather.wind?.0;
    Some(match (weather.wind_from_deg, axis) {
        (Some(from), Some(axis)) => Wind::From(speed, from.to_radians() - axis),
        _ if speed == 0.0 => Wind::From(0.0, 0.0),
        _ => Wind::Unknown(speed),
    })
}

/// Everything that the restating rests on, and by how much each may be wrong.
struct Moved<'a> {
    weather: &'a Weather,
    inputs: Inputs,
    drag_u: f64,
    accessories_u: f64,
    rise: bool,
    pair_u: Option<f64>,
    card: Option<&'a Card>,
}

impl Moved<'_> {
    fn restated(&self, drive: &Drive<'_>, measured: &Estimate) -> Result<Restated, String> {
        let (value, factor) = drive.restated(&self.inputs);
        if !(value.is_finite() && value > 0.0) {
            return Err("the road load gives no sensible figure; check its units".into());
        }
        let change = |inputs: Inputs| drive.restated(&inputs).0 - value;
        let (inputs, weather) = (self.inputs, self.weather);
        let humidity = self.card.is_some_and(|card| card.weather.humidity_percent.is_some());
        let humidity = if humidity { HUMIDITY_U } else { 0.5 / 3f64.sqrt() };
        let temperature = TEMPERATURE_U[usize::from(weather.degc.1)];
        let pressure = PRESSURE_U[usize::from(weather.pascal.1)];
        let added = Estimate::exact(value - measured.value)
            .with_b(sources::AIR_TEMPERATURE, change(Inputs { degc: inputs.degc + temperature, ..inputs }))
            .with_b(sources::AIR_PRESSURE, change(Inputs { pascal: inputs.pascal + pressure, ..inputs }))
            .with_b(sources::HUMIDITY, change(Inputs { humidity: inputs.humidity + humidity, ..inputs }))
            .with_bound(
                sources::TYRES,
                change(Inputs { tyres_per_k: inputs.tyres_per_k - TYRES_PER_K_BOUND, ..inputs }),
            )
            .with_b(sources::ROAD_LOAD, change(Inputs { drag: 1.0 + self.drag_u, ..inputs }))
            .with_b(
                sources::ACCESSORIES,
                change(Inputs { accessories: inputs.accessories + self.accessories_u, ..inputs }),
            )
            .with_b(
                sources::ROAD_HEIGHT,
                change(Inputs { rise: inputs.rise + RISE_U[usize::from(!self.rise)], ..inputs }),
            )
            .with_b(sources::WIND, self.wind(&change));
        if !added.u().is_finite() {
            return Err("the uncertainty of restating cannot be estimated".into());
        }
        let scaled = measured.scale(factor);
        let value = Estimate::exact(value).combined(value, 1.0, &scaled, 1.0).combined(value, 1.0, &added, 1.0);
        Ok(Restated { measured: measured.clone(), value, added })
    }

    /// Standard uncertainty by the wind: of its size and direction, or of one that nobody knows, either way.
    fn wind(&self, change: &dyn Fn(Inputs) -> f64) -> f64 {
        let with = |wind: Wind| change(Inputs { wind, ..self.inputs });
        match self.inputs.wind {
            Wind::From(speed, from) => {
                let more = (speed * WIND_U.0).max(WIND_U.1);
                // Of a calm no direction is known: along the road it does most.
                let from = if speed == 0.0 { 0.0 } else { from };
                with(Wind::From(speed + more, from)).hypot(with(Wind::From(speed, from + WIND_FROM_U)))
            }
            Wind::Along(speed) => {
                // A pair of legs does not see what blows across: as much as the bound of a wind that nobody measured.
                let across = WIND_MAX / 3f64.sqrt();
                let turned = Wind::From(across, std::f64::consts::FRAC_PI_2);
                let calm = with(Wind::Along(0.0));
                with(Wind::Along(speed + self.pair_u.unwrap_or(0.0))).hypot(with(turned) - calm)
            }
            Wind::Unknown(speed) => {
                let [with_it, against] = [speed, -speed].map(|speed| with(Wind::Along(speed)));
                (with_it.powi(2) + against.powi(2)).sqrt() / 2f64.sqrt()
            }
        }
    }
}

/// The driving that held the target, restated at exactly that speed.
fn at_target(
    test: &Test<'_>,
    all: &Drive<'_>,
    measured: &Estimate,
    way: &Way,
    moved: &Moved<'_>,
    axis: Option<f64>,
) -> Option<(f64, Restated)> {
    let (target, tolerance) = target(test.card?)?;
    let is_held = |piece: &Piece| is_held(piece, (target, tolerance));
    let held: Vec<Piece> = all.pieces.iter().filter(|piece| is_held(piece)).copied().collect();
    let computed = || way::directions(test, all.pieces, axis.unwrap_or(f64::NAN), is_held);
    let directions = sum(test, |of| of.held, computed);
    let (net, distance) = held.iter().fold((0.0, 0.0), |(net, way), piece| (net + piece.net, way + piece.distance));
    if distance < HELD_MIN_M || net <= 0.0 {
        return None;
    }
    // Its relative uncertainty is that of the whole drive's figure; sampling weighs more on a part, but no stretch is short.
    let per_metre = measured.scale(net / distance / measured.value);
    let drive = Drive { pieces: &held, directions, per_metre: per_metre.value, at: Some(target), ..*all };
    let mut restated = moved.restated(&drive, &per_metre).ok()?;
    // The scale of the distance is that of the speed too: a speed that reads 1 % too much was 1 % less.
    let faster: Vec<Piece> = held.iter().map(|piece| Piece { speed: piece.speed * 1.001, ..*piece }).collect();
    let directions = directions.faster(1.001);
    let by_speed =
        (Drive { pieces: &faster, directions, ..drive }.restated(&moved.inputs).0 - restated.value.value) / 1e-3;
    let scale = way.counting()?.scale(1.0 / way.counting()?.value);
    let by_scale = scale.scale(by_speed);
    let value = restated.value.value;
    restated.value = restated.value.combined(value, 1.0, &by_scale, 1.0);
    Some((target, restated))
}

#[cfg(test)]
mod tests;
