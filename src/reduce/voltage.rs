//! The mean voltage under load where a discharge was not observed, from what it was where it was observed.
//!
//! The voltage over the state of charge d is taken as a constant, a slope, a curvature, a knee at the bottom and a smooth deviation, each
//! known beforehand as widely as the packs of different cells differ; the mean voltages between the ticks then say what
//! they can (generalised least squares with a prior on every part, which is kriging with a drift; C. E. Rasmussen and
//! C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, section 2.7, from memory). So a short span leaves
//! the prior as it was, and a long one narrows it by itself.
//!
//! Admitted weak steps: the prior's numbers are common practice, no source; the load outside is taken to be like that inside
//! to 0.4 % of the voltage. Knows no display and forms no figure.

use nalgebra::{DMatrix, DVector};

use super::regression::Refused;

/// Fall of the voltage from full to empty beside the knee, in parts of it, and its standard deviation: common practice, no source.
const SLOPE: (f64, f64) = (0.15, 0.07);
/// Fall at the very bottom, in parts, its standard deviation, and over what share of charge it comes: common practice, no source.
const KNEE: (f64, f64, f64) = (0.06, 0.025, 0.045);
/// Curvature: the ends lie above the line through the middle by so much, in parts, and its standard deviation, as of nickel-rich
/// cells more and of iron-phosphate cells less: common practice, no source.
const CURVATURE: (f64, f64) = (0.015, 0.015);
/// Smooth deviation from that, in parts, and over what share of charge it changes: common practice, no source.
const SMOOTH: (f64, f64) = (0.01, 0.15);
/// Standard deviation of a mean voltage over a hundredth of the charge by the load's changes, in parts: common practice, no source.
const PIECE: f64 = 0.01;
/// The load outside differs from that inside: its standard deviation, in parts of the voltage: common practice, no source.
const LOAD: f64 = 0.004;
/// Nothing is known beforehand of the mean: so wide is as good as unknown, in parts.
const LEVEL: f64 = 0.3;
/// A mean over a part is taken over so many points.
const POINTS: usize = 12;

/// A mean voltage between two ticks.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Piece {
    /// The state of charge in its middle, as a share.
    pub at: f64,
    /// Its width, as a share.
    pub width: f64,
    /// V.
    pub volt: f64,
}

/// Mean voltages of two parts, V, and their covariance, V².
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Means {
    /// Above and below.
    pub volt: [f64; 2],
    /// Row by row.
    pub covariance: [[f64; 2]; 2],
}

fn knee(d: f64) -> f64 {
    (-d.max(-0.1) / KNEE.2).exp()
}

/// 1 between its value at the ends and that in the middle, 0 in the mean.
fn curvature(d: f64) -> f64 {
    (2.0 * d - 1.0).powi(2) - 1.0 / 3.0
}

/// What is expected of the voltage beside its level, in parts.
fn expected(d: f64) -> f64 {
    SLOPE.0 * (d - 0.5) - KNEE.0 * knee(d) + CURVATURE.0 * curvature(d)
}

/// Prior covariance of the voltage at two states of charge, in parts squared.
fn prior(a: f64, b: f64) -> f64 {
    LEVEL * LEVEL
        + SLOPE.1 * SLOPE.1 * (a - 0.5) * (b - 0.5)
        + KNEE.1 * KNEE.1 * knee(a) * knee(b)
        + CURVATURE.1 * CURVATURE.1 * curvature(a) * curvature(b)
        + SMOOTH.0 * SMOOTH.0 * (-((a - b) / SMOOTH.1).powi(2) / 2.0).exp()
}

/// The points over which a part is averaged.
fn points((from, to): (f64, f64)) -> impl Iterator<Item = f64> {
    (0..POINTS).map(move |at| from + (to - from) * (at as f64 + 0.5) / POINTS as f64)
}

fn mean(part: (f64, f64), of: impl Fn(f64) -> f64) -> f64 {
    points(part).map(of).sum::<f64>() / POINTS as f64
}

/// Mean voltages of two parts (from, to; as shares of the charge) by the pieces between them.
pub fn means(pieces: &[Piece], parts: [(f64, f64); 2]) -> Result<Means, Refused> {
    let weight: f64 = pieces.iter().map(|piece| piece.width).sum();
    let level = pieces.iter().map(|piece| piece.volt * piece.width).sum::<f64>() / weight;
    if pieces.is_empty() || !(level.is_finite() && level > 0.0) {
        return Err(Refused::TooFew);
    }
    let n = pieces.len();
    let observed = DVector::from_fn(n, |at, _| pieces[at].volt / level - 1.0 - expected(pieces[at].at));
    let covariance = DMatrix::from_fn(n, n, |a, b| {
        let own = if a == b { PIECE * PIECE * 0.01 / pieces[a].width.max(1e-4) } else { 0.0 };
        prior(pieces[a].at, pieces[b].at) + own
    });
    let solved = covariance.cholesky().ok_or(Refused::Covariance)?;
    let with_pieces = parts.map(|part| DVector::from_fn(n, |at, _| mean(part, |d| prior(d, pieces[at].at))));
    let weights = [solved.solve(&with_pieces[0]), solved.solve(&with_pieces[1])];
    let volt = [0, 1].map(|at| level * (1.0 + mean(parts[at], expected) + weights[at].dot(&observed)));
    let covariance = [0, 1].map(|a| {
        [0, 1].map(|b| {
            let before = mean(parts[a], |x| mean(parts[b], |y| prior(x, y)));
            let load = if a == b { LOAD * LOAD } else { 0.0 };
            (before - weights[a].dot(&with_pieces[b]) + load) * level * level
        })
    });
    Ok(Means { volt, covariance })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean voltages of a line from 400 V at full to 340 V at empty, between ticks a hundredth apart.
    fn pieces(from: u32, to: u32, volt: impl Fn(f64) -> f64) -> Vec<Piece> {
        (to..from)
            .map(|tick| f64::from(tick) / 100.0 + 0.005)
            .map(|at| Piece { at, width: 0.01, volt: volt(at) })
            .collect()
    }

    #[test]
    fn a_line_goes_on() {
        let line = |d: f64| 340.0 + 60.0 * d;
        let means = means(&pieces(90, 30, line), [(1.0, 0.9), (0.3, 0.0)]).unwrap();
        for (at, truth) in [line(0.95), line(0.15)].into_iter().enumerate() {
            let u = means.covariance[at][at].sqrt();
            assert!((means.volt[at] - truth).abs() < 2.0 * u && u < 0.03 * truth, "{} {truth} {u}", means.volt[at]);
        }
    }

    #[test]
    fn a_longer_span_knows_more_and_further_away_is_known_less() {
        let flat = |_: f64| 330.0;
        let u = |from, to, part: (f64, f64)| {
            means(&pieces(from, to, flat), [part, (0.2, 0.0)]).unwrap().covariance[0][0].sqrt()
        };
        assert!(u(60, 40, (1.0, 0.9)) > 1.2 * u(85, 25, (1.0, 0.9)));
        assert!(u(60, 40, (1.0, 0.9)) > 1.2 * u(60, 40, (0.7, 0.6)));
    }

    #[test]
    fn against_the_closed_form_of_one_piece() {
        // One observation y of variance s² and prior k: the mean moves by k(d, a) / (k(a, a) + s²) y (GUM 5.2.2 applied by hand).
        let piece = Piece { at: 0.5, width: 0.01, volt: 350.0 };
        let found = means(&[piece], [(0.8, 0.8), (0.2, 0.2)]).unwrap();
        let gain = prior(0.8, 0.5) / (prior(0.5, 0.5) + PIECE * PIECE);
        let by_hand = 350.0 * (1.0 + expected(0.8) - gain * expected(0.5));
        assert!((found.volt[0] / by_hand - 1.0).abs() < 1e-12, "{} {by_hand}", found.volt[0]);
        let variance = prior(0.8, 0.8) - gain * prior(0.8, 0.5) + LOAD * LOAD;
        assert!((found.covariance[0][0] / (variance * 350.0 * 350.0) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn nothing_observed_is_refused() {
        assert_eq!(means(&[], [(1.0, 0.9), (0.1, 0.0)]), Err(Refused::TooFew));
    }
}
