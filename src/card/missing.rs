//! What a card leaves open, and which figures that limits.
//!
//! Judges no figure: a reduction says itself what it could not measure.

use super::{Card, FullCharge};

/// A key that is not filled in.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Missing {
    /// The key, without the unit that it would end in.
    pub key: &'static str,
    /// The figures that it limits.
    pub limits: &'static [&'static str],
}

const FROM_FULL: &str = "usable capacity from a confirmed full charge";
const CLAIM: &str = "usable capacity and range against what is claimed";
const PARTIAL: &str = "usable capacity from a part of the charge";
const BY_TEMPERATURE: &str = "usable capacity by temperature and rest";
const HOLD: &str = "hold of the target speed";
const LEGS: &str = "legs, pairs and height";
const SHARES: &str = "share of the climate control";
const REFERENCE: &str = "figures at reference conditions";
const PLUG: &str = "energy from the plug per distance, charging efficiency";
const METER: &str = "balance of the sensors against a meter";
const COMPARISON: &str = "comparison with other tests";
const SEAL: &str = "seal of the map";

impl Card {
    /// What is not filled in, in the order of the card. Keys that have a default (which distance counts, where counting
    /// starts) are never missing, nor is a trailer.
    pub fn missing(&self) -> Vec<Missing> {
        let Self { driving, tyres, load, climate, charge, recharge, battery, weather, road, .. } = self;
        let metered = charge.energy.is_some() || recharge.energy.is_some();
        let placed = [charge, recharge].into_iter().any(|of| of.energy.is_some() && of.metered_at.is_some());
        let classed = [charge, recharge].into_iter().any(|of| of.energy.is_some() && of.meter_class.is_some());
        let rated = !self.rated.is_empty() || self.claimed_usable_kwh.is_some();
        let open: [(bool, &'static str, &'static [&'static str]); 30] = [
            (self.map.is_none(), "map", &[SEAL]),
            (self.course.is_none(), "course", &[LEGS]),
            (self.full_charge == FullCharge::Unknown, "full_charge", &[FROM_FULL]),
            (!rated, "claimed_usable_kwh or rated", &[CLAIM]),
            (driving.target.is_none(), "driving.target", &[HOLD, REFERENCE]),
            (driving.tolerance.is_none(), "driving.tolerance", &[HOLD]),
            (driving.assist.is_none(), "driving.assist", &[COMPARISON]),
            (tyres.placard.is_none(), "tyres.placard", &[COMPARISON]),
            (tyres.set.is_none(), "tyres.set", &[REFERENCE, COMPARISON]),
            (load.car.is_none(), "load.car", &[REFERENCE]),
            (load.load.is_none(), "load.load", &[REFERENCE, COMPARISON]),
            (climate.setting.is_none(), "climate.setting", &[SHARES, COMPARISON]),
            (charge.current.is_none(), "charge.current", &[PLUG]),
            (charge.rest.is_none() && charge.end.is_none(), "charge.end or charge.rest_min", &[BY_TEMPERATURE]),
            (charge.pack.is_none(), "charge.pack", &[BY_TEMPERATURE]),
            (charge.warm_up.is_none(), "charge.warm_up", &[COMPARISON]),
            (!metered, "charge.energy_kwh or recharge.energy_kwh", &[PLUG, METER]),
            (metered && !placed, "metered_at", &[PLUG]),
            (!classed, "meter_class", &[METER]),
            (battery.chemistry.is_none(), "battery.chemistry", &[PARTIAL]),
            (battery.last_full_charge.is_none(), "battery.last_full_charge", &[PARTIAL]),
            (weather.temperature.is_none(), "weather.temperature", &[REFERENCE, COMPARISON]),
            (weather.pressure.is_none(), "weather.pressure", &[REFERENCE]),
            (weather.pressure.is_some() && weather.pressure_of.is_none(), "weather.pressure_of", &[REFERENCE]),
            (weather.humidity_percent.is_none(), "weather.humidity_percent", &[REFERENCE]),
            (weather.wind.is_none(), "weather.wind", &[REFERENCE, COMPARISON]),
            (
                weather.wind.is_some_and(|wind| wind.0 > 0.0) && weather.wind_from_deg.is_none(),
                "weather.wind_from_deg",
                &[REFERENCE],
            ),
            (road.wet_percent.is_none(), "road.wet_percent", &[REFERENCE]),
            (self.road_load == super::RoadLoad::default(), "road_load", &[REFERENCE]),
            (road.traffic.is_none(), "road.traffic", &[COMPARISON]),
        ];
        let open = open.into_iter().filter(|(is_open, ..)| *is_open);
        open.map(|(_, key, limits)| Missing { key, limits }).collect()
    }

    /// The same turned round: each figure that is limited, with the keys that it misses.
    pub fn limited(&self) -> Vec<(&'static str, Vec<&'static str>)> {
        let mut figures: Vec<(&'static str, Vec<&'static str>)> = Vec::new();
        for missing in self.missing() {
            for figure in missing.limits {
                match figures.iter_mut().find(|(known, _)| known == figure) {
                    Some((_, keys)) => keys.push(missing.key),
                    None => figures.push((figure, vec![missing.key])),
                }
            }
        }
        figures
    }
}
