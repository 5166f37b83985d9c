//! The speedometer and odometer check: wheels, odometer and dial, each against the distance over the ground.
//!
//! A dial may read a constant part too much beside a constant speed; both are told apart only where the speeds driven lie
//! far enough apart. Says nothing where no satellite receiver says how fast the car was.

use super::estimate::Estimate;
use super::ground::Ground;
use super::reduction::Test;
use super::sources;
use super::way::Way;

/// Speeds are gathered in bins this wide, m/s (10 km/h).
const BIN: f64 = 10.0 / 3.6;
const BINS: usize = 32;
/// A dial lags behind; only about steady speeds count, m/s².
const STEADY: f64 = 0.3;
/// Slower than this a dial is of no interest, m/s.
const SLOW: f64 = 5.0;
/// A bin with less time says nothing, s.
const BIN_MIN_S: f64 = 30.0;
/// A dial shows whole km/h and may round either way: half of one as a bound, m/s: common practice, no source.
const ROUNDING: f64 = 0.5 / 3.6;
/// What a bin's mean may err by for itself, m/s (0.15 km/h): common practice, no source.
const BIN_U: f64 = 0.15 / 3.6;
/// Speeds must lie this far apart for gain and offset to be told apart, m/s (30 km/h).
const APART: f64 = 30.0 / 3.6;
/// Where they cannot, the dial may read this much more or less at every speed, a bound, m/s (4 km/h): common practice, no source.
const OFFSET: f64 = 4.0 / 3.6;

/// A dial beside the receiver, by speed.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Bin {
    seconds: f64,
    ground: f64,
    dial: f64,
}

/// Every speed at which the dial was read.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Dials {
    bins: [Bin; BINS],
}

/// The dial at one speed.
#[derive(Clone, PartialEq, Debug)]
pub struct DialAt {
    /// Mean true speed, m/s.
    pub speed: f64,
    /// For how long, s.
    pub seconds: f64,
    /// What the dial showed per true speed.
    pub ratio: Estimate,
}

/// How the dial reads.
#[derive(Clone, PartialEq, Debug)]
pub struct Dial {
    /// Displayed speed per true speed, beside the offset.
    pub gain: Estimate,
    /// What it shows more at every speed, m/s; `None` where it has none, or the speeds driven cannot tell.
    pub offset: Option<Estimate>,
    /// Whether the speeds driven could tell.
    pub told_apart: bool,
    /// Least and greatest mean speed, m/s.
    pub speeds: (f64, f64),
}

/// The check.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SpeedCheck {
    /// The wheels' metres per true metre.
    pub wheels: Option<Estimate>,
    /// The odometer's metres per true metre.
    pub odometer: Option<Estimate>,
    /// The dial by speed, slowest first.
    pub dial_at: Vec<DialAt>,
    /// The dial.
    pub dial: Option<Dial>,
    /// The target speed and what the dial shows at it, m/s.
    pub at_target: Option<(f64, Estimate)>,
}

impl Dials {
    /// Sees a true speed, how it changes, and what the dial showed over so much time.
    pub fn see(&mut self, speed: f64, change: f64, dial: f64, seconds: f64) {
        if !(speed >= SLOW && change.abs() < STEADY && dial.is_finite()) {
            return;
        }
        if let Some(bin) = self.bins.get_mut((speed / BIN) as usize) {
            bin.seconds += seconds;
            bin.ground += speed * seconds;
            bin.dial += dial * seconds;
        }
    }

    fn known(&self) -> impl Iterator<Item = &Bin> {
        self.bins.iter().filter(|bin| bin.seconds >= BIN_MIN_S)
    }

    fn at(bin: &Bin) -> DialAt {
        let speed = bin.ground / bin.seconds;
        let ratio = bin.dial / bin.ground;
        let estimate = Estimate::exact(ratio)
            .with_b(sources::SATELLITE_SPEED, ratio * super::ground::SPEED_SCALE)
            .with_b(sources::DIAL, BIN_U / speed)
            .with_bound(sources::DIAL_ROUNDING, ROUNDING / speed);
        DialAt { speed, seconds: bin.seconds, ratio: estimate }
    }

    /// Gain, and offset where the speeds driven tell it.
    fn fit(&self) -> Option<Dial> {
        let means: Vec<(f64, f64)> = self.known().map(|b| (b.ground / b.seconds, b.dial / b.seconds)).collect();
        let (low, high) = (means.first()?.0, means.last()?.0);
        let (ground, dial) = self.known().fold((0.0, 0.0), |sum, b| (sum.0 + b.ground, sum.1 + b.dial));
        let seconds: f64 = self.known().map(|bin| bin.seconds).sum();
        let mean = ground / seconds;
        let told_apart = high - low >= APART;
        let satellite = super::ground::SPEED_SCALE;
        if told_apart {
            let count = means.len() as f64;
            let (x, y) = means.iter().fold((0.0, 0.0), |sum, m| (sum.0 + m.0 / count, sum.1 + m.1 / count));
            let sxx: f64 = means.iter().map(|m| (m.0 - x).powi(2)).sum();
            let gain = means.iter().map(|m| (m.0 - x) * (m.1 - y)).sum::<f64>() / sxx;
            let offset = y - gain * x;
            let (u_gain, u_mean) = (BIN_U / sxx.sqrt(), BIN_U / count.sqrt());
            let gain = Estimate::exact(gain)
                .with_b(sources::SATELLITE_SPEED, gain * satellite)
                .with_b(sources::DIAL_SLOPE, u_gain);
            // The line turns about its mean: a steeper one has less of an offset.
            let offset = Estimate::exact(offset)
                .with_b(sources::DIAL_SLOPE, -x * u_gain)
                .with_b(sources::DIAL, u_mean)
                .with_bound(sources::DIAL_ROUNDING, ROUNDING);
            if offset.value.abs() > offset.u95() {
                return Some(Dial { gain, offset: Some(offset), told_apart, speeds: (low, high) });
            }
        }
        let ratio = dial / ground;
        let gain = Estimate::exact(ratio)
            .with_b(sources::SATELLITE_SPEED, ratio * satellite)
            .with_b(sources::DIAL, BIN_U / mean)
            .with_bound(sources::DIAL_ROUNDING, ROUNDING / mean);
        Some(Dial { gain, offset: None, told_apart, speeds: (low, high) })
    }
}

impl Dial {
    /// What it shows at a true speed, m/s.
    pub fn shown(&self, speed: f64) -> Estimate {
        let shown = self.gain.scale(speed);
        match &self.offset {
            Some(offset) => shown.add(offset),
            None if self.told_apart => shown,
            // A hidden offset is part of the gain at the speeds driven; at others it is too much or too little.
            None => {
                let away = (speed - speed.clamp(self.speeds.0, self.speeds.1)).abs();
                shown.with_bound(sources::DIAL_OFFSET, OFFSET * away / self.speeds.1)
            }
        }
    }
}

pub(super) fn of(test: &Test<'_>, ground: &Ground, way: &Way) -> SpeedCheck {
    let one = Estimate::exact(1.0);
    let dial = ground.dials.fit();
    let target = test.card.and_then(|card| card.driving.target).map(|target| target.0);
    SpeedCheck {
        wheels: ground.scale.as_ref().and_then(|scale| one.ratio(scale)),
        odometer: way.odometer_rounded.as_ref().zip(ground.distance.as_ref()).and_then(|(by, true_)| by.ratio(true_)),
        dial_at: ground.dials.known().map(Dials::at).collect(),
        at_target: target.zip(dial.as_ref()).map(|(target, dial)| (target, dial.shown(target))),
        dial,
    }
}

#[cfg(test)]
mod tests;
