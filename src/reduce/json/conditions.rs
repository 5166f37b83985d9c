//! Conditions, restated figures and claims as JSON.
//!
//! Rounds nothing.

use serde::Serialize;

use super::{Figure, JOULE_PER_METRE_IN_WH_PER_KM, figure, some};
use crate::quantity::JOULE_PER_KWH;
use crate::reduce::claims::Claim;
use crate::reduce::conditions::{Conditions, Restated, WindBy};

#[derive(Serialize)]
pub(super) struct ConditionsJson<'a> {
    air_degc: Option<f64>,
    air_hpa: Option<f64>,
    air_density_kg_per_m3: Option<f64>,
    wind_along_mps: Option<f64>,
    wind_by: Option<&'static str>,
    reference: ReferenceJson,
    road_load: Option<RoadLoadJson>,
    restated_wh_per_km: Option<Figure>,
    added_u95_wh_per_km: Option<f64>,
    target: Option<TargetJson>,
    range_km: Option<Figure>,
    restated_range_km: Option<Figure>,
    why: &'a str,
}

#[derive(Serialize)]
struct ReferenceJson {
    name: &'static str,
    degc: f64,
    hpa: f64,
    density_kg_per_m3: f64,
}

#[derive(Serialize)]
struct RoadLoadJson {
    a_n: f64,
    b_n_per_mps: f64,
    c_n_per_mps2: f64,
    from: &'static str,
    drag_share: f64,
}

#[derive(Serialize)]
struct TargetJson {
    kmh: f64,
    held_wh_per_km: Figure,
    restated_wh_per_km: Figure,
    added_u95_wh_per_km: f64,
}

fn added(restated: &Restated) -> f64 {
    restated.added.u95() / JOULE_PER_METRE_IN_WH_PER_KM
}

pub(super) fn conditions(conditions: &Conditions) -> ConditionsJson<'_> {
    let (at, weather) = (&conditions.at, conditions.weather.as_ref());
    let restated = conditions.restated.as_ref();
    let per_km = |estimate: &_| figure(estimate, JOULE_PER_METRE_IN_WH_PER_KM);
    ConditionsJson {
        air_degc: weather.map(|weather| weather.degc.0),
        air_hpa: weather.map(|weather| weather.pascal.0 / 100.0),
        air_density_kg_per_m3: weather.map(|weather| weather.density),
        wind_along_mps: conditions.wind.filter(|(_, by)| *by != WindBy::Nothing).map(|(wind, _)| wind.abs()),
        wind_by: conditions.wind.map(|(_, by)| match by {
            WindBy::Card => "card",
            WindBy::Pair => "pair",
            WindBy::Nothing => "not known",
        }),
        reference: ReferenceJson {
            name: at.name,
            degc: at.degc,
            hpa: at.pascal / 100.0,
            density_kg_per_m3: at.density,
        },
        road_load: conditions.load.map(|([a, b, c], from, drag_share)| RoadLoadJson {
            a_n: a,
            b_n_per_mps: b,
            c_n_per_mps2: c,
            from,
            drag_share,
        }),
        restated_wh_per_km: restated.map(|restated| per_km(&restated.value)),
        added_u95_wh_per_km: restated.map(added),
        target: conditions.at_target.as_ref().map(|(speed, restated)| TargetJson {
            kmh: speed * 3.6,
            held_wh_per_km: per_km(&restated.measured),
            restated_wh_per_km: per_km(&restated.value),
            added_u95_wh_per_km: added(restated),
        }),
        range_km: some(&conditions.range.0, 1e3),
        restated_range_km: some(&conditions.range.1, 1e3),
        why: &conditions.why,
    }
}

#[derive(Serialize)]
pub(super) struct ClaimJson<'a> {
    name: &'a str,
    claimed_kwh: Option<f64>,
    usable_percent: Option<Figure>,
    range_percent: Option<Figure>,
    consumption_percent: Option<Figure>,
}

pub(super) fn claim(claim: &Claim) -> ClaimJson<'_> {
    ClaimJson {
        name: &claim.name,
        claimed_kwh: claim.usable.map(|joule| joule / JOULE_PER_KWH),
        usable_percent: some(&claim.usable_share, 0.01),
        range_percent: some(&claim.range_share, 0.01),
        consumption_percent: some(&claim.consumption_share, 0.01),
    }
}
