//! Usable capacity beyond what was measured: how much charge and energy lie above and below the observed part of a discharge.
//!
//! A state of charge is a share of charge, and its tick is a known threshold crossed at an observed moment, so charge is
//! regressed on the tick's value (Berkson's case: the regressor is set, not measured; errors in both variables would be the
//! wrong model). With d the threshold as a share, C the charge from displayed 100 % to displayed 0 and one constant for
//! every unbroken stretch,
//!
//! Q = a - C (d + g(d)) + e + w,   g(d) = b1 4 d (1 - d) + b2 sin 2 pi d + b3 sin 3 pi d + ... + b6 sin 6 pi d,
//!
//! by generalised least squares: e is the timing of each tick (poll period, filter lag, a tenth of a step), w a random walk
//! along the charge (what integrating lost to sampling, and the battery computer's own wander). The display's bend g has a
//! prior instead of data, wide (`BEND_SD`), since no full discharge of this very car is at hand. Residuals larger than the
//! error model allows widen it (Birge ratio), never the other way round.
//!
//! Energy outside the measured part is its charge times the mean voltage that [`super::voltage`] gives. A discharge that did not
//! begin at full cannot see what goes before the display leaves 100 %, nor that the display comes late: a little is added
//! for both, with their own uncertainties.
//!
//! Admitted weak steps: the widths of the bend, the wander and what lies above displayed 100 % are common practice, no
//! source; a correction of the display is told from its walk only where it is more than a step; the error of the first and last
//! tick counts in the fit only.
//!
//! Does no input or output; knows no files and no gaps (a gap starts a new stretch).

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};

use super::estimate::{Estimate, Input, Kind};
use super::regression::{self, Refused};
use super::sources;
use super::voltage::{self, Means, Piece};

/// The bend's modes: fewer would take a shape for known that is not, and with it what lies outside the span.
const MODES: usize = 6;
/// Standard deviations of the bend's modes, as shares of the whole, about half of each other: common practice, no source.
pub const BEND_SD: [f64; MODES] = [0.02, 0.008, 0.004, 0.002, 0.001, 0.0005];
/// The unknowns beside the constants: C, then C times each mode.
const THETA: usize = 1 + MODES;
/// The battery computer's wander over a full discharge, as a share of it (a random walk), its corrections of itself
/// included: 0.2 % beside one correction of 1 % in every fourth discharge. Common practice, no source.
const WANDER: f64 = 0.0054;
/// What goes before the display leaves 100 % and is not made up for later, as a share of the charge, and its standard
/// deviation: from nothing to 2 %, and every other display makes up for it. Common practice, no source.
const HIDDEN: (f64, f64) = (0.005, 0.0065);
/// A display's filter may lag by this much more at one tick than at another, s: common practice, no source.
pub const LAG_S: f64 = 2.0;
/// A display lags the charge by so much altogether, s, and its standard deviation: common practice, no source.
const DISPLAY_LAG_S: (f64, f64) = (8.0, 4.5);
/// Part of a step by which a tick may come early or late for other reasons: common practice, no source.
const STEP_PART: f64 = 0.1;
/// Ticks closer than this are thinned out: they say nothing new, and the fit's cost grows with their cube.
const TICK_SPACING: f64 = 0.009;
/// Pieces of a line that is drawn outside.
const DRAWN_STEPS: usize = 12;
/// The least zero with which the fit is made again, A: a step to find its slope by, no uncertainty.
const ZERO_STEP_A: f64 = 0.1;

/// A tick on the axis of one discharge.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TickPoint {
    /// The displayed value reached, as a share of 1.
    pub value: f64,
    /// Charge drawn so far, C.
    pub charge: f64,
    /// Energy drawn so far, J.
    pub energy: f64,
    /// Observed time so far, s.
    pub time: f64,
    /// Integral of the voltage so far, V s.
    pub volt_seconds: f64,
}

/// One discharge as far as it was measured.
#[derive(Clone, Debug)]
pub struct Discharge {
    /// The ticks that count, by unbroken stretch.
    pub stretches: Vec<Vec<TickPoint>>,
    /// The display's step, as a share of 1.
    pub step: f64,
    /// Start and end of the measured part, on the ticks' axis (their `value` is not used).
    pub ends: [TickPoint; 2],
    /// It began at displayed 100 %.
    pub from_full: bool,
    /// It ended when displayed 0 % was reached and held.
    pub to_zero: bool,
    /// Seconds between updates of the state of charge.
    pub period_s: f64,
    /// What sampling may have added to the charge, one standard uncertainty over the whole, C.
    pub sampling_charge: f64,
}

/// One standard uncertainty of each sensor.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct SensorErrors {
    /// Current gain, in parts.
    pub current_gain: f64,
    /// Current zero, A; where it was read with the contactors open, what it may have drifted since.
    pub current_zero: f64,
    /// That reading, A, with its degrees of freedom.
    pub zero_reading: Option<(f64, f64)>,
    /// The zero as declared, A, where it was read: what a charge rests on, since the reading is of the drive.
    pub zero_declared: Option<f64>,
    /// Voltage gain, in parts.
    pub voltage_gain: f64,
    /// Voltage zero, V.
    pub voltage_zero: f64,
}

impl SensorErrors {
    /// As they count for a charge from a plug: the zero may have drifted anywhere by then.
    pub fn at_the_plug(&self) -> Self {
        Self { current_zero: self.zero_declared.unwrap_or(self.current_zero), zero_reading: None, ..*self }
    }

    /// A figure with what the current's zero adds, given what an ampere of it would.
    pub fn with_zero(&self, figure: Estimate, by_ampere: f64) -> Estimate {
        let figure = figure.with_sensor(sources::CURRENT_ZERO, self.current_zero, "A", by_ampere);
        let Some((u, dof)) = self.zero_reading else { return figure };
        figure.with_input(sources::ZERO_READING, Input { u, unit: "A" }, by_ampere, Kind::A, Some(dof))
    }
}

/// What lies outside the measured part.
#[derive(Clone, Debug)]
pub struct Outside {
    /// Charge above and below it, C.
    pub charge: Estimate,
    /// Energy above and below it, J.
    pub energy: Estimate,
    /// Ticks that took part.
    pub ticks: usize,
    /// From the first to the last of them, as a share of 1.
    pub span: f64,
    /// The fit as it is drawn.
    pub drawn: FitDrawn,
}

/// A tick of the fit, its charge drawn since full, C, as measured and as fitted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FitTick {
    /// The displayed value, as a share of 1.
    pub value: f64,
    /// As measured, after what the fit puts above the measured part.
    pub charge: f64,
    /// As fitted.
    pub fitted: f64,
}

/// The fit as it is drawn: charge since full against the displayed value.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FitDrawn {
    /// The ticks that took part, by unbroken stretch.
    pub stretches: Vec<Vec<FitTick>>,
    /// What lies outside, above and below: displayed value as a share of 1 and charge, C; empty where nothing does.
    pub outside: [Vec<(f64, f64)>; 2],
    /// Charge at the start and the end of the measured part, C.
    pub measured: [f64; 2],
}

/// The fit of charge on ticks.
struct Fit {
    /// C, then C times each mode of the bend.
    theta: [f64; THETA],
    /// The constant of each stretch, C.
    starts: Vec<f64>,
    /// Rows: what each whitened tick (first `ticks` columns), then each prior adds to theta.
    gain: DMatrix<f64>,
    ticks: usize,
    dof: usize,
    widened: bool,
}

/// Charge and energy outside, as numbers, with their derivatives by theta.
struct Beyond {
    /// Above and below.
    charge: [f64; 2],
    by_theta: [[f64; THETA]; 2],
    /// Of the charge above, what goes before the display leaves 100 %, C.
    hidden: f64,
    /// Of the charge above, what a second of the display's lag is, C/s.
    late: f64,
    voltage: Means,
    span: f64,
}

impl Beyond {
    fn charge(&self) -> f64 {
        self.charge[0] + self.charge[1]
    }
    fn energy(&self) -> f64 {
        self.charge[0] * self.voltage.volt[0] + self.charge[1] * self.voltage.volt[1]
    }
    /// Standard uncertainty of the energy by the mean voltages, J.
    fn by_voltage(&self) -> f64 {
        let [[above, both], [_, below]] = self.voltage.covariance;
        let [a, b] = self.charge;
        (a * a * above + 2.0 * a * b * both + b * b * below).max(0.0).sqrt()
    }
}

/// A mode of the bend and its derivative.
fn mode(mode: usize, d: f64) -> (f64, f64) {
    let waves = (mode + 1) as f64 * PI;
    if mode == 0 {
        (4.0 * d * (1.0 - d), 4.0 * (1.0 - 2.0 * d))
    } else {
        ((waves * d).sin(), waves * (waves * d).cos())
    }
}

/// The modes of the display's bend at a displayed share.
pub fn bend(d: f64) -> [f64; MODES] {
    std::array::from_fn(|at| mode(at, d).0)
}

/// The share of charge that is left, on average, when the display says d.
///
/// It is the display that is bent, d = x + b(x), so the charge by the display is x = d - b(d) + b(d) b'(d) to second order, and
/// the mean of the last term is half the derivative of the bend's variance (GUM 5.1.2, note: terms of second order
/// count where a function is not linear enough).
fn expected(d: f64) -> f64 {
    let second = |(at, sd): (usize, &f64)| {
        let (value, derivative) = mode(at, d);
        sd * sd * value * derivative
    };
    d + BEND_SD.iter().enumerate().map(second).sum::<f64>()
}

/// What lies above and below the measured part of a discharge.
pub fn outside(discharge: &Discharge, sensors: &SensorErrors) -> Result<Outside, Refused> {
    let discharge = thinned(discharge);
    let fit = fit(&discharge)?;
    let beyond = beyond(&discharge, &fit)?;
    // A wrong zero tilts the whole record: the fit is made again with it.
    let ampere = sensors.current_zero.max(ZERO_STEP_A);
    let tilted = tilted(&discharge, ampere);
    let tilted = self::beyond(&tilted, &self::fit(&tilted)?)?;
    let whole = fit.theta[0];
    let figure = |value: f64, by_zero: f64, weights: [f64; 2], by_voltage: [f64; THETA]| {
        let (ticks, priors) = spread(&fit, &beyond, weights, by_voltage);
        let rounding = if discharge.from_full { 0.0 } else { whole * discharge.step / 2.0 * weights[0] };
        let hidden = if beyond.hidden > 0.0 { whole * HIDDEN.1 * weights[0] } else { 0.0 };
        // The walk goes on outside: independent of that inside.
        let wander = [0, 1].map(|at| WANDER * (whole * beyond.charge[at]).sqrt() * weights[at]);
        let figure = Estimate::exact(value)
            .with_sensor(sources::CURRENT_GAIN, sensors.current_gain, "1", value)
            .with(sources::TICKS, ticks, Kind::A, fit.widened.then_some(fit.dof as f64))
            .with_b(sources::BEND, priors)
            .with_b(sources::WANDER, wander[0].hypot(wander[1]))
            .with_b(sources::HIDDEN, hidden)
            .with_sensor(sources::LAG, DISPLAY_LAG_S.1, "s", beyond.late * weights[0])
            .with_bound(sources::SOC_ROUNDING, rounding);
        sensors.with_zero(figure, (by_zero - value) / ampere)
    };
    let (charge, energy) = (beyond.charge(), beyond.energy());
    let energy = figure(energy, tilted.energy(), beyond.voltage.volt, voltage_by_theta(&discharge, &fit, &beyond)?)
        .with_sensor(sources::VOLTAGE_GAIN, sensors.voltage_gain, "1", energy)
        .with_sensor(sources::VOLTAGE_ZERO, sensors.voltage_zero, "V", charge)
        .with_b(sources::VOLTAGE_OUTSIDE, beyond.by_voltage());
    let charge = figure(charge, tilted.charge(), [1.0, 1.0], [0.0; THETA]);
    let drawn = drawn(&discharge, &fit, &beyond);
    Ok(Outside { charge, energy, ticks: fit.ticks, span: beyond.span, drawn })
}

/// Standard uncertainties from the ticks and from the bend's prior of a figure that weighs what is above and below, and
/// that changes with theta by itself too.
fn spread(fit: &Fit, beyond: &Beyond, weights: [f64; 2], by_itself: [f64; THETA]) -> (f64, f64) {
    let [above, below] = &beyond.by_theta;
    let direction: Vec<f64> =
        (0..THETA).map(|at| weights[0] * above[at] + weights[1] * below[at] + by_itself[at]).collect();
    let effect = |column: usize| (0..THETA).map(|row| direction[row] * fit.gain[(row, column)]).sum::<f64>();
    let squares = |columns: std::ops::Range<usize>| columns.map(|column| effect(column).powi(2)).sum::<f64>().sqrt();
    (squares(0..fit.ticks), squares(fit.ticks..fit.gain.ncols()))
}

fn thinned(discharge: &Discharge) -> Discharge {
    let mut thinned = discharge.clone();
    for stretch in &mut thinned.stretches {
        let mut last = f64::INFINITY;
        stretch.retain(|tick| {
            let keep = last - tick.value >= TICK_SPACING;
            last = if keep { tick.value } else { last };
            keep
        });
    }
    thinned.stretches.retain(|stretch| stretch.len() >= 2);
    thinned
}

fn tilted(discharge: &Discharge, zero: f64) -> Discharge {
    let mut tilted = discharge.clone();
    for tick in tilted.stretches.iter_mut().flatten().chain(&mut tilted.ends) {
        tick.charge += zero * tick.time;
        tick.energy += zero * tick.volt_seconds;
    }
    tilted
}

fn fit(discharge: &Discharge) -> Result<Fit, Refused> {
    let pairs = || discharge.stretches.iter().filter_map(|stretch| stretch.first().zip(stretch.last()));
    let moved: f64 = pairs().map(|(first, last)| last.charge - first.charge).sum();
    let span: f64 = pairs().map(|(first, last)| first.value - last.value).sum();
    let mut whole = moved / span;
    if !(whole.is_finite() && whole > 0.0) {
        return Err(Refused::Singular);
    }
    let mut widen = 1.0;
    let mut found = solve(discharge, whole, widen)?;
    // The prior and the error model are shares of the whole, which the fit itself finds: twice is enough.
    for _ in 0..2 {
        whole = found.0[0].abs().max(whole / 2.0);
        widen = 1.0;
        found = solve(discharge, whole, widen)?;
    }
    let ticks = discharge.stretches.iter().map(Vec::len).sum::<usize>();
    let dof = ticks.saturating_sub(1 + discharge.stretches.len());
    if dof > 0 {
        widen = (found.2 / dof as f64).max(1.0).sqrt();
        if widen > 1.0 {
            found = solve(discharge, whole, widen)?;
        }
    }
    let (theta, starts, _, gain) = found;
    Ok(Fit { theta, starts, gain, ticks, dof, widened: widen > 1.0 })
}

/// Theta, the stretches' constants, chi squared and the gain matrix.
type Solved = ([f64; THETA], Vec<f64>, f64, DMatrix<f64>);

/// The solution for an assumed whole charge and a widened error model.
fn solve(discharge: &Discharge, whole: f64, widen: f64) -> Result<Solved, Refused> {
    let ticks: usize = discharge.stretches.iter().map(Vec::len).sum();
    let unknowns = THETA + discharge.stretches.len();
    let rows = ticks + BEND_SD.len();
    if ticks < 2 {
        return Err(Refused::TooFew);
    }
    let (mut x, mut y) = (DMatrix::zeros(rows, unknowns), DVector::zeros(rows));
    let mut row = 0;
    for (index, stretch) in discharge.stretches.iter().enumerate() {
        let n = stretch.len();
        let mut design = DMatrix::zeros(n, unknowns);
        for (at, tick) in stretch.iter().enumerate() {
            let d = tick.value + discharge.step / 2.0;
            design[(at, 0)] = -expected(d);
            bend(d).iter().enumerate().for_each(|(mode, g)| design[(at, 1 + mode)] = -g);
            design[(at, THETA + index)] = 1.0;
        }
        let origin = stretch[0].charge;
        let charge = DVector::from_fn(n, |at, _| stretch[at].charge - origin);
        let whitener = regression::Whitener::new(&(covariance(discharge, stretch, whole) * widen.powi(2)))?;
        let (design, charge) = whitener.whiten(&design, &charge)?;
        x.rows_mut(row, n).copy_from(&design);
        y.rows_mut(row, n).copy_from(&charge);
        row += n;
    }
    for (mode, sd) in BEND_SD.iter().enumerate() {
        x[(ticks + mode, 1 + mode)] = 1.0 / (sd * whole);
    }
    let fit = regression::ordinary(&x, &y)?;
    let theta = std::array::from_fn(|at| fit.coefficients[at]);
    let starts = fit.coefficients.iter().skip(THETA).copied().collect();
    Ok((theta, starts, fit.chi_squared(), fit.gain))
}

/// Covariance of the charge at the ticks of a stretch: their timing on the diagonal, a random walk along the charge.
fn covariance(discharge: &Discharge, stretch: &[TickPoint], whole: f64) -> DMatrix<f64> {
    let (first, last) = (stretch[0], stretch[stretch.len() - 1]);
    let time = (last.time - first.time).max(1.0);
    let current = (last.charge - first.charge) / time;
    let timing = current * (discharge.period_s.powi(2) / 12.0 + LAG_S.powi(2)).sqrt();
    let tick = timing.powi(2) + (STEP_PART * discharge.step * whole).powi(2);
    let whole_time = (discharge.ends[1].time - discharge.ends[0].time).max(time);
    let per_charge = WANDER.powi(2) * whole;
    let per_second = discharge.sampling_charge.powi(2) / whole_time;
    let walk = |at: usize| {
        per_charge * (stretch[at].charge - first.charge).abs() + per_second * (stretch[at].time - first.time).max(0.0)
    };
    DMatrix::from_fn(stretch.len(), stretch.len(), |a, b| walk(a).min(walk(b)) + if a == b { tick } else { 0.0 })
}

fn beyond(discharge: &Discharge, fit: &Fit) -> Result<Beyond, Refused> {
    let ends =
        discharge.stretches.first().and_then(|s| s.first()).zip(discharge.stretches.last().and_then(|s| s.last()));
    let Some((first, last)) = ends else { return Err(Refused::TooFew) };
    let half = discharge.step / 2.0;
    let whole = fit.theta[0];
    // From displayed 100 % down to the first tick, and from the last down to the tick of 0: the same threshold rule at both.
    let share = |from: f64, to: f64| -> [f64; THETA] {
        let (a, b) = (bend(from), bend(to));
        std::array::from_fn(|at| if at == 0 { expected(from) - expected(to) } else { a[at - 1] - b[at - 1] })
    };
    let sides = [
        (!discharge.from_full, share(1.0, first.value + half), first.charge - discharge.ends[0].charge),
        (!discharge.to_zero, share(last.value + half, half), discharge.ends[1].charge - last.charge),
    ];
    let (mut charge, mut by_theta) = ([0.0; 2], [[0.0; THETA]; 2]);
    for (side, (open, share, measured)) in sides.into_iter().enumerate() {
        let rest = share.iter().zip(fit.theta).map(|(s, t)| s * t).sum::<f64>() - measured;
        if open && rest > 0.0 {
            charge[side] = rest;
            by_theta[side] = share;
        }
    }
    // The car was full without a lag; the first tick came late, and so will 0.
    let (hidden, late) = if charge[0] > 0.0 {
        (HIDDEN.0 * whole, (last.charge - first.charge) / (last.time - first.time).max(1.0))
    } else {
        (0.0, 0.0)
    };
    charge[0] += hidden + late * DISPLAY_LAG_S.0;
    let voltage = voltages(discharge, &fit.theta, charge)?;
    Ok(Beyond { charge, by_theta, hidden, late, voltage, span: first.value - last.value })
}

/// The fit as it is drawn.
fn drawn(discharge: &Discharge, fit: &Fit, beyond: &Beyond) -> FitDrawn {
    let (half, whole) = (discharge.step / 2.0, fit.theta[0]);
    let above = beyond.charge[0] - discharge.ends[0].charge;
    let charge_left = |d: f64| whole * left(d, &fit.theta);
    let of_stretch = |(stretch, start): (&Vec<TickPoint>, &f64)| -> Vec<FitTick> {
        let origin = above + stretch.first().map_or(0.0, |tick| tick.charge) + start;
        let tick = |tick: &TickPoint| FitTick {
            value: tick.value,
            charge: above + tick.charge,
            fitted: origin - charge_left(tick.value + half),
        };
        stretch.iter().map(tick).collect()
    };
    let stretches: Vec<Vec<FitTick>> = discharge.stretches.iter().zip(&fit.starts).map(of_stretch).collect();
    let measured = [0, 1].map(|at| above + discharge.ends[at].charge);
    // From a tick to displayed 100 or 0 %, as `beyond` reckons it.
    let from = |tick: &FitTick, to: f64| -> Vec<(f64, f64)> {
        let way = |at: usize| tick.value + half + (to - tick.value - half) * at as f64 / DRAWN_STEPS as f64;
        let place = |d: f64| (d - half, tick.charge + charge_left(tick.value + half) - charge_left(d));
        (0..=DRAWN_STEPS).map(|at| place(way(at))).collect()
    };
    let mut outside = [Vec::new(), Vec::new()];
    if let Some(first) = stretches.first().and_then(|stretch| stretch.first()).filter(|_| beyond.charge[0] > 0.0) {
        outside[0] = from(first, 1.0).into_iter().chain([(1.0, 0.0)]).collect();
    }
    if let Some(last) = stretches.last().and_then(|stretch| stretch.last()).filter(|_| beyond.charge[1] > 0.0) {
        outside[1] = from(last, half);
    }
    FitDrawn { stretches, outside, measured }
}

/// The share of charge that is left when the display says d, as the fit finds it.
fn left(d: f64, theta: &[f64; THETA]) -> f64 {
    expected(d) + bend(d).iter().zip(&theta[1..]).map(|(mode, size)| mode * size / theta[0]).sum::<f64>()
}

/// Mean voltages above and below, each voltage at the share of charge that the fit gives it.
fn voltages(discharge: &Discharge, theta: &[f64; THETA], charge: [f64; 2]) -> Result<Means, Refused> {
    let (half, whole) = (discharge.step / 2.0, theta[0]);
    let ends = (discharge.stretches.first().and_then(|s| s.first()), discharge.stretches.last().and_then(|s| s.last()));
    let (Some(first), Some(last)) = ends else { return Err(Refused::TooFew) };
    let edges = [
        left(first.value + half, theta) + (first.charge - discharge.ends[0].charge) / whole,
        left(last.value + half, theta) - (discharge.ends[1].charge - last.charge) / whole,
    ];
    let parts = [(edges[0] + charge[0] / whole, edges[0]), (edges[1], edges[1] - charge[1] / whole)];
    let pairs = discharge.stretches.iter().flat_map(|stretch| stretch.windows(2));
    let piece = |pair: &[TickPoint]| {
        let drawn = pair[1].charge - pair[0].charge;
        let volt = (pair[1].energy - pair[0].energy) / drawn;
        let at = left((pair[0].value + pair[1].value) / 2.0 + half, theta);
        (drawn > 0.0 && volt.is_finite()).then_some(Piece { at, width: pair[0].value - pair[1].value, volt })
    };
    voltage::means(&pairs.filter_map(piece).collect::<Vec<Piece>>(), parts)
}

/// What the energy outside changes with theta by the mean voltages alone: a display bent otherwise puts the voltages that
/// were seen at other shares of the charge, and what lies outside further away or nearer.
fn voltage_by_theta(discharge: &Discharge, fit: &Fit, beyond: &Beyond) -> Result<[f64; THETA], Refused> {
    let small = 1e-3 * fit.theta[0];
    let mut derivative = [0.0; THETA];
    for (at, derivative) in derivative.iter_mut().enumerate() {
        let mut theta = fit.theta;
        theta[at] += small;
        let charge = [0, 1].map(|side| beyond.charge[side] + beyond.by_theta[side][at] * small);
        let means = voltages(discharge, &theta, charge)?;
        let change = |side: usize| beyond.charge[side] * (means.volt[side] - beyond.voltage.volt[side]);
        *derivative = (change(0) + change(1)) / small;
    }
    Ok(derivative)
}

#[cfg(test)]
mod tests;
