//! The trial `calibration`: rehearsed tests with everything drawn, reduced, and their intervals held against the truth.
//!
//! `trials calibration [COUNT] [SEED]` runs COUNT tests of seeds SEED, SEED + 1, ... on every core; the outcome does
//! not depend on how many those are. Makes no file.

mod draw;
mod judge;
mod record;

use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};

use judge::{FIGURES, Verdict, Verdicts};

/// Largest mean error, in standard uncertainties.
const BIAS_MAX: f64 = 0.1;
/// Widest interval where nothing but the declared tolerances is at work, over what those alone give.
const OVER_DECLARED_MAX: f64 = 1.1;

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> ExitCode {
    let argument = |at: usize, default: u64| arguments.get(at).map_or(Some(default), |word| word.parse().ok());
    let (Some(count), Some(seed)) = (argument(0, 200), argument(1, 1)) else {
        eprintln!("usage: trials calibration [COUNT] [SEED], both whole numbers");
        return ExitCode::from(2);
    };
    let all = tests(count as usize, seed);
    let rows: Vec<Row> = (0..FIGURES.len()).map(|at| Row::of(FIGURES[at], all.iter().map(|test| test[at]))).collect();
    let mut kept = true;
    println!("{count} tests from seed {seed}; errors in standard uncertainties; intervals as half-widths at 95 %\n");
    println!(
        "{:<20} {:>6} {:>5} {:>9} {:>7} {:>7} {:>9} {:>9}",
        "figure", "tests", "none", "inside", "mean", "spread", "interval", "declared"
    );
    for row in &rows {
        let said = row.broken();
        kept &= said.is_empty();
        let declared = row.over_declared.map_or("".to_owned(), |ratio| format!("x {ratio:.3}"));
        println!(
            "{:<20} {:>6} {:>5} {:>7.1} % {:>+7.3} {:>7.3} {:>7.2} % {declared:>9} {said}",
            row.name,
            row.tests,
            row.missing,
            row.share() * 100.0,
            row.mean,
            row.spread,
            row.width * 100.0
        );
    }
    println!("{}", last_line(count, &rows));
    if kept { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Every test's verdicts, in the order of the seeds.
fn tests(count: usize, seed: u64) -> Vec<Verdicts> {
    let next = AtomicUsize::new(0);
    let cores = std::thread::available_parallelism().map_or(1, |cores| cores.get());
    let mut all: Vec<(usize, Verdicts)> = std::thread::scope(|scope| {
        let worker = || {
            let mut done = Vec::new();
            loop {
                let test = next.fetch_add(1, Ordering::Relaxed);
                if test >= count {
                    return done;
                }
                done.push((test, judge::test(seed + test as u64)));
            }
        };
        let workers: Vec<_> = (0..cores).map(|_| scope.spawn(worker)).collect();
        workers.into_iter().flat_map(|worker| worker.join().expect("a test does not panic")).collect()
    });
    all.sort_by_key(|(test, _)| *test);
    all.into_iter().map(|(_, verdicts)| verdicts).collect()
}

/// What all tests say of a figure.
struct Row {
    name: &'static str,
    tests: usize,
    missing: usize,
    inside: usize,
    mean: f64,
    over_interval: f64,
    spread: f64,
    /// Median of the interval's half-width over the truth.
    width: f64,
    /// Largest interval over what the declared tolerances alone give.
    over_declared: Option<f64>,
}

impl Row {
    fn of(name: &'static str, verdicts: impl Iterator<Item = Option<Verdict>>) -> Self {
        let all: Vec<Option<Verdict>> = verdicts.collect();
        let known: Vec<Verdict> = all.iter().copied().flatten().collect();
        let count = known.len().max(1) as f64;
        let mean = known.iter().map(|one| one.error).sum::<f64>() / count;
        let mut widths: Vec<f64> = known.iter().map(|one| one.width).collect();
        widths.sort_by(f64::total_cmp);
        Self {
            name,
            tests: known.len(),
            missing: all.len() - known.len(),
            inside: known.iter().filter(|one| one.inside).count(),
            mean,
            over_interval: known.iter().map(|one| one.over_interval).sum::<f64>() / count,
            spread: (known.iter().map(|one| (one.error - mean).powi(2)).sum::<f64>() / count).sqrt(),
            width: widths.get(widths.len() / 2).copied().unwrap_or(f64::NAN),
            over_declared: known.iter().filter_map(|one| one.over_declared).reduce(f64::max),
        }
    }

    fn share(&self) -> f64 {
        self.inside as f64 / self.tests.max(1) as f64
    }

    /// What of the promise this figure breaks, if any.
    fn broken(&self) -> String {
        let mut said = Vec::new();
        let tests = self.tests.max(1) as f64;
        // Wider where few tests say little: three standard deviations of the binomial share.
        let slack = (3.0 * (0.95 * 0.05 / tests).sqrt()).max(0.02);
        if (self.share() - 0.95).abs() > slack {
            said.push(format!("not within {:.1} to {:.1} %", (95.0 - slack * 100.0), (95.0 + slack * 100.0)));
        }
        // Likewise three standard deviations of a mean of so many.
        if self.mean.abs() > (3.0 / tests.sqrt()).max(BIAS_MAX) {
            said.push(format!("bias beyond {BIAS_MAX} of a standard uncertainty"));
        }
        if self.over_declared.is_some_and(|ratio| ratio > OVER_DECLARED_MAX) {
            said.push(format!("wider than {OVER_DECLARED_MAX} times what is declared"));
        }
        said.join("; ")
    }
}

/// The trial's last line.
fn last_line(count: u64, rows: &[Row]) -> String {
    let share = |name: &str| {
        let parts = format!("{name} ");
        let of: Vec<&Row> = rows.iter().filter(|row| row.name == name || row.name.starts_with(&parts)).collect();
        let (inside, tests) = of.iter().fold((0, 0), |sum, row| (sum.0 + row.inside, sum.1 + row.tests));
        inside as f64 / tests.max(1) as f64
    };
    let coverage = ["net_energy", "consumption", "usable_full", "usable_20", "usable_40", "usable_60"]
        .map(|name| format!("\"{name}\":{:.4}", share(name)))
        .join(",");
    let largest = |of: fn(&Row) -> f64| rows.iter().map(|row| of(row).abs()).fold(0.0, f64::max);
    format!(
        "{{\"tests\":{count},\"coverage\":{{{coverage}}},\"bias_over_interval\":{:.4},\"bias_over_u\":{:.4},\
         \"width_over_declared\":{:.4}}}",
        largest(|row| row.over_interval),
        largest(|row| row.mean),
        largest(|row| row.over_declared.unwrap_or(0.0)),
    )
}
