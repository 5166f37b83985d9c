//! The trial `turning`: rehearsed drives that turn where the program says, judged by what then happens.
//!
//! `trials turning [COUNT] [SEED] [COURSE]` runs COUNT tests of seeds SEED, SEED + 1, ... on every core (with COURSE, 0
//! to 5, only those on that course); the outcome does not depend on how many cores those are. `trials turning look
//! SEED` prints what was said in one of them. Makes no file.

mod advised;
mod chance;
mod courses;
mod draw;
mod outcome;
mod pack;
mod report;
mod rows;
mod simple;
mod tally;
mod ways;
mod world;

use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};

use advised::Looks;
use courses::Road;
use outcome::Outcome;

/// Every so manyth test is driven a second time with close looks.
const CLOSE: u64 = 41;

/// What became of one test.
struct Tried {
    seed: u64,
    road: usize,
    is_known: bool,
    taken: draw::Taken,
    usable: f64,
    usable_u: f64,
    per_metre: f64,
    advised: Outcome,
    close: Option<Outcome>,
    by_rest: Outcome,
    by_shares: Vec<Outcome>,
}

/// The part, with the arguments that follow its name.
pub fn run(words: &[&str]) -> ExitCode {
    if words.first().is_some_and(|word| *word == "look") {
        return look(words.get(1).and_then(|word| word.parse().ok()).unwrap_or(1));
    }
    let number = |at: usize, default: u64| words.get(at).map_or(Some(default), |word| word.parse().ok());
    let (Some(count), Some(seed)) = (number(0, 200), number(1, 1)) else {
        eprintln!("usage: trials turning [COUNT] [SEED] [COURSE], whole numbers; or trials turning look SEED");
        return ExitCode::from(2);
    };
    let roads = courses::all();
    let only: Option<u64> = words.get(2).and_then(|word| word.parse().ok());
    let suits = |seed: &u64| only.is_none_or(|course| seed % roads.len() as u64 == course);
    let seeds: Vec<u64> = (seed..).filter(suits).take(count as usize).collect();
    let all = tests(&roads, &seeds);
    if report::print(&roads, &all, seed) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// What was said in one test, and how it went.
fn look(seed: u64) -> ExitCode {
    let roads = courses::all();
    let test = draw::test(seed, &roads);
    let outcome = advised::run(&test, &roads[test.road], Looks::Usual, true);
    outcome.log.iter().for_each(|line| println!("{line}"));
    println!("{:?}\n{:?}\n{:?} {:?} {:?}", test.pack, test.vehicle, test.air, test.warming, test.taken);
    println!("{:?} known {:?} {:?}", test.tells, test.known.reserve, test.known.cut_off);
    println!("{:?}", Outcome { log: Vec::new(), ..outcome });
    ExitCode::SUCCESS
}

fn one(roads: &[Road], seed: u64) -> Tried {
    let test = draw::test(seed, roads);
    let road = &roads[test.road];
    Tried {
        seed,
        road: test.road,
        is_known: test.is_known,
        taken: test.taken,
        usable: test.pack.usable(),
        usable_u: test.known.usable.map_or(0.03, |usable| usable.u / usable.mean),
        per_metre: test.per_metre,
        advised: advised::run(&test, road, Looks::Usual, false),
        close: seed.is_multiple_of(CLOSE).then(|| advised::run(&test, road, Looks::Close, false)),
        by_rest: simple::by_rest(&test, road),
        by_shares: simple::by_shares(&test, road),
    }
}

/// Every test, in the order of the seeds.
fn tests(roads: &[Road], seeds: &[u64]) -> Vec<Tried> {
    let next = AtomicUsize::new(0);
    let cores = std::thread::available_parallelism().map_or(1, |cores| cores.get());
    let mut all: Vec<Tried> = std::thread::scope(|scope| {
        let worker = || {
            let mut done = Vec::new();
            loop {
                let Some(seed) = seeds.get(next.fetch_add(1, Ordering::Relaxed)) else { return done };
                done.push(one(roads, *seed));
            }
        };
        let workers: Vec<_> = (0..cores).map(|_| scope.spawn(worker)).collect();
        workers.into_iter().flat_map(|worker| worker.join().expect("a test does not panic")).collect()
    });
    all.sort_by_key(|tried| tried.seed);
    all
}
