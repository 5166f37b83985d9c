//! Seeded chance (ChaCha), the same on every machine; each purpose has a stream of its own, so that drives of one test under
//! different rules meet the same weather.
//!
//! Does not know what is drawn.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// A stream of random numbers.
#[derive(Clone)]
pub struct Chance {
    rng: ChaCha8Rng,
    spare: Option<f64>,
}

impl Chance {
    /// The stream of a test for a purpose.
    pub fn of(seed: u64, purpose: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(purpose);
        Self { rng, spare: None }
    }
    /// Evenly from 0 to 1.
    pub fn share(&mut self) -> f64 {
        (self.rng.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.share()
    }
    pub fn one_in(&mut self, n: f64) -> bool {
        self.share() * n < 1.0
    }
    pub fn below(&mut self, n: usize) -> usize {
        ((self.share() * n as f64) as usize).min(n - 1)
    }
    /// Normal with a standard deviation (Box and Muller 1958, doi:10.1214/aoms/1177706645).
    pub fn normal(&mut self, deviation: f64) -> f64 {
        let unit = self.spare.take().unwrap_or_else(|| {
            let radius = (-2.0 * libm::log(1.0 - self.share())).sqrt();
            let (sine, cosine) = libm::sincos(std::f64::consts::TAU * self.share());
            self.spare = Some(radius * sine);
            radius * cosine
        });
        deviation * unit
    }
    /// Nearly normal with a standard deviation, never beyond 3.5 of them, and cheap: the sum of four even numbers.
    pub fn bell(&mut self, deviation: f64) -> f64 {
        let bits = self.rng.next_u64();
        let sum: u32 = (0..4).map(|part| u32::from((bits >> (16 * part)) as u16)).sum();
        // Four even numbers from 0 to 1 have the mean 2 and the variance 4/12.
        deviation * (f64::from(sum) / 65_536.0 - 2.0) * 3f64.sqrt()
    }
}

/// A random walk that forgets (Ornstein and Uhlenbeck), stepped each second.
#[derive(Clone, Copy)]
pub struct Drift {
    pub value: f64,
    keep: f64,
    add: f64,
}

impl Drift {
    /// With this standard deviation and this time to forget, s; it begins at `value`.
    pub fn new(value: f64, deviation: f64, time_s: f64) -> Self {
        let keep = libm::exp(-1.0 / time_s);
        Self { value, keep, add: deviation * (1.0 - keep * keep).sqrt() }
    }
    pub fn step(&mut self, chance: &mut Chance) -> f64 {
        self.value = self.value * self.keep + chance.bell(self.add);
        self.value
    }
}
