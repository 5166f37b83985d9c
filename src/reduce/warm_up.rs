//! Warm-up: the energy that a heater or the climate control took beyond its steady power while the car came to temperature.
//!
//! P(t) = P_inf + P_0 exp(-t / tau) by least squares over the first hour of driving, in means of 10 s; tau by a search, the
//! other two linear. The energy is P_0 tau (1 - exp(-T / tau)). Its uncertainty is of the fit alone (type A), the residuals'
//! correlation from one mean to the next allowed for. Reads no file, and says nothing where there is no decay to see.

use nalgebra::{Matrix3, Vector3};

/// Powers after this time are steady, s: common practice, no source.
const WINDOW_S: f64 = 3_600.0;
/// Means over this time are fitted, s.
const MEAN_S: f64 = 10.0;
/// Fewest means of a fit.
const MEANS_MIN: usize = 60;
/// Decay times that are looked for, s.
const TAU_S: (f64, f64) = (30.0, 1_800.0);

/// A decay found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct WarmUp {
    /// Its energy beyond the steady power, J, and its standard uncertainty by the fit.
    pub energy: (f64, f64),
    /// Degrees of freedom.
    pub dof: f64,
    /// Steady power, W.
    pub steady: f64,
    /// Power beyond it at the start, W.
    pub at_start: f64,
    /// Decay time, s.
    pub tau: f64,
}

/// Fits a decay to power (W) over time (s since the start), rows in order; `None` where there is none.
pub fn fit(rows: impl Iterator<Item = (f64, f64)>) -> Option<WarmUp> {
    let means = means(rows);
    if means.len() < MEANS_MIN {
        return None;
    }
    let end = means.last()?.0 + MEAN_S / 2.0;
    let tau = best_tau(&means);
    let (steady, at_start, squares) = linear(&means, tau)?;
    // At the edge of the search nothing was found; a decay as long as the record is a drift.
    if at_start <= 0.0 || tau <= TAU_S.0 * 1.01 || tau >= TAU_S.1.min(end / 2.0) {
        return None;
    }
    let n = means.len() as f64;
    let residual = |(t, power): &(f64, f64)| power - steady - at_start * (-t / tau).exp();
    let residuals: Vec<f64> = means.iter().map(residual).collect();
    let lagged: f64 = residuals.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let correlation = if squares > 0.0 { (lagged / squares).clamp(0.0, 0.95) } else { 0.0 };
    let longer = (1.0 + correlation) / (1.0 - correlation);
    let dof = ((n / longer) - 3.0).max(1.0);
    let variance = squares / n * longer * (n / (n - 3.0));
    let covariance = covariance(&means, at_start, tau)? * variance;
    let fall = (-end / tau).exp();
    let energy = at_start * tau * (1.0 - fall);
    let by = Vector3::new(0.0, tau * (1.0 - fall), at_start * (1.0 - fall - end / tau * fall));
    let u = (by.transpose() * covariance * by)[0].max(0.0).sqrt();
    (energy > 2.0 * u).then_some(WarmUp { energy: (energy, u), dof, steady, at_start, tau })
}

/// Means of 10 s with their mean moments, as far as the window goes.
fn means(rows: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let mut means: Vec<(f64, f64)> = Vec::new();
    let mut open: Option<(i64, [f64; 3])> = None;
    let close = |(_, [time, power, count]): (i64, [f64; 3])| (time / count, power / count);
    for (t, power) in rows.filter(|(t, power)| (0.0..WINDOW_S).contains(t) && power.is_finite()) {
        let number = (t / MEAN_S).floor() as i64;
        match &mut open {
            Some((same, sums)) if *same == number => {
                sums.iter_mut().zip([t, power, 1.0]).for_each(|(sum, one)| *sum += one);
            }
            _ => means.extend(open.replace((number, [t, power, 1.0])).map(close)),
        }
    }
    means.extend(open.map(close));
    means
}

/// The steady power, the power beyond it at the start, and the sum of squares left, for a decay time.
fn linear(means: &[(f64, f64)], tau: f64) -> Option<(f64, f64, f64)> {
    let n = means.len() as f64;
    let decays: Vec<f64> = means.iter().map(|(t, _)| (-t / tau).exp()).collect();
    let (mut x, mut xx, mut y, mut xy) = (0.0, 0.0, 0.0, 0.0);
    for ((_, power), d) in means.iter().zip(&decays) {
        (x, xx, y, xy) = (x + d, xx + d * d, y + power, xy + d * power);
    }
    let determinant = n * xx - x * x;
    if determinant <= 1e-9 * n * xx {
        return None;
    }
    let (steady, at_start) = ((xx * y - x * xy) / determinant, (n * xy - x * y) / determinant);
    let left = means.iter().zip(&decays).map(|((_, power), d)| power - steady - at_start * d);
    let squares = left.map(|left| left.powi(2)).sum();
    Some((steady, at_start, squares))
}

/// The decay time with the least squares: a coarse search, then by halving around it.
fn best_tau(means: &[(f64, f64)]) -> f64 {
    let squares = |tau: f64| linear(means, tau).map_or(f64::INFINITY, |(_, _, squares)| squares);
    let steps = 60;
    let at = |step: f64| TAU_S.0 * (TAU_S.1 / TAU_S.0).powf(step / f64::from(steps));
    let least = |tried: &mut dyn Iterator<Item = f64>| {
        let least = tried.map(|step| (step, squares(at(step)))).min_by(|a, b| a.1.total_cmp(&b.1));
        least.map(|(step, _)| step)
    };
    let coarse = least(&mut (0..=steps).map(f64::from)).unwrap_or(0.0);
    let (mut best, mut width) = (coarse, 0.5);
    for _ in 0..24 {
        let near = [best - width, best, best + width].map(|step| step.clamp(0.0, f64::from(steps)));
        best = least(&mut near.into_iter()).unwrap_or(best);
        width /= 1.6;
    }
    at(best)
}

/// The covariance of steady power, power at the start and decay time for a unit variance of the means.
fn covariance(means: &[(f64, f64)], at_start: f64, tau: f64) -> Option<Matrix3<f64>> {
    let mut normal = Matrix3::zeros();
    for (t, _) in means {
        let decay = (-t / tau).exp();
        let row = Vector3::new(1.0, decay, at_start * decay * t / (tau * tau));
        normal += row * row.transpose();
    }
    normal.try_inverse()
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::Chance;
    use super::*;

    #[test]
    fn a_known_decay_is_found() {
        // 2460 W beyond 640 W, falling with 420 s: 2460 * 420 * (1 - exp(-3600 / 420)) = 1.03300 MJ by hand.
        let rows = (0..3_600).map(|t| (f64::from(t), 640.0 + 2_460.0 * (-f64::from(t) / 420.0).exp()));
        let found = fit(rows).expect("a decay");
        assert!((found.energy.0 - 1.0330e6).abs() < 1e3, "{found:?}");
        assert!((found.tau - 420.0).abs() < 1.0 && (found.steady - 640.0).abs() < 1.0, "{found:?}");
    }

    #[test]
    fn intervals_cover_under_correlated_noise() {
        let mut chance = Chance::new(7);
        let mut inside = 0;
        for _ in 0..200 {
            let mut sway = 0.0;
            let rows: Vec<(f64, f64)> = (0..3_600)
                .map(|t| {
                    sway = 0.97 * sway + 40.0 * chance.normal();
                    (f64::from(t), 900.0 + 2_000.0 * (-f64::from(t) / 500.0).exp() + sway)
                })
                .collect();
            let truth = 2_000.0 * 500.0 * (1.0 - (-3_600.0f64 / 500.0).exp());
            let found = fit(rows.into_iter()).expect("a decay");
            let factor = super::super::estimate::coverage_factor_95(found.dof);
            inside += u32::from((found.energy.0 - truth).abs() < factor * found.energy.1);
        }
        // 200 draws at 95 %: 190 expected, standard deviation 3.1.
        assert!((178..=199).contains(&inside), "{inside}");
    }

    #[test]
    fn no_decay_is_no_warm_up() {
        let mut chance = Chance::new(3);
        let steady: Vec<(f64, f64)> = (0..3_600).map(|t| (f64::from(t), 700.0 + 50.0 * chance.normal())).collect();
        assert_eq!(fit(steady.into_iter()), None);
        let rising = (0..3_600).map(|t| (f64::from(t), 700.0 - 500.0 * (-f64::from(t) / 300.0).exp()));
        assert_eq!(fit(rising), None);
        assert_eq!(fit((0..100).map(|t| (f64::from(t), 1.0))), None);
    }
}
