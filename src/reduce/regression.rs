//! Linear least squares: ordinary, weighted, generalised; with the covariance of what it finds.
//!
//! Knows nothing of batteries. Columns are scaled to one length and the system is solved by Householder QR, then
//! refined once on its own residuals, which reaches the certified digits of the ill-conditioned NIST sets.

use nalgebra::{DMatrix, DVector, Dyn};

/// Why no fit could be made.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refused {
    /// Sizes of the matrix, the observations and the weights do not belong together.
    #[error("the sizes of matrix, observations and covariance do not belong together")]
    Sizes,
    /// Fewer observations than unknowns.
    #[error("fewer observations than unknowns")]
    TooFew,
    /// Two columns say the same, or a value is not finite.
    #[error("the unknowns cannot be told apart")]
    Singular,
    /// The covariance of the observations is not positive definite.
    #[error("the covariance of the observations is not positive definite")]
    Covariance,
}

/// What a fit found.
#[derive(Clone, Debug)]
pub struct Fit {
    /// The unknowns.
    pub coefficients: DVector<f64>,
    /// Their covariance for observations of unit (whitened) variance: (XᵀX)⁻¹ or (XᵀΣ⁻¹X)⁻¹.
    pub covariance: DMatrix<f64>,
    /// Residuals in units of the observations' standard deviations (as they are, for an ordinary fit).
    pub residuals: DVector<f64>,
    /// Unknowns by whitened observation: `coefficients = gain * whitened observations`, so its rows say what each
    /// observation's error does to each unknown.
    pub gain: DMatrix<f64>,
}

impl Fit {
    /// Observations less unknowns.
    pub fn dof(&self) -> usize {
        self.residuals.len() - self.coefficients.len()
    }
    /// Sum of squared residuals.
    pub fn chi_squared(&self) -> f64 {
        self.residuals.norm_squared()
    }
    /// Residual standard deviation; 0 without degrees of freedom.
    pub fn residual_sd(&self) -> f64 {
        if self.dof() == 0 { 0.0 } else { (self.chi_squared() / self.dof() as f64).sqrt() }
    }
    /// Standard deviation of an unknown with the observations' variance taken from the residuals (an ordinary fit).
    pub fn coefficient_sd(&self, index: usize) -> f64 {
        self.residual_sd() * self.covariance[(index, index)].sqrt()
    }
}

/// Ordinary least squares of `y = X b`, all observations alike and independent.
pub fn ordinary(x: &DMatrix<f64>, y: &DVector<f64>) -> Result<Fit, Refused> {
    let (n, p) = x.shape();
    if y.len() != n || p == 0 {
        return Err(Refused::Sizes);
    }
    if n < p {
        return Err(Refused::TooFew);
    }
    let lengths: Vec<f64> = x.column_iter().map(|column| column.norm()).collect();
    if lengths.iter().any(|length| !length.is_finite() || *length == 0.0) || y.iter().any(|y| !y.is_finite()) {
        return Err(Refused::Singular);
    }
    let mut scaled = x.clone();
    scaled.column_iter_mut().zip(&lengths).for_each(|(mut column, length)| column /= *length);
    let qr = scaled.clone().qr();
    let r: DMatrix<f64> = qr.r();
    let smallest = r.diagonal().iter().fold(f64::INFINITY, |least, d| least.min(d.abs()));
    if smallest <= f64::EPSILON * n as f64 {
        return Err(Refused::Singular);
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p)).ok_or(Refused::Singular)?;
    let mut gain = &inverse * qr.q().transpose();
    let mut coefficients = &gain * y;
    // One step of refinement: what QR's rounding left in the residual is fitted again.
    coefficients += &gain * residual(&scaled, &coefficients, y);
    let residuals = residual(&scaled, &coefficients, y);
    let mut covariance = &inverse * inverse.transpose();
    for (row, length) in lengths.iter().enumerate() {
        coefficients[row] /= length;
        gain.row_mut(row).iter_mut().for_each(|value| *value /= length);
        for (column, other) in lengths.iter().enumerate() {
            covariance[(row, column)] /= length * other;
        }
    }
    Ok(Fit { coefficients, covariance, residuals, gain })
}

/// y - X b with each sum carried in twice the precision (products by fused multiply-add, sums by Neumaier's method).
fn residual(x: &DMatrix<f64>, b: &DVector<f64>, y: &DVector<f64>) -> DVector<f64> {
    DVector::from_fn(y.len(), |row, _| {
        let (mut sum, mut low) = (y[row], 0.0);
        for column in 0..b.len() {
            let product = -x[(row, column)] * b[column];
            low += (-x[(row, column)]).mul_add(b[column], -product);
            let next = sum + product;
            low += if sum.abs() >= product.abs() { (sum - next) + product } else { (product - next) + sum };
            sum = next;
        }
        sum + low
    })
}

/// Weighted least squares: independent observations, each with its own standard deviation.
pub fn weighted(x: &DMatrix<f64>, y: &DVector<f64>, sd: &[f64]) -> Result<Fit, Refused> {
    if sd.len() != y.len() || x.nrows() != y.len() {
        return Err(Refused::Sizes);
    }
    if sd.iter().any(|sd| !sd.is_finite() || *sd <= 0.0) {
        return Err(Refused::Covariance);
    }
    let mut x = x.clone();
    x.row_iter_mut().zip(sd).for_each(|(mut row, sd)| row /= *sd);
    ordinary(&x, &DVector::from_fn(y.len(), |row, _| y[row] / sd[row]))
}

/// Generalised least squares (Aitken): observations with a known covariance.
pub fn generalised(x: &DMatrix<f64>, y: &DVector<f64>, covariance: &DMatrix<f64>) -> Result<Fit, Refused> {
    if covariance.shape() != (y.len(), y.len()) || x.nrows() != y.len() {
        return Err(Refused::Sizes);
    }
    let (x, y) = Whitener::new(covariance)?.whiten(x, y)?;
    ordinary(&x, &y)
}

/// Turns observations with a covariance into independent ones of unit variance.
pub struct Whitener(nalgebra::Cholesky<f64, Dyn>);

impl Whitener {
    /// Of a covariance.
    pub fn new(covariance: &DMatrix<f64>) -> Result<Self, Refused> {
        covariance.clone().cholesky().map(Self).ok_or(Refused::Covariance)
    }
    /// Matrix and observations, whitened by the inverse of Cholesky's factor.
    pub fn whiten(&self, x: &DMatrix<f64>, y: &DVector<f64>) -> Result<(DMatrix<f64>, DVector<f64>), Refused> {
        let l = self.0.l();
        let x = l.solve_lower_triangular(x).ok_or(Refused::Covariance)?;
        let y = l.solve_lower_triangular(y).ok_or(Refused::Covariance)?;
        Ok((x, y))
    }
}

#[cfg(test)]
mod tests;
