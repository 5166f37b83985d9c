//! Legs, pairs and height as JSON.
//!
//! Forms no figure.

use serde::Serialize;

use super::{Figure, JOULE_PER_METRE_IN_WH_PER_KM, figure, some};
use crate::quantity::{JOULE_PER_KWH, MPS_PER_KMH};
use crate::reduce::legs;

#[derive(Serialize)]
pub(super) struct Legs<'a> {
    by: Option<&'static str>,
    why: Option<&'a str>,
    legs: Vec<Leg>,
    pairs: Vec<Pair>,
    cancels: Option<Cancels>,
    height: Option<Height>,
}

#[derive(Serialize)]
struct Leg {
    direction: Option<&'static str>,
    duration_s: f64,
    distance_km: Option<Figure>,
    net_kwh: Option<Figure>,
    consumption_wh_per_km: Option<Figure>,
    mean_speed_kmh: Option<Figure>,
    temperature_degc: Option<f64>,
}

#[derive(Serialize)]
struct Pair {
    legs: [usize; 2],
    consumption_wh_per_km: Option<Figure>,
    difference_wh_per_km: Option<Figure>,
}

#[derive(Serialize)]
struct Cancels {
    one_way_km: f64,
    other_way_km: f64,
    ends_apart_km: Option<f64>,
    closed: bool,
}

#[derive(Serialize)]
struct Height {
    rise_m: Figure,
    by: &'static str,
    energy_kwh: Option<Figure>,
}

impl<'a> Legs<'a> {
    pub fn of(legs: &'a legs::Legs) -> Self {
        let per_km = JOULE_PER_METRE_IN_WH_PER_KM;
        let leg = |leg: &legs::Leg| Leg {
            direction: leg.out.map(|out| if out { "out" } else { "back" }),
            duration_s: leg.seconds,
            distance_km: some(&leg.distance, 1e3),
            net_kwh: some(&leg.energy, JOULE_PER_KWH),
            consumption_wh_per_km: some(&leg.consumption, per_km),
            mean_speed_kmh: some(&leg.speed, MPS_PER_KMH),
            temperature_degc: leg.temperature,
        };
        let pair = |pair: &legs::Pair| Pair {
            legs: [pair.first + 1, pair.first + 2],
            consumption_wh_per_km: some(&pair.mean, per_km),
            difference_wh_per_km: some(&pair.difference, per_km),
        };
        let cancels = |cancels: &legs::Cancels| Cancels {
            one_way_km: cancels.distances[0] / 1e3,
            other_way_km: cancels.distances[1] / 1e3,
            ends_apart_km: cancels.apart.map(|apart| apart / 1e3),
            closed: cancels.closed,
        };
        let height = |height: &legs::Height| Height {
            rise_m: figure(&height.rise, 1.0),
            by: height.by,
            energy_kwh: some(&height.energy, JOULE_PER_KWH),
        };
        Self {
            by: legs.by.map(legs::By::text),
            why: legs.why.as_deref(),
            legs: legs.legs.iter().map(leg).collect(),
            pairs: legs.pairs.iter().map(pair).collect(),
            cancels: legs.cancels.as_ref().map(cancels),
            height: legs.height.as_ref().map(height),
        }
    }
}
