//! A reduction as JSON; `docs/reduce-json.md` describes every key.
//!
//! Every measured figure is `{"value": x, "u95": y}`; what is not measured is null. Nothing is rounded.

mod along;
mod charging;
mod compare;
mod conditions;
mod ground;
mod hold;
mod legs;
mod trend;

use serde::Serialize;

use super::estimate::{Estimate, Kind};
use super::fill::Fill;
use super::reduction::{Consumption, PhaseLine, Reduction};
use super::usable::{Tenth, Usable};
use super::way::Way;
use crate::card::{self, ChangeKind, DistanceCounts};
use crate::quantity::{COULOMB_PER_AH, JOULE_PER_KWH};

pub use compare::compare;
pub use trend::trend;

/// Version of this shape; raised when a reader of the old one would go wrong.
pub const SCHEMA: u32 = 1;
/// J/m in a Wh/km.
const JOULE_PER_METRE_IN_WH_PER_KM: f64 = 3.6;

/// A figure with the half-width of its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// The value.
    pub value: f64,
    /// Half-width of its 95 % interval.
    pub u95: f64,
}

fn figure(estimate: &Estimate, unit: f64) -> Figure {
    Figure { value: estimate.value / unit, u95: estimate.u95() / unit }
}

fn some(estimate: &Option<Estimate>, unit: f64) -> Option<Figure> {
    estimate.as_ref().map(|estimate| figure(estimate, unit))
}

#[derive(Serialize)]
struct Json<'a> {
    schema: u32,
    vehicle: &'a str,
    card: Option<&'a str>,
    card_missing: Option<Vec<CardMissing>>,
    seal: Option<Seal<'a>>,
    counted: Option<Counted>,
    runs: Vec<&'a str>,
    run_details: Vec<Run<'a>>,
    duration_s: f64,
    observed_s: f64,
    unobserved_s: f64,
    distance_km: Option<Figure>,
    distances: Distances,
    ground: ground::Ground,
    speed_check: ground::SpeedCheck,
    hold: hold::Hold,
    legs: legs::Legs<'a>,
    energy: Energy,
    charge_net_ah: Option<Figure>,
    consumption_wh_per_km: Option<Figure>,
    consumption_gross_wh_per_km: Option<Figure>,
    consumption_with_standing_wh_per_km: Option<Figure>,
    soc_percent: Soc,
    usable_capacity: Capacity<'a>,
    tenths: Vec<TenthJson>,
    checkpoints: along::Checkpoints,
    shares: along::Shares,
    temperatures_degc: along::Temperatures,
    notes: Vec<along::Note<'a>>,
    phases: Vec<Phase>,
    joins: Vec<Join<'a>>,
    gaps: Vec<Gap<'a>>,
    assumed: &'a [String],
    stated: &'a [String],
    open_contactors_current_a: Option<f64>,
    zero: Option<Zero>,
    budgets: Budgets,
    charging: Vec<charging::SessionJson<'a>>,
    unexplained_rises: Vec<charging::RiseJson<'a>>,
    plug: charging::PlugJson<'a>,
    balances: Vec<charging::BalanceJson<'a>>,
    conditions: conditions::ConditionsJson<'a>,
    claims: Vec<conditions::ClaimJson<'a>>,
    problems: &'a [String],
}

/// The current's zero that was taken off.
#[derive(Serialize)]
struct Zero {
    current_a: f64,
    u_reading_a: f64,
    u_drift_a: f64,
    open_s: f64,
}

#[derive(Serialize)]
struct Run<'a> {
    name: &'a str,
    start_utc: Option<String>,
    duration_s: f64,
}

/// A key of the card that is not filled in.
#[derive(Serialize)]
pub struct CardMissing {
    key: &'static str,
    limits: &'static [&'static str],
}

impl From<&card::Missing> for CardMissing {
    fn from(missing: &card::Missing) -> Self {
        Self { key: missing.key, limits: missing.limits }
    }
}

/// Whether a test is sealed.
#[derive(Serialize)]
pub struct Seal<'a> {
    sealed: bool,
    why: &'a str,
    sealed_at: Option<String>,
    code: Option<&'a str>,
    changes: Option<Vec<SealChange<'a>>>,
}

#[derive(Serialize)]
struct SealChange<'a> {
    of: &'static str,
    key: Option<&'a str>,
    was: Option<&'a str>,
    is: Option<&'a str>,
    text: String,
}

impl<'a> From<&'a card::Verdict> for Seal<'a> {
    fn from(verdict: &'a card::Verdict) -> Self {
        let change = |change: &'a card::Change| {
            let (was, is) = match &change.kind {
                ChangeKind::Added(is) => (None, Some(&**is)),
                ChangeKind::Removed(was) => (Some(&**was), None),
                ChangeKind::Changed(was, is) => (Some(&**was), Some(&**is)),
                ChangeKind::Bytes => (None, None),
            };
            SealChange { of: change.of, key: change.key.as_deref(), was, is, text: change.to_string() }
        };
        Self {
            sealed: verdict.is_sealed,
            why: &verdict.why,
            sealed_at: verdict.at.map(|at| at.iso()),
            code: verdict.code.as_deref(),
            changes: verdict.changes.as_ref().map(|changes| changes.iter().map(change).collect()),
        }
    }
}

#[derive(Serialize)]
struct Counted {
    start_utc: String,
    end_utc: String,
    everything: bool,
}

#[derive(Serialize)]
struct Distances {
    counts: Option<&'static str>,
    by_card: bool,
    estimated_share: f64,
    speed_km: Option<Figure>,
    odometer_km: Option<Figure>,
    fixes_km: Option<Figure>,
}

#[derive(Serialize)]
struct Energy {
    out_kwh: Option<Figure>,
    in_kwh: Option<Figure>,
    net_kwh: Option<Figure>,
    charged_kwh: Option<Figure>,
    estimated_share: f64,
}

#[derive(Serialize)]
struct Soc {
    role: &'static str,
    first: Option<f64>,
    last: Option<f64>,
    noted: bool,
}

#[derive(Serialize)]
struct Capacity<'a> {
    method: &'static str,
    why: &'a str,
    span_percent: Option<f64>,
    ticks: usize,
    kwh: Option<Figure>,
    ah: Option<Figure>,
    estimated_share: f64,
    claimed_kwh: Option<f64>,
    reserve_kwh: Option<Figure>,
    reserve_km: Option<f64>,
}

#[derive(Serialize)]
struct TenthJson {
    from: u8,
    to: u8,
    kwh: Option<Figure>,
    ah: Option<Figure>,
    km: Option<Figure>,
}

#[derive(Serialize)]
struct Phase {
    phase: &'static str,
    duration_s: f64,
    distance_km: f64,
    net_kwh: f64,
    charged_kwh: f64,
}

#[derive(Serialize)]
struct Join<'a> {
    from: &'a str,
    to: &'a str,
    minutes: Option<f64>,
    soc_change_percent: Option<f64>,
    energy_kwh: Option<Figure>,
    estimated_from: Option<&'static str>,
    distance_km: Option<f64>,
    charged: bool,
}

#[derive(Serialize)]
struct Gap<'a> {
    run: &'a str,
    missing: &'static str,
    from_s: f64,
    to_s: f64,
    phase: &'static str,
    energy_kwh: Option<Figure>,
    distance_km: Option<Figure>,
    estimated_from: Option<&'static str>,
}

#[derive(Serialize)]
struct Budgets {
    net_kwh: Vec<Line>,
    distance_km: Vec<Line>,
    consumption_wh_per_km: Vec<Line>,
    usable_kwh: Vec<Line>,
    usable_ah: Vec<Line>,
}

/// What one source adds: one standard uncertainty, with its sign.
#[derive(Serialize)]
struct Line {
    source: String,
    u: f64,
    share: f64,
    kind: &'static str,
    nature: &'static str,
    dof: Option<f64>,
    input_u: Option<f64>,
    input_unit: Option<&'static str>,
    sensitivity: Option<f64>,
}

/// Normal coverage of 95 % for the standard uncertainties that are no whole estimates (gaps, joins).
const NORMAL_95: f64 = 1.959_963_984_540_054;

impl Reduction {
    /// As pretty JSON with a line end.
    pub fn to_json(&self) -> String {
        // Plain structs of numbers and texts: there is nothing in them that could fail to be written.
        serde_json::to_string_pretty(&self.json()).unwrap_or_default() + "\n"
    }

    /// The same as a value.
    pub fn to_value(&self) -> serde_json::Value {
        serde_json::to_value(self.json()).unwrap_or_default()
    }

    fn json(&self) -> Json<'_> {
        let Consumption { net, gross, with_standing } = &self.consumption;
        let per_km = |figure: &Option<Estimate>| some(figure, JOULE_PER_METRE_IN_WH_PER_KM);
        Json {
            schema: SCHEMA,
            vehicle: &self.vehicle,
            card: self.card.as_deref(),
            card_missing: self.missing.as_ref().map(|missing| missing.iter().map(CardMissing::from).collect()),
            seal: self.seal.as_ref().map(Seal::from),
            counted: self.counted.map(|(start, end)| Counted {
                start_utc: start.iso(),
                end_utc: end.iso(),
                everything: !self.is_cut,
            }),
            runs: self.runs.iter().map(|run| &*run.name).collect(),
            run_details: self.run_details(),
            duration_s: self.duration,
            observed_s: self.duration - self.unobserved,
            unobserved_s: self.unobserved,
            distance_km: self.way.counting().map(|way| figure(way, 1e3)),
            distances: distances(&self.way),
            ground: ground::Ground::of(&self.ground, &self.way),
            speed_check: ground::SpeedCheck::of(&self.speed_check),
            hold: hold::Hold::of(&self.hold),
            legs: legs::Legs::of(&self.legs),
            energy: Energy {
                out_kwh: some(&self.energy.out, JOULE_PER_KWH),
                in_kwh: some(&self.energy.back, JOULE_PER_KWH),
                net_kwh: some(&self.energy.net, JOULE_PER_KWH),
                charged_kwh: some(&self.energy.charged, JOULE_PER_KWH),
                estimated_share: self.energy.estimated_share,
            },
            charge_net_ah: some(&self.energy.charge, COULOMB_PER_AH),
            consumption_wh_per_km: per_km(net),
            consumption_gross_wh_per_km: per_km(gross),
            consumption_with_standing_wh_per_km: per_km(with_standing),
            soc_percent: Soc {
                role: self.soc.role.key(),
                first: self.soc.first,
                last: self.soc.last,
                noted: self.soc.noted,
            },
            usable_capacity: capacity(&self.usable, self.claimed_usable_kwh),
            tenths: self.tenths.iter().map(tenth).collect(),
            checkpoints: along::Checkpoints::from(&self.checkpoints),
            shares: along::Shares::from(&self.shares),
            temperatures_degc: along::Temperatures::from(&self.temperatures),
            notes: along::notes(&self.notes),
            phases: self.phases.iter().map(phase).collect(),
            joins: self.joins.iter().map(join).collect(),
            gaps: self.gaps.iter().map(|(run, fill)| gap(run, fill)).collect(),
            assumed: &self.assumed,
            stated: &self.stated,
            open_contactors_current_a: self.open_current.map(|(current, _)| current),
            zero: self.zero.map(|zero| Zero {
                current_a: zero.current,
                u_reading_a: zero.by_reading,
                u_drift_a: zero.by_drift,
                open_s: zero.seconds,
            }),
            budgets: Budgets {
                net_kwh: budget(self.energy.net.as_ref(), JOULE_PER_KWH),
                distance_km: budget(self.way.counting(), 1e3),
                consumption_wh_per_km: budget(net.as_ref(), JOULE_PER_METRE_IN_WH_PER_KM),
                usable_kwh: budget(self.usable.energy.as_ref(), JOULE_PER_KWH),
                usable_ah: budget(self.usable.charge.as_ref(), COULOMB_PER_AH),
            },
            charging: charging::sessions(&self.sessions),
            unexplained_rises: self.rises.iter().map(charging::rise).collect(),
            plug: charging::plug(&self.plug),
            balances: charging::balances(self),
            conditions: conditions::conditions(&self.conditions),
            claims: self.claims.iter().map(conditions::claim).collect(),
            problems: &self.problems,
        }
    }

    fn run_details(&self) -> Vec<Run<'_>> {
        let details = |run: &super::reduction::RunLine| run.start.map(|start| start.iso());
        let runs = self.runs.iter();
        runs.map(|run| Run { name: &run.name, start_utc: details(run), duration_s: run.duration }).collect()
    }
}

fn distances(way: &Way) -> Distances {
    Distances {
        counts: way.counts.map(|counts| match counts {
            DistanceCounts::Speed => "speed",
            DistanceCounts::Odometer => "odometer",
            DistanceCounts::Fixes => "fixes",
        }),
        by_card: way.by_card,
        estimated_share: way.estimated_share,
        speed_km: some(&way.speed, 1e3),
        odometer_km: some(&way.odometer, 1e3),
        fixes_km: some(&way.fixes, 1e3),
    }
}

fn capacity(usable: &Usable, claimed_kwh: Option<f64>) -> Capacity<'_> {
    let reserve = usable.reserve.as_ref();
    Capacity {
        method: usable.method.text(),
        why: &usable.why,
        span_percent: usable.span,
        ticks: usable.ticks,
        kwh: some(&usable.energy, JOULE_PER_KWH),
        ah: some(&usable.charge, COULOMB_PER_AH),
        estimated_share: usable.estimated_share,
        claimed_kwh,
        reserve_kwh: reserve.map(|(energy, _)| figure(energy, JOULE_PER_KWH)),
        reserve_km: reserve.map(|(_, distance)| distance / 1e3),
    }
}

fn tenth(tenth: &Tenth) -> TenthJson {
    TenthJson {
        from: tenth.from,
        to: tenth.to,
        kwh: some(&tenth.energy, JOULE_PER_KWH),
        ah: some(&tenth.charge, COULOMB_PER_AH),
        km: some(&tenth.distance, 1e3),
    }
}

fn phase(line: &PhaseLine) -> Phase {
    Phase {
        phase: line.phase.key(),
        duration_s: line.duration,
        distance_km: line.distance / 1e3,
        net_kwh: line.net / JOULE_PER_KWH,
        charged_kwh: line.charged / JOULE_PER_KWH,
    }
}

fn join(join: &super::join::Join) -> Join<'_> {
    let energy =
        join.energy.map(|(value, u)| Figure { value: value / JOULE_PER_KWH, u95: NORMAL_95 * u / JOULE_PER_KWH });
    Join {
        from: &join.runs.0,
        to: &join.runs.1,
        minutes: join.seconds.map(|seconds| seconds / 60.0),
        soc_change_percent: join.soc_change,
        estimated_from: energy.map(|_| join.from),
        energy_kwh: energy,
        distance_km: join.distance.map(|distance| distance / 1e3),
        charged: join.charged,
    }
}

fn gap<'a>(run: &'a str, fill: &Fill) -> Gap<'a> {
    use super::input::Missing;
    let known = |missing: Missing| fill.from.filter(|_| fill.gap.missing == missing);
    let figure = |value: f64, u: f64, unit: f64| Figure { value: value / unit, u95: NORMAL_95 * u / unit };
    Gap {
        run,
        missing: fill.gap.missing.text(),
        from_s: fill.gap.from_s,
        to_s: fill.gap.to_s,
        phase: fill.phase.key(),
        energy_kwh: known(Missing::Power).map(|_| figure(fill.net(), fill.u[0], JOULE_PER_KWH)),
        distance_km: known(Missing::Speed).map(|_| figure(fill.distance[0], fill.distance[1], 1e3)),
        estimated_from: fill.from,
    }
}

fn budget(estimate: Option<&Estimate>, unit: f64) -> Vec<Line> {
    let lines = estimate.into_iter().flat_map(super::budget::budget);
    lines
        .map(|line| Line {
            u: line.contribution / unit,
            kind: if line.kind == Kind::A { "A" } else { "B" },
            nature: line.nature.text(),
            dof: line.dof,
            share: line.share,
            input_u: line.input.map(|input| input.u),
            input_unit: line.input.map(|input| input.unit),
            sensitivity: line.sensitivity.map(|by| by / unit),
            source: line.source,
        })
        .collect()
}

#[cfg(test)]
mod tests;
