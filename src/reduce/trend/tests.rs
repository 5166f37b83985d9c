//! Trends of invented tests whose change is known.

use super::*;
use crate::reduce::synthetic::Chance;

fn at(days: f64) -> Option<WallClock> {
    let start = WallClock::parse_iso("2027-03-14T06:15:02Z").unwrap();
    Some(start + crate::time::Span::from_seconds(days * 86_400.0))
}

/// A figure with 2 % that all tests share and 0.5 % of its own.
fn figure(value: f64) -> Estimate {
    Estimate::exact(value)
        .with_b(sources::CURRENT_GAIN, 0.02 * value)
        .with_b(sources::SAMPLING, 0.003 * value)
        .with_b(sources::TICKS, 0.004 * value)
}

fn tests(values: &[(f64, f64)]) -> Vec<Test> {
    let test = |(days, value): &(f64, f64)| Test {
        name: format!("day {days}"),
        at: at(*days),
        odometer: Some(days * 5e4),
        value: figure(*value),
    };
    values.iter().map(test).collect()
}

#[test]
fn two_tests_give_their_difference() {
    let trend = trend(&tests(&[(365.25, 57.0), (0.0, 60.0)]));
    assert_eq!(trend.tests[0].name, "day 0", "in time order");
    let line = trend.by_time.unwrap();
    assert!((line.slope.value + 3.0).abs() < 1e-9 && (line.at_first.value - 60.0).abs() < 1e-9);
    assert!((line.kept.as_ref().unwrap().value - 0.95).abs() < 1e-12);
    // What both share all but cancels: 2 % of the difference is left of it; the own parts of both add in squares.
    assert!((line.slope.contribution(&sources::CURRENT_GAIN) - 0.02 * -3.0).abs() < 1e-9);
    let own = (0.003f64.powi(2) + 0.004f64.powi(2) + DAY_TO_DAY.powi(2)).sqrt();
    let u = (own * 60.0).hypot(own * 57.0).hypot(0.06);
    assert!((line.slope.u() - u).abs() < 1e-9, "{} {u}", line.slope.u());
    // In the ratio it cancels wholly.
    assert!(line.kept.unwrap().contribution(&sources::CURRENT_GAIN).abs() < 1e-12);
    // 365.25 days at 50 km a day: 18 262.5 km.
    assert!((trend.by_distance.unwrap().slope.value + 3.0 / 1.826_25).abs() < 1e-9);
}

#[test]
fn equal_weights_are_the_textbook_line() {
    // Points on a line with equal weights: ordinary least squares of 1, 3, 2 over 0, 1, 2 is 1.5 + 0.5 x (closed form).
    let same =
        |value: f64| Estimate::exact(value).with_b(sources::TICKS, (1.0f64 - (DAY_TO_DAY * value).powi(2)).sqrt());
    let test = |(years, value): (f64, f64)| Test {
        name: String::new(),
        at: at(years * 365.25),
        odometer: None,
        value: same(value),
    };
    let trend = trend(&[(0.0, 1.0), (1.0, 3.0), (2.0, 2.0)].map(test));
    let line = trend.by_time.unwrap();
    assert!((line.at_first.value - 1.5).abs() < 1e-9 && (line.slope.value - 0.5).abs() < 1e-9);
    // Sxx is 2: the slope's variance is 1 / 2 times the larger of 1 and chi squared by one degree of freedom (1.5).
    assert!((line.slope.u() - (0.5f64 * 1.5).sqrt()).abs() < 1e-9, "{}", line.slope.u());
    assert_eq!(trend.by_distance, Err("a trend needs two tests with an odometer, and there are 0".into()));
}

#[test]
fn what_gives_no_trend_is_said() {
    assert!(trend(&tests(&[(0.0, 60.0)])).by_time.is_err());
    let same = trend(&tests(&[(10.0, 60.0), (10.0, 59.0)])).by_time;
    assert_eq!(same, Err("all tests have the same date".into()));
}

/// How often the interval of the slope holds the truth, of 400 cars with four tests each.
#[test]
fn intervals_hold_the_true_slope() {
    let mut inside = 0;
    for seed in 0..400 {
        let mut chance = Chance::new(seed);
        let gain = 1.0 + 0.02 * chance.normal();
        let slope = -2.0 * chance.uniform();
        let values: Vec<(f64, f64)> = (0..4)
            .map(|number| {
                let days = 365.25 * f64::from(number) * (0.5 + chance.uniform());
                let own = 1.0 + 0.005 * chance.normal() + DAY_TO_DAY * chance.normal();
                (days, (60.0 + slope * days / 365.25) * gain * own)
            })
            .collect();
        let line = trend(&tests(&values)).by_time.unwrap();
        inside += u32::from((line.slope.value - slope).abs() <= line.slope.u95());
    }
    // 400 draws at 95 % have a standard deviation of 1.1 %; widening by scatter makes the intervals rather too wide.
    println!("inside, of 400: {inside}");
    assert!((368..=399).contains(&inside), "{inside}");
}
