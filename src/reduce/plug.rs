//! What the plug gave: each charge cycle's energy at the pack, the meter's reading beside it, efficiency from the meter into
//! the pack, and metered energy per distance.
//!
//! Every ratio names both its ends. Energy that went into the pack and energy that came out of it later are never mixed
//! but where a cycle is closed, and then by name. Pure; knows no tariff.

use super::charging::Session;
use super::energy::Energy;
use super::estimate::Estimate;
use super::reduction::{Consumption, Soc, Test};
use super::sources;
use super::way::Way;
use crate::card::{self, MeteredAt};
use crate::format;
use crate::time::Span;

/// A reading at the card's beginning or end of a charge that is this near to the recorded one says that it is the same.
const SAME_MOMENT: Span = Span::of_seconds(180);
/// A charge replaces what was driven if the state of charge rises by as much as it fell, to this share: beyond it, what a
/// part of the charge cost says too little of the rest. Common practice, no source.
const SAME_SPAN: f64 = 0.1;
/// What the bend of a display may do to a ratio of two spans that are not the same, in parts: common practice, no source.
const BEND_U: f64 = 0.02;

/// Which charge of the card.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Which {
    /// The one before the test.
    Before,
    /// The one after it.
    After,
}

impl Which {
    /// The card's table.
    pub fn key(self) -> &'static str {
        match self {
            Self::Before => "charge",
            Self::After => "recharge",
        }
    }
}

/// A charge of the card with the sessions that were recorded of it.
#[derive(Clone, PartialEq, Debug)]
pub struct Metered {
    /// Which.
    pub which: Which,
    /// Its sessions' places.
    pub sessions: Vec<usize>,
    /// DC energy into the pack, J; `None` where the recording does not hold all of the charge.
    pub into_pack: Option<Estimate>,
    /// By the meter, J, with the meter's class as its uncertainty; `None` without a reading.
    pub metered: Option<Estimate>,
    /// Where that meter was.
    pub at: Option<MeteredAt>,
    /// (DC into the pack) / (metered out), a share.
    pub efficiency: Option<Estimate>,
    /// Why there is no efficiency; empty where there is.
    pub why: String,
}

/// What the plug gave.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Plug {
    /// The card's charges that were metered or recorded.
    pub charges: Vec<Metered>,
    /// DC energy into the pack while charging less what came out of it since: of a closed cycle, (DC out of the pack while
    /// driving) / (DC into the pack while recharging), a share.
    pub out_by_in: Option<Estimate>,
    /// Metered energy of the recharge by the test's distance, J/m, and where it was metered.
    pub metered_per_metre: Option<(Estimate, MeteredAt)>,
    /// The same of the driven energy alone: energy per distance times (metered) / (DC out of the pack).
    pub metered_driving: Option<Estimate>,
    /// Why there is no metered energy per distance; empty where there is, or no meter was read.
    pub why: String,
}

pub(super) fn of(
    test: &Test<'_>,
    sessions: &[Session],
    energy: &Energy,
    way: &Way,
    consumption: &Consumption,
    soc: &Soc,
) -> Plug {
    let Some(card) = test.card else { return Plug::default() };
    let pairs = [(Which::Before, &card.charge), (Which::After, &card.recharge)];
    let metered = |which: Which| pairs.iter().any(|(known, charge)| *known != which && charge.energy.is_some());
    let charges: Vec<Metered> = pairs
        .iter()
        .map(|(which, charge)| {
            let found = recorded(test, sessions, *which, charge, metered(*which));
            joined(test, sessions, *which, charge, found)
        })
        .filter(|charge| !charge.sessions.is_empty() || charge.metered.is_some())
        .collect();
    let mut plug = Plug { charges, ..Plug::default() };
    cycle(&mut plug, test, sessions, energy, way, consumption, soc);
    plug
}

/// First and last movement of the car: the run's place and s of run time.
fn movement(test: &Test<'_>) -> Option<((usize, f64), (usize, f64))> {
    let moving = || test.runs.iter().enumerate().filter_map(|(at, run)| Some((at, run.summary.moving?)));
    let (first, last) = (moving().next()?, moving().next_back()?);
    Some(((first.0, first.1.0), (last.0, last.1.1)))
}

/// The sessions of one of the card's charges: by its times, else by where they lie before and after the driving.
fn recorded(
    test: &Test<'_>,
    sessions: &[Session],
    which: Which,
    charge: &card::Charge,
    other_metered: bool,
) -> Vec<usize> {
    let by_time = |session: &Session| {
        let (from, to) = charge.start.zip(charge.end)?;
        let start = session.start?;
        let end = start + Span::from_seconds(session.duration());
        Some(start < to + SAME_MOMENT && from < end + SAME_MOMENT)
    };
    let movement = movement(test);
    let by_place = |session: &Session| match (movement, which) {
        (Some((first, _)), Which::Before) => (session.run.1, session.time.1) <= first,
        (Some((_, last)), Which::After) => (session.run.1, session.time.0) >= last,
        // Nothing was driven: the one charge that is metered is the one recorded.
        (None, _) => charge.energy.is_some() && !other_metered,
    };
    let belongs = |session: &Session| by_time(session).unwrap_or_else(|| by_place(session));
    sessions.iter().enumerate().filter(|(_, session)| belongs(session)).map(|(at, _)| at).collect()
}

fn joined(test: &Test<'_>, sessions: &[Session], which: Which, charge: &card::Charge, places: Vec<usize>) -> Metered {
    let parts: Vec<&Session> = places.iter().map(|at| &sessions[*at]).collect();
    let why = not_whole(test, charge, &parts);
    let sum = parts.iter().map(|part| part.energy.clone()).reduce(|a, b| Some(a?.add(&b?))).flatten();
    let into_pack = sum.filter(|_| why.is_none());
    let metered = charge.energy.map(|energy| {
        let class = charge.meter_class.map_or(0.0, |class| class.limit());
        Estimate::exact(energy.0).with_bound(sources::METER, energy.0 * class)
    });
    let missing = match (&metered, charge.metered_at, charge.meter_class) {
        (None, ..) => Some("the card gives no meter's reading".to_owned()),
        (_, None, _) => Some("the card does not say where it was metered".to_owned()),
        (.., None) => Some("the card does not give the meter's class".to_owned()),
        _ => None,
    };
    let why = missing.or(why);
    let efficiency = into_pack.as_ref().zip(metered.as_ref()).filter(|_| why.is_none());
    let efficiency = efficiency.and_then(|(into, metered)| into.ratio(metered));
    let why = if efficiency.is_some() { String::new() } else { why.unwrap_or_default() };
    Metered { which, sessions: places, into_pack, metered, at: charge.metered_at, efficiency, why }
}

/// Why the sessions do not hold all of a charge, if so.
fn not_whole(test: &Test<'_>, charge: &card::Charge, parts: &[&Session]) -> Option<String> {
    let (Some(first), Some(last)) = (parts.first(), parts.last()) else {
        return Some("the charge was not recorded".into());
    };
    if parts.iter().any(|part| part.energy.is_none()) {
        return Some("too much of the charge was not observed".into());
    }
    let near =
        |said: Option<f64>, read: Option<f64>| said.zip(read).is_some_and(|(said, read)| (said - read).abs() <= 1.0);
    let moment = |said: Option<crate::time::WallClock>, read: Option<crate::time::WallClock>| {
        said.zip(read).is_some_and(|(said, read)| (said - read).0.abs() <= SAME_MOMENT.0)
    };
    let end = last.start.map(|start| start + Span::from_seconds(last.duration()));
    let from_begin = first.seen_from.0 || near(charge.from_percent, first.soc.0) || moment(charge.start, first.start);
    let to_end = last.seen_from.1 || near(charge.to_percent, last.soc.1) || moment(charge.end, end);
    // The last run may end with the car's sleep, seconds after the charge: where it is not seen, the card must say it.
    let table = |at: &str, percent: &str| {
        let run = &test.runs[first.run.1].name;
        format!("nothing shows that {run} holds the charge {at}; the card's {percent} would")
    };
    match (from_begin, to_end) {
        (false, _) => Some(table("from its begin", "from_percent")),
        (_, false) => Some(table("to its end", "to_percent")),
        _ => None,
    }
}

/// What holds of a discharge with the charge that replaces it.
fn cycle(
    plug: &mut Plug,
    test: &Test<'_>,
    sessions: &[Session],
    energy: &Energy,
    way: &Way,
    consumption: &Consumption,
    soc: &Soc,
) {
    // The recharge replaces what the test took; without one, the charge before it gave what the test took.
    let Some(charge) = plug.charges.iter().rev().find(|charge| charge.metered.is_some() || charge.into_pack.is_some())
    else {
        return;
    };
    let parts: Vec<&Session> = charge.sessions.iter().map(|at| &sessions[*at]).collect();
    let card = test.card.map(|card| if charge.which == Which::After { &card.recharge } else { &card.charge });
    let from = card.and_then(|card| card.from_percent).or(parts.first().and_then(|part| part.soc.0));
    let to = card.and_then(|card| card.to_percent).or(parts.last().and_then(|part| part.soc.1));
    let driven = driven_soc(test, sessions).or(soc.first.zip(soc.last));
    let spans = from.zip(to).zip(driven).map(|((from, to), (start, end))| (to - from, start - end));
    let Some((risen, fallen)) = spans.filter(|(risen, fallen)| *risen > 0.0 && *fallen > 0.0) else {
        plug.why = "the state of charge driven and charged is not known".into();
        return;
    };
    if (risen / fallen - 1.0).abs() > SAME_SPAN {
        let [risen, fallen] = [risen, fallen].map(format::percent);
        plug.why = format!("the charge of {risen} does not replace the {fallen} that were driven");
        return;
    }
    // Four readings of a display in whole steps, and the bend where the two spans differ.
    let step = 1.0;
    let rounding = step / 12f64.sqrt() * 2.0 / fallen;
    let bend = BEND_U * (risen / fallen - 1.0).abs() / SAME_SPAN;
    let share = Estimate::exact(fallen / risen)
        .with_b(sources::SOC_ROUNDING, fallen / risen * rounding)
        .with_b(sources::BEND, bend);
    let out = energy.net.as_ref();
    plug.out_by_in = charge.into_pack.as_ref().zip(out).and_then(|(into, out)| {
        out.of_part(1, &sources::CHANCE).ratio(&into.of_part(2, &sources::CHANCE).product(&share))
    });
    let Some((metered, at)) = charge.metered.as_ref().zip(charge.at) else {
        plug.why =
            if charge.metered.is_some() { "the card does not say where it was metered".into() } else { String::new() };
        return;
    };
    if card.is_some_and(|card| card.meter_class.is_none()) {
        plug.why = "the card does not give the meter's class".into();
        return;
    }
    let replaced = metered.product(&share);
    plug.metered_per_metre = way.counting().and_then(|way| Some((replaced.ratio(way)?, at)));
    plug.metered_driving = consumption.net.as_ref().zip(out).and_then(|(net, out)| net.product(&replaced).ratio(out));
}

/// State of charge where the driving began and where it ended, percent: outside the sessions.
fn driven_soc(test: &Test<'_>, sessions: &[Session]) -> Option<(f64, f64)> {
    let ((first_run, first), (last_run, last)) = movement(test)?;
    // A charge in between makes the two ends say nothing of what was driven.
    let between = |session: &Session| {
        (session.run.1, session.time.0) > (first_run, first) && (session.run.1, session.time.1) < (last_run, last)
    };
    if sessions.iter().any(between) {
        return None;
    }
    let reading = |run: usize, t: f64| {
        let seconds = &test.runs[run].summary.seconds;
        let before = seconds.iter().rev().find(|second| second.t <= t && second.soc[test.soc].is_finite());
        let after = seconds.iter().find(|second| second.t >= t && second.soc[test.soc].is_finite());
        before.or(after).map(|second| f64::from(second.soc[test.soc]))
    };
    Some((reading(first_run, first)?, reading(last_run, last)?))
}

#[cfg(test)]
mod tests;
