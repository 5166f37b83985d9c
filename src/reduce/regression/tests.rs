//! Certified results of the NIST Statistical Reference Datasets, and the GUM's calibration line.

use super::*;

/// NIST/ITL StRD, linear regression, dataset Norris (calibration of ozone monitors), (x, y); public domain,
/// <https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml>, as in scipy's `nist_linregress/Norris.dat`.
#[rustfmt::skip]
const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1), (666.3, 668.5), (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3), (0.6, 0.1), (775.5, 778.1), (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8), (556.0, 557.7), (228.1, 228.3), (995.8, 998.0), (887.6, 888.8), (120.2, 119.6), (0.3, 0.3), (0.3, 0.6), (556.8, 557.6), (339.1, 339.3), (887.2, 888.0), (999.0, 998.5), (779.0, 778.9), (11.1, 10.2), (118.3, 117.6), (229.2, 228.9), (669.1, 668.4), (448.9, 449.2), (0.5, 0.2),
];

/// Digits in common (log relative error), as NIST counts them.
fn digits(value: f64, certified: f64) -> f64 {
    let error = (value - certified).abs() / certified.abs();
    if error == 0.0 { 15.0 } else { -error.log10() }
}

fn polynomial(x: impl Iterator<Item = f64> + Clone, degree: usize) -> DMatrix<f64> {
    let x: Vec<f64> = x.collect();
    DMatrix::from_fn(x.len(), degree + 1, |row, column| x[row].powi(column as i32))
}

#[test]
fn norris() {
    let x = polynomial(NORRIS.iter().map(|(x, _)| *x), 1);
    let y = DVector::from_iterator(36, NORRIS.iter().map(|(_, y)| *y));
    let fit = ordinary(&x, &y).unwrap();
    let checks = [
        (fit.coefficients[0], -0.262323073774029),
        (fit.coefficients[1], 1.00211681802045),
        (fit.coefficient_sd(0), 0.232818234301152),
        (fit.coefficient_sd(1), 0.429796848199937e-3),
        (fit.residual_sd(), 0.884796396144373),
        (fit.chi_squared(), 26.6173985294224),
    ];
    for (value, certified) in checks {
        assert!(digits(value, certified) >= 11.0, "{value} against {certified}: {} digits", digits(value, certified));
    }
    // R squared 0.999993745883712 and F 5436385.54079785 from the same sums.
    let mean = y.mean();
    let total: f64 = y.iter().map(|y| (y - mean).powi(2)).sum();
    assert!(digits(1.0 - fit.chi_squared() / total, 0.999993745883712) >= 13.0);
    assert!(digits((total - fit.chi_squared()) / fit.residual_sd().powi(2), 5436385.54079785) >= 11.0);
}

#[test]
fn wampler_1_and_2() {
    // NIST/ITL StRD Wampler1 and Wampler2: x = 0..20; y = sum of x^k, and of (0.1 x)^k, k = 0..5; certified B exact, residual 0.
    let x = polynomial((0..=20).map(f64::from), 5);
    for (base, least) in [(1.0f64, 9.0), (0.1, 11.0)] {
        let y = DVector::from_fn(21, |row, _| {
            let value: f64 = (0..=5).map(|k| (base * row as f64).powi(k)).sum();
            // Wampler2's data file holds five decimals, which (0.1 x)^5 just needs.
            (value * 1e5).round() / 1e5
        });
        if base == 1.0 {
            assert_eq!((y[0], y[1], y[2], y[3], y[4], y[5], y[20]), (1., 6., 63., 364., 1365., 3906., 3368421.));
        } else {
            assert_eq!((y[1], y[20]), (1.11111, 63.0));
        }
        let fit = ordinary(&x, &y).unwrap();
        for k in 0..=5 {
            let certified = base.powi(k);
            let reached = digits(fit.coefficients[k as usize], certified);
            assert!(reached >= least, "base {base}, B{k} = {}: {reached} digits", fit.coefficients[k as usize]);
        }
        assert!(fit.residual_sd() < 1e-9 * y.max(), "residual {}", fit.residual_sd());
    }
}

#[test]
fn calibration_line_of_gum_h_3() {
    // JCGM 100:2008 H.3: t0 = 20 degC; intercept -0.1712 (0.0029), slope 0.00218 (0.00067), r -0.930, s 0.0035.
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let fit = ordinary(&polynomial(t.iter().map(|t| t - 20.0), 1), &DVector::from_row_slice(&b)).unwrap();
    let within =
        |value: f64, expected: f64, half_digit: f64| assert!((value - expected).abs() <= half_digit, "{value}");
    within(fit.coefficients[0], -0.1712, 0.00005);
    within(fit.coefficients[1], 0.00218, 0.000005);
    within(fit.coefficient_sd(0), 0.0029, 0.00005);
    within(fit.coefficient_sd(1), 0.00067, 0.000005);
    within(fit.residual_sd(), 0.0035, 0.00005);
    let r = fit.covariance[(0, 1)] / (fit.covariance[(0, 0)] * fit.covariance[(1, 1)]).sqrt();
    within(r, -0.930, 0.0005);
}

#[test]
fn generalised_agrees_with_its_special_cases() {
    // Identities: a unit covariance is the ordinary fit, a diagonal one the weighted fit.
    let x = polynomial(NORRIS.iter().map(|(x, _)| *x), 1);
    let y = DVector::from_iterator(36, NORRIS.iter().map(|(_, y)| *y));
    let sd: Vec<f64> = (0..36).map(|row| 0.5 + 0.1 * f64::from(row % 7)).collect();
    let weighted = weighted(&x, &y, &sd).unwrap();
    let diagonal = DMatrix::from_diagonal(&DVector::from_iterator(36, sd.iter().map(|sd| sd * sd)));
    let pairs = [
        (generalised(&x, &y, &DMatrix::identity(36, 36)).unwrap(), ordinary(&x, &y).unwrap()),
        (generalised(&x, &y, &diagonal).unwrap(), weighted),
    ];
    for (a, b) in pairs {
        assert!((&a.coefficients - &b.coefficients).norm() <= 1e-12 && (&a.covariance - &b.covariance).norm() <= 1e-12);
        // The gain gives the covariance: observations have unit variance once whitened.
        assert!((&a.gain * a.gain.transpose() - &a.covariance).norm() <= 1e-12);
    }
}

#[test]
fn what_cannot_be_fitted_is_refused() {
    let x = DMatrix::from_row_slice(3, 2, &[1.0, 2.0, 1.0, 2.0, 1.0, 2.0]);
    let y = DVector::from_row_slice(&[1.0, 2.0, 3.0]);
    assert_eq!(ordinary(&x, &y).err(), Some(Refused::Singular));
    assert_eq!(ordinary(&x.rows(0, 1).into_owned(), &y.rows(0, 1).into_owned()).err(), Some(Refused::TooFew));
    assert_eq!(ordinary(&x, &y.rows(0, 2).into_owned()).err(), Some(Refused::Sizes));
    assert_eq!(weighted(&x, &y, &[1.0, 0.0, 1.0]).err(), Some(Refused::Covariance));
    assert_eq!(generalised(&x, &y, &DMatrix::zeros(3, 3)).err(), Some(Refused::Covariance));
}
