//! Usable capacity beyond what was measured: how much charge and energy lie above and below the observed part of a discharge.
//!
//! A state of charge is a share of charge, and its tick is a known threshold crossed at an observed moment, so charge is
//! regressed on the tick's value (Berkson's case: the regressor is set, not measured; errors in both variables would be the
//! wrong model). With d the threshold as a share, C the charge from displayed 100 % to displayed 0 and one constant for
//! every unbroken stretch,
//!
//! Q = a - C (d + g(d)) + e + w,   g(d) = b1 4 d (1 - d) + b2 sin 2 pi d + b3 sin 3 pi d,
//!
//! by generalised least squares: e is the timing of each tick (poll period, filter lag, a tenth of a step), w a random walk
//! along the charge (what integrating lost to sampling, and the battery computer's own wander). The display's bend g has a
//! prior instead of data, wide (`BEND_SD`), since no full discharge of this very car is at hand. Residuals larger than the
//! error model allows widen it (Birge ratio), never the other way round.
//!
//! Energy outside the measured part is its charge times a mean voltage: the measured voltage under load is taken as a straight
//! line of the state of charge; between 'goes on along that line' and 'stays as it was at the edge' the middle is taken and
//! the two are the bounds. At the bottom every cell chemistry drops away from the line: a little is taken off, and is its own uncertainty.
//!
//! Admitted weak steps: the widths of the bend, the wander and the knee are common practice, no source; the load outside
//! the span is taken to be like that inside; the error of the first and last tick counts in the fit only.
//!
//! Does no input or output; knows no files and no gaps (a gap starts a new stretch).

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};

use super::estimate::{Estimate, Kind};
use super::regression::{self, Refused};
use super::sources;

/// Standard deviations of the bend's three modes, as shares of the whole: common practice, no source.
pub const BEND_SD: [f64; 3] = [0.02, 0.008, 0.004];
/// The battery computer's wander over a full discharge, as a share of it (a random walk): common practice, no source.
const WANDER: f64 = 0.002;
/// A display's filter may lag by this much more at one tick than at another, s: common practice, no source.
pub const LAG_S: f64 = 2.0;
/// Part of a step by which a tick may come early or late for other reasons: common practice, no source.
const STEP_PART: f64 = 0.1;
/// Ticks closer than this are thinned out: they say nothing new, and the fit's cost grows with their cube.
const TICK_SPACING: f64 = 0.009;
/// Energy by which the voltage's fall at the very bottom undercuts the line: a share of what lies below, and its most as
/// a share of the whole: common practice, no source.
const KNEE: (f64, f64) = (0.03, 0.0025);
/// Fall of the voltage from full to empty as a share of it, and its standard deviation: common practice, no source.
const SLOPE_PRIOR: (f64, f64) = (0.15, 0.08);
/// Curvature of the voltage at the top, as a share of the voltage there: common practice, no source.
const TOP_U: f64 = 0.01;

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
    /// Current zero, A.
    pub current_zero: f64,
    /// Voltage gain, in parts.
    pub voltage_gain: f64,
    /// Voltage zero, V.
    pub voltage_zero: f64,
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
}

/// The fit of charge on ticks.
struct Fit {
    /// C, then C times each bend.
    theta: [f64; 4],
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
    mean_voltage: [f64; 2],
    by_theta: [[f64; 4]; 2],
    /// Standard uncertainty of energy by the voltage's shape above and below.
    shape_u: f64,
    span: f64,
}

/// The modes of the display's bend at a displayed share.
pub fn bend(d: f64) -> [f64; 3] {
    [4.0 * d * (1.0 - d), (2.0 * PI * d).sin(), (3.0 * PI * d).sin()]
}

/// What lies above and below the measured part of a discharge.
pub fn outside(discharge: &Discharge, sensors: &SensorErrors) -> Result<Outside, Refused> {
    let discharge = thinned(discharge);
    let fit = fit(&discharge)?;
    let beyond = beyond(&discharge, &fit)?;
    let totals =
        |b: &Beyond| [b.charge[0] + b.charge[1], b.charge[0] * b.mean_voltage[0] + b.charge[1] * b.mean_voltage[1]];
    let [charge, energy] = totals(&beyond);
    // A wrong zero tilts the whole record: the fit is made again with it.
    let tilted = tilted(&discharge, sensors.current_zero);
    let [charge_tilted, energy_tilted] = totals(&self::beyond(&tilted, &self::fit(&tilted)?)?);
    let weights = [[1.0, 1.0], beyond.mean_voltage];
    let figure = |value: f64, by_zero: f64, which: usize| {
        let (ticks, priors) = spread(&fit, &beyond, weights[which]);
        let rounding = if discharge.from_full { 0.0 } else { fit.theta[0] * discharge.step / 2.0 * weights[which][0] };
        Estimate::exact(value)
            .with_b(sources::CURRENT_GAIN, value * sensors.current_gain)
            .with_b(sources::CURRENT_ZERO, by_zero - value)
            .with(sources::TICKS, ticks, Kind::A, fit.widened.then_some(fit.dof as f64))
            .with_b(sources::BEND, priors)
            .with_bound(sources::SOC_ROUNDING, rounding)
    };
    let energy = figure(energy, energy_tilted, 1)
        .with_b(sources::VOLTAGE_GAIN, energy * sensors.voltage_gain)
        .with_b(sources::VOLTAGE_ZERO, charge * sensors.voltage_zero)
        .with_b(sources::VOLTAGE_OUTSIDE, beyond.shape_u);
    Ok(Outside { charge: figure(charge, charge_tilted, 0), energy, ticks: fit.ticks, span: beyond.span })
}

/// Standard uncertainties from the ticks and from the bend's prior of a figure that weighs what is above and below.
fn spread(fit: &Fit, beyond: &Beyond, weights: [f64; 2]) -> (f64, f64) {
    let direction: Vec<f64> =
        (0..4).map(|at| weights[0] * beyond.by_theta[0][at] + weights[1] * beyond.by_theta[1][at]).collect();
    let effect = |column: usize| (0..4).map(|row| direction[row] * fit.gain[(row, column)]).sum::<f64>();
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
        widen = (found.1 / dof as f64).max(1.0).sqrt();
        if widen > 1.0 {
            found = solve(discharge, whole, widen)?;
        }
    }
    let (theta, _, gain) = found;
    Ok(Fit { theta, gain, ticks, dof, widened: widen > 1.0 })
}

/// Theta, chi squared and the gain matrix, for an assumed whole charge and a widened error model.
fn solve(discharge: &Discharge, whole: f64, widen: f64) -> Result<([f64; 4], f64, DMatrix<f64>), Refused> {
    let ticks: usize = discharge.stretches.iter().map(Vec::len).sum();
    let unknowns = 4 + discharge.stretches.len();
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
            design[(at, 0)] = -d;
            bend(d).iter().enumerate().for_each(|(mode, g)| design[(at, 1 + mode)] = -g);
            design[(at, 4 + index)] = 1.0;
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
    Ok((theta, fit.chi_squared(), fit.gain))
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
    let share = |from: f64, to: f64| -> [f64; 4] {
        let (a, b) = (bend(from), bend(to));
        [from - to, a[0] - b[0], a[1] - b[1], a[2] - b[2]]
    };
    let sides = [
        (!discharge.from_full, share(1.0, first.value + half), first.charge - discharge.ends[0].charge),
        (!discharge.to_zero, share(last.value + half, half), discharge.ends[1].charge - last.charge),
    ];
    let (mut charge, mut by_theta) = ([0.0; 2], [[0.0; 4]; 2]);
    for (side, (open, share, measured)) in sides.into_iter().enumerate() {
        let rest = share.iter().zip(fit.theta).map(|(s, t)| s * t).sum::<f64>() - measured;
        if open && rest > 0.0 {
            charge[side] = rest;
            by_theta[side] = share;
        }
    }
    let line = VoltageLine::of(discharge)?;
    let edges = [
        first.value + half + (first.charge - discharge.ends[0].charge) / whole,
        last.value + half - (discharge.ends[1].charge - last.charge) / whole,
    ];
    let widths = charge.map(|charge| charge / whole);
    let (above, u_above) = line.mean(edges[0], widths[0]);
    let (below, u_below) = line.mean(edges[1], -widths[1]);
    let knee = if widths[1] > 0.0 { (KNEE.0 * widths[1]).min(KNEE.1) * whole * below } else { 0.0 };
    let below_less_knee = if charge[1] > 0.0 { below - knee / charge[1] } else { below };
    let shape_u = (charge[0] * u_above).hypot(charge[0] * above * TOP_U).hypot(charge[1] * u_below).hypot(knee);
    let mean_voltage = [above, below_less_knee];
    Ok(Beyond { charge, mean_voltage, by_theta, shape_u, span: first.value - last.value })
}

/// The voltage under load as a straight line of the state of charge.
struct VoltageLine {
    mean: f64,
    at: f64,
    slope: f64,
    slope_u: f64,
}

impl VoltageLine {
    /// Through the mean voltages between ticks, weighted by their charge, its slope drawn towards [`SLOPE_PRIOR`].
    fn of(discharge: &Discharge) -> Result<Self, Refused> {
        let half = discharge.step / 2.0;
        let pieces: Vec<(f64, f64, f64)> = discharge
            .stretches
            .iter()
            .flat_map(|stretch| stretch.windows(2))
            .map(|pair| {
                let charge = pair[1].charge - pair[0].charge;
                ((pair[0].value + pair[1].value) / 2.0 + half, (pair[1].energy - pair[0].energy) / charge, charge)
            })
            .filter(|(_, volt, charge)| *charge > 0.0 && volt.is_finite())
            .collect();
        let weight: f64 = pieces.iter().map(|(_, _, w)| w).sum();
        if weight <= 0.0 {
            return Err(Refused::TooFew);
        }
        let at = pieces.iter().map(|(d, _, w)| d * w).sum::<f64>() / weight;
        let mean = pieces.iter().map(|(_, u, w)| u * w).sum::<f64>() / weight;
        let sxx: f64 = pieces.iter().map(|(d, _, w)| w * (d - at).powi(2)).sum();
        let sxy: f64 = pieces.iter().map(|(d, u, w)| w * (d - at) * (u - mean)).sum();
        let prior = (SLOPE_PRIOR.0 * mean, SLOPE_PRIOR.1 * mean);
        let (mut slope, mut slope_u) = prior;
        if pieces.len() >= 3 && sxx > 0.0 {
            let fitted = sxy / sxx;
            let misfit: f64 = pieces.iter().map(|(d, u, w)| w * (u - mean - fitted * (d - at)).powi(2)).sum();
            let variance = misfit / (pieces.len() - 2) as f64 / sxx;
            let precision = 1.0 / variance.max(1e-12 * mean * mean) + 1.0 / prior.1.powi(2);
            slope = (fitted / variance.max(1e-12 * mean * mean) + prior.0 / prior.1.powi(2)) / precision;
            slope_u = (1.0 / precision).sqrt();
        }
        Ok(Self { mean, at, slope, slope_u })
    }

    /// Mean voltage and its standard uncertainty over `width` (signed) from `edge` on.
    fn mean(&self, edge: f64, width: f64) -> (f64, f64) {
        let at_edge = self.mean + self.slope * (edge - self.at);
        // Half way between a constant (0) and the line (width / 2).
        let way = width / 4.0;
        let bounds = self.slope * way / 3f64.sqrt();
        (at_edge + self.slope * way, bounds.hypot(self.slope_u * (edge - self.at + way)))
    }
}

#[cfg(test)]
mod tests;
