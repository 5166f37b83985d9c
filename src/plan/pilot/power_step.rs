//! A step in power that speed, grade and wind do not explain: a heater, a compressor, the pack's own heating.
//!
//! Where roles tell what such consumers take, their jump tells it by name. Else the residual of the power over what speed and grade take
//! is summed up beyond a slack (Page's CUSUM, Biometrika 41, 1954): a step that lasts stands out, a hill or a gust does
//! not. Carries nothing forward itself.

use crate::plan::outlook::Guess;
use crate::plan::picture::PowerStep;
use crate::schema::Role;
use crate::time::Span;

/// The consumers that may step.
pub const CONSUMERS: [Role; 4] =
    [Role::HeaterPower, Role::CompressorPower, Role::BatteryHeaterPower, Role::AccessoryPower];
/// A consumer's jump beyond this over its own recent mean is a step, W; it ends below half: common practice, no source.
const JUMP_W: f64 = 800.0;
/// Its power is a mean over this, s, and what it took before one over that: common practice, no source.
const NOW_S: f64 = 30.0;
const BEFORE_S: f64 = 600.0;
/// It must have lasted, s.
const LASTS_S: f64 = 60.0;
/// More than this takes no climate and no heating of a pack, W; and a row longer than this, s, is none for the residual: common
/// practice, no source.
const MOST_W: f64 = 12_000.0;
const ROW_S: f64 = 2.0;
/// In the first minutes everything warms up, s.
const START_S: f64 = 600.0;
/// Slack of the residual, W: common practice, no source.
const SLACK_W: f64 = 800.0;
/// The residual's sum must exceed what traffic and hills make of it over this way, m, by so many standard deviations.
const OVER_M: f64 = 5_000.0;
const SDS: f64 = 5.0;
/// From this share of it on one waits what comes of it.
const DOUBT: f64 = 0.3;
/// And this, J: a rise of some 20 m that the course does not have.
const LEAST_J: f64 = 4e5;

/// One consumer's power.
#[derive(Clone, Copy, Debug, Default)]
struct Consumer {
    now: f64,
    before: f64,
    known: bool,
    since: Option<f64>,
}

/// Watches for steps.
#[derive(Clone, Debug, Default)]
pub struct Steps {
    consumers: [Consumer; CONSUMERS.len()],
    driven: f64,
    /// What the sums are held against, J.
    bound: f64,
    /// The residual's sums upwards and downwards, J; since when the first has grown, s; and what it summed.
    up: f64,
    up_time: f64,
    up_energy: f64,
    down: f64,
    /// A step by the residual: W, and since when, s.
    unnamed: Option<(f64, f64)>,
}

impl Steps {
    /// The consumers' powers of this moment, W, NaN where unknown.
    pub fn consumers(&mut self, dt: f64, drives: bool, powers: [f64; CONSUMERS.len()]) {
        self.driven += if drives { dt } else { 0.0 };
        let started = self.driven > START_S;
        for (consumer, power) in self.consumers.iter_mut().zip(powers) {
            if !power.is_finite() || power.abs() > 2.0 * MOST_W {
                consumer.known = false;
                consumer.since = None;
                continue;
            }
            if !std::mem::replace(&mut consumer.known, true) {
                (consumer.now, consumer.before) = (power, power);
            }
            consumer.now += (power - consumer.now) * (1.0 - libm::exp(-dt / NOW_S));
            match consumer.since {
                Some(_) if consumer.now < consumer.before + JUMP_W / 2.0 => consumer.since = None,
                Some(since) => consumer.since = Some(since + dt),
                None if started && consumer.now > consumer.before + JUMP_W => consumer.since = Some(dt),
                None => {
                    // What it falls by is believed sooner than what it rises by.
                    let time = if consumer.now < consumer.before || !started { 60.0 } else { BEFORE_S };
                    consumer.before += (consumer.now - consumer.before) * (1.0 - libm::exp(-dt / time));
                }
            }
        }
    }

    /// Whether the power of any that heats or cools is known: then the residual is not asked.
    pub fn has_climate(&self) -> bool {
        let climate = self.consumers.iter().zip(CONSUMERS).filter(|(_, role)| *role != Role::AccessoryPower);
        climate.into_iter().any(|(consumer, _)| consumer.known)
    }

    /// Power of all consumers now, W.
    pub fn consumed(&self) -> Option<f64> {
        let known = self.consumers.iter().filter(|consumer| consumer.known);
        (known.clone().count() > 0).then(|| known.map(|consumer| consumer.now).sum())
    }

    /// The residual of the power over what speed and grade take, W, over `dt` seconds; `wander`: variance per metre of what the
    /// road takes, J²/m.
    pub fn residual(&mut self, dt: f64, residual: f64, wander: f64) {
        // Over a long or late row a point's speed says nothing of the power; and no heater takes more than any does.
        if dt > ROW_S || residual.is_nan() || residual.abs() > 2.0 * MOST_W {
            self.interrupt();
            return;
        }
        let over = residual - self.unnamed.map_or(0.0, |(power, _)| power);
        let bound = (SDS * (wander * OVER_M).sqrt()).max(LEAST_J);
        self.bound = bound;
        self.up = (self.up + (over - SLACK_W) * dt).max(0.0);
        if self.up > 0.0 {
            self.up_time += dt;
            self.up_energy += over * dt;
        } else {
            (self.up_time, self.up_energy) = (0.0, 0.0);
        }
        self.down = if self.unnamed.is_some() { (self.down + (-over - SLACK_W) * dt).max(0.0) } else { 0.0 };
        if let Some((_, since)) = &mut self.unnamed {
            *since += dt;
        }
        if self.up > bound {
            let more = self.up_energy / self.up_time.max(1.0);
            let (power, since) = self.unnamed.unwrap_or((0.0, self.up_time));
            // What is more than climate or heating can be, or came at once, is a fault of what was expected.
            if self.up_time >= LASTS_S && power + more <= MOST_W {
                self.unnamed = Some((power + more, since));
            }
            (self.up, self.up_time, self.up_energy) = (0.0, 0.0, 0.0);
        } else if self.down > bound {
            self.unnamed = None;
        }
    }

    /// Whether something may have begun or ended: what the road takes is not learned from such a stretch.
    pub fn is_in_doubt(&self) -> bool {
        self.up.max(self.down) > DOUBT * self.bound
    }

    /// The residual says nothing of what comes after this: a turn, a stop.
    pub fn interrupt(&mut self) {
        (self.up, self.up_time, self.up_energy, self.down) = (0.0, 0.0, 0.0, 0.0);
    }

    /// The step that lasts now: that of the named consumer that takes the most more, else the residual's.
    pub fn now(&self) -> Option<PowerStep> {
        let named = self.consumers.iter().zip(CONSUMERS).filter_map(|(consumer, role)| {
            let since = consumer.since.filter(|since| *since >= LASTS_S)?;
            Some(PowerStep { power: consumer.now - consumer.before, since: Span::from_seconds(since), by: Some(role) })
        });
        named.max_by(|a, b| a.power.total_cmp(&b.power)).or_else(|| {
            let (power, since) = self.unnamed?;
            Some(PowerStep { power, since: Span::from_seconds(since), by: None })
        })
    }

    /// What the unnamed step adds to the power ahead, W: named ones are among the consumers, which go forward as they are.
    pub fn unnamed(&self) -> Guess {
        self.unnamed.map_or(Guess::default(), |(power, _)| Guess::new(power, 0.3 * power.abs()))
    }
}
