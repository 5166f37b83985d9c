//! What must hold for every recording.
//!
//! Recordings are invented: signals with their own rhythms, jitter, silences and signs.

use proptest::prelude::*;

use super::*;

/// Voltage, current and speed.
fn drive() -> [LedgerRole; 3] {
    [Role::PackVoltage, Role::PackCurrent, Role::Speed].map(role)
}

/// One signal: its first stamp, then intervals and values.
fn signal(role: usize, value: impl Strategy<Value = f64>) -> impl Strategy<Value = Vec<Sample>> {
    let interval = prop_oneof![
        30 => 1i64..20_000,
        5 => 50_000i64..480_000,
        1 => 500_000i64..4_000_000,
        1 => Just(100_000i64),
    ];
    (0i64..300_000, prop::collection::vec((interval, value), 0..120)).prop_map(move |(first, steps)| {
        let mut at = first;
        let step = |(interval, value)| {
            at += interval;
            (role, at, value)
        };
        steps.into_iter().map(step).collect()
    })
}

fn current() -> impl Strategy<Value = f64> {
    prop_oneof![3 => -200.0..300.0f64, 1 => Just(0.0), 1 => -1.0..1.0f64]
}

fn speed() -> impl Strategy<Value = f64> {
    prop_oneof![3 => 0.2..40.0f64, 1 => prop_oneof![Just(0.0), 0.0..0.15f64]]
}

/// Voltage, current and speed of a car on the road, in no order.
fn driving() -> impl Strategy<Value = [Vec<Sample>; 3]> {
    (signal(0, 300.0..420.0f64), signal(1, current()), signal(2, speed())).prop_map(|(v, i, s)| [v, i, s])
}

/// The same of a car that mostly stands and mostly takes current, for about a minute: charging is decided, or not.
fn parked() -> impl Strategy<Value = [Vec<Sample>; 3]> {
    let takes = prop_oneof![200 => -20.0..0.0f64, 1 => -1.0..5.0f64, 1 => Just(0.0)];
    let stands = prop_oneof![200 => Just(0.0), 1 => 0.0..3.0f64];
    let step = (100_000i64..400_000, 300.0..420.0f64, takes, stands);
    prop::collection::vec(step, 100..300).prop_map(|steps| {
        let mut at = 0;
        let mut signals: [Vec<Sample>; 3] = Default::default();
        for (interval, v, i, s) in steps {
            at += interval;
            signals[0].push((0, at, v));
            signals[1].push((1, at + 3_000, i));
            signals[2].push((2, at + 7_000, s));
        }
        signals
    })
}

/// A recording in time order, and its end.
fn recording() -> impl Strategy<Value = (Vec<Sample>, i64)> {
    (prop_oneof![3 => driving().boxed(), 1 => parked().boxed()], 0i64..3_000_000).prop_map(|(signals, rest)| {
        let samples = merged(&signals);
        let end = samples.last().map_or(0, |(_, at, _)| *at) + rest;
        (samples, end)
    })
}

fn feed(ledger: &mut Ledger, samples: &[Sample]) {
    samples.iter().for_each(|(role, at, value)| ledger.sample(*role, RunTime(*at), *value));
}

/// Whatever a caller can see of a finished run.
fn outcome(ledger: &Ledger, rows: &[TraceRow]) -> Vec<u8> {
    bits(&(rows, ledger.sums(), ledger.by_phase(), ledger.gaps(), ledger.observed()))
}

fn near(a: f64, b: f64, scale: f64) -> bool {
    (a - b).abs() <= 1e-12 * scale
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn equals_the_plainest_integration((samples, end) in recording()) {
        let sums = run(&drive(), &samples, end).0.sums();
        let naive = naive::integrate(&samples, end);
        let gross = naive.energy_out + naive.energy_in;
        let charge = naive.charge_out + naive.charge_in;
        prop_assert!(near(sums.energy_out, naive.energy_out, gross), "{sums:?} {}", naive.energy_out);
        prop_assert!(near(sums.energy_in + sums.energy_charged, naive.energy_in, gross), "{sums:?} {}", naive.energy_in);
        prop_assert!(near(sums.charge_out, naive.charge_out, charge));
        prop_assert!(near(sums.charge_in + sums.charge_charged, naive.charge_in, charge));
        prop_assert!(near(sums.distance, naive.distance, naive.distance));
        prop_assert_eq!(sums.time_unobserved, naive.unobserved_us as f64 / 1e6);
    }

    #[test]
    fn goes_on_from_its_written_state_as_if_never_cut((samples, end) in recording(), cut in 0.0..1.0f64, drain: bool) {
        let (whole, all) = run(&drive(), &samples, end);
        let (first, second) = samples.split_at((cut * samples.len() as f64) as usize);
        let mut rows = Vec::new();
        let mut ledger = Ledger::new(&drive());
        feed(&mut ledger, first);
        if drain {
            ledger.drain_trace(|row| rows.push(row.clone()));
        }
        let written = bits(&ledger);
        let mut ledger: Ledger = postcard::from_bytes(&written).expect("it reads what it wrote");
        prop_assert_eq!(&bits(&ledger), &written);
        feed(&mut ledger, second);
        ledger.finish(RunTime(end));
        ledger.drain_trace(|row| rows.push(row.clone()));
        prop_assert_eq!(outcome(&ledger, &rows), outcome(&whole, &all));
    }

    #[test]
    fn depends_on_no_batch_and_on_no_other_moment_said((samples, end) in recording(), every in 1usize..20) {
        let (whole, all) = run(&drive(), &samples, end);
        let mut rows: Vec<TraceRow> = Vec::new();
        let mut ledger = Ledger::new(&drive());
        for (index, (role, at, value)) in samples.iter().enumerate() {
            ledger.reach(RunTime(*at));
            ledger.sample(*role, RunTime(*at), *value);
            if index % every == 0 {
                ledger.drain_trace(|row| rows.push(row.clone()));
                // What is certain now stays so.
                prop_assert!(rows.last().is_none_or(|row| row.at.0 < *at));
            }
        }
        ledger.finish(RunTime(end));
        ledger.drain_trace(|row| rows.push(row.clone()));
        prop_assert_eq!(outcome(&ledger, &rows), outcome(&whole, &all));
    }

    #[test]
    fn the_order_within_one_moment_is_irrelevant((mut samples, end) in recording()) {
        // Stamps of whole 10 ms meet often; of one role's samples at one stamp the last is kept.
        samples.iter_mut().for_each(|(_, at, _)| *at -= *at % 10_000);
        samples.reverse();
        let mut seen = std::collections::BTreeSet::new();
        samples.retain(|(role, at, _)| seen.insert((*role, *at)));
        samples.reverse();
        let mut other = samples.clone();
        other.sort_by_key(|(role, at, _)| (*at, std::cmp::Reverse(*role)));
        samples.sort_by_key(|(role, at, _)| (*at, *role));
        let ((a, a_rows), (b, b_rows)) = (run(&drive(), &samples, end), run(&drive(), &other, end));
        prop_assert_eq!(outcome(&a, &a_rows), outcome(&b, &b_rows));
    }

    #[test]
    fn the_current_turned_round_swaps_out_and_in((samples, end) in recording()) {
        // Without a speed, whose standstill would make charging of one and not of the other.
        let turned: Vec<Sample> =
            samples.iter().map(|(role, at, value)| (*role, *at, if *role == 1 { -value } else { *value })).collect();
        let (a, b) = (run(&vi(), &samples, end).0.sums(), run(&vi(), &turned, end).0.sums());
        prop_assert_eq!((a.energy_out, a.energy_in), (b.energy_in, b.energy_out));
        prop_assert_eq!((a.charge_out, a.charge_in), (b.charge_in, b.charge_out));
        prop_assert_eq!(a.time_unobserved, b.time_unobserved);
    }

    #[test]
    fn shifted_in_time_it_comes_to_the_same((samples, end) in recording(), shift in 1i64..1_000_000_000) {
        let shifted: Vec<Sample> = samples.iter().map(|(role, at, value)| (*role, at + shift, *value)).collect();
        let (a, b) = (run(&drive(), &samples, end).0.sums(), run(&drive(), &shifted, end + shift).0.sums());
        let gross = a.energy_out + a.energy_in;
        prop_assert!(near(a.energy_out, b.energy_out, gross) && near(a.energy_in, b.energy_in, gross));
        prop_assert!(near(a.charge_out, b.charge_out, a.charge_out) && near(a.charge_in, b.charge_in, a.charge_in));
        prop_assert!(near(a.distance, b.distance, a.distance));
        prop_assert!(near(b.time_unobserved, a.time_unobserved + shift as f64 / 1e6, b.time_unobserved));
    }

    #[test]
    fn rows_stand_on_the_grid_never_fall_and_end_with_the_sums((samples, end) in recording()) {
        let (ledger, rows) = run(&drive(), &samples, end);
        let grid: Vec<i64> = rows.iter().map(|row| row.at.0).collect();
        let mut expected: Vec<i64> = (0..=end).step_by(100_000).collect();
        if end % 100_000 != 0 {
            expected.push(end);
        }
        prop_assert_eq!(grid, expected);
        for pair in rows.windows(2) {
            let (a, b) = (pair[0].sums.in_column_order(), pair[1].sums.in_column_order());
            prop_assert!(a.iter().zip(b).all(|(a, b)| *a <= b), "{:?} {:?}", a, b);
        }
        prop_assert_eq!(bits(&rows.last().map(|row| row.sums)), bits(&Some(ledger.sums())));
    }

    #[test]
    fn phases_and_gaps_add_up((samples, end) in recording()) {
        let (ledger, _) = run(&drive(), &samples, end);
        let (phases, sums) = (ledger.by_phase(), ledger.sums());
        let total = |of: fn(&PhaseSums) -> f64| phases.iter().map(of).sum::<f64>();
        prop_assert!(near(total(|phase| phase.time_s), end as f64 / 1e6, end as f64 / 1e6));
        prop_assert!(near(total(|phase| phase.energy_out), sums.energy_out, sums.energy_out));
        prop_assert!(near(total(|phase| phase.energy_in), sums.energy_in + sums.energy_charged, 1.0 + sums.energy_in));
        prop_assert!(near(total(|phase| phase.distance), sums.distance, sums.distance));
        let gaps = |what| ledger.gaps().iter().filter(move |gap| gap.what == what).map(|gap| (gap.to - gap.from).0);
        prop_assert_eq!(gaps(GapOf::Pack(0)).sum::<i64>() as f64 / 1e6, sums.time_unobserved);
        prop_assert!(ledger.gaps().iter().all(|gap| gap.from < gap.to));
    }

    #[test]
    fn adds_up_over_a_cut_at_a_sample(values in prop::collection::vec((300.0..420.0f64, current()), 10..200), cut: prop::sample::Index) {
        let samples: Vec<Sample> = values
            .iter()
            .enumerate()
            .flat_map(|(step, (v, i))| [(0, step as i64 * 10_007, *v), (1, step as i64 * 10_007, *i)])
            .collect();
        let end = (values.len() as i64 - 1) * 10_007;
        let cut = cut.index(values.len()) as i64 * 10_007;
        let first: Vec<Sample> = samples.iter().filter(|(_, at, _)| *at <= cut).copied().collect();
        let second: Vec<Sample> =
            samples.iter().filter(|(_, at, _)| *at >= cut).map(|(role, at, value)| (*role, at - cut, *value)).collect();
        let whole = run(&vi(), &samples, end).0.sums();
        let (a, b) = (run(&vi(), &first, cut).0.sums(), run(&vi(), &second, end - cut).0.sums());
        let gross = whole.energy_out + whole.energy_in;
        prop_assert!(near(a.energy_out + b.energy_out, whole.energy_out, gross));
        prop_assert!(near(a.energy_in + b.energy_in, whole.energy_in, gross));
        prop_assert!(near(a.charge_out + b.charge_out, whole.charge_out, whole.charge_out));
        prop_assert_eq!(whole.time_unobserved, 0.0);
    }

    #[test]
    fn a_dropped_sample_changes_no_more_than_its_neighbours_allow(
        values in prop::collection::vec((300.0..420.0f64, current()), 10..100), dropped: prop::sample::Index
    ) {
        let dropped = 1 + dropped.index(values.len() - 2);
        let all: Vec<Sample> = values
            .iter()
            .enumerate()
            .flat_map(|(step, (v, i))| [(0, step as i64 * 10_000, *v), (1, 3_000 + step as i64 * 10_000, *i)])
            .collect();
        let fewer: Vec<Sample> = all.iter().filter(|(role, at, _)| (*role, *at) != (1, 3_000 + dropped as i64 * 10_000)).copied().collect();
        let end = values.len() as i64 * 10_000;
        let (a, b) = (run(&vi(), &all, end).0.sums(), run(&vi(), &fewer, end).0.sums());
        // The current changes by a triangle over 20 ms, as high as the sample lies off the line of its neighbours; the
        // voltage is no higher than 420 V.
        let off = values[dropped].1 - (values[dropped - 1].1 + values[dropped + 1].1) / 2.0;
        let bound = 420.0 * off.abs() * 0.02 / 2.0 * (1.0 + 1e-9) + 1e-9;
        prop_assert!(((a.energy_out - a.energy_in) - (b.energy_out - b.energy_in)).abs() <= bound);
        prop_assert!((a.energy_out - b.energy_out).abs() <= bound && (a.energy_in - b.energy_in).abs() <= bound);
    }
}
