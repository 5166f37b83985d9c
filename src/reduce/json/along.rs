//! JSON of what lies along the drive: checkpoints, shares, temperatures.
//!
//! Rounds nothing.

use serde::Serialize;

use super::{Figure, JOULE_PER_METRE_IN_WH_PER_KM, figure, some};
use crate::observation::Mark;
use crate::quantity::JOULE_PER_KWH;
use crate::reduce::checkpoints::{self, Checkpoint};
use crate::reduce::estimate::Estimate;
use crate::reduce::shares::{self, Consumer};
use crate::reduce::temperatures;
use crate::schema::Role;

/// What a person noted.
#[derive(Serialize)]
pub(super) struct Note<'a> {
    run: &'a str,
    at_s: f64,
    kind: &'static str,
    value: Option<f64>,
    text: &'a str,
}

pub(super) fn notes(notes: &[(String, f64, Mark)]) -> Vec<Note<'_>> {
    notes
        .iter()
        .map(|(run, at, mark)| Note { run, at_s: *at, kind: mark.kind.key(), value: mark.value, text: &mark.text })
        .collect()
}

#[derive(Serialize)]
struct Part {
    km: Option<Figure>,
    kwh: Figure,
    wh_per_km: Option<Figure>,
}

impl From<&checkpoints::Part> for Part {
    fn from(part: &checkpoints::Part) -> Self {
        Self {
            km: some(&part.distance, 1e3),
            kwh: figure(&part.energy, JOULE_PER_KWH),
            wh_per_km: some(&part.consumption, JOULE_PER_METRE_IN_WH_PER_KM),
        }
    }
}

#[derive(Serialize)]
pub(super) struct Checkpoints {
    from_percent: Option<f64>,
    reached: Vec<Reached>,
    halves: Option<[Part; 2]>,
    halves_ratio: Option<Figure>,
    beyond: Option<Part>,
    last_percent: Option<f64>,
    last_rest_km: Option<f64>,
}

#[derive(Serialize)]
struct Reached {
    percent: f64,
    so_far: Part,
    since_last: Option<Part>,
    projected_km: Option<Figure>,
    projected_off_km: Option<Figure>,
    rest_km: Option<f64>,
    rest_off_km: Option<Figure>,
}

impl From<&Checkpoint> for Reached {
    fn from(one: &Checkpoint) -> Self {
        Self {
            percent: one.value,
            so_far: Part::from(&one.so_far),
            since_last: one.since_last.as_ref().map(Part::from),
            projected_km: some(&one.projected, 1e3),
            projected_off_km: some(&one.off[0], 1e3),
            rest_km: one.shown_rest.map(|rest| rest / 1e3),
            rest_off_km: some(&one.off[1], 1e3),
        }
    }
}

impl From<&checkpoints::Checkpoints> for Checkpoints {
    fn from(found: &checkpoints::Checkpoints) -> Self {
        Self {
            from_percent: found.from,
            reached: found.reached.iter().map(Reached::from).collect(),
            halves: found.halves.as_ref().map(|halves| halves.each_ref().map(Part::from)),
            halves_ratio: some(&found.halves_ratio, 1.0),
            beyond: found.beyond.as_ref().map(Part::from),
            last_percent: found.last.0,
            last_rest_km: found.last.1.map(|rest| rest / 1e3),
        }
    }
}

#[derive(Serialize)]
pub(super) struct Shares {
    drive: Option<Share>,
    consumers: Vec<Share>,
    standing_kwh: Option<Figure>,
    standing_w: Option<Figure>,
    recovered_share: Option<Figure>,
    warm_up: Option<WarmUp>,
}

#[derive(Serialize)]
struct Share {
    consumer: &'static str,
    kwh: Figure,
    share: Option<Figure>,
}

impl Share {
    fn of(consumer: &Consumer, unnamed: &'static str) -> Self {
        Self {
            consumer: consumer.role.map_or(unnamed, Role::key),
            kwh: figure(&consumer.energy, JOULE_PER_KWH),
            share: some(&consumer.share, 1.0),
        }
    }
}

#[derive(Serialize)]
struct WarmUp {
    consumers: Vec<&'static str>,
    kwh: Figure,
    steady_w: f64,
    at_start_w: f64,
    decay_s: f64,
}

impl From<&shares::Shares> for Shares {
    fn from(found: &shares::Shares) -> Self {
        let standing = |pick: &dyn Fn(&(Estimate, Estimate)) -> Figure| found.standing.as_ref().map(pick);
        Self {
            drive: found.drive.as_ref().map(|drive| Share::of(drive, "drive")),
            consumers: found.consumers.iter().map(|one| Share::of(one, "climate")).collect(),
            standing_kwh: standing(&|(energy, _)| figure(energy, JOULE_PER_KWH)),
            standing_w: standing(&|(_, power)| figure(power, 1.0)),
            recovered_share: some(&found.recovered, 1.0),
            warm_up: found.warm_up.as_ref().map(|warm| WarmUp {
                consumers: warm.roles.iter().map(|role| role.key()).collect(),
                kwh: figure(&warm.energy, JOULE_PER_KWH),
                steady_w: warm.decay[0],
                at_start_w: warm.decay[1],
                decay_s: warm.decay[2],
            }),
        }
    }
}

#[derive(Serialize)]
pub(super) struct Temperatures {
    outside: Option<Readings>,
    cabin: Option<Readings>,
    pack: Option<Readings>,
}

#[derive(Serialize)]
struct Readings {
    first: f64,
    mean: f64,
    last: f64,
}

impl From<&temperatures::Temperatures> for Temperatures {
    fn from(found: &temperatures::Temperatures) -> Self {
        let readings = |of: Option<temperatures::Readings>| {
            of.map(|of| Readings { first: of.first, mean: of.mean, last: of.last })
        };
        Self { outside: readings(found.outside), cabin: readings(found.cabin), pack: readings(found.pack) }
    }
}
