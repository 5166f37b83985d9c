//! Energy per distance ahead, out and back: from what this drive's stretches took, each cleared of what will not come again.
//!
//! A stretch of some 2 km took, per metre, m + s d + a exp(-t / tau) + c rise / length: a mean, half the difference of the directions
//! (s is +1 out and -1 back), the start's warming up, and the road's rise. A priori the direction not yet driven is known to 5 %.
//! Left out of a stretch: energy of motion gained, climate and accessories where roles tell them (they are carried
//! forward at their own power), and a step in power that is named apart. Knows no charge and no plan.

use super::normal::Normal;
use crate::course::Direction;
use crate::plan::outlook::Guess;

/// Unknowns: mean, half the difference, warming up, energy per rise.
const N: usize = 4;
/// Energy per distance of a car of which nothing is known, J/m, and its standard deviation, alone and with a trailer: 180 and 300
/// Wh/km, a third more or less; common practice, no source.
const UNKNOWN: [Guess; 2] = [Guess::new(650.0, 215.0), Guess::new(1_080.0, 360.0)];
/// Energies per distance that any car may take, J/m.
const SANE: std::ops::Range<f64> = 50.0..20_000.0;
/// A claim of the energy per distance is known no better than this, in parts (weather, load): common practice, no source.
const CLAIM_U: f64 = 0.05;
/// The other direction takes so much more or less, in parts, one standard deviation: 4 to 6 %, common practice, no source. The
/// two differ by twice the unknown.
const OTHER_WAY: f64 = 0.05;
/// Warming up at first, in parts of the energy per distance, and its standard deviation, and how fast it goes, s of driving: common
/// practice, no source.
const WARM: Guess = Guess::new(0.06, 0.06);
const WARM_S: f64 = 600.0;
/// Mass with all aboard, kg, and its standard deviation, in parts: common practice, no source. With a trailer half as much again.
const MASS: (f64, f64) = (2_000.0, 0.2);
/// From terminals to height: as [`crate::reduce::conditions`] has it.
const EFFICIENCY: f64 = 0.9;
const GRAVITY: f64 = 9.806_65;
/// Length of a stretch, m, and the least of one that a turn or a stop cuts short.
const STRETCH_M: f64 = 2_000.0;
const SHORT_M: f64 = 500.0;
/// A direction is new for so many m, and what is off by so many standard deviations there is the wind.
const NEW_M: f64 = 10_000.0;
const SURPRISE: f64 = 2.5;
/// A kilometre differs from the next by this, in parts, before the drive has shown it, and what that counts for: common practice, no
/// source.
const PER_KM: f64 = 0.1;
const PRIOR_STRETCHES: f64 = 8.0;
/// Weather changes: mean and difference drift by so much over 100 km, in parts: common practice, no source.
const DRIFT: f64 = 0.01;
/// What is known of the road ahead is never better than this, in parts: common practice, no source.
const FLOOR: f64 = 0.01;
/// Energy per distance grows with the speed to this power about motorway speed, and how well that is known: with half of it drag, v²
/// gives 1; common practice, no source.
const BY_SPEED: (f64, f64) = (1.0, 0.5);
/// Climate and accessories ahead are known to this, W, and this share of how much they exceed the least seen: common
/// practice, no source.
const AUX_U: (f64, f64) = (150.0, 0.3);

/// Their power now is a mean over this, s.
const AUX_S: f64 = 90.0;
/// Climate and accessories once all is warm, W: common practice, no source.
const AUX_STEADY_W: f64 = 1_000.0;

/// What a part of a stretch took.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Part {
    /// How long it took, s.
    pub dt: f64,
    /// Distance, m.
    pub distance: f64,
    /// Energy, J.
    pub energy: f64,
    /// Energy of climate and accessories where roles tell it, J.
    pub aux: f64,
    /// Energy of a step in power that is named apart, J.
    pub stepped: f64,
    /// Speed before and after, m/s.
    pub speeds: [f64; 2],
    /// Rise, m.
    pub rise: f64,
}

/// A stretch so far.
#[derive(Clone, Copy, Debug, Default)]
struct Stretch {
    dt: f64,
    distance: f64,
    energy: f64,
    rise: f64,
    first_speed: Option<f64>,
    last_speed: f64,
    /// Its end in driving time, s.
    driven: f64,
}

/// Energy per distance ahead.
#[derive(Clone, Debug)]
pub struct Ahead {
    state: Normal<N>,
    target: Option<f64>,
    stretch: Stretch,
    /// Driven, s and m by direction.
    driven: f64,
    seen: [f64; 2],
    /// Sum of squared residuals times their lengths (J²/m), and how many.
    wander: (f64, f64),
    /// Climate and accessories: recent mean and least, W.
    aux: Option<(f64, f64)>,
}

fn sign(direction: Direction) -> f64 {
    direction.sign()
}

impl Ahead {
    /// Before the drive.
    pub fn new(prior: Option<Guess>, target: Option<f64>, trailer: bool) -> Self {
        let sound = |guess: &Guess| SANE.contains(&guess.mean) && guess.u.is_finite();
        let known =
            prior.filter(sound).map(|guess| Guess::new(guess.mean, guess.u.clamp(CLAIM_U * guess.mean, guess.mean)));
        let mean = known.unwrap_or(UNKNOWN[usize::from(trailer)]);
        let mass = MASS.0 * if trailer { 1.5 } else { 1.0 };
        let lift = mass * GRAVITY / EFFICIENCY;
        let start = Normal::independent(
            [mean.mean, 0.0, WARM.mean * mean.mean, lift],
            [mean.u, OTHER_WAY / 2.0 * mean.mean, WARM.u * mean.mean, MASS.1 * lift],
        );
        Self {
            state: start,
            target: target.filter(|target| (1.0..100.0).contains(target)),
            stretch: Stretch::default(),
            driven: 0.0,
            seen: [0.0; 2],
            wander: (PRIOR_STRETCHES * (PER_KM * mean.mean).powi(2) * 1e3, PRIOR_STRETCHES),
            aux: None,
        }
    }

    /// Mass with all aboard as it is taken, kg.
    fn mass(&self) -> f64 {
        (self.state.mean[3] * EFFICIENCY / GRAVITY).clamp(0.5 * MASS.0, 3.0 * MASS.0)
    }

    /// Energy to come from a speed to the speed of the rest, m/s, J.
    pub fn to_speed(&self, now: f64, ahead: f64) -> Guess {
        let more = (ahead * ahead - now * now).max(0.0);
        let energy = self.mass() / 2.0 * more / EFFICIENCY;
        Guess::new(energy, MASS.1 * energy)
    }

    /// Power of climate and accessories now, W, over a step of so many seconds.
    pub fn aux(&mut self, power: f64, dt: f64) {
        if self.aux.is_none() {
            // What was given beforehand holds some of it, and most of warming up is it.
            let speed = self.target.unwrap_or(30.0);
            self.state.mean[0] -= AUX_STEADY_W / speed;
            self.state.drift(0, (AUX_STEADY_W / speed / 2.0).powi(2));
            self.state.mean[2] *= 0.4;
            self.state.cov[2][2] *= 0.4 * 0.4;
        }
        let (mean, least) = self.aux.get_or_insert((power, power));
        *mean += (power - *mean) * (1.0 - libm::exp(-dt / AUX_S));
        *least = least.min(*mean);
    }

    /// Power over what speed, rise and the direction's own mean take, W, at about the target speed; `None` where the direction is
    /// new, or the speed another.
    pub fn residual(&self, direction: Direction, part: &Part) -> Option<f64> {
        let speed = part.distance / part.dt;
        let target = self.target.unwrap_or(speed);
        if !self.has_seen(direction) || !(0.85 * target..1.15 * target).contains(&speed) {
            return None;
        }
        let weights = [1.0, sign(direction), libm::exp(-self.driven / WARM_S), part.rise / part.distance];
        let expected = self.state.mean_of(&weights) * (speed / target);
        let gained = self.mass() / 2.0 * (part.speeds[1].powi(2) - part.speeds[0].powi(2)) / EFFICIENCY;
        Some((part.energy - part.aux - gained) / part.dt - expected * speed)
    }

    /// A part of the drive in a direction.
    pub fn part(&mut self, direction: Direction, part: &Part) {
        self.driven += part.dt;
        self.seen[usize::from(direction == Direction::Back)] += part.distance;
        let stretch = &mut self.stretch;
        stretch.first_speed.get_or_insert(part.speeds[0]);
        stretch.last_speed = part.speeds[1];
        stretch.dt += part.dt;
        stretch.distance += part.distance;
        stretch.energy += part.energy - part.aux - part.stepped;
        stretch.rise += part.rise;
        stretch.driven = self.driven;
        if stretch.distance >= STRETCH_M {
            self.close(direction);
        }
    }

    /// The stretch ends here: a turn, a stop, or something unobserved.
    pub fn cut(&mut self, direction: Direction) {
        if self.stretch.distance >= SHORT_M {
            self.close(direction);
        }
        self.stretch = Stretch::default();
    }

    /// What the stretch under way took says nothing.
    pub fn drop_stretch(&mut self) {
        self.stretch = Stretch::default();
    }

    fn close(&mut self, direction: Direction) {
        let stretch = std::mem::take(&mut self.stretch);
        let (length, speed) = (stretch.distance, stretch.distance / stretch.dt.max(1e-3));
        let speeds = [stretch.first_speed.unwrap_or(speed), stretch.last_speed];
        let gained = self.mass() / 2.0 * (speeds[1] * speeds[1] - speeds[0] * speeds[0]);
        // What is gained in motion costs more than it gives back.
        let motion = if gained > 0.0 { gained / EFFICIENCY } else { gained * 0.7 };
        let took = (stretch.energy - motion) / length;
        let target = self.target.unwrap_or(speed);
        let slower = libm::log(target / speed.max(1.0)).clamp(-0.5, 1.5);
        let seen = took * (1.0 + BY_SPEED.0 * slower);
        let weights = [1.0, sign(direction), libm::exp(-stretch.driven / WARM_S), stretch.rise / length];
        let off = seen - self.state.mean_of(&weights);
        let by_speed = took * BY_SPEED.1 * slower;
        let by_motion = 0.2 * motion / length;
        let noise = self.per_metre_wander() / length + by_speed * by_speed + by_motion * by_motion;
        if self.seen[usize::from(direction == Direction::Back)] < NEW_M {
            // A wind that is far from what was thought shows in the first stretches of a direction.
            let surprise = off * off / (self.state.variance_of(&weights) + noise);
            if surprise > SURPRISE * SURPRISE {
                // So that what is known of the other direction stays.
                let most = 0.6 * self.state.mean[0];
                self.state.drift_along(&[0.5, sign(direction) / 2.0, 0.0, 0.0], off.abs().min(most).powi(2));
            }
        }
        let expected = self.state.variance_of(&weights) + noise;
        // Beyond four of what is expected it is no longer what the road takes (a tow, a ferry, a fault).
        let capped = off.clamp(-4.0 * expected.sqrt(), 4.0 * expected.sqrt());
        if slower.abs() < 0.1 && self.seen[usize::from(direction == Direction::Back)] > 2.0 * STRETCH_M {
            let own = (capped * capped - self.state.variance_of(&weights)).max(0.0);
            self.wander.0 += own.min(9.0 * self.per_metre_wander() / length) * length;
            self.wander.1 += 1.0;
        }
        self.state.observe(&weights, capped, noise);
        let drift = (DRIFT * self.state.mean[0]).powi(2) * length / 100_000.0;
        self.state.drift(0, drift);
        self.state.drift(1, drift);
        self.state.mean[0] = self.state.mean[0].max(50.0);
    }

    /// Variance per metre of what differs from one stretch to the next, J²/m.
    pub fn per_metre_wander(&self) -> f64 {
        self.wander.0 / self.wander.1
    }

    /// Whether a direction was driven long enough to be told by itself.
    pub fn has_seen(&self, direction: Direction) -> bool {
        self.seen[usize::from(direction == Direction::Back)] >= 4.0 * STRETCH_M
    }

    /// Energy of a metre of rise, J/m.
    pub fn per_rise(&self) -> Guess {
        Guess::new(self.state.mean[3], self.state.cov[3][3].sqrt())
    }

    /// Energy per distance on the level out and back at a speed (m/s), with a step in power (W) carried forward, and how far the
    /// two err together. `rest`: about the distance ahead, m, over which warming up still tells.
    pub fn per_metre(&self, speed: f64, step: Guess, rest: f64) -> ([Guess; 2], f64) {
        let speed = speed.max(5.0);
        let warming = libm::exp(-self.driven / WARM_S) * (WARM_S * speed / rest.max(1_000.0)).min(1.0);
        let aux = self.aux_ahead();
        let both = [aux, step].map(|power| Guess::new(power.mean / speed, power.u / speed));
        let common = both[0].plus(both[1]);
        let weights = |direction: Direction| [1.0, sign(direction), warming, 0.0];
        let [out, back] = [weights(Direction::Out), weights(Direction::Back)];
        let floor = (FLOOR * self.state.mean[0]).powi(2) + common.u * common.u;
        let of = |weights: &[f64; N]| {
            let u = (self.state.variance_of(weights) + floor).sqrt();
            Guess::new((self.state.mean_of(weights) + common.mean).max(50.0), u)
        };
        let guesses = [of(&out), of(&back)];
        let together = (self.state.covariance_of(&out, &back) + floor) / (guesses[0].u * guesses[1].u);
        (guesses, together.clamp(0.0, 1.0))
    }

    /// Climate and accessories ahead: as of late, less what is the start's warming up.
    fn aux_ahead(&self) -> Guess {
        let Some((mean, least)) = self.aux else { return Guess::default() };
        let start = libm::exp(-self.driven / WARM_S);
        let steady = mean.min(AUX_STEADY_W);
        let expected = mean + (steady - mean) * start;
        Guess::new(expected, AUX_U.0.hypot(AUX_U.1 * (mean - least)).hypot(0.5 * start * (mean - steady)))
    }
}
