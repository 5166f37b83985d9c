//! Energy left until the display reads 0: what was known before the drive, joined with what the drive has taken per per cent.
//!
//! A tick of the display is a known threshold crossed at a moment. With the energy W taken until the display first shows the share v,
//!
//! W = w + E (1 - e(v)),   e(v) = v - K v (1 - v) - sum of b_m g_m(v),   e(0) = 0, e(1) = 1,
//!
//! E is the energy from full to displayed 0, K says by how much the voltage falls towards empty, g_m are the modes of the
//! display's bend as in [`crate::reduce::capacity`], w is a random walk: what lies above the first displayed value, and what
//! the battery computer wanders. Ticks join by a Kalman filter, run again over all of them at each new one, at a state that comes
//! nearer each time; residuals larger than the model allows widen it, never the other way round. What is left is E + w less
//! what was taken. Reads no voltage: the end of the pack is watched in `cliff`.

use super::normal::Normal;
use crate::plan::outlook::Guess;
use crate::reduce::capacity::{BEND_SD, bend};

/// The unknowns: E, the bend's modes, w.
const N: usize = 2 + BEND_SD.len();
const W: usize = N - 1;
/// The voltage falls so far from full to empty, as a share of the energy's unevenness, and its standard deviation: a fall of
/// 15 +- 8 % (common practice, no source) is f/2 / (1 - f/2).
const FALL: f64 = 0.081;
const FALL_SD: f64 = 0.043;
/// The battery computer's wander over a whole discharge, as a share: as in [`crate::reduce::capacity`].
const WANDER: f64 = 0.0054;
/// What goes before the display leaves 100 %, as a share, and its standard deviation: as in [`crate::reduce::capacity`].
const HIDDEN: (f64, f64) = (0.005, 0.0065);
/// A display's filter lags differently from tick to tick by this, s: as in [`crate::reduce::capacity`].
const LAG_S: f64 = 2.0;
/// A display lags the charge by so much altogether, s, and its standard deviation: as in [`crate::reduce::capacity`].
pub const DISPLAY_LAG_S: (f64, f64) = (8.0, 4.5);
/// Energy of a car of which nothing is known, J, and its standard deviation: common practice, no source (60 kWh).
const UNKNOWN: Guess = Guess::new(60.0 * 3.6e6, 60.0 * 3.6e6);
/// Energies that any pack may hold, J (0.1 kWh to 2 MWh).
const SANE: std::ops::Range<f64> = 3.6e5..7.2e9;
/// A residual of so many standard deviations is a correction of the display, not a tick's error.
const LEAP: f64 = 5.0;
/// Displayed shares from here on are full.
const FULL: f64 = 0.9949;
/// Something must be known this well to be said, in parts.
const SAID_U: f64 = 0.5;

/// The display first showed a share.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Tick {
    /// The share.
    pub share: f64,
    /// Energy taken until then, J.
    pub taken: f64,
    /// Standard uncertainty of that as the tick's moment, J.
    pub u: f64,
    /// Variance of what was taken since the start that is not of the display: gaps filled, pauses between runs, J².
    pub filled: f64,
}

/// What the energy left is known by.
#[derive(Clone, Debug)]
pub struct Charge {
    prior: Option<Guess>,
    ticks: Vec<Tick>,
    /// The share at the start, and what was taken by then, J.
    start: Option<(f64, f64)>,
    state: Normal<N>,
    pub(super) widen: f64,
}

/// One pass over the ticks.
struct Pass {
    state: Normal<N>,
    chi_squared: f64,
}

impl Charge {
    /// Before the drive.
    pub fn new(prior: Option<Guess>) -> Self {
        let prior = prior.filter(|prior| SANE.contains(&prior.mean) && prior.u.is_finite());
        let prior = prior.map(|prior| Guess::new(prior.mean, prior.u.abs().min(prior.mean)));
        let mut new =
            Self { prior, ticks: Vec::new(), start: None, state: Normal::independent([0.0; N], [0.0; N]), widen: 1.0 };
        new.state = new.before(1.0);
        new
    }

    /// The display's first share, when so much was taken, J.
    pub fn begin(&mut self, share: f64, taken: f64) {
        self.start = Some((share, taken));
        self.fit();
    }

    /// Whether the test has begun.
    pub fn has_begun(&self) -> bool {
        self.start.is_some()
    }

    /// The display first showed a smaller share.
    pub fn tick(&mut self, tick: Tick) {
        if tick.share.is_finite() && tick.taken.is_finite() && tick.u.is_finite() {
            self.ticks.push(tick);
            self.fit();
        }
    }

    /// Energy from full to displayed 0, J.
    pub fn usable(&self) -> Guess {
        let mut weights = [0.0; N];
        weights[0] = 1.0;
        Guess::new(self.state.mean[0].max(0.0), self.state.variance_of(&weights).sqrt())
    }

    /// How much better it is known than before the drive: 1 not at all; `None` where nothing was given.
    pub fn learned(&self) -> Option<f64> {
        Some(self.usable().u / self.prior?.u.max(f64::MIN_POSITIVE))
    }

    /// Energy until the display reads 0, when so much was taken, J; `None` while next to nothing is known.
    ///
    /// `filled`: as in [`Tick`]; `power`: as usual of late, W.
    pub fn left(&self, taken: f64, filled: f64, power: f64, share: f64) -> Option<Guess> {
        self.start?;
        let filled = filled - self.ticks.last().map_or(0.0, |tick| tick.filled);
        let mut weights = [0.0; N];
        (weights[0], weights[W]) = (1.0, 1.0);
        let whole = self.usable();
        let left = self.state.mean_of(&weights) - taken;
        let ahead = self.widen * (WANDER * whole.mean).powi(2) * share.clamp(0.0, 1.0);
        // The display's 0 will be a tick as others are, at a power that differs as much from the usual.
        let moment = moment(1.0, 1.5 * power, power).u;
        let other = filled.max(0.0) + self.overdue(taken).powi(2) + moment * moment;
        let u = (self.state.variance_of(&weights) + ahead + other).sqrt();
        (left.is_finite() && u.is_finite() && whole.u < SAID_U * whole.mean).then(|| Guess::new(left.max(0.0), u))
    }

    /// Taken since the next tick was due, J: a display that stands still while charge goes says nothing, and its next value may
    /// be anywhere below.
    fn overdue(&self, taken: f64) -> f64 {
        let Some(last) = self.ticks.last() else { return 0.0 };
        let step = self.step();
        // A step may take half as much again where the display is bent or filtered.
        (taken - last.taken - 2.0 * step * self.usable().mean).max(0.0) / 2.0
    }

    /// The display's step, as a share: the least that it ever changed by.
    fn step(&self) -> f64 {
        let first = self.start.map(|(share, _)| share).into_iter().chain(self.ticks.iter().map(|tick| tick.share));
        let shares: Vec<f64> = first.collect();
        let least = shares.windows(2).map(|pair| pair[0] - pair[1]).filter(|step| *step > 5e-4);
        least.fold(0.01, f64::min)
    }

    fn before(&self, full_share: f64) -> Normal<N> {
        let prior = self.prior.unwrap_or(UNKNOWN);
        let shown = 1.0 - HIDDEN.0;
        let mut mean = [0.0; N];
        let mut u = [0.0; N];
        (mean[0], u[0]) = (prior.mean * shown, prior.u.max(1e-4 * prior.mean));
        u[1..W].copy_from_slice(&BEND_SD);
        // The fall of the voltage bends the energy as the display's first mode bends the charge, which is four times it.
        u[1] = u[1].hypot(FALL_SD / 4.0);
        if full_share >= FULL {
            (mean[W], u[W]) = (HIDDEN.0 * prior.mean, HIDDEN.1.hypot(0.005 / 3f64.sqrt()) * prior.mean);
        } else {
            u[W] = 3.0 * prior.mean;
        }
        Normal::independent(mean, u)
    }

    fn fit(&mut self) {
        let Some(start) = self.start else { return };
        let first = self.pass(start, &self.before(start.0).mean, 1.0);
        // Whatever the readings say, there is some charge.
        let near = |state: &Normal<N>| {
            let mut near = state.mean;
            near[0] = near[0].max(3.6e6);
            near
        };
        let second = self.pass(start, &near(&first.state), 1.0);
        let ticks = self.ticks.len() as f64;
        self.widen = if ticks >= 5.0 { (second.chi_squared / ticks).max(1.0) } else { 1.0 };
        let last = if self.widen > 1.0 { self.pass(start, &near(&second.state), self.widen) } else { second };
        self.state = last.state;
    }

    /// All ticks once, the model straightened at a state.
    fn pass(&self, (start, taken): (f64, f64), at: &[f64; N], widen: f64) -> Pass {
        let mut pass = Pass { state: self.before(start), chi_squared: 0.0 };
        let step = self.step();
        let (mut before, mut filled, mut last) = (start, 0.0, taken);
        if start < FULL {
            // The first value is no tick: the threshold of the next lies up to a step below.
            let (share, u) = (start - step / 2.0, step / 12f64.sqrt());
            pass.see(at, &Tick { share, taken, u: u * at[0], filled: 0.0 }, 1.0);
        }
        for tick in &self.ticks {
            let walked = (before - tick.share).abs();
            pass.state.drift(W, widen * walked * (WANDER * at[0]).powi(2));
            pass.state.drift(W, tick.filled - filled);
            // A display that stood still for long, while energy went, was wrong for long. One that falls at once has found that less is there.
            let stood = ((tick.taken - last) / at[0]).max(0.0);
            let late = (walked.min(stood) - 1.5 * step).max(0.0) / 3.0 * at[0];
            pass.see(at, &Tick { u: tick.u.hypot(late), ..*tick }, widen);
            (before, filled, last) = (tick.share, tick.filled, tick.taken);
        }
        pass
    }
}

impl Pass {
    fn see(&mut self, at: &[f64; N], tick: &Tick, widen: f64) {
        let modes = bend(tick.share);
        let left = share_left(at, tick.share);
        let mut weights = [0.0; N];
        (weights[0], weights[W]) = (1.0 - left, 1.0);
        for (weight, mode) in weights[1..W].iter_mut().zip(modes) {
            *weight = at[0] * mode;
        }
        let thought = at[W] + at[0] * (1.0 - left);
        let moved: [f64; N] = std::array::from_fn(|index| self.state.mean[index] - at[index]);
        let offset: f64 = moved.iter().zip(&weights).map(|(moved, weight)| moved * weight).sum();
        let off = tick.taken - thought - offset;
        let noise = widen * tick.u * tick.u;
        let expected = self.state.variance_of(&weights) + noise;
        if expected > 0.0 && off * off > LEAP * LEAP * expected {
            self.state.drift(W, off * off);
            self.chi_squared += 1.0;
        } else if expected > 0.0 {
            self.chi_squared += off * off / expected;
        }
        self.state.observe(&weights, off, noise);
    }
}

/// The share of the energy that is left at a displayed share.
fn share_left(state: &[f64; N], share: f64) -> f64 {
    let bent: f64 = bend(share).iter().zip(&state[1..W]).map(|(mode, by)| mode * by).sum();
    share - FALL * share * (1.0 - share) - bent
}

/// The moment of a tick in energy, J: by how much more was taken than at the usual lag of a display at the usual power, and the
/// standard uncertainty of that. Rows lie some seconds apart; `late`: power of the last seconds, `usual`: of the last minutes, W.
pub fn moment(rows_apart: f64, late: f64, usual: f64) -> Guess {
    let more = late - usual;
    let timing = LAG_S.hypot(rows_apart / 12f64.sqrt()) * usual.abs().max(1_000.0);
    Guess::new(DISPLAY_LAG_S.0 * more, timing.hypot(DISPLAY_LAG_S.1 * more))
}
