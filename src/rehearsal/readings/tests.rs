//! Readings without a bus, and what a scenario may ask of display, tyres, wind and zero beside the plain model.

use super::*;
use crate::document::Document;

const COURSE: &str = "
[[place]]
name = 'Low'
km = 0
elevation_m = 10
turn = true
turn_km = 0.5
turn_s = 45
charger = true
[[place]]
name = 'Far'
km = 9
elevation_m = 10
turn = true
turn_km = 0.8
turn_s = 70
charger = true
";

/// A small pack, so that a drive lasts minutes; tables that a test adds to come last.
fn scenario(vehicle: &str, air: &str, current: &str, computer: &str) -> Scenario {
    let text = format!(
        "car = 'Test car'\nseed = 7\nstart = '2027-01-01T00:00:00Z'\ncourse = 'unused.toml'\nstep_ms = 100\n\
         bus = {{ name = 'can0' }}\nperiod_ms = {{}}\n\
         [vehicle]\nmass_kg = 1800\nroad_load = [150, 0, 0.4]\ndrive_efficiency = 0.9\npower_limit_kw = 120\n\
         regeneration = {{ limit_kw = 20, efficiency = 0.8 }}\naccessory_w = 300\n\
         climate = {{ start_w = 0, steady_w = 0, decay_s = 200 }}\n{vehicle}\n\
         [pack]\ncapacity_ah = 12\ncells_in_series = 96\nfull_percent = 97\ncell_cutoff_v = 2.7\ntemperature_degc = 20\n\
         heat_capacity_j_per_degc = 2e5\ncooling_w_per_degc = 10\nopen_circuit_v = [[0, 3.1], [100, 4.2]]\n\
         resistance = {{ ohm = 0.1 }}\n\
         [drive]\nfrom = 'Low'\nturns = ['Far', 'Low']\ntarget_kmh = 90\nstand_before_s = 40\n\
         [air]\ntemperature_degc = 20\ndensity_kg_per_m3 = 1.2\n{air}\n\
         [sensors]\ncurrent = {{ {current} }}\n\
         [computer]\ncycle_s = 0.5\ndisplayed_top_percent = 97\ndisplayed_bottom_percent = 28\nstep_percent = 0.5\n\
         assumed_energy_kwh = 5\nassumed_wh_per_km = 180\n{computer}\n"
    );
    let (scenario, faults) = Scenario::parse(Document::from_text("scenario.toml", &*text));
    scenario.unwrap_or_else(|| panic!("{faults:?}"))
}

fn plain() -> Scenario {
    scenario("", "", "", "")
}

/// Drives to the end: the readings of some roles at 10 Hz, and the truth.
fn drive(scenario: &Scenario, roles: &[Role]) -> (Vec<Vec<(f64, f64)>>, Truth) {
    let (course, faults) = Course::parse(&Document::from_text("course.toml", COURSE));
    let course = course.unwrap_or_else(|| panic!("{faults:?}"));
    let asked: Vec<Asked> = roles.iter().map(|role| Asked { role: *role, period_s: 0.1, begins_s: 0.05 }).collect();
    let mut readings = Readings::new(scenario, &course, &asked).unwrap();
    let mut read = vec![Vec::new(); roles.len()];
    while readings.step(|place, at, value| read[place].push((at.0 as f64 / 1e6, value))) {}
    (read, readings.truth())
}

#[test]
fn readings_hold_the_truth() {
    let (read, truth) = drive(&plain(), &[Role::PackVoltage, Role::PackCurrent, Role::Speed]);
    let integral = |of: &dyn Fn(usize) -> f64| (0..read[0].len()).map(|at| of(at) * 0.1).sum::<f64>();
    let energy = integral(&|at| read[0][at].1 * read[1][at].1) / 3.6e6;
    assert!((energy / truth.whole.net_kwh - 1.0).abs() < 1e-3, "{energy} {}", truth.whole.net_kwh);
    let distance = integral(&|at| read[2][at].1) / 1e3;
    assert!((distance / truth.whole.distance_km - 1.0).abs() < 1e-3);
    let times: Vec<f64> = read[1].iter().map(|(t, _)| *t).collect();
    assert!(times.windows(2).all(|pair| (pair[1] - pair[0] - 0.1).abs() < 1e-9));
}

#[test]
fn cold_tyres_and_a_wind_across_cost_what_arithmetic_says() {
    let consumption = |vehicle: &str, air: &str| {
        let (_, truth) = drive(&scenario(vehicle, air, "", ""), &[]);
        truth.whole.out_kwh / truth.whole.distance_km
    };
    let base = consumption("", "");
    // A tenth more of A = 150 N all the time (a time constant without end): 15 N over 0.9 of efficiency, 4.63 Wh/km.
    let cold = consumption("cold_tyres = { share = 0.1, time_s = 100000 }", "");
    assert!(((cold - base) * 1e3 / (15.0 / 3.6 / 0.9) - 1.0).abs() < 0.1, "{}", (cold - base) * 1e3);
    // A wind of 1.5 m/s across costs 7.5 C w^2 = 7.5 * 0.4 * 2.25 = 6.75 N.
    let across = consumption("", "wind_across_mps = 1.5");
    assert!(((across - base) * 1e3 / (6.75 / 3.6 / 0.9) - 1.0).abs() < 0.1, "{}", (across - base) * 1e3);
}

#[test]
fn a_zero_wanders_as_far_as_is_asked() {
    let roles = [Role::PackCurrent];
    let (plain_read, _) = drive(&plain(), &roles);
    let wander = |seed: u64| {
        let scenario = Scenario { seed, ..scenario("", "", "drift_a_per_root_h = 2", "") };
        let (read, _) = drive(&scenario, &roles);
        let last = read[0].len().min(plain_read[0].len()) - 1;
        // The walk has its own noise: the drive is the same.
        (read[0][last].1 - plain_read[0][last].1) / (2.0 * (read[0][last].0 / 3_600.0).sqrt())
    };
    let squares = (0..30).map(|seed| wander(seed).powi(2)).sum::<f64>();
    // Chi squared of 30 degrees of freedom: 13.8 to 53.7 at 99 % (any table).
    assert!((13.8..53.7).contains(&squares), "{squares}");
}

/// True share left (1 at full, 0 at the display's bottom) when the display first shows a value or less.
fn shown_at(truth: &Truth, value: f64) -> f64 {
    let point = truth.checkpoints.iter().find(|point| point.displayed_percent <= value).unwrap();
    (point.true_percent - 28.0) / (97.0 - 28.0)
}

#[test]
fn a_display_holds_100_and_makes_up_for_it_or_not() {
    let (_, made_up) = drive(&scenario("", "", "", "plateau = { percent = 2, made_up_at_percent = 90 }"), &[]);
    assert!((shown_at(&made_up, 99.5) - 0.98).abs() < 0.004 && (shown_at(&made_up, 85.0) - 0.8525).abs() < 0.003);
    let (_, never) = drive(&scenario("", "", "", "plateau = { percent = 2 }"), &[]);
    // Displayed d from then on is d * 0.98 of the charge; nearest rounding: 50 shows from 50.25 on.
    assert!((shown_at(&never, 50.0) - 0.5025 * 0.98).abs() < 0.003, "{}", shown_at(&never, 50.0));
    assert!((shown_at(&never, 0.0) - 0.0025 * 0.98).abs() < 0.003);
}

#[test]
fn a_display_corrects_itself_and_is_bent_and_wanders() {
    let (_, jumped) = drive(&scenario("", "", "", "jump = [{ below_percent = 60, by_percent = -3 }]"), &[]);
    assert!((shown_at(&jumped, 70.0) - 0.7025).abs() < 0.003 && (shown_at(&jumped, 50.0) - 0.5325).abs() < 0.003);
    let (_, bent) = drive(&scenario("", "", "", "bend_curve = [[0, 0], [50, 4], [100, 0]]"), &[]);
    assert!((shown_at(&bent, 54.0) - 0.5025).abs() < 0.003, "{}", shown_at(&bent, 54.0));
    let squares = (0..20).map(|seed| {
        let (_, truth) = drive(&Scenario { seed, ..scenario("", "", "", "wander_percent = 2") }, &[]);
        // Half the charge is drawn: the walk's standard deviation is 2 % times the root of a half.
        ((shown_at(&truth, 50.0) - 0.5025) * 100.0 / 2f64.sqrt()).powi(2)
    });
    // Chi squared of 20 degrees of freedom: 7.43 to 40.0 at 99 % (any table); the first crossing is a little early.
    assert!((5.0..40.0).contains(&squares.sum::<f64>()));
}
