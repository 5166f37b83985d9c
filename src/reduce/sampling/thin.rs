//! The integrals of a stretch of samples: over all of them, and over each way to take one in two and one in four.
//!
//! A signal is taken as linear from sample to sample. One way's sums wait for each other, so each spacing is gone through by itself, four
//! samples at a time. Judges nothing of what thinning shows.

/// Samples in order, side by side: when, s, and what.
#[derive(Clone, Copy)]
pub(super) struct Stretch<'s> {
    pub t: &'s [f64],
    pub x: &'s [f64],
}

/// The integrals of a signal and of its positive and negative parts over each of the `N` ways to take one sample in `N`: by part, then
/// by way.
pub(super) type Ways<const N: usize> = [[f64; N]; 3];

/// Four samples.
type Four<'s> = (&'s [f64; 4], &'s [f64; 4]);

/// Before this sample the one `N` before may not be in the stretch; from it on four samples begin with one of way 0.
const HEAD: usize = 4;

/// Both ends of the stretch are in every way. Four samples are one of each way, or some.
pub(super) fn thin<const N: usize>(stretch: Stretch<'_>) -> Ways<N> {
    const { assert!(4 % N == 0) };
    // Counted, since that goes by many at once.
    if stretch.x.iter().filter(|x| **x < 0.0).count() > 0 {
        return of_parts(stretch, add_four);
    }
    let [net, ..] = of_parts(stretch, add_four_positive);
    [net, net, [0.0; N]]
}

/// By a way to add four samples from those before them in their ways.
#[inline(always)]
fn of_parts<const N: usize>(
    Stretch { t, x }: Stretch<'_>,
    add_four: impl Fn(&mut Ways<N>, Four<'_>, Four<'_>),
) -> Ways<N> {
    let mut ways = [[0.0; N]; 3];
    let Some(last) = t.len().min(x.len()).checked_sub(1) else { return ways };
    let step = |from: usize, to: usize| areas((t[from], x[from]), (t[to], x[to]));
    let head = last.min(HEAD);
    (1..head).for_each(|at| add(&mut ways, at % N, step(at.saturating_sub(N), at)));
    let before = head.saturating_sub(N);
    let (t0, x0) = (fours(&t[before..last]), fours(&x[before..last]));
    let (t1, x1) = (fours(&t[head..last]), fours(&x[head..last]));
    for ((t0, x0), (t1, x1)) in t0.iter().zip(x0).zip(t1.iter().zip(x1)) {
        add_four(&mut ways, (t0, x0), (t1, x1));
    }
    let done = head + 4 * t1.len();
    (done..last).for_each(|at| add(&mut ways, at % N, step(at - N, at)));
    // The last sample ends every way: behind the latest of each.
    (1..=N).for_each(|back| add(&mut ways, last.wrapping_sub(back) % N, step(last.saturating_sub(back), last)));
    ways
}

fn fours(cells: &[f64]) -> &[[f64; 4]] {
    cells.as_chunks().0
}

#[inline(always)]
fn add<const N: usize>(ways: &mut Ways<N>, way: usize, [whole, positive]: [f64; 2]) {
    ways[0][way] += whole;
    ways[1][way] += positive;
    ways[2][way] += positive - whole;
}

/// The area from one sample to another, and that of its positive part.
fn areas((t0, x0): (f64, f64), (t, x): (f64, f64)) -> [f64; 2] {
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
    [whole, positive]
}

/// The areas to four samples, the first of them in way 0, from those before them in their ways.
#[inline(always)]
fn four_areas((t0, x0): Four<'_>, (t1, x1): Four<'_>) -> [f64; 4] {
    std::array::from_fn(|at| (t1[at] - t0[at]) * (x0[at] + x1[at]) / 2.0)
}

#[inline(always)]
fn add_to<const N: usize>(ways: &mut [f64; N], four: &[f64; 4]) {
    for each in four.as_chunks::<N>().0 {
        ways.iter_mut().zip(each).for_each(|(way, area)| *way += area);
    }
}

#[inline(always)]
fn add_four<const N: usize>(ways: &mut Ways<N>, before: Four<'_>, four: Four<'_>) {
    // Of all at once, whether a sign changes.
    let changes = before.1.iter().zip(four.1).fold(0, |changes, (x0, x1)| changes | (x0.to_bits() ^ x1.to_bits()));
    if changes >> 63 == 1 {
        *ways = mixed(*ways, before, four);
        return;
    }
    let whole = four_areas(before, four);
    let positive: [f64; 4] = std::array::from_fn(|at| if four.1[at].is_sign_negative() { 0.0 } else { whole[at] });
    let negative: [f64; 4] = std::array::from_fn(|at| positive[at] - whole[at]);
    ways.iter_mut().zip([whole, positive, negative]).for_each(|(ways, part)| add_to(ways, &part));
}

/// Where some areas lie on both sides of zero. By value, so that elsewhere the sums need not be in memory.
#[inline(never)]
fn mixed<const N: usize>(mut ways: Ways<N>, (t0, x0): Four<'_>, (t1, x1): Four<'_>) -> Ways<N> {
    (0..4).for_each(|at| add(&mut ways, at % N, areas((t0[at], x0[at]), (t1[at], x1[at]))));
    ways
}

/// Where nothing is negative: the net part alone.
#[inline(always)]
fn add_four_positive<const N: usize>(ways: &mut Ways<N>, before: Four<'_>, four: Four<'_>) {
    add_to(&mut ways[0], &four_areas(before, four));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The integrals of some samples.
    fn integrals(samples: &[(f64, f64)]) -> [f64; 3] {
        let mut ways = [[0.0; 1]; 3];
        samples.windows(2).for_each(|pair| add(&mut ways, 0, areas(pair[0], pair[1])));
        ways.map(|[sum]| sum)
    }

    #[test]
    fn the_parts_are_exact_at_the_zero() {
        // Arithmetic: -50 to +100 over 3 s crosses zero at 1 s: 100 positive, 25 negative, 75 net.
        assert_eq!(integrals(&[(0.0, -50.0), (3.0, 100.0)]), [75.0, 100.0, 25.0]);
    }

    /// Each way written out naively, to the last bit.
    fn check<const N: usize>(t: &[f64], x: &[f64]) {
        let ways: Ways<N> = thin(Stretch { t, x });
        for way in (0..N).filter(|_| !t.is_empty()) {
            let kept = (0..t.len()).filter(|at| at % N == way || [0, t.len() - 1].contains(at));
            let kept: Vec<(f64, f64)> = kept.map(|at| (t[at], x[at])).collect();
            assert_eq!(ways.map(|part| part[way]), integrals(&kept), "{way} of {N}, {} samples", t.len());
        }
    }

    #[test]
    fn each_way_to_thin_is_that_of_its_samples_alone() {
        // What changes its sign, what is positive for a while, what never is negative, what never is positive (with a zero of that side),
        // what always is negative.
        let signals: [fn(f64) -> f64; 5] =
            [f64::sin, |x| x.sin() + 0.5, |x| x.sin().max(0.0), |x| -x.sin().max(0.0), |x| x.sin() - 2.0];
        for (signal, length) in signals.iter().flat_map(|signal| (0..40).map(move |length| (signal, length))) {
            let t: Vec<f64> = (0..length).map(|at| f64::from(at) * 0.1).collect();
            let x: Vec<f64> = (0..length).map(|at| signal(f64::from(at) * 0.7)).collect();
            check::<1>(&t, &x);
            check::<2>(&t, &x);
            check::<4>(&t, &x);
        }
    }
}
