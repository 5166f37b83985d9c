//! Several unknowns with their covariance, and what an observation of a sum of them changes (a Kalman filter's update).
//!
//! Plain arithmetic; knows no car and no time.

/// Jointly normal unknowns.
#[derive(Clone, PartialEq, Debug)]
pub struct Normal<const N: usize> {
    /// Their means.
    pub mean: [f64; N],
    /// Their covariance.
    pub cov: [[f64; N]; N],
}

impl<const N: usize> Normal<N> {
    /// Unknowns that have nothing in common.
    pub fn independent(mean: [f64; N], u: [f64; N]) -> Self {
        let mut cov = [[0.0; N]; N];
        for (at, u) in u.iter().enumerate() {
            cov[at][at] = u * u;
        }
        Self { mean, cov }
    }

    /// The mean of a weighted sum.
    pub fn mean_of(&self, weights: &[f64; N]) -> f64 {
        self.mean.iter().zip(weights).map(|(mean, weight)| mean * weight).sum()
    }

    /// The covariance of two weighted sums.
    pub fn covariance_of(&self, a: &[f64; N], b: &[f64; N]) -> f64 {
        let row = |row: &[f64; N]| row.iter().zip(b).map(|(cov, b)| cov * b).sum::<f64>();
        self.cov.iter().zip(a).map(|(cov, a)| a * row(cov)).sum()
    }

    /// The variance of a weighted sum.
    pub fn variance_of(&self, weights: &[f64; N]) -> f64 {
        self.covariance_of(weights, weights).max(0.0)
    }

    /// One of them drifts: its variance grows.
    pub fn drift(&mut self, which: usize, variance: f64) {
        if variance.is_finite() && variance > 0.0 {
            self.cov[which][which] += variance;
        }
    }

    /// They drift together, by these shares of a variance's root.
    pub fn drift_along(&mut self, by: &[f64; N], variance: f64) {
        if variance.is_finite() && variance > 0.0 {
            for (row, a) in self.cov.iter_mut().zip(by) {
                row.iter_mut().zip(by).for_each(|(cov, b)| *cov += a * b * variance);
            }
        }
    }

    /// Takes in that a weighted sum was seen to be greater than thought by so much, with an error of this variance.
    ///
    /// What is not finite, or has no variance at all, is left out.
    pub fn observe(&mut self, weights: &[f64; N], greater_by: f64, variance: f64) {
        let gains: [f64; N] = std::array::from_fn(|at| self.cov[at].iter().zip(weights).map(|(c, w)| c * w).sum());
        let total = gains.iter().zip(weights).map(|(gain, weight)| gain * weight).sum::<f64>() + variance;
        if !(total > 0.0 && total.is_finite() && greater_by.is_finite()) {
            return;
        }
        for row in 0..N {
            self.mean[row] += gains[row] / total * greater_by;
            for column in 0..N {
                self.cov[row][column] -= gains[row] * gains[column] / total;
            }
        }
        // Rounding must not make a variance negative.
        for at in 0..N {
            self.cov[at][at] = self.cov[at][at].max(0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_are_weighted_by_their_variances() {
        // Two readings of one value, 10 +- 1 and 13 +- 2: 10.6 +- sqrt(0.8), by hand.
        let mut one = Normal::independent([10.0], [1.0]);
        one.observe(&[1.0], 3.0, 4.0);
        assert!((one.mean[0] - 10.6).abs() < 1e-12 && (one.cov[0][0] - 0.8).abs() < 1e-12);
    }

    #[test]
    fn a_sum_that_is_seen_ties_its_parts() {
        // a = 0 +- 1, b = 0 +- 1, a + b seen as 1 exactly: both 0.5, variance 0.5, covariance -0.5.
        let mut two = Normal::independent([0.0, 0.0], [1.0, 1.0]);
        two.observe(&[1.0, 1.0], 1.0, 0.0);
        assert_eq!((two.mean, two.cov), ([0.5, 0.5], [[0.5, -0.5], [-0.5, 0.5]]));
        assert_eq!(two.variance_of(&[1.0, 1.0]), 0.0);
        assert_eq!(two.variance_of(&[1.0, -1.0]), 2.0);
        two.observe(&[1.0, 1.0], f64::NAN, 1.0);
        assert_eq!(two.mean, [0.5, 0.5]);
    }
}
