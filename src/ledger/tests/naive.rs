//! The plainest integration: every sample in memory, the gap rule read aloud, the union of the stamps, no state.
//!
//! Shares no code with what it checks.

use super::Sample;

pub struct Naive {
    pub energy_out: f64,
    pub energy_in: f64,
    pub charge_out: f64,
    pub charge_in: f64,
    pub distance: f64,
    pub unobserved_us: i64,
}

/// Start, end, values there.
type Line = (i64, i64, f64, f64);

/// The observed pieces of a cyclic signal; intervals between samples of one stamp don't occur.
fn lines(samples: &[Sample], role: usize) -> Vec<Line> {
    let own: Vec<(i64, f64)> = samples.iter().filter(|(of, ..)| *of == role).map(|(_, at, v)| (*at, *v)).collect();
    let (mut known, mut gaps_on_end, mut pieces) = (Vec::new(), 0, Vec::new());
    for pair in own.windows(2) {
        let interval = pair[1].0 - pair[0].0;
        let last: Vec<i64> = known.iter().rev().take(64).copied().collect();
        let age = if last.len() < 8 { 2e6 } else { (5.0 * median(last.clone())).clamp(5e5, 6e7) };
        let linked = interval as f64 <= age;
        if linked {
            pieces.push((pair[0].0, pair[1].0, pair[0].1, pair[1].1));
            gaps_on_end = 0;
        }
        if linked || last.len() < 8 {
            known.push(interval);
        } else {
            gaps_on_end += 1;
            if gaps_on_end == 8 {
                known.clear();
                gaps_on_end = 0;
            }
        }
    }
    pieces
}

fn median(mut values: Vec<i64>) -> f64 {
    values.sort_unstable();
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] as f64 } else { (values[half - 1] + values[half]) as f64 / 2.0 }
}

fn at(line: &Line, t: f64) -> f64 {
    let (a, b) = (line.0 as f64, line.1 as f64);
    (line.2 * (b - t) + line.3 * (t - a)) / (b - a)
}

/// Voltage is role 0, current 1, speed 2; the current is split at its zero.
pub fn integrate(samples: &[Sample], end: i64) -> Naive {
    let (voltage, current, speed) = (lines(samples, 0), lines(samples, 1), lines(samples, 2));
    let mut stamps: Vec<i64> = voltage.iter().chain(&current).flat_map(|line| [line.0, line.1]).collect();
    stamps.sort_unstable();
    stamps.dedup();
    let covers = |lines: &[Line], a: i64, b: i64| lines.iter().find(|line| line.0 <= a && b <= line.1).copied();
    let mut sums = [Vec::new(), Vec::new(), Vec::new(), Vec::new()];
    let mut observed = 0;
    for pair in stamps.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let (Some(v), Some(i)) = (covers(&voltage, a, b), covers(&current, a, b)) else { continue };
        observed += b - a;
        let (a, b) = (a as f64, b as f64);
        let (i0, i1) = (at(&i, a), at(&i, b));
        let cut = if i0 * i1 < 0.0 { a + (b - a) * i0 / (i0 - i1) } else { b };
        for (a, b) in [(a, cut), (cut, b)] {
            let (v0, v1, i0, i1, s) = (at(&v, a), at(&v, b), at(&i, a), at(&i, b), (b - a) / 1e6);
            let energy = s / 6.0 * (2.0 * v0 * i0 + v0 * i1 + v1 * i0 + 2.0 * v1 * i1);
            let charge = s / 2.0 * (i0 + i1);
            sums[usize::from(energy < 0.0)].push(energy.abs());
            sums[2 + usize::from(charge < 0.0)].push(charge.abs());
        }
    }
    let distance = speed.iter().map(|line| (line.1 - line.0) as f64 / 2e6 * (line.2 + line.3)).collect();
    let [energy_out, energy_in, charge_out, charge_in] = sums.map(total);
    let distance = total(distance);
    Naive { energy_out, energy_in, charge_out, charge_in, distance, unobserved_us: end - observed }
}

/// Small terms first.
fn total(mut terms: Vec<f64>) -> f64 {
    terms.sort_by(f64::total_cmp);
    terms.iter().sum()
}
