//! How much the sampling of a signal may have cost: its record is thinned two- and fourfold in blocks of 5 min, and what
//! that does to the integral is carried back to the full record.
//!
//! Between samples a signal is taken as linear; what it does there in truth is lost. If the error of a record with
//! spacing h grows as h^p, thinning shows e(2h) - e(h) and e(4h) - e(h), whose ratio r gives e(h) = d2 / (r - 2). The
//! blocks are taken as independent: their differences add in squares. Weak steps: a signal with content far above
//! its sample rate errs alike at every spacing (r near 1), and there the factor is held at 1, which may be too small by
//! some; a few blocks measure r poorly, so it is held between 3 (p = 1) and 5 (p = 2).
//!
//! Does no input or output.

mod thin;

use std::ops::Range;

use thin::{Stretch, Ways, thin};

/// Length of a block, s.
const BLOCK_S: f64 = 300.0;
/// A pause between samples longer than this and than five median periods is a gap: nothing is integrated across it, s.
const PAUSE_S: f64 = 0.5;
/// Fewest samples of a block that can be thinned fourfold.
const SAMPLES_MIN: usize = 16;

/// What sampling may have added to an integral, one standard uncertainty, in the signal's unit times seconds.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct SamplingError {
    /// To the integral.
    pub net: f64,
    /// To the integral of its positive part.
    pub positive: f64,
    /// To the integral of its negative part.
    pub negative: f64,
    /// Blocks that were thinned.
    pub blocks: u32,
}

/// What sampling may have added to a run's energy and charge, one standard uncertainty.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Sampling {
    /// Net, out and in energy, J.
    pub energy: [f64; 3],
    /// Net charge, C.
    pub charge: f64,
    /// Blocks that were thinned.
    pub blocks: u32,
}

/// Thins one signal; feed it the samples in order.
#[derive(Default)]
pub struct Thinner {
    /// The samples of the block at hand: when, s, and what.
    times: Vec<f64>,
    values: Vec<f64>,
    sums: [Differences; 3],
    blocks: u32,
}

/// Over the blocks: sum of squares and sum of the differences at two- and fourfold spacing.
#[derive(Clone, Copy, Default)]
struct Differences {
    squares: [f64; 2],
    totals: [f64; 2],
}

impl Differences {
    fn add(&mut self, by_offset: [f64; 2], squares: [f64; 2]) {
        for at in 0..2 {
            self.squares[at] += squares[at];
            self.totals[at] += by_offset[at];
        }
    }

    fn error(&self) -> f64 {
        let [two, four] = self.squares.map(f64::sqrt);
        if two == 0.0 {
            return 0.0;
        }
        // A part that all blocks share adds linearly, not in squares.
        two.max(self.totals[0].abs()) / ((four / two).clamp(3.0, 5.0) - 2.0)
    }
}

impl Thinner {
    /// Samples, side by side: when, s, and what; those that are not finite are left out.
    pub fn extend(&mut self, times: &[f64], values: &[f64]) {
        let count = times.len().min(values.len());
        let (mut times, mut values) = (&times[..count], &values[..count]);
        if times.iter().chain(values).any(|number| !number.is_finite()) {
            for (t, value) in times.iter().zip(values).filter(|(t, value)| t.is_finite() && value.is_finite()) {
                self.extend(std::slice::from_ref(t), std::slice::from_ref(value));
            }
            return;
        }
        while let Some(first) = times.first() {
            let start = *self.times.first().unwrap_or(first);
            let inside = times.iter().take_while(|t| **t - start < BLOCK_S).count();
            let (block, next) = times.split_at(inside);
            self.times.extend_from_slice(block);
            times = next;
            let (block, next) = values.split_at(inside);
            self.values.extend_from_slice(block);
            values = next;
            if !times.is_empty() {
                self.close();
                self.times.clear();
                self.values.clear();
            }
        }
    }

    /// What thinning showed.
    pub fn finish(mut self) -> SamplingError {
        self.close();
        let [net, positive, negative] = self.sums.map(|sum| sum.error());
        SamplingError { net, positive, negative, blocks: self.blocks }
    }

    fn close(&mut self) {
        if self.times.len() < SAMPLES_MIN {
            return;
        }
        let periods = || self.times[1..].iter().zip(&self.times).map(|(to, from)| to - from);
        // Counted, since that goes by many at once. Where no period is as long as the shortest pause, the median changes nothing.
        let long = periods().filter(|period| *period > PAUSE_S).count();
        let pause = if long == 0 {
            PAUSE_S
        } else {
            let mut periods: Vec<f64> = periods().collect();
            let middle = periods.len() / 2;
            PAUSE_S.max(5.0 * *periods.select_nth_unstable_by(middle, f64::total_cmp).1)
        };
        let (mut any, mut from) = (false, 0);
        while from < self.times.len() {
            let rest = &self.times[from..];
            let ends = || rest.windows(2).position(|pair| pair[1] - pair[0] > pause);
            let pause_at = (long > 0).then(ends).flatten();
            let stretch = from..from + pause_at.map_or(rest.len(), |last| last + 1);
            from = stretch.end;
            if stretch.len() >= SAMPLES_MIN {
                any = true;
                self.add(stretch);
            }
        }
        self.blocks += u32::from(any);
    }

    fn add(&mut self, stretch: Range<usize>) {
        let stretch = Stretch { t: &self.times[stretch.clone()], x: &self.values[stretch] };
        let (whole, two, four): (Ways<1>, Ways<2>, Ways<4>) = (thin(stretch), thin(stretch), thin(stretch));
        for (part, sum) in self.sums.iter_mut().enumerate() {
            let found = [differences(&two[part], whole[part][0]), differences(&four[part], whole[part][0])];
            sum.add(found.map(|d| d.0), found.map(|d| d.1));
        }
    }
}

/// Mean difference and mean squared difference of the thinned integrals to the whole.
fn differences<const N: usize>(thinned: &[f64; N], whole: f64) -> (f64, f64) {
    let (mut mean, mut square) = (0.0, 0.0);
    for sum in thinned {
        let difference = sum - whole;
        mean += difference / N as f64;
        square += difference * difference / N as f64;
    }
    (mean, square)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn thinned(hours: f64, period: f64, signal: impl Fn(f64) -> f64) -> SamplingError {
        let mut thinner = Thinner::default();
        let samples = (hours * 3600.0 / period) as usize;
        let times: Vec<f64> = (0..=samples).map(|at| at as f64 * period).collect();
        let values: Vec<f64> = times.iter().map(|t| signal(*t)).collect();
        // Some at a time, as they are read.
        times.chunks(700).zip(values.chunks(700)).for_each(|(times, values)| thinner.extend(times, values));
        thinner.finish()
    }

    #[test]
    fn a_steady_signal_costs_nothing() {
        let error = thinned(1.0, 0.1, |_| 80.0);
        assert!(error.net < 1e-6, "{error:?}");
        assert_eq!(error.blocks, 12);
    }

    #[test]
    fn the_stated_error_covers_the_true_one() {
        // A signal whose integral is known: 100 + 60 sin(2 pi t / 7.3), polled once in 0.5, 1 or 2 s over an hour.
        let omega = std::f64::consts::TAU / 7.3;
        for period in [0.5, 1.0, 2.0] {
            let signal = |t: f64| 100.0 + 60.0 * (omega * t).sin();
            let error = thinned(1.0, period, signal);
            let t: Vec<f64> = (0..=(3600.0 / period) as usize).map(|at| at as f64 * period).collect();
            let x: Vec<f64> = t.iter().map(|t| signal(*t)).collect();
            let [[sampled], ..]: Ways<1> = thin(Stretch { t: &t, x: &x });
            let truth = 360_000.0 + 60.0 / omega * (1.0 - (omega * 3600.0).cos());
            assert!((sampled - truth).abs() <= 2.0 * error.net, "{period} s: {} against {error:?}", sampled - truth);
            assert!(error.net < 0.01 * truth, "{period} s: {error:?}");
        }
    }

    #[test]
    fn a_pause_is_not_integrated_across() {
        let mut with_pause = Thinner::default();
        for at in 0..3000 {
            let t = f64::from(at) * 0.1 + if at >= 1500 { 60.0 } else { 0.0 };
            with_pause.extend(&[t], &[if at < 1500 { 100.0 } else { -100.0 }]);
        }
        assert!(with_pause.finish().net < 1e-6);
    }
}
