//! The satellite receiver's word and the speedometer and odometer check, as JSON.
//!
//! Forms no figure.

use serde::Serialize;

use super::{Figure, figure, some};
use crate::quantity::MPS_PER_KMH;
use crate::reduce::ground;
use crate::reduce::speed_check;
use crate::reduce::way::Way;

#[derive(Serialize)]
pub(super) struct Ground {
    share_by_speed: f64,
    share_by_line: f64,
    share_by_wheels: f64,
    fixes_off_the_line: usize,
    fixes_stuck: usize,
    contradicted_s: f64,
    wheels_lack_km: f64,
    true_per_wheel: Option<Figure>,
    calibrates_wheels: bool,
}

impl Ground {
    pub fn of(ground: &ground::Ground, way: &Way) -> Self {
        let [share_by_speed, share_by_line, share_by_wheels] = ground.shares;
        Self {
            share_by_speed,
            share_by_line,
            share_by_wheels,
            fixes_off_the_line: ground.jumps,
            fixes_stuck: ground.stuck,
            contradicted_s: ground.contradicted,
            wheels_lack_km: ground.wheels_lack / 1e3,
            true_per_wheel: some(&ground.scale, 1.0),
            calibrates_wheels: way.calibrated,
        }
    }
}

#[derive(Serialize)]
pub(super) struct SpeedCheck {
    wheels: Option<Figure>,
    odometer: Option<Figure>,
    dial_at: Vec<DialAt>,
    dial: Option<Dial>,
    target_kmh: Option<f64>,
    displayed_at_target_kmh: Option<Figure>,
}

#[derive(Serialize)]
struct DialAt {
    true_kmh: f64,
    seconds: f64,
    ratio: Figure,
}

#[derive(Serialize)]
struct Dial {
    gain: Figure,
    offset_kmh: Option<Figure>,
    told_apart: bool,
    from_kmh: f64,
    to_kmh: f64,
}

impl SpeedCheck {
    pub fn of(check: &speed_check::SpeedCheck) -> Self {
        let dial_at = |at: &speed_check::DialAt| DialAt {
            true_kmh: at.speed / MPS_PER_KMH,
            seconds: at.seconds,
            ratio: figure(&at.ratio, 1.0),
        };
        let dial = |dial: &speed_check::Dial| Dial {
            gain: figure(&dial.gain, 1.0),
            offset_kmh: some(&dial.offset, MPS_PER_KMH),
            told_apart: dial.told_apart,
            from_kmh: dial.speeds.0 / MPS_PER_KMH,
            to_kmh: dial.speeds.1 / MPS_PER_KMH,
        };
        Self {
            wheels: some(&check.wheels, 1.0),
            odometer: some(&check.odometer, 1.0),
            dial_at: check.dial_at.iter().map(dial_at).collect(),
            dial: check.dial.as_ref().map(dial),
            target_kmh: check.at_target.as_ref().map(|(target, _)| target / MPS_PER_KMH),
            displayed_at_target_kmh: check.at_target.as_ref().map(|(_, shown)| figure(shown, MPS_PER_KMH)),
        }
    }
}
