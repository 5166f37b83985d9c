//! Many drawn comparisons: how often something is called different that is not, and how often the intervals hold the truth.
//!
//! Draws follow what the method assumes of chance; they don't show that real days are like that.

use super::*;
use crate::reduce::synthetic::Chance;

/// Comparisons of each kind.
const DRAWS: usize = 2_000;

/// A sum of squares of normal draws.
fn chi_squared(chance: &mut Chance, dof: usize) -> f64 {
    (0..dof).map(|_| chance.normal().powi(2)).sum()
}

/// How the spread from day to day is drawn.
#[derive(Clone, Copy)]
enum Days {
    /// Another one for each comparison, as five degrees of freedom about 2 % say.
    AsAssumed,
    /// Always so much.
    Of(f64),
}

/// Tests of sides with so many repeats each; the car of each side, and its true value.
struct Drawn<'a> {
    cars: &'a [&'a str],
    repeats: &'a [usize],
    truth: &'a [f64],
    days: Days,
}

impl Drawn<'_> {
    /// Sensors: gain 0.5 % and zero 0.3 % of each car; by chance 0.5 % of each test.
    fn tests(&self, chance: &mut Chance) -> Vec<Test> {
        let days = match self.days {
            Days::AsAssumed => 0.02 * (PRIOR_DOF / chi_squared(chance, 5)).sqrt(),
            Days::Of(parts) => parts,
        };
        let mut errors: Vec<(&str, f64)> = Vec::new();
        let mut tests = Vec::new();
        for (side, car) in self.cars.iter().enumerate() {
            let known = errors.iter().find(|(known, _)| known == car).map(|(_, error)| *error);
            let error = known.unwrap_or_else(|| 0.005 * chance.normal() + 0.003 * chance.normal());
            errors.push((car, error));
            for repeat in 0..self.repeats[side] {
                let value = self.truth[side] * (1.0 + error + days * chance.normal() + 0.005 * chance.normal());
                let mut facts = facts(&format!("{side}.{repeat}"), car);
                facts.setup.label = Some(format!("side {side}"));
                let parts =
                    [(sources::CURRENT_GAIN, 0.005), (sources::CURRENT_ZERO, 0.003), (sources::SAMPLING, 0.005)];
                tests.push(consuming(facts, value, &parts));
            }
        }
        tests
    }

    /// Share of comparisons in which any pair of equals was called different, and of differences whose interval holds the truth.
    fn ask(&self, draws: usize, seed: u64) -> (f64, f64) {
        let mut chance = Chance::new(seed);
        let (mut alarms, mut held, mut pairs) = (0, 0, 0);
        for _ in 0..draws {
            let comparison = compare(&self.tests(&mut chance), &Options::default());
            let truth = |side: usize| {
                let first = comparison.sides[side].tests[0];
                let side: usize = comparison.tests[first].name.split('.').next().unwrap().parse().unwrap();
                self.truth[side]
            };
            let mut alarm = false;
            for (pair, found) in consumption(&comparison).differences() {
                let real = truth(pair.sides[0]) - truth(pair.sides[1]);
                alarm |= real == 0.0 && found.verdict == Verdict::Exceeds;
                held += usize::from((found.value.value - real).abs() <= found.value.u95());
                pairs += 1;
            }
            alarms += usize::from(alarm);
        }
        (alarms as f64 / draws as f64, held as f64 / pairs as f64)
    }
}

const KINDS: [(&str, &[&str], &[usize]); 6] = [
    ("4 cars once", &["a", "b", "c", "d"], &[1, 1, 1, 1]),
    ("2 cars twice", &["a", "b"], &[2, 2]),
    ("3 cars, 3 2 1", &["a", "b", "c"], &[3, 2, 1]),
    ("one car, 2 set-ups twice", &["a", "a"], &[2, 2]),
    ("one car, 3 days", &["a", "a", "a"], &[1, 1, 1]),
    ("2 cars 6 times", &["a", "b"], &[6, 6]),
];

/// Alarms without any true difference; shares held without one, and with true differences of 6 % from side to side.
fn asked(kind: usize, days: Days, draws: usize, seed: u64) -> (f64, [f64; 2]) {
    let (_, cars, repeats) = KINDS[kind];
    let equal = vec![150.0; cars.len()];
    let apart: Vec<f64> = (0..cars.len()).map(|side| 150.0 * (1.0 + 0.06 * side as f64)).collect();
    let (alarms, held) = Drawn { cars, repeats, truth: &equal, days }.ask(draws, seed);
    let (_, held_apart) = Drawn { cars, repeats, truth: &apart, days }.ask(draws, seed + 1_000);
    (alarms, [held, held_apart])
}

#[test]
fn false_alarms_are_few_and_intervals_hold_the_truth() {
    // A share of 5 % counted in so many draws lies below this in all but 1 of 1,000 cases (normal approximation).
    let most = 0.05 + 3.09 * (0.05 * 0.95 / DRAWS as f64).sqrt();
    for (kind, (name, ..)) in KINDS.iter().enumerate() {
        let (alarms, held) = asked(kind, Days::AsAssumed, DRAWS, 1);
        assert!(alarms <= most, "{name}: {alarms} false alarms, at most {most}");
        // Pairs of one comparison depend on each other, so the band counts comparisons; above, the zero of one car's sensor,
        // taken as another one in each test, makes its intervals a little wide.
        assert!(held.iter().all(|held| (0.935..=0.97).contains(held)), "{name}: intervals hold {held:?}");
    }
}

/// The table of docs/compare.md: `cargo test --release --lib compare::tests::chance -- --ignored --nocapture`.
#[test]
#[ignore = "a minute; it prints the table of docs/compare.md"]
fn table() {
    for (kind, (name, ..)) in KINDS.iter().enumerate() {
        for (days, what) in
            [(Days::AsAssumed, "as assumed"), (Days::Of(0.01), "1 %"), (Days::Of(0.02), "2 %"), (Days::Of(0.03), "3 %")]
        {
            let (alarms, [held, apart]) = asked(kind, days, 10_000, 501);
            let [alarms, held, apart] = [alarms, held, apart].map(|share| 100.0 * share);
            println!("| {name} | {what} | {alarms:.1} % | {held:.1} % | {apart:.1} % |");
            assert!(held > 85.0 && apart > 85.0);
        }
    }
}
