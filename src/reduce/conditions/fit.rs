//! Road load, or the wind along the road, from the drive itself: regression of the drive's force on what it depends on.
//!
//! Refuses where the drive does not carry it. What it finds is electric: losses of the drive train are in it.

use nalgebra::{DMatrix, DVector};

use super::road_load::{Air, EFFICIENCY, GRAVITY, RoadLoad};
use super::way::Block;
use crate::format;
use crate::reduce::regression;

/// Fewest blocks of a fit.
const BLOCKS_MIN: usize = 40;
/// Speeds must spread so far (from the 5th to the 95th per cent of the blocks), m/s: common practice, no source.
const SPREAD_MIN: f64 = 7.0;
/// A share of the drag that is known no better than this, one standard uncertainty, is not known.
const SHARE_U_MAX: f64 = 0.08;
/// Blocks in each direction that a wind along the road is found from, and how straight they must lie on its axis.
const EACH_WAY_MIN: usize = 15;
const STRAIGHT: f64 = 0.8;
/// A wind known no better than this, m/s, is not known.
const WIND_U_MAX: f64 = 1.5;

/// A fitted road load at the conditions of the drive.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fitted {
    /// A, N, and C, N per (m/s)², as the pack sees them.
    pub a: f64,
    /// See `a`.
    pub c: f64,
    /// Standard uncertainty of the drag's share at the mean speed.
    pub share_u: f64,
}

/// Electric force of a block less accessories and height, N.
fn force(block: &Block, accessories: f64, mass: Option<f64>) -> f64 {
    let lifted = mass.map_or(0.0, |mass| mass * GRAVITY * block.rise / EFFICIENCY);
    let lifted = if lifted.is_finite() { lifted } else { 0.0 };
    (block.net - accessories * block.time - lifted) / block.distance
}

/// Least squares of the forces on columns; coefficients, their covariance by the residuals, widened for residuals that
/// follow each other.
fn solve(rows: &[Vec<f64>], forces: &[f64]) -> Option<(Vec<f64>, DMatrix<f64>)> {
    let columns = rows.first()?.len();
    let x = DMatrix::from_fn(rows.len(), columns, |row, column| rows[row][column]);
    let fit = regression::ordinary(&x, &DVector::from_column_slice(forces)).ok()?;
    let residuals = &fit.residuals;
    let square = residuals.norm_squared();
    let follow: f64 = residuals.as_slice().windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / square;
    let follow = if follow.is_finite() { follow.clamp(0.0, 0.9) } else { 0.0 };
    let widen = (1.0 + follow) / (1.0 - follow);
    let variance = if fit.dof() > 0 { square / fit.dof() as f64 } else { return None };
    Some((fit.coefficients.as_slice().to_vec(), fit.covariance * variance * widen))
}

/// Road load from the speeds of the drive, given the accessories' power, W.
pub(super) fn load(blocks: &[Block], accessories: f64, mass: Option<f64>) -> Result<Fitted, String> {
    let mut speeds: Vec<f64> = blocks.iter().map(|block| block.speed).collect();
    speeds.sort_by(f64::total_cmp);
    let at = |share: f64| speeds.get((share * speeds.len() as f64) as usize).copied().unwrap_or(0.0);
    let (low, high) = (at(0.05), at(0.95));
    if blocks.len() < BLOCKS_MIN || high - low < SPREAD_MIN {
        let [low, high] = [low, high].map(|speed| format::significant(speed * 3.6, 3));
        return Err(format!(
            "the drive does not carry a road load: {} stretches of steady driving, from {low} to {high} km/h",
            blocks.len()
        ));
    }
    let rows: Vec<Vec<f64>> =
        blocks.iter().map(|block| vec![1.0, block.air_squared, block.kinetic / block.distance]).collect();
    let forces: Vec<f64> = blocks.iter().map(|block| force(block, accessories, mass)).collect();
    let (found, covariance) =
        solve(&rows, &forces).ok_or("the drive does not carry a road load: its speeds do not part")?;
    let squared = blocks.iter().map(|block| block.air_squared).sum::<f64>() / blocks.len() as f64;
    let (a, drag) = (found[0], found[1] * squared);
    let total = a + drag;
    // Of s = d / (a + d): ds = (a dd - d da) / (a + d)².
    let (by_a, by_c) = (-drag / (total * total), a * squared / (total * total));
    let variance =
        by_a * by_a * covariance[(0, 0)] + by_c * by_c * covariance[(1, 1)] + 2.0 * by_a * by_c * covariance[(0, 1)];
    let share_u = variance.max(0.0).sqrt();
    if !(a > 0.0 && drag > 0.0 && share_u <= SHARE_U_MAX) {
        let u = format::share(share_u);
        return Err(format!(
            "the drive does not carry a road load: the drag's share would be known to {u} of the force"
        ));
    }
    Ok(Fitted { a, c: found[1], share_u })
}

/// Wind along the road's axis, m/s, from behind for who drives along it, and its standard uncertainty: from what the two
/// directions take. Needs heights, since a road that rises one way falls the other.
pub(super) fn wind(
    blocks: &[Block],
    load: &RoadLoad,
    air: &Air,
    accessories: f64,
    mass: Option<f64>,
) -> Option<(f64, f64)> {
    mass?;
    let straight = |block: &&Block| block.along.abs() >= STRAIGHT && block.rise.is_finite();
    let used: Vec<&Block> = blocks.iter().filter(straight).collect();
    let out = used.iter().filter(|block| block.along > 0.0).count();
    if out < EACH_WAY_MIN || used.len() - out < EACH_WAY_MIN {
        return None;
    }
    let drag = load.drag(air);
    let rows: Vec<Vec<f64>> = used
        .iter()
        .map(|block| {
            let still = load.force_in(block.speed_squared.sqrt(), 0.0, 0.0, air);
            vec![still, -2.0 * drag * block.speed * block.along, block.kinetic / block.distance]
        })
        .collect();
    let forces: Vec<f64> = used.iter().map(|block| force(block, accessories, mass)).collect();
    let (found, covariance) = solve(&rows, &forces)?;
    let (wind, u) = (found[1] / found[0], covariance[(1, 1)].max(0.0).sqrt() / found[0]);
    (wind.is_finite() && u > 0.0 && u <= WIND_U_MAX).then_some((wind, u))
}
