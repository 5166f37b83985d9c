//! The figures of a test: one or several runs of one discharge, and the card, to everything that is printed.
//!
//! Pure. `docs/figures.md` defines each figure.
//!
//! Prints nothing.

use std::sync::Arc;

use super::balance::{self, Balance};
use super::charging::{self, Session};
use super::checkpoints::{self, Checkpoints};
use super::claims::{self, Claim};
use super::conditions::{self, Conditions};
use super::counted::{self, Sorted};
use super::discharge::{self, Axis};
use super::energy::{Energy, Totals};
use super::estimate::Estimate;
use super::fill::{self, Fill};
use super::fold::PhaseTotals;
use super::ground::{self, Ground};
use super::hold::{self, Hold};
use super::input::{Gap, Missing, RunInput};
use super::join::{self, Join};
use super::legs::{self, Legs};
use super::plug::{self, Plug};
use super::rises::{self, Rise};
use super::shares::{self, Shares};
use super::speed_check::{self, SpeedCheck};
use super::temperatures::{self, Temperatures};
use super::tolerances::Tolerances;
use super::trail::{self, Trail};
use super::usable::{self, Tenth, Usable};
use super::way::{self, Way};
use super::zero::{self, Zero};
use crate::card::{Card, Missing as MissingKey, SocCounts, Verdict};
use crate::course::Course;
use crate::ledger::Phase;
use crate::observation::Mark;
use crate::schema::Role;
use crate::time::WallClock;

/// Limits beyond which a figure is not called measured, and the course where the card names one.
#[derive(Clone, PartialEq, Debug)]
pub struct Options {
    /// Largest share of a figure that may be estimated.
    pub estimated_share_max: f64,
    /// Largest relative standard uncertainty by sampling.
    pub sampling_max: f64,
    /// Displayed values at which one looks, percent.
    pub checkpoints: Vec<f64>,
    /// The road that was driven.
    pub course: Option<Course>,
    /// Windows of the state of charge whose time of charging is asked for, percent.
    pub charge_windows: Vec<(f64, f64)>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            estimated_share_max: 0.05,
            sampling_max: 0.01,
            checkpoints: checkpoints::USUAL.to_vec(),
            course: None,
            charge_windows: vec![(10.0, 80.0)],
        }
    }
}

/// A run as it is listed.
#[derive(Clone, PartialEq, Debug)]
pub struct RunLine {
    /// Its name.
    pub name: String,
    /// When it began.
    pub start: Option<WallClock>,
    /// First to last row, s.
    pub duration: f64,
}

/// What a phase amounts to; as observed, estimates of gaps left out.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PhaseLine {
    /// Which.
    pub phase: Phase,
    /// Time, s.
    pub duration: f64,
    /// Distance by the wheel speed, m.
    pub distance: f64,
    /// Net energy out of the pack, J, plug left out; NaN where it is not measured.
    pub net: f64,
    /// Energy into the pack from a plug, J.
    pub charged: f64,
}

/// Energy per distance, J/m; energy of drive phases alone unless said.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Consumption {
    /// Net of what came back.
    pub net: Option<Estimate>,
    /// Of what went out alone.
    pub gross: Option<Estimate>,
    /// Net, standing included.
    pub with_standing: Option<Estimate>,
}

/// The state of charge that counts.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Soc {
    /// Which role.
    pub role: Role,
    /// First and last reading, percent; the first is not held to have settled.
    pub first: Option<f64>,
    /// See `first`.
    pub last: Option<f64>,
    /// People noted it; no signal gives it.
    pub noted: bool,
}

/// Everything that is known of a test.
#[derive(Clone, PartialEq, Debug)]
pub struct Reduction {
    /// The vehicle.
    pub vehicle: String,
    /// The card's file name.
    pub card: Option<String>,
    /// What the card leaves open; `None` without a card.
    pub missing: Option<Vec<MissingKey>>,
    /// The same by the figures that it limits.
    pub limited: Vec<(&'static str, Vec<&'static str>)>,
    /// Whether the test is sealed, as the caller judged; `None` without a card.
    pub seal: Option<Verdict>,
    /// First and last moment of what counts, where a clock said it.
    pub counted: Option<(WallClock, WallClock)>,
    /// The card's counting left a part of the runs out.
    pub is_cut: bool,
    /// The runs, in time order.
    pub runs: Vec<RunLine>,
    /// Time in the runs, s.
    pub duration: f64,
    /// Of that, with the pack's power unobserved, s.
    pub unobserved: f64,
    /// Distance.
    pub way: Way,
    /// What the satellite receiver says of it.
    pub ground: Ground,
    /// Wheels, odometer and dial against the ground.
    pub speed_check: SpeedCheck,
    /// From turn to turn.
    pub legs: Legs,
    /// How the target speed was held.
    pub hold: Hold,
    /// Energy and charge outside charging.
    pub energy: Energy,
    /// Energy per distance.
    pub consumption: Consumption,
    /// State of charge.
    pub soc: Soc,
    /// Usable capacity.
    pub usable: Usable,
    /// By tenth of the displayed charge, from 100 % down.
    pub tenths: Vec<Tenth>,
    /// Checkpoints, halves, and what lies beyond displayed 0 %.
    pub checkpoints: Checkpoints,
    /// Where the energy went.
    pub shares: Shares,
    /// Outside, in the cabin, of the pack.
    pub temperatures: Temperatures,
    /// What a card claims, kWh.
    pub claimed_usable_kwh: Option<f64>,
    /// By phase.
    pub phases: [PhaseLine; 3],
    /// Between the runs.
    pub joins: Vec<Join>,
    /// What people noted, by run: the moment, s of run time, and the mark.
    pub notes: Vec<(String, f64, Mark)>,
    /// Gaps with what they left out, by run.
    pub gaps: Vec<(String, Fill)>,
    /// Sensors' tolerances that were assumed, in plain words.
    pub assumed: Vec<String>,
    /// Sensors' tolerances that card and map state, with their basis, in plain words.
    pub stated: Vec<String>,
    /// Mean current with the contactors open, A, and for how long, s.
    pub open_current: Option<(f64, f64)>,
    /// Charging sessions, in time order.
    pub sessions: Vec<Session>,
    /// What the plug gave.
    pub plug: Plug,
    /// The sensors against the card's meters.
    pub balances: Vec<Balance>,
    /// Conditions, and what is restated at others.
    pub conditions: Conditions,
    /// What others say of the car, with the measured figures as shares of it.
    pub claims: Vec<Claim>,
    /// The car gives the pack's power alone, no current.
    pub has_power_alone: bool,
    /// Rises of the state of charge that no measured charge explains.
    pub rises: Vec<Rise>,
    /// The current's zero as it was read then and taken off.
    pub zero: Option<Zero>,
    /// What is missing or doubtful, in plain words.
    pub problems: Vec<String>,
}

/// What every step below needs.
pub(super) struct Test<'a> {
    pub runs: &'a [RunInput],
    pub card: Option<&'a Card>,
    pub options: &'a Options,
    pub tolerances: Tolerances,
    pub zero: Option<Zero>,
    pub fills: Vec<Vec<Fill>>,
    pub joins: Vec<Join>,
    /// Which state of charge counts: 0 displayed, 1 internal.
    pub soc: usize,
}

/// Reduces one or several runs of one test.
pub fn reduce(runs: &[RunInput], card: Option<&Card>, options: &Options) -> Reduction {
    reduced(runs, card, options, |_, _| ()).0
}

/// The same, with the drive as it is drawn: formed from the same runs, put right in the same way.
pub fn reduce_and_trace(runs: &[RunInput], card: Option<&Card>, options: &Options) -> (Reduction, Trail) {
    reduced(runs, card, options, trail::of)
}

/// What is formed from a test and its figures, with the runs put right as they are for the figures.
pub(super) fn with_test<T>(
    runs: &[RunInput],
    card: Option<&Card>,
    options: &Options,
    then: impl FnOnce(&Test<'_>, &Reduction) -> T,
) -> T {
    reduced(runs, card, options, then).1
}

fn reduced<T>(
    runs: &[RunInput],
    card: Option<&Card>,
    options: &Options,
    then: impl FnOnce(&Test<'_>, &Reduction) -> T,
) -> (Reduction, T) {
    let Sorted { mut runs, card, mut problems } = counted::sort_out(runs, card);
    let card = card.as_ref();
    let mut tolerances = Tolerances::of(&runs, card);
    let zero = zero::take_off(&mut runs, &mut tolerances, &mut problems);
    let soc = soc_role(&runs, card);
    let rises: Vec<Rise> = runs.iter().flat_map(|run| rises::of(run, soc)).collect();
    for rise in &rises {
        problems.push(rise.text());
        let run = runs.iter_mut().find(|run| run.name == rise.run);
        run.into_iter().for_each(|run| Arc::make_mut(&mut run.summary).split_at(rise.at));
    }
    let fills = runs.iter().map(|run| fills(run, soc)).collect();
    let joins = runs.windows(2).map(|pair| {
        let rate = |run: &RunInput| fill::rates(&run.summary, soc).per_soc.map(|(rate, ..)| rate);
        join::between(&pair[0], &pair[1], soc, rate(&pair[0]).or_else(|| rate(&pair[1])))
    });
    let joins = joins.collect();
    let test = Test { runs: &runs, card, options, tolerances, zero, fills, joins, soc };
    let reduction = test.reduce(problems, rises);
    let then = then(&test, &reduction);
    (reduction, then)
}

fn soc_role(runs: &[RunInput], card: Option<&Card>) -> usize {
    match card.and_then(|card| card.state_of_charge) {
        Some(SocCounts::Displayed) => 0,
        Some(SocCounts::Internal) => 1,
        None => usize::from(runs.first().is_some_and(|run| run.soc_counts == Role::SocInternal)),
    }
}

/// A run's gaps filled, with one more for unobserved time that no listed gap explains.
fn fills(run: &RunInput, soc: usize) -> Vec<Fill> {
    let rates = fill::rates(&run.summary, soc);
    let mut fills: Vec<Fill> = run.gaps.iter().map(|gap| fill::fill(&run.summary, gap, &rates)).collect();
    let open = run.summary.phases[0].plus(&run.summary.phases[1]);
    let listed = run.gaps.iter().filter(|gap| gap.missing == Missing::Power).map(|gap| gap.to_s - gap.from_s);
    let unlisted = run.summary.phases.iter().map(|phase| phase.unobserved).sum::<f64>() - listed.sum::<f64>();
    let observed = open.duration - open.unobserved;
    if unlisted > 1.0 && observed > 0.0 {
        let start = run.summary.first().map_or(0.0, |first| first.t);
        let gap = Gap { missing: Missing::Power, from_s: start, to_s: start, part: 1.0 };
        let per_second = unlisted / observed;
        let [energy_out, energy_in] = [open.energy_out * per_second, open.energy_in * per_second];
        fills.push(Fill {
            gap,
            phase: Phase::Drive,
            energy: [energy_out, energy_in],
            charge: [open.charge_out * per_second, open.charge_in * per_second],
            u: [energy_out, open.charge_out * per_second],
            distance: [0.0; 2],
            from: energy_out.is_finite().then_some("the mean power of the run"),
        });
    }
    fills
}

impl Test<'_> {
    fn reduce(&self, mut problems: Vec<String>, rises: Vec<Rise>) -> Reduction {
        self.input_problems(&mut problems);
        let totals = Totals::of(self);
        let energy = Energy::of(self, &totals, &mut problems);
        let ground = ground::of(self, &mut problems);
        let way = way::of(self, &ground, &mut problems);
        let consumption = self.consumption(&totals, &energy, &way);
        let discharges = discharge::split(self.runs, &self.joins);
        let axes =
            discharges.iter().map(|places| Axis::new(self.runs, &self.fills, &self.joins, places.clone(), self.soc));
        let axes: Vec<Axis<'_>> = axes.collect();
        let axis = axes.iter().max_by(|a, b| a.end().drawn.energy.total_cmp(&b.end().drawn.energy));
        let usable = usable::of(self, axis, axes.len(), &totals, &mut problems);
        let tenths = usable::tenths(self, axis, &totals, &way);
        let checkpoints = checkpoints::of(self, axis, &totals, &way);
        let shares = shares::of(self, &totals, &energy, &mut problems);
        let sessions = charging::of(self, consumption.net.as_ref(), &rises, &mut problems);
        let soc = self.soc_readings();
        let plug = plug::of(self, &sessions, &energy, &way, &consumption, &soc);
        let balances = balance::of(self, &plug, &sessions);
        let conditions = conditions::of(self, &consumption, &way, &usable);
        let legs = legs::of(self, &way, &totals, &mut problems);
        let claims = claims::of(self, &usable, &consumption, &conditions);
        self.join_problems(&mut problems);
        let line =
            |run: &RunInput| RunLine { name: run.name.clone(), start: run.start, duration: run.summary.duration() };
        Reduction {
            vehicle: self.runs.first().map_or(String::new(), |run| run.vehicle.clone()),
            card: self.card.map(|card| card.name.clone()),
            missing: self.card.map(Card::missing),
            limited: self.card.map(Card::limited).unwrap_or_default(),
            seal: None,
            counted: counted::ends(self.runs),
            is_cut: self.runs.iter().any(|run| run.cut),
            runs: self.runs.iter().map(line).collect(),
            duration: totals.all.duration,
            unobserved: totals.all.unobserved,
            soc,
            claimed_usable_kwh: self.card.and_then(|card| card.claimed_usable_kwh),
            phases: self.phases(),
            joins: self.joins.clone(),
            notes: self.notes(),
            gaps: self.named_fills(),
            assumed: self.tolerances.assumed.clone(),
            stated: self.tolerances.stated.clone(),
            speed_check: speed_check::of(self, &ground, &way),
            hold: hold::of(self, &ground, &way, &legs, &totals),
            legs,
            ground,
            zero: self.zero,
            open_current: self.runs.iter().find_map(|run| run.summary.open_current),
            way,
            energy,
            consumption,
            usable,
            tenths,
            checkpoints,
            shares,
            temperatures: temperatures::of(self),
            sessions,
            plug,
            balances,
            conditions,
            claims,
            has_power_alone: self.tolerances.power.is_some(),
            rises,
            problems,
        }
    }

    fn consumption(&self, totals: &Totals, energy: &Energy, way: &Way) -> Consumption {
        let Some(distance) = way.counting() else { return Consumption::default() };
        let drive = totals.figures(self, &totals.drive);
        let per_metre = |figure: Option<Estimate>| figure.and_then(|figure| figure.ratio(distance));
        let measured = |whole: &Option<Estimate>, part: Estimate| whole.as_ref().map(|_| part);
        Consumption {
            net: per_metre(measured(&energy.net, drive.net)),
            gross: per_metre(measured(&energy.out, drive.out)),
            with_standing: per_metre(energy.net.clone()),
        }
    }

    fn soc_readings(&self) -> Soc {
        let records = || self.runs.iter().flat_map(|run| &run.summary.stretches).map(|stretch| &stretch.soc[self.soc]);
        Soc {
            role: [Role::Soc, Role::SocInternal][self.soc],
            first: records().find_map(|record| record.first),
            last: records().rev().find_map(|record| record.last).map(|(value, _)| value),
            noted: self.soc == 0 && self.runs.iter().any(|run| run.summary.noted.soc),
        }
    }

    fn phases(&self) -> [PhaseLine; 3] {
        std::array::from_fn(|at| {
            let sum = self.runs.iter().fold(PhaseTotals::default(), |sum, run| sum.plus(&run.summary.phases[at]));
            PhaseLine {
                phase: PhaseTotals::PHASES[at],
                duration: sum.duration,
                distance: sum.distance,
                net: sum.energy_out - sum.energy_in,
                charged: sum.energy_charged,
            }
        })
    }

    fn notes(&self) -> Vec<(String, f64, Mark)> {
        let of = |run: &RunInput| {
            let name = run.name.clone();
            run.summary.noted.marks.clone().into_iter().map(move |(at, mark)| (name.clone(), at, mark))
        };
        self.runs.iter().flat_map(of).collect()
    }

    fn named_fills(&self) -> Vec<(String, Fill)> {
        let runs = self.runs.iter().zip(&self.fills);
        runs.flat_map(|(run, fills)| fills.iter().map(|fill| (run.name.clone(), *fill))).collect()
    }

    fn input_problems(&self, problems: &mut Vec<String>) {
        for run in self.runs {
            problems.extend(run.problems.iter().map(|problem| format!("{}: {problem}", run.name)));
            if run.summary.rows < 2 {
                problems.push(format!("{}: the run holds no trace to reduce", run.name));
            }
            if run.sampling.is_none() {
                problems.push(format!("{}: what sampling may have cost could not be measured", run.name));
            }
        }
        let card_wants = self.card.and_then(|card| card.state_of_charge);
        if card_wants.is_some() && self.soc_readings().first.is_none() && !self.runs.is_empty() {
            let which = if self.soc == 0 { "displayed" } else { "internal" };
            problems.push(format!("the card counts the {which} state of charge, which these runs do not have"));
        }
    }

    fn join_problems(&self, problems: &mut Vec<String>) {
        for join in &self.joins {
            let (before, after) = &join.runs;
            if join.charged {
                let rise = crate::format::percent(-join.soc_change.unwrap_or(0.0));
                problems.push(format!(
                    "the state of charge rose by {rise} between {before} and {after}: not one discharge"
                ));
            }
            if let Some(distance) = join.distance.filter(|distance| *distance > 1_000.0) {
                let km = crate::format::significant(distance / 1e3, 2);
                problems.push(format!("the car drove {km} km between {before} and {after} without being recorded"));
            }
        }
    }
}

#[cfg(test)]
mod tests;
