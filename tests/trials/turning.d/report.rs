//! The trial's tables, its promise and its last line.
//!
//! The promise: the car stops in at most 1 of 1000 tests, and the display shows 0 before the charger in at most 1 of 10 of cars
//! that are known and 1 of 200 of cars that are not. It is broken by a share whose one-sided 95 % lower bound exceeds the
//! limit, and, from [`LONG`] tests on, by a share that exceeds it. Drives nothing.

use super::Tried;
use super::courses::Road;
use super::outcome::Outcome;
use super::simple::SHARES;
use super::tally::{Share, Tally, quantile};

/// From so many tests on the observed share itself must be within the limit.
const LONG: usize = 4_000;
/// The most that are named by their seeds.
const LISTED: usize = 40;
const STOP: f64 = 0.001;
const ZERO_KNOWN: f64 = 0.1;
const ZERO_UNKNOWN: f64 = 0.005;
/// Standard uncertainties of the usable energy that a chance of 1 in 200 leaves.
const BEST_U: f64 = 2.6;

type Of = dyn Fn(&Tried) -> &Outcome;

fn tally(all: &[Tried], is_known: Option<bool>, of: &Of) -> Tally {
    Tally::of(chosen(all, is_known).map(of).collect::<Vec<_>>().into_iter())
}

fn chosen(all: &[Tried], is_known: Option<bool>) -> impl Iterator<Item = &Tried> {
    all.iter().filter(move |tried| is_known.is_none_or(|known| known == tried.is_known))
}

/// The best that could be left in a test, in parts of the usable energy: 2.6 standard uncertainties of the usable energy and
/// half a step between turns.
fn best(roads: &[Road], tried: &Tried) -> f64 {
    let half = f64::from(roads[tried.road].step_km) * 500.0 * tried.per_metre / tried.usable;
    BEST_U * tried.usable_u + half
}

fn broken(share: Share, limit: f64, what: &str) -> Option<String> {
    let surely = share.bounds()[0] > limit;
    let seen = share.of >= LONG / 2 && share.share() > limit;
    (surely || seen).then(|| format!("BROKEN: {what}: {} over {:.1} %", share.said(), limit * 100.0))
}

/// Prints everything; whether the promise held.
pub fn print(roads: &[Road], all: &[Tried], seed: u64) -> bool {
    println!("{} tests from seed {seed}, {} courses\n", all.len(), roads.len());
    let advised: &Of = &|tried| &tried.advised;
    let by_rest: &Of = &|tried| &tried.by_rest;
    println!(
        "{:<28} {:<8} {:<44} {:<44} {:>15} {:>15}  stranded after a taken charger",
        "rule", "car", "stopped", "zero early", "left, %", "left, km"
    );
    rule("advice", all, advised);
    rule("displayed rest at its word", all, by_rest);
    for (at, share) in SHARES.iter().enumerate() {
        rule(&format!("home below {:.0} %", share * 100.0), all, &move |tried| &tried.by_shares[at]);
    }
    left(roads, all);
    plans(all);
    let [known, unknown] = [true, false].map(|known| tally(all, Some(known), advised));
    let stopped = tally(all, None, advised).stopped;
    let said = [
        broken(stopped, STOP, "stopped"),
        broken(known.zero, ZERO_KNOWN, "zero early, known"),
        broken(unknown.zero, ZERO_UNKNOWN, "zero early, unknown"),
    ];
    said.iter().flatten().for_each(|said| println!("{said}"));
    println!("{}", last_line(roads, all));
    said.iter().all(Option::is_none)
}

fn rule(name: &str, all: &[Tried], of: &Of) {
    for (car, is_known) in [("known", true), ("unknown", false)] {
        let tally = tally(all, Some(is_known), of);
        let two = |of: [f64; 2], by: f64| format!("{:.1}, {:.1}", of[0] * by, of[1] * by);
        println!(
            "{name:<28} {car:<8} {:<44} {:<44} {:>15} {:>15}  {} of {}",
            tally.stopped.said(),
            tally.zero.said(),
            two(tally.left, 100.0),
            two(tally.left_km, 1.0),
            tally.stranded.count,
            tally.stranded.of
        );
    }
}

/// What is left on arrival, by car and by step.
fn left(roads: &[Road], all: &[Tried]) {
    println!("\nleft on arrival, median and 90th percentile; best: {BEST_U} u of the usable energy and half a step");
    println!(
        "{:<8} {:>7} {:>6} {:>14} {:>14} {:>7} {:>9} {:>9}",
        "car", "step km", "tests", "%", "km", "best %", "stopped", "zero"
    );
    for is_known in [true, false] {
        for (at, road) in roads.iter().enumerate() {
            let some: Vec<&Tried> = chosen(all, Some(is_known)).filter(|tried| tried.road == at).collect();
            let tally = Tally::of(some.iter().map(|tried| &tried.advised));
            let best = quantile(some.iter().map(|tried| best(roads, tried)).collect(), 0.5);
            println!(
                "{:<8} {:>7} {:>6} {:>6.1} {:>7.1} {:>6.1} {:>7.1} {:>7.1} {:>9} {:>9}",
                if is_known { "known" } else { "unknown" },
                road.step_km,
                some.len(),
                tally.left[0] * 100.0,
                tally.left[1] * 100.0,
                tally.left_km[0],
                tally.left_km[1],
                best * 100.0,
                tally.stopped.count,
                tally.zero.count
            );
        }
    }
}

/// How steady the plans were.
fn plans(all: &[Tried]) {
    let mean = |of: &dyn Fn(&Outcome) -> u32| {
        all.iter().map(|one| f64::from(of(&one.advised))).sum::<f64>() / all.len() as f64
    };
    println!(
        "\nplans: {:.2} changes a test, {:.2} without a cause, {:.2} with less than 20 % shown, {:.2} back to the one before; \
         missed turns {:.2}; looks {:.0}, without advice {:.1}",
        mean(&|one| one.changes),
        mean(&|one| one.uncaused),
        mean(&|one| one.late_changes),
        mean(&|one| one.flaps),
        mean(&|one| one.missed),
        mean(&|one| one.looks),
        mean(&|one| one.blind),
    );
    let late = Share::of(all.iter().map(|one| &one.advised), |one| one.too_late > 0);
    println!("said to be too late at least once: {}", late.said());
    let close: Vec<(&Outcome, &Outcome)> =
        all.iter().filter_map(|one| Some((&one.advised, one.close.as_ref()?))).collect();
    if !close.is_empty() {
        let count = close.len() as f64;
        let mean = |of: &dyn Fn(&Outcome) -> u32, close_looks: bool| {
            close.iter().map(|(usual, close)| f64::from(of(if close_looks { close } else { usual }))).sum::<f64>()
                / count
        };
        println!(
            "read every 10 s, and every second near places ({} tests): {:.2} changes ({:.2} read as usual), {:.2} back ({:.2})",
            close.len(),
            mean(&|one| one.changes, true),
            mean(&|one| one.changes, false),
            mean(&|one| one.flaps, true),
            mean(&|one| one.flaps, false)
        );
    }
    for is_known in [true, false] {
        let sure: Vec<(f64, f64)> = chosen(all, Some(is_known)).filter_map(|one| one.advised.sure).collect();
        let errors: Vec<f64> = sure.iter().map(|(u, error)| error / u).collect();
        let count = errors.len().max(1) as f64;
        let mean = errors.iter().sum::<f64>() / count;
        let spread = (errors.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / count).sqrt();
        println!(
            "{}: energy left at 20 % shown: u {:.2} % of the usable (median), error over u: mean {mean:+.2}, spread {spread:.2}",
            if is_known { "known" } else { "unknown" },
            quantile(sure.iter().map(|one| one.0).collect(), 0.5) * 100.0
        );
    }
    let bad = all.iter().filter(|one| one.advised.stopped || one.advised.stranded == Some(true));
    for one in bad.take(LISTED) {
        let what = if one.advised.stopped { "stopped" } else { "stranded" };
        println!("{what}: seed {}, course {}, known {}, {:?}", one.seed, one.road, one.is_known, one.taken);
    }
    let zero = all.iter().filter(|one| one.advised.zero && !one.advised.stopped && !one.is_known);
    zero.take(LISTED).for_each(|one| println!("zero early: seed {}, course {}, unknown", one.seed, one.road));
}

/// The simple rule's share that would have been best in hindsight: the least that kept the limits (else the largest).
fn best_share(all: &[Tried], is_known: bool) -> usize {
    let limit = if is_known { ZERO_KNOWN } else { ZERO_UNKNOWN };
    let keeps = |at: usize| {
        let tally = tally(all, Some(is_known), &move |tried| &tried.by_shares[at]);
        tally.stopped.share() <= STOP && tally.zero.share() <= limit
    };
    (0..SHARES.len()).take_while(|at| keeps(*at)).last().unwrap_or(0)
}

fn figures(all: &[Tried], of: &Of) -> String {
    let [known, unknown, both] = [Some(true), Some(false), None].map(|known| tally(all, known, of));
    format!(
        "\"stopped\":{},\"zero_early\":{{\"known\":{},\"known_of\":{},\"unknown\":{},\"unknown_of\":{}}},\
         \"median_left_percent\":{{\"known\":{:.2},\"unknown\":{:.2}}},\"stranded_after_taken\":{}",
        both.stopped.count,
        known.zero.count,
        known.zero.of,
        unknown.zero.count,
        unknown.zero.of,
        known.left[0] * 100.0,
        unknown.left[0] * 100.0,
        both.stranded.count,
    )
}

fn last_line(roads: &[Road], all: &[Tried]) -> String {
    let best_case =
        |known: bool| quantile(chosen(all, Some(known)).map(|tried| best(roads, tried) * 100.0).collect(), 0.5);
    let fifteen = SHARES.iter().position(|share| *share == 0.15).unwrap_or(0);
    let changes = all.iter().map(|one| f64::from(one.advised.changes)).sum::<f64>() / all.len().max(1) as f64;
    let tuned = [true, false].map(|known| best_share(all, known));
    let upper = tally(all, None, &|tried| &tried.advised).stopped.bounds()[1];
    format!(
        "{{\"tests\":{},{},\"stopped_share_at_most\":{upper:.5},\"best_case_percent\":{{\"known\":{:.2},\"unknown\":{:.2}}},\
         \"plan_changes_per_test\":{changes:.2},\"displayed_rest\":{{{}}},\"below_15_percent\":{{{}}},\
         \"best_share_in_hindsight_percent\":{{\"known\":{:.0},\"unknown\":{:.0}}}}}",
        all.len(),
        figures(all, &|tried| &tried.advised),
        best_case(true),
        best_case(false),
        figures(all, &|tried| &tried.by_rest),
        figures(all, &move |tried| &tried.by_shares[fifteen]),
        SHARES[tuned[0]] * 100.0,
        SHARES[tuned[1]] * 100.0,
    )
}
