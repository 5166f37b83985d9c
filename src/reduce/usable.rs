//! Usable capacity of a discharge: directly, or by ticks and what they say lies outside; and its tenths.
//!
//! Pure; the method is in `capacity`, the axis in `discharge`.
//!
//! Fits nothing itself.

use super::capacity::{self, FitDrawn};
use super::discharge::{Axis, Drawn, Moment};
use super::energy::{Totals, not_measured};
use super::estimate::{Estimate, Kind};
use super::fold::NOTED_S;
use super::reduction::Test;
use super::sources;
use super::way::Way;
use crate::card::FullCharge;
use crate::format;

/// Why of a full discharge that no card confirms to have begun at a full charge.
pub const FULL_NOT_CONFIRMED: &str = "full charge not confirmed";
/// Why a part of a discharge whose state of charge people noted gives no usable capacity.
const NOTED_IN_PART: &str =
    "people noted the state of charge; that tells it from full to displayed 0 % alone, not from a part";
/// Ticks over less than this say nothing of the whole, as a share: common practice, no source.
const SPAN_MIN: f64 = 0.10;
/// Fewest ticks of a fit.
const TICKS_MIN: usize = 5;
/// Seconds between updates of the state of charge: common practice, no source.
const SOC_PERIOD_S: f64 = 1.0;

/// How usable capacity was found.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Method {
    /// From displayed 100 % to displayed 0 %, directly.
    Full,
    /// By ticks over a part of it.
    Partial,
    /// Not at all.
    NotMeasured,
}

impl Method {
    /// As written.
    pub fn text(self) -> &'static str {
        match self {
            Self::Full => "full",
            Self::Partial => "partial",
            Self::NotMeasured => "not measured",
        }
    }
}

/// Usable capacity: what the pack gives from full to displayed 0 %.
#[derive(Clone, PartialEq, Debug)]
pub struct Usable {
    /// How it was found.
    pub method: Method,
    /// On what it rests, or why it is not measured.
    pub why: String,
    /// What the ticks span, percent.
    pub span: Option<f64>,
    /// Ticks that took part.
    pub ticks: usize,
    /// Energy, J.
    pub energy: Option<Estimate>,
    /// Charge, C.
    pub charge: Option<Estimate>,
    /// Share of the energy that was not measured but estimated, gaps, pauses and what lies outside together.
    pub estimated_share: f64,
    /// Energy, J, and distance, m, beyond displayed 0 %.
    pub reserve: Option<(Estimate, f64)>,
    /// The fit of charge on ticks as it is drawn; none of a full discharge.
    pub fit: Option<FitDrawn>,
    /// Of a full discharge, every tick between its ends: displayed percent and net energy since its start, J. They take no
    /// part in the figure.
    pub passed: Vec<(f64, f64)>,
}

impl Usable {
    fn not_measured(why: impl Into<String>) -> Self {
        Self {
            method: Method::NotMeasured,
            why: why.into(),
            span: None,
            ticks: 0,
            energy: None,
            charge: None,
            estimated_share: 0.0,
            reserve: None,
            fit: None,
            passed: Vec::new(),
        }
    }
}

/// A tenth of the displayed charge.
#[derive(Clone, PartialEq, Debug)]
pub struct Tenth {
    /// From this displayed value, percent.
    pub from: u8,
    /// To this one.
    pub to: u8,
    /// Energy, J.
    pub energy: Option<Estimate>,
    /// Charge, C.
    pub charge: Option<Estimate>,
    /// Distance, m.
    pub distance: Option<Estimate>,
}

pub(super) fn of(
    test: &Test<'_>,
    axis: Option<&Axis<'_>>,
    discharges: usize,
    totals: &Totals,
    problems: &mut Vec<String>,
) -> Usable {
    let Some(axis) = axis else { return Usable::not_measured("the runs hold nothing outside charging") };
    if axis.first_soc().is_none() {
        return Usable::not_measured("no state of charge was read");
    }
    let zero = axis.zero();
    let measured = zero.unwrap_or_else(|| axis.end()).drawn;
    if let Some(why) = doubtful(test, totals, &measured) {
        return Usable::not_measured(why);
    }
    if discharges > 1 {
        problems.push(format!("the runs hold {discharges} discharges; usable capacity is of the largest"));
    }
    let mut usable = if axis.from_full() && zero.is_some() {
        full(test, axis, totals, &measured)
    } else if axis.is_noted() {
        Usable::not_measured(NOTED_IN_PART)
    } else {
        partial(test, axis, totals, &measured)
    };
    if usable.energy.is_some() {
        if test.soc == 1 {
            usable.why.push_str("; by the battery computer's own state of charge, which is of the whole pack");
        }
        usable.reserve = zero.map(|zero| reserve(test, totals, &zero, &axis.end()));
    }
    usable
}

pub(super) fn doubtful(test: &Test<'_>, totals: &Totals, measured: &Drawn) -> Option<String> {
    let (energy, _) = totals.drawn(test, measured);
    let share = if measured.unknown { 1.0 } else { measured.estimated / (measured.energy.abs() + measured.estimated) };
    match not_measured(&energy, if share.is_nan() { 0.0 } else { share }, test) {
        None if energy.value <= 0.0 => Some("no net energy was drawn".into()),
        Some(_) if measured.unknown => Some("what was drawn in a gap or between runs cannot be estimated".into()),
        why => why,
    }
}

fn estimated(drawn: &Drawn, beyond: f64) -> f64 {
    (drawn.estimated + beyond) / (drawn.energy + beyond)
}

/// The moment of a figure's end as a person noted it.
fn noted_late(figure: Estimate, axis: &Axis<'_>, measured: &Drawn) -> Estimate {
    if !axis.is_noted() {
        return figure;
    }
    let bound = figure.value * NOTED_S / 2.0 / measured.observed;
    figure.with_bound(sources::NOTED, bound)
}

fn full(test: &Test<'_>, axis: &Axis<'_>, totals: &Totals, measured: &Drawn) -> Usable {
    let (energy, charge) = totals.drawn(test, measured);
    let (energy, charge) = (noted_late(energy, axis, measured), noted_late(charge, axis, measured));
    let confirmed = test.card.is_some_and(|card| card.full_charge == FullCharge::EndedByTheCar);
    let why = if confirmed { "from a charge that the car ended to displayed 0 %" } else { FULL_NOT_CONFIRMED };
    let by = if axis.is_noted() { ", as people noted it" } else { "" };
    Usable {
        method: Method::Full,
        why: format!("{why}{by}"),
        span: Some(100.0),
        ticks: 0,
        energy: Some(energy),
        charge: test.tolerances.power.is_none().then_some(charge),
        estimated_share: estimated(measured, 0.0),
        reserve: None,
        fit: None,
        passed: axis.ticks().iter().map(|tick| (tick.value, tick.moment.drawn.energy)).collect(),
    }
}

fn partial(test: &Test<'_>, axis: &Axis<'_>, totals: &Totals, measured: &Drawn) -> Usable {
    if test.tolerances.power.is_some() || !measured.charge.is_finite() {
        return Usable::not_measured("a part of a discharge needs the pack's current, and only its power is there");
    }
    let discharge = axis.discharge(SOC_PERIOD_S, totals.sampling_charge(measured.observed));
    let span = |stretch: &Vec<capacity::TickPoint>| {
        stretch.first().zip(stretch.last()).map_or(0.0, |(first, last)| first.value - last.value)
    };
    let spanned: f64 = discharge.stretches.iter().map(span).sum();
    let ticks = discharge.stretches.iter().map(Vec::len).sum::<usize>();
    if spanned < SPAN_MIN || ticks < TICKS_MIN {
        let spanned = format::significant(spanned * 100.0, 2);
        return Usable::not_measured(format!(
            "{ticks} ticks of the state of charge span {spanned} %; at least {TICKS_MIN} over 10 % are needed"
        ));
    }
    let outside = match capacity::outside(&discharge, &test.tolerances.sensors) {
        Ok(outside) => outside,
        Err(refused) => return Usable::not_measured(format!("the ticks give no capacity: {refused}")),
    };
    let (energy, charge) = totals.drawn(test, measured);
    let first = discharge.stretches.first().and_then(|s| s.first()).map_or(0.0, |tick| tick.value * 100.0);
    let confirmed = test.card.is_some_and(|card| card.full_charge == FullCharge::EndedByTheCar);
    let from = match (discharge.from_full, confirmed) {
        (true, true) => "; from a charge that the car ended",
        (true, false) => "; from displayed 100 %, full charge not confirmed",
        (false, _) => "",
    };
    let why = format!(
        "{} ticks from {} to {}, the rest extrapolated{from}",
        outside.ticks,
        format::percent(first),
        format::percent(first - outside.span * 100.0)
    );
    Usable {
        method: Method::Partial,
        why,
        span: Some(outside.span * 100.0),
        ticks: outside.ticks,
        estimated_share: estimated(measured, outside.energy.value),
        energy: Some(energy.add(&outside.energy)),
        charge: Some(charge.add(&outside.charge)),
        reserve: None,
        fit: Some(outside.drawn),
        passed: Vec::new(),
    }
}

fn reserve(test: &Test<'_>, totals: &Totals, zero: &Moment, end: &Moment) -> (Estimate, f64) {
    (totals.drawn(test, &end.drawn.since(&zero.drawn)).0, end.distance - zero.distance)
}

pub(super) fn tenths(test: &Test<'_>, axis: Option<&Axis<'_>>, totals: &Totals, way: &Way) -> Vec<Tenth> {
    let ticks = axis.map(|axis| axis.ticks()).unwrap_or_default();
    let at = |value: u8| -> Option<Moment> {
        let axis = axis?;
        match value {
            100 => axis.from_full().then(Moment::default),
            0 => axis.zero(),
            _ => ticks
                .iter()
                .find(|tick| (tick.value - f64::from(value)).abs() < axis.step() / 2.0)
                .map(|tick| tick.moment),
        }
    };
    let tenth = |from: u8| {
        let part = at(from).zip(at(from - 10)).map(|(a, b)| (b.drawn.since(&a.drawn), b.distance - a.distance));
        let measured = part.filter(|(drawn, _)| doubtful(test, totals, drawn).is_none());
        let figures = measured.map(|(drawn, distance)| {
            let (energy, charge) = totals.drawn(test, &drawn);
            // Both ends are ticks, each seen within so many seconds.
            let timing = 2f64.sqrt() * (SOC_PERIOD_S.powi(2) / 12.0 + capacity::LAG_S.powi(2)).sqrt() / drawn.observed;
            let timed = |figure: Estimate| {
                let u = figure.value * timing;
                figure.with(sources::TICKS, u, Kind::B, None)
            };
            let way = way.counting().map(|counting| counting.scale(distance / way.by_speed));
            (timed(energy), timed(charge), way.filter(|way| way.value.is_finite()))
        });
        let has_charge = test.tolerances.power.is_none();
        Tenth {
            from,
            to: from - 10,
            energy: figures.as_ref().map(|figures| figures.0.clone()),
            charge: figures.as_ref().filter(|_| has_charge).map(|figures| figures.1.clone()),
            distance: figures.and_then(|figures| figures.2),
        }
    };
    (1..=10).rev().map(|tenth_from| tenth(tenth_from * 10)).collect()
}
