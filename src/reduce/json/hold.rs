//! How the target speed was held, as JSON.
//!
//! Forms no figure.

use serde::Serialize;

use super::{Figure, JOULE_PER_METRE_IN_WH_PER_KM, figure, some};
use crate::quantity::MPS_PER_KMH;
use crate::reduce::hold;

#[derive(Serialize)]
pub(super) struct Hold {
    why: Option<&'static str>,
    target_kmh: Option<f64>,
    tolerance_kmh: Option<f64>,
    satellite_corrected: Option<bool>,
    share_of_distance: Option<Figure>,
    share_of_time: Option<Figure>,
    mean_kmh: Option<Figure>,
    spread_kmh: Option<f64>,
    longest_km: Option<f64>,
    longest_s: Option<f64>,
    outside: Vec<Outside>,
    consumption_wh_per_km: Option<Figure>,
    mass_known: Option<bool>,
}

#[derive(Serialize)]
struct Outside {
    why: &'static str,
    duration_s: f64,
    distance_km: f64,
    left_out: bool,
}

impl Hold {
    pub fn of(hold: &hold::Hold) -> Self {
        let why = match hold {
            hold::Hold::NotKnown(why) => Some(*why),
            hold::Hold::Held(_) => None,
        };
        let held = hold.held();
        let outside = |part: &hold::Outside| Outside {
            why: part.why.key(),
            duration_s: part.seconds,
            distance_km: part.metres / 1e3,
            left_out: part.left_out,
        };
        Self {
            why,
            target_kmh: held.map(|held| held.target / MPS_PER_KMH),
            tolerance_kmh: held.map(|held| held.tolerance / MPS_PER_KMH),
            satellite_corrected: held.map(|held| held.corrected),
            share_of_distance: held.map(|held| figure(&held.share_of_distance, 1.0)),
            share_of_time: held.map(|held| figure(&held.share_of_time, 1.0)),
            mean_kmh: held.map(|held| figure(&held.mean, MPS_PER_KMH)),
            spread_kmh: held.map(|held| held.spread / MPS_PER_KMH),
            longest_km: held.map(|held| held.longest.0 / 1e3),
            longest_s: held.map(|held| held.longest.1),
            outside: held.map(|held| held.outside.iter().map(outside).collect()).unwrap_or_default(),
            consumption_wh_per_km: held.and_then(|held| some(&held.consumption, JOULE_PER_METRE_IN_WH_PER_KM)),
            mass_known: held.map(|held| held.mass_known),
        }
    }
}
