//! The end of the pack by its voltage: lowest cell and pack, extrapolated at present power to where the car gives up; independent of
//! the display.
//!
//! Means over bins of energy W follow U = a + b W + c W² - R I - S J: the voltage at rest over the energy taken, the drop under load
//! I, and the slower drop under the load of the last minute J. R is learned from changes of the current all along. Where the
//! fall is surely getting steeper it goes on so (exponentially, as steep and as bent as now), else along the line; a curve that
//! bends down further on ends sooner than either, so this warns late rather than early. Knows no display.

use std::collections::VecDeque;

use super::normal::Normal;
use crate::plan::outlook::Guess;

/// A bin of energy, as a share of the usable energy, and how many are looked at: the last 4 %.
const BIN: f64 = 0.0025;
const BINS: usize = 16;
/// Fewest bins that say anything.
const BINS_MIN: usize = 8;
/// How fast the resistance forgets: half after some 700 changes of the current.
const FORGET: f64 = 0.999;
/// Changes of current that tell of the resistance, A.
const CHANGE_A: f64 = 4.0;
/// A bin's voltage is known to this share of itself beside what load explains: common practice, no source.
const BIN_U: f64 = 0.0008;
/// The slower drop by the resistance of the faster one, and its standard deviation: common practice, no source.
const SLOW: (f64, f64) = (0.4, 0.4);
/// The faster one is known to this, in parts.
const FAST_U: f64 = 0.1;
/// The slower drop follows the load within, s; so does what is taken for the present load.
const SLOW_S: f64 = 60.0;
/// Further ahead than this, as a share of the usable energy, and higher above the cut-off than this, as a share of it, the voltage
/// may do anything.
const FAR: f64 = 0.20;
const NEAR: f64 = 0.20;
/// Something is surely so at so many standard uncertainties.
const SURELY: f64 = 2.0;
/// Below all that was before by this share, the voltage at rest is near its end; and it never falls faster than e times in this share
/// of the usable energy: common practice, no source.
const LOWER: f64 = 0.01;
const STEEPEST: f64 = 0.015;
/// What lies between here and there is extrapolated to this share of it: common practice, no source.
const EXTRAPOLATED: f64 = 0.25;

/// Means over a bin.
#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    taken: f64,
    volts: f64,
    current: f64,
    slow: f64,
}

/// One voltage that is watched.
#[derive(Clone, Debug, Default)]
struct Watched {
    /// Sums for the resistance.
    resistance: (f64, f64),
    last: Option<(f64, f64)>,
    bins: VecDeque<Bin>,
    /// Where the open bin began, J, its sums, and how many readings.
    open: (f64, Bin, f64),
    fall: Option<Fall>,
    /// Least voltage at rest of all bins before those, V.
    lowest: Option<f64>,
}

/// How the voltage falls: at rest at an energy taken, and from there on.
#[derive(Clone, Copy, Debug)]
struct Fall {
    /// The energy taken that all below is told from, J.
    from: f64,
    volts: f64,
    volts_u: f64,
    /// V/J, falling positive, with its uncertainty.
    slope: Guess,
    /// V/J², getting steeper positive.
    bend: Guess,
    fast: f64,
    slow: f64,
}

/// The pack's end.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    cell: Watched,
    pack: Watched,
    /// Load of the last minute, A.
    slow: f64,
}

/// What is read at a moment.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Reading {
    /// s since the last.
    pub dt: f64,
    /// V.
    pub pack: Option<f64>,
    /// V.
    pub cell: Option<f64>,
    /// A, discharge positive.
    pub current: Option<f64>,
    /// Energy taken so far, J.
    pub taken: f64,
}

impl Watched {
    fn see(&mut self, volts: f64, (current, slow): (f64, f64), taken: f64, width: f64) {
        if let Some((before_v, before_i)) = self.last.replace((volts, current)) {
            let (dv, di) = (volts - before_v, current - before_i);
            if di.abs() >= CHANGE_A {
                self.resistance.0 = FORGET * self.resistance.0 - dv * di;
                self.resistance.1 = FORGET * self.resistance.1 + di * di;
            }
        }
        let (mut from, mut sum, mut count) = self.open;
        if count == 0.0 {
            from = taken;
        }
        sum = Bin {
            taken: sum.taken + (taken - from),
            volts: sum.volts + volts,
            current: sum.current + current,
            slow: sum.slow + slow,
        };
        count += 1.0;
        if taken - from >= width {
            self.bins.push_back(Bin {
                taken: from + sum.taken / count,
                volts: sum.volts / count,
                current: sum.current / count,
                slow: sum.slow / count,
            });
            (sum, count) = (Bin::default(), 0.0);
            if self.bins.len() > BINS
                && let Some((gone, ohm)) = self.bins.pop_front().zip(self.ohm())
            {
                let rest = gone.volts + ohm * (gone.current + SLOW.0 * gone.slow);
                self.lowest = Some(self.lowest.map_or(rest, |lowest| lowest.min(rest)));
            }
            self.fall = self.ohm().filter(|_| self.bins.len() >= BINS_MIN).and_then(|ohm| self.fit(ohm, width));
        }
        self.open = (from, sum, count);
    }

    fn ohm(&self) -> Option<f64> {
        let ohm = self.resistance.0 / self.resistance.1;
        (self.resistance.1 > 50.0 * CHANGE_A * CHANGE_A && ohm > 0.0 && ohm.is_finite()).then_some(ohm)
    }

    /// The law of the bins about the newest of them, energy in bins' widths; its noise widened by what the bins scatter.
    fn fit(&self, ohm: f64, width: f64) -> Option<Fall> {
        let newest = self.bins.back()?;
        let noise = BIN_U * newest.volts;
        let start = Normal::independent(
            [newest.volts + ohm * newest.current, 0.0, 0.0, ohm, SLOW.0 * ohm],
            [newest.volts, newest.volts, newest.volts, FAST_U * ohm, SLOW.1 * ohm],
        );
        let weights = |bin: &Bin| {
            let x = (bin.taken - newest.taken) / width;
            [1.0, x, x * x, -bin.current, -bin.slow]
        };
        let fitted = |noise: f64| {
            let mut state = start.clone();
            for bin in &self.bins {
                let weights = weights(bin);
                state.observe(&weights, bin.volts - state.mean_of(&weights), noise * noise);
            }
            state
        };
        let state = fitted(noise);
        let rest = self.bins.iter().map(|bin| (bin.volts - state.mean_of(&weights(bin))).powi(2)).sum::<f64>();
        let scatter = (rest / (self.bins.len() as f64 - 3.0)).sqrt();
        let state = if scatter > noise { fitted(scatter) } else { state };
        let guess = |which: usize, unit: f64| {
            Guess::new(-state.mean[which] / unit, state.cov[which][which].max(0.0).sqrt() / unit)
        };
        let fall = Fall {
            from: newest.taken,
            volts: state.mean[0],
            volts_u: state.cov[0][0].max(0.0).sqrt(),
            slope: guess(1, width),
            bend: Guess::new(2.0 * guess(2, width * width).mean, 2.0 * guess(2, width * width).u),
            fast: state.mean[3],
            slow: state.mean[4].max(0.0),
        };
        [fall.volts, fall.slope.u, fall.bend.u].iter().all(|value| value.is_finite()).then_some(fall)
    }

    /// Energy from `taken` until this voltage under load reaches its cut-off, J.
    fn end(&self, taken: f64, load: f64, cut_off: f64, far: f64) -> Option<Guess> {
        let fall = self.fall.as_ref()?;
        let since = (taken - fall.from).max(0.0);
        // A voltage that the pack has had before is not its end, however it sags.
        let lowest = self.lowest?;
        if fall.volts + fall.volts_u > (1.0 - LOWER) * lowest {
            return None;
        }
        let room = fall.volts - (fall.fast + fall.slow) * load - cut_off - fall.slope.mean * since;
        if room <= 0.0 {
            return Some(Guess::new(0.0, 0.01 * far));
        }
        let Guess { mean: slope, u: slope_u } = fall.slope;
        if slope <= SURELY * slope_u || room > NEAR * cut_off {
            return None;
        }
        let bent = fall.bend.mean > SURELY * fall.bend.u;
        let (length, by_slope) = if bent {
            let scale = (slope / fall.bend.mean).max(STEEPEST * far / FAR);
            let grown = room / (slope * scale);
            (scale * libm::log1p(grown), grown / (1.0 + grown) / libm::log1p(grown))
        } else {
            (room / slope, 1.0)
        };
        let steepest = slope * (room / slope / length);
        let u = (length * by_slope * slope_u / slope).hypot(fall.volts_u / steepest).hypot(EXTRAPOLATED * length);
        (length.is_finite() && u.is_finite() && length <= far).then(|| Guess::new(length, u))
    }
}

impl Watch {
    /// A moment. `usable`: about the energy from full to displayed 0, J.
    pub fn see(&mut self, reading: &Reading, usable: f64) {
        let Some(current) = reading.current.filter(|current| current.abs() < 3_000.0) else { return };
        self.slow += (current - self.slow) * (1.0 - libm::exp(-reading.dt / SLOW_S));
        let width = BIN * usable.max(3.6e6);
        let load = (current, self.slow);
        if let Some(volts) = reading.pack.filter(|volts| (1.0..3_000.0).contains(volts)) {
            self.pack.see(volts, load, reading.taken, width);
        }
        if let Some(volts) = reading.cell.filter(|volts| (0.1..10.0).contains(volts)) {
            self.cell.see(volts, load, reading.taken, width);
        }
    }

    /// Energy until the first of the two is at its cut-off, J; `None` while neither is near or known.
    pub fn end(&self, taken: f64, cell_cut_off: Option<f64>, pack_cut_off: Option<f64>, usable: f64) -> Option<Guess> {
        let far = FAR * usable;
        let end = |watched: &Watched, cut_off: Option<f64>| {
            let cut_off = cut_off.filter(|volts| *volts > 0.0 && volts.is_finite())?;
            watched.end(taken, self.slow.max(0.0), cut_off, far)
        };
        let (cell, pack) = (end(&self.cell, cell_cut_off), end(&self.pack, pack_cut_off));
        match (cell, pack) {
            (Some(a), Some(b)) => Some(if a.mean <= b.mean { a } else { b }),
            (a, b) => a.or(b),
        }
    }
}
