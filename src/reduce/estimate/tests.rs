//! The GUM's own worked examples, and what must always hold.

use super::*;

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

fn named(value: f64, source: &'static str, u: f64) -> Estimate {
    Estimate::exact(value).with_b(Source::named(source), u)
}

#[test]
fn welch_satterthwaite_of_gum_g_4_1() {
    // JCGM 100:2008 G.4.1: y = b x1 x2 x3, relative u 0.25 % (9 degrees of freedom), 0.57 % (4), 0.82 % (14): 1.03 %, 19.0, 2.09.
    // To more digits (18.9987, 2.093) as GTC 1.5.1, a public library for the purpose, gives it.
    let x = |source, relative: f64, dof| {
        Estimate::exact(2.0).with(Source::named(source), 2.0 * relative, Kind::A, Some(dof))
    };
    let y = x("x1", 0.0025, 9.0).product(&x("x2", 0.0057, 4.0)).product(&x("x3", 0.0082, 14.0));
    near(y.value, 8.0, 1e-12);
    near(y.u() / y.value, 0.0103, 0.00005);
    near(y.effective_dof().unwrap(), 18.9987, 0.0001);
    near(y.u95() / y.u(), 2.093, 0.0005);
}

#[test]
fn correlated_inputs_of_gum_h_2() {
    // JCGM 100:2008 H.2: five simultaneous observations of V, I and phi. The results to more digits are GTC 1.5.1's from the same
    // table: R 127.732 (0.0711), X 219.847 (0.2956), Z 254.260 (0.2363); leaving the correlation out would give 0.195 for R.
    let volt = [5.007, 4.994, 5.005, 4.990, 4.999];
    let ampere = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
    let phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    let inputs = [&volt, &ampere, &phase];
    let mean = |x: &[f64; 5]| x.iter().sum::<f64>() / 5.0;
    let covariance: Vec<f64> = inputs
        .iter()
        .flat_map(|a| {
            inputs.iter().map(|b| a.iter().zip(*b).map(|(x, y)| (x - mean(a)) * (y - mean(b))).sum::<f64>() / 20.0)
        })
        .collect();
    let values = inputs.map(mean);
    let joint = jointly("meter", &values, &covariance, Some(4.0)).unwrap();
    let z = joint[0].ratio(&joint[1]).unwrap();
    let cos = joint[2].combined(values[2].cos(), -values[2].sin(), &Estimate::exact(0.0), 0.0);
    let sin = joint[2].combined(values[2].sin(), values[2].cos(), &Estimate::exact(0.0), 0.0);
    let (r, x) = (z.product(&cos), z.product(&sin));
    near(r.value, 127.732, 0.0005);
    near(r.u(), 0.0711, 0.00005);
    near(x.value, 219.847, 0.0005);
    near(x.u(), 0.2956, 0.00005);
    near(z.value, 254.260, 0.0005);
    near(z.u(), 0.2363, 0.00005);
    let covariance: f64 = r.components().iter().map(|c| c.contribution * x.contribution(&c.source)).sum();
    near(covariance / r.u() / x.u(), -0.588, 0.0005);
    assert_eq!(r.effective_dof(), None, "Welch-Satterthwaite does not hold with correlated inputs");
    // t at 4 degrees of freedom, 40 CFR 1065.602 table 1.
    near(r.u95() / r.u(), 2.776, 0.0005);
}

#[test]
fn correlation_left_out_of_gum_h_2_is_another_result() {
    // The same inputs by their rounded means and standard uncertainties (JCGM 100:2008 table H.2), taken as independent: u(R)
    // 0.195, u(X) 0.201, u(Z) 0.204 by arithmetic, not 0.071, 0.296, 0.236.
    let x = |value, source, u| named(value, source, u);
    let (volt, ampere) = (x(4.999, "V", 0.0032), x(19.661e-3, "I", 0.0095e-3));
    let phase = x(1.04446, "phi", 0.00075);
    let z = volt.ratio(&ampere).unwrap();
    let zero = Estimate::exact(0.0);
    let cos = phase.combined(phase.value.cos(), -phase.value.sin(), &zero, 0.0);
    let sin = phase.combined(phase.value.sin(), phase.value.cos(), &zero, 0.0);
    near(z.product(&cos).u(), 0.195, 0.002);
    near(z.product(&sin).u(), 0.201, 0.002);
    near(z.u(), 0.204, 0.002);
}

#[test]
fn a_common_offset_in_gum_h_3() {
    // JCGM 100:2008 H.3 with a standard uncertainty of 0.005 that all observed corrections share, as GTC's documentation works
    // it out: the slope's stays 0.00067, the intercept's becomes 0.005769, its degrees of freedom 145.4.
    let (u0, u1) = (0.002_877_4, 0.000_667_7);
    let alone = Estimate::exact(-0.1712).with(Source::named("line"), u0, Kind::A, Some(9.0));
    let intercept = alone.add(&named(0.0, "offset", 0.005));
    let slope = Estimate::exact(0.00218).with(Source::named("line"), u1, Kind::A, Some(9.0));
    near(intercept.u(), 0.005_769, 5e-7);
    near(intercept.effective_dof().unwrap(), 145.4, 0.1);
    near(slope.u(), 0.00067, 5e-6);
}

#[test]
fn a_sensitivity_follows_the_figure() {
    // 350 V over 2 h are 0.7 kWh an ampere; over 250 km that is 2.8 Wh/km.
    let energy = Estimate::exact(50.0).with_sensor(Source::named("zero"), 0.3, "A", 0.7);
    let per_km = energy.ratio(&Estimate::exact(250.0)).unwrap();
    let component = &per_km.components()[0];
    near(component.sensitivity().unwrap(), 0.0028, 1e-15);
    near(component.contribution, 0.3 * 0.0028, 1e-15);
    assert_eq!(named(1.0, "gaps", 0.1).components()[0].sensitivity(), None);
}

#[test]
fn calibration_line_of_gum_h_3() {
    // JCGM 100:2008 H.3: correction b(30) = -0.1494 (0.0041) from intercept -0.1712 (0.0029), slope 0.00218 (0.00067), r = -0.930.
    let (u0, u1, r) = (0.0029, 0.00067, -0.930);
    let joint = jointly("line", &[-0.1712, 0.00218], &[u0 * u0, r * u0 * u1, r * u0 * u1, u1 * u1], Some(9.0)).unwrap();
    let at_30 = joint[0].add(&joint[1].scale(10.0));
    near(at_30.value, -0.1494, 0.00005);
    near(at_30.u(), 0.0041, 0.00005);
}

#[test]
fn budget_of_gum_h_1() {
    // JCGM 100:2008 H.1, table H.1 (as in GTC's documentation): 25, 16.6, 6.7, 5.8, 3.9, 2.9 nm give 32 nm.
    let components = [25.0, 16.6, 6.7, 5.8, 3.9, 2.9];
    let sum = components
        .iter()
        .enumerate()
        .fold(Estimate::exact(0.0), |sum, (at, u)| sum.with_b(Source::numbered("gauge", at), *u));
    near(sum.u(), 32.0, 0.5);
}

#[test]
fn coverage_factors_of_the_t_table() {
    // 40 CFR 1065.602 table 1, 95 %.
    let table = [
        (1.0, 12.706),
        (4.0, 2.776),
        (8.0, 2.306),
        (10.0, 2.228),
        (20.0, 2.086),
        (30.0, 2.042),
        (f64::INFINITY, 1.960),
    ];
    for (dof, t) in table {
        near(coverage_factor_95(dof), t, 0.0005);
    }
}

#[test]
fn quantisation_is_a_rectangle() {
    // JCGM 100:2008 4.3.7: half a step to each side, u = step / sqrt 12; one step of 1 gives 0.288675.
    near(Estimate::exact(0.0).with_bound(Source::named("rounding"), 0.5).u(), 0.288_675, 1e-6);
}

#[test]
fn a_shared_gain_cancels_in_a_ratio_and_not_in_a_sum() {
    let out = named(60.0, "current gain", 60.0 * 0.02).with_b(Source::named("gaps"), 0.1);
    let back = named(12.0, "current gain", 12.0 * 0.02);
    let ratio = back.ratio(&out).unwrap();
    near(ratio.contribution(&Source::named("current gain")), 0.0, 1e-15);
    near(ratio.u(), 0.2 * 0.1 / 60.0, 1e-12);
    near(out.add(&back).contribution(&Source::named("current gain")), 72.0 * 0.02, 1e-12);
    assert_eq!(out.ratio(&Estimate::exact(0.0)), None);
}

proptest::proptest! {
    #[test]
    fn a_value_less_itself_is_nothing(value in -1e6..1e6f64, u in 0.0..1e3f64, v in 0.0..1e3f64) {
        let x = named(value, "a", u).with_b(Source::named("b"), v);
        let zero = x.sub(&x);
        proptest::prop_assert_eq!((zero.value, zero.u(), zero.u95()), (0.0, 0.0, 0.0));
        let independent = named(value, "c", u).with_b(Source::named("d"), v);
        let difference = x.sub(&independent);
        proptest::prop_assert!((difference.u() - 2f64.sqrt() * x.u()).abs() <= 1e-9 * (1.0 + x.u()));
    }

    #[test]
    fn a_ratio_times_its_divisor_is_the_dividend(a in 0.1..1e3f64, b in 0.1..1e3f64, u in 0.0..1.0f64, v in 0.0..1.0f64) {
        let (a, b) = (named(a, "a", u).with_b(Source::named("shared"), v), named(b, "b", v).with_b(Source::named("shared"), u));
        let back = a.ratio(&b).unwrap().product(&b);
        proptest::prop_assert!((back.value - a.value).abs() <= 1e-9 * a.value);
        proptest::prop_assert!(back.sub(&a).u() <= 1e-9 * (1.0 + a.u() + b.u()) * 1e3);
    }
}
