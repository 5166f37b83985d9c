//! Seeded noise, the same on every machine.
//!
//! Each purpose has a stream of its own, so that leaving one out changes no other.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// What a stream of noise is for.
#[derive(Clone, Copy)]
pub(super) enum Stream {
    Driver = 1,
    Wind,
    Sensors,
    Jitter,
    BusNoise,
    Satellite,
    Computer,
    CurrentZero,
}

/// A stream of random numbers.
pub(super) struct Noise {
    rng: ChaCha8Rng,
    spare: Option<f64>,
}

impl Noise {
    pub fn new(seed: u64, stream: Stream) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream as u64);
        Self { rng, spare: None }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.rng.next_u64()
    }

    /// Evenly from (0, 1], in steps of 2^-53.
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly from -`most` to `most`, whole numbers; the tiny bias of the remainder does not matter here.
    pub fn within(&mut self, most: u32) -> i64 {
        let width = 2 * u64::from(most) + 1;
        (self.bits() % width) as i64 - i64::from(most)
    }

    /// Normal with this standard deviation (Box and Muller 1958, doi:10.1214/aoms/1177706645); nothing is drawn for 0.
    pub fn normal(&mut self, deviation: f64) -> f64 {
        if deviation == 0.0 {
            return 0.0;
        }
        let unit = self.spare.take().unwrap_or_else(|| {
            let radius = (-2.0 * libm::log(self.uniform())).sqrt();
            let (sine, cosine) = libm::sincos(2.0 * std::f64::consts::PI * self.uniform());
            self.spare = Some(radius * sine);
            radius * cosine
        });
        unit * deviation
    }
}

/// A value that wanders about 0 with a standard deviation and a time constant (Ornstein-Uhlenbeck, exact at its steps).
pub(super) struct Wander {
    value: f64,
    keep: f64,
    kick: f64,
}

impl Wander {
    pub fn new(deviation: f64, time_s: f64, step_s: f64) -> Self {
        let keep = libm::exp(-step_s / time_s);
        Self { value: 0.0, keep, kick: deviation * (1.0 - keep * keep).sqrt() }
    }

    pub fn step(&mut self, noise: &mut Noise) -> f64 {
        self.value = self.value * self.keep + noise.normal(self.kick);
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_of_the_noise() {
        let mut noise = Noise::new(1, Stream::Wind);
        let draws: Vec<f64> = (0..200_000).map(|_| noise.normal(2.0)).collect();
        let count = draws.len() as f64;
        let mean = draws.iter().sum::<f64>() / count;
        let moment = |power: i32| draws.iter().map(|x| ((x - mean) / 2.0).powi(power)).sum::<f64>() / count;
        // Moments of the normal distribution: 0, 1, 0, 3; tolerances are four standard errors of each.
        assert!(mean.abs() < 4.0 * 2.0 / count.sqrt());
        assert!((moment(2) - 1.0).abs() < 4.0 * (2.0 / count).sqrt());
        assert!(moment(3).abs() < 4.0 * (15.0 / count).sqrt());
        assert!((moment(4) - 3.0).abs() < 4.0 * (96.0 / count).sqrt());
    }

    #[test]
    fn wandering_keeps_its_deviation_at_any_step() {
        for step_s in [0.01, 0.1] {
            let (mut noise, mut wander) = (Noise::new(3, Stream::Wind), Wander::new(1.5, 1.0, step_s));
            let squares: f64 = (0..200_000).map(|_| wander.step(&mut noise)).map(|x| x * x).sum();
            // 200,000 steps are 1,000 (10,000) independent spans of 2 s: 4 standard errors of the variance are 18 %.
            assert!((squares / 200_000.0 / 2.25 - 1.0).abs() < 0.18);
        }
    }
}
