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
    block: Vec<(f64, f64)>,
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
    /// A sample; what is not finite is left out.
    #[inline]
    pub fn push(&mut self, t_s: f64, value: f64) {
        if !value.is_finite() || !t_s.is_finite() {
            return;
        }
        if self.block.first().is_some_and(|(start, _)| t_s - start >= BLOCK_S) {
            self.close();
            self.block.clear();
        }
        self.block.push((t_s, value));
    }

    /// What thinning showed.
    pub fn finish(mut self) -> SamplingError {
        self.close();
        let [net, positive, negative] = self.sums.map(|sum| sum.error());
        SamplingError { net, positive, negative, blocks: self.blocks }
    }

    fn close(&mut self) {
        if self.block.len() < SAMPLES_MIN {
            return;
        }
        let periods = || self.block.windows(2).map(|pair| pair[1].0 - pair[0].0);
        // Where no period is as long as the shortest pause, the median changes nothing.
        let pause = if periods().all(|period| period <= PAUSE_S) {
            PAUSE_S
        } else {
            let mut periods: Vec<f64> = periods().collect();
            let middle = periods.len() / 2;
            PAUSE_S.max(5.0 * *periods.select_nth_unstable_by(middle, f64::total_cmp).1)
        };
        let mut any = false;
        for stretch in self.block.chunk_by(|a, b| b.0 - a.0 <= pause) {
            if stretch.len() < SAMPLES_MIN {
                continue;
            }
            any = true;
            let is_positive = stretch.iter().all(|(_, value)| *value >= 0.0);
            let thinned = if is_positive { thin(stretch, Lane::step_positive) } else { thin(stretch, Lane::step) };
            let Some((whole, two, four)) = thinned else { continue };
            for (part, sum) in self.sums.iter_mut().enumerate() {
                let found = [differences(&two, &whole, part), differences(&four, &whole, part)];
                sum.add(found.map(|d| d.0), found.map(|d| d.1));
            }
        }
        self.blocks += u32::from(any);
    }
}

/// Of a signal, of its positive and of its negative part.
type Parts = [f64; 3];

/// The integrals of a signal, of its positive and of its negative part, taken as linear from sample to sample.
#[derive(Clone, Copy)]
struct Lane {
    last: (f64, f64),
    sums: [f64; 3],
}

impl Lane {
    #[inline(always)]
    fn step(&mut self, (t, x): (f64, f64)) {
        let (t0, x0) = self.last;
        let h = t - t0;
        let whole = h * (x0 + x) / 2.0;
        let positive = if x0 >= 0.0 && x >= 0.0 {
            whole
        } else if x0 <= 0.0 && x <= 0.0 {
            0.0
        } else {
            // The triangle on the positive side of the zero crossing.
            let top = x0.max(x);
            h * top * top / (2.0 * (x - x0).abs())
        };
        self.sums[0] += whole;
        self.sums[1] += positive;
        self.sums[2] += positive - whole;
        self.last = (t, x);
    }

    /// The same of a signal that is never negative, as a voltage is.
    #[inline(always)]
    fn step_positive(&mut self, (t, x): (f64, f64)) {
        let (t0, x0) = self.last;
        let whole = (t - t0) * (x0 + x) / 2.0;
        self.sums[0] += whole;
        self.sums[1] += whole;
        self.last = (t, x);
    }
}

/// The integrals of a stretch: whole, over the two ways to take one sample in two, over the four to take one in four. Both ends are
/// in all of them. One pass: the sums of a lane wait for each other, those of different lanes do not.
#[inline(always)]
fn thin(stretch: &[(f64, f64)], add: impl Fn(&mut Lane, (f64, f64))) -> Option<(Parts, [Parts; 2], [Parts; 4])> {
    let (&first, rest) = stretch.split_first()?;
    let (&last, between) = rest.split_last()?;
    let lane = Lane { last: first, sums: [0.0; 3] };
    let (mut whole, mut two, mut four) = (lane, [lane; 2], [lane; 4]);
    let mut step = |place: usize, sample: (f64, f64)| {
        add(&mut whole, sample);
        add(&mut two[place % 2], sample);
        add(&mut four[place % 4], sample);
    };
    let (quads, end) = between.as_chunks::<4>();
    // Written out, so that each place is known beforehand; the first sample after the stretch's own first has place 1.
    for [a, b, c, d] in quads {
        step(1, *a);
        step(2, *b);
        step(3, *c);
        step(0, *d);
    }
    end.iter().enumerate().for_each(|(at, sample)| step(at + 1, *sample));
    let ended = |mut lane: Lane| {
        add(&mut lane, last);
        lane.sums
    };
    Some((ended(whole), two.map(ended), four.map(ended)))
}

/// Mean difference and mean squared difference of a part of the thinned integrals to the whole.
fn differences<const N: usize>(thinned: &[[f64; 3]; N], whole: &[f64; 3], part: usize) -> (f64, f64) {
    let (mut mean, mut square) = (0.0, 0.0);
    for sums in thinned {
        let difference = sums[part] - whole[part];
        mean += difference / N as f64;
        square += difference * difference / N as f64;
    }
    (mean, square)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The integrals of some samples.
    fn integrals(mut samples: impl Iterator<Item = (f64, f64)>) -> [f64; 3] {
        let mut lane = Lane { last: samples.next().unwrap(), sums: [0.0; 3] };
        samples.for_each(|sample| lane.step(sample));
        lane.sums
    }

    #[test]
    fn each_way_to_thin_is_that_of_its_samples_alone() {
        // Every way written out naively, to the last bit.
        for length in 2..40 {
            let stretch: Vec<(f64, f64)> =
                (0..length).map(|at| (f64::from(at) * 0.1, (f64::from(at) * 0.7).sin())).collect();
            let naive = |factor: usize, offset: usize| {
                let ends = [0, stretch.len() - 1];
                let kept = stretch.iter().enumerate().filter(|(at, _)| at % factor == offset || ends.contains(at));
                integrals(kept.map(|(_, sample)| *sample))
            };
            let (whole, two, four) = thin(&stretch, Lane::step).unwrap();
            assert_eq!(whole, naive(1, 0));
            assert_eq!(two, std::array::from_fn(|offset| naive(2, offset)));
            assert_eq!(four, std::array::from_fn(|offset| naive(4, offset)));
            let above: Vec<(f64, f64)> = stretch.iter().map(|(t, x)| (*t, x.max(0.0))).collect();
            assert_eq!(thin(&above, Lane::step_positive), thin(&above, Lane::step));
        }
    }

    fn thinned(hours: f64, period: f64, signal: impl Fn(f64) -> f64) -> SamplingError {
        let mut thinner = Thinner::default();
        let samples = (hours * 3600.0 / period) as usize;
        (0..=samples).for_each(|at| thinner.push(at as f64 * period, signal(at as f64 * period)));
        thinner.finish()
    }

    #[test]
    fn the_parts_are_exact_at_the_zero() {
        // Arithmetic: -50 to +100 over 3 s crosses zero at 1 s: 100 positive, 25 negative, 75 net.
        assert_eq!(integrals([(0.0, -50.0), (3.0, 100.0)].into_iter()), [75.0, 100.0, 25.0]);
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
            let sampled =
                integrals((0..=(3600.0 / period) as usize).map(|at| (at as f64 * period, signal(at as f64 * period))));
            let truth = 360_000.0 + 60.0 / omega * (1.0 - (omega * 3600.0).cos());
            assert!(
                (sampled[0] - truth).abs() <= 2.0 * error.net,
                "{period} s: {} against {error:?}",
                sampled[0] - truth
            );
            assert!(error.net < 0.01 * truth, "{period} s: {error:?}");
        }
    }

    #[test]
    fn a_pause_is_not_integrated_across() {
        let mut with_pause = Thinner::default();
        for at in 0..3000 {
            let t = f64::from(at) * 0.1 + if at >= 1500 { 60.0 } else { 0.0 };
            with_pause.push(t, if at < 1500 { 100.0 } else { -100.0 });
        }
        assert!(with_pause.finish().net < 1e-6);
    }
}
