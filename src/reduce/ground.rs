//! Distance over the ground by the satellite receiver, and what it says of the wheels' scale.
//!
//! Between fixes the receiver's Doppler speed is integrated; where it says none, the line through the fixes is followed
//! while the car moves, in chords long enough that noise hardly lengthens them; where the receiver is silent (tunnel,
//! start, loss), the wheels' way is taken, times the ratio that both have where both are seen.
//!
//! Takes no height into account and matches no map.

pub mod clean;
pub mod path;
mod wheel;

use super::estimate::{Estimate, Kind};
use super::fill::Fill;
use super::input::RunInput;
use super::reduction::Test;
use super::sources;
use super::speed_check::Dials;
use crate::format;
use clean::Clean;
use path::{CHORD_M, How, Path, Stretch};
use wheel::Wheel;

/// Scale of a receiver's speed over the ground, in parts: its filter in bends, the slope of the road: common practice, no source.
pub(super) const SPEED_SCALE: f64 = 0.001;
/// Scale of the line through the fixes, in parts, chords and filter: common practice, no source.
const LINE_SCALE: f64 = 0.003;
/// Noise of a receiver's speed, m/s, and how long it keeps its sign, s: common practice, no source.
const SPEED_NOISE: (f64, f64) = (0.1, 10.0);
/// Noise of a position at a dilution of 1, m: common practice, no source.
const PLACE_NOISE_M: f64 = 2.0;
/// Of a way without wheels or fixes, known by its chord alone, the true one may be longer by this much, in parts: common
/// practice, no source.
const APART: f64 = 0.05;
/// Over a part of the way that the receiver did not see, the wheels' scale may differ (warmth and pressure of the tyres)
/// by this much, in parts: common practice, no source.
const TYRE_DRIFT: f64 = 0.003;
/// The ratio to the wheels needs this much way, m, and so many minutes.
const RATIO_M: f64 = 5_000.0;
const RATIO_MINUTES: usize = 5;
/// A minute whose ratio is off the median by this much, in parts, and m, is one in which a signal was stuck or jumped.
const OFF: (f64, f64) = (0.1, 60.0);
/// The distance is measured where the receiver saw at least this share of it.
const SEEN_MIN: f64 = 0.5;

/// What the receiver says.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Ground {
    /// Distance over the ground, m; `None` where the receiver saw too little of it.
    pub distance: Option<Estimate>,
    /// True metres per metre by the wheels; `None` where too little was seen by both.
    pub scale: Option<Estimate>,
    /// Share of the distance by the receiver's speed, by the line through the fixes, by the wheels in place of the receiver.
    pub shares: [f64; 3],
    /// Fixes put aside because they jump.
    pub jumps: usize,
    /// Fixes put aside because the position stood still while the car drove.
    pub stuck: usize,
    /// When wheels and receiver contradict each other.
    pub contradictions: Vec<Contradiction>,
    /// For how long in all, s.
    pub contradicted: f64,
    /// What the wheels' distance lacks (or has too much of) in that time, m.
    pub wheels_lack: f64,
    /// The dial beside the receiver's speed.
    pub dials: Dials,
}

/// A minute in which wheels and receiver contradict each other.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Contradiction {
    /// In which run.
    pub run: usize,
    /// From, s of run time.
    pub from: f64,
    /// To.
    pub to: f64,
}

/// A minute in which receiver and wheels were seen: since when, both ways, m.
#[derive(Clone, Copy)]
struct Minute {
    number: (usize, i64),
    seconds: f64,
    ground: f64,
    wheels: f64,
}

/// Sums over the runs.
#[derive(Default)]
struct Way {
    by_speed: f64,
    speed_seconds: f64,
    by_line: f64,
    /// What noise may have added to the chords, m.
    noise: f64,
    /// Way known by a chord alone, m.
    apart: f64,
    /// The wheels' way where the receiver is silent, m, and the sum of its squares.
    bridged: f64,
    bridged_squares: f64,
    minutes: Vec<Minute>,
    dials: Dials,
}

impl Way {
    /// What the receiver saw, m.
    fn seen(&self) -> f64 {
        self.by_speed + self.by_line
    }
    /// What its noise adds to that, m.
    fn noise_u(&self) -> f64 {
        let (noise, keeps) = SPEED_NOISE;
        (noise * (keeps * self.speed_seconds).sqrt()).hypot(self.noise)
    }
}

pub(super) fn of(test: &Test<'_>, problems: &mut Vec<String>) -> Ground {
    let mut ground = Ground::default();
    if test.runs.iter().all(|run| run.fixes.is_empty()) {
        return ground;
    }
    let mut way = Way::default();
    for (number, (run, fills)) in test.runs.iter().zip(&test.fills).enumerate() {
        let path = path(run, fills);
        tell(run, &path, problems);
        ground.jumps += path.jumps;
        ground.stuck += path.stuck;
        Walk::new(number, run, fills, &mut way).through(&path);
    }
    let ratio = Ratio::of(&mut way.minutes);
    if let Some(ratio) = &ratio {
        ground.contradictions = ratio.contradictions.clone();
        ground.contradicted = ratio.contradicted;
        ground.wheels_lack = ratio.wheels_lack;
        if ratio.contradicted > 0.0 {
            let time = format::time(ratio.contradicted);
            problems.push(format!(
                "wheel speed and satellite receiver contradict each other for {time}: left out of their ratio"
            ));
        }
    }
    distance(&way, ratio.as_ref(), test.tolerances.speed_scale, &mut ground);
    let moved = ground.shares.iter().sum::<f64>() > 0.0;
    if ground.distance.is_none() && moved {
        let why = if ground.shares[2] > 1.0 - SEEN_MIN {
            "the receiver saw less than half of the way"
        } else {
            "the receiver was silent for too long, and too little was seen to bridge that by the wheels"
        };
        problems.push(format!("distance by satellite fixes is not measured: {why}"));
    }
    ground.dials = way.dials;
    ground
}

/// A run's way as its fixes tell it, or as it was kept when they were left out.
pub(super) fn path(run: &RunInput, fills: &[Fill]) -> Path {
    match &run.unplaced {
        Some(unplaced) => unplaced.path(),
        None => Path::of(&run.fixes, &Clean::of(run, &mut Wheel::of(run, fills))),
    }
}

/// A run's fixes that are believed, in order.
pub(super) fn line(run: &RunInput, fills: &[Fill], mut each: impl FnMut(&super::input::Fix)) {
    let clean = Clean::of(run, &mut Wheel::of(run, fills));
    clean.kept(&run.fixes).for_each(|kept| each(kept.fix));
}

fn tell(run: &RunInput, path: &Path, problems: &mut Vec<String>) {
    let fixes = |count: usize| format!("{} fix{}", format::count(count as u64), if count == 1 { "" } else { "es" });
    if path.jumps > 0 {
        problems.push(format!("{}: {} off the line left out", run.name, fixes(path.jumps)));
    }
    if path.stuck > 0 {
        let stuck = fixes(path.stuck);
        problems.push(format!("{}: {stuck} left out: the position stood still while the car drove", run.name));
    }
}

fn distance(way: &Way, ratio: Option<&Ratio>, wheels_u: f64, ground: &mut Ground) {
    let scale = ratio.map_or(1.0, |ratio| ratio.value);
    let parts = [way.by_speed, way.by_line + way.apart, scale * way.bridged];
    let whole: f64 = parts.iter().sum();
    if whole.is_nan() || whole <= 0.0 {
        return;
    }
    ground.shares = parts.map(|part| part / whole);
    let unseen = (way.apart + parts[2]) / whole;
    if let Some(ratio) = ratio {
        ground.scale = Some(
            Estimate::exact(scale)
                .with_b(sources::SATELLITE_SPEED, scale * ratio.scale_u(way))
                .with_b(sources::SATELLITE_NOISE, scale * way.noise_u() / way.seen())
                .with(sources::WHEEL_RATIO, scale * ratio.mean_u, Kind::A, Some(ratio.minutes as f64 - 1.0))
                .with_b(sources::TYRE_DRIFT, scale * TYRE_DRIFT * unseen),
        );
    }
    if unseen > 1.0 - SEEN_MIN || (ratio.is_none() && parts[2] > 0.1 * whole) {
        return;
    }
    let scatter = ratio.map_or(TYRE_DRIFT, |ratio| ratio.scatter.hypot(TYRE_DRIFT));
    let scaled = SPEED_SCALE * (way.by_speed + parts[2]) + LINE_SCALE * way.by_line;
    ground.distance = Some(
        Estimate::exact(whole)
            .with_b(sources::SATELLITE_SPEED, scaled)
            .with_b(sources::SATELLITE_NOISE, way.noise_u())
            .with_b(sources::BRIDGED, scale * scatter * way.bridged_squares.sqrt())
            .with_bound(sources::FIXES_APART, APART * way.apart)
            // Without a ratio of this drive the wheels bridge at their own scale.
            .with_b(sources::SPEED_SCALE, if ratio.is_none() { wheels_u * parts[2] } else { 0.0 }),
    );
}

/// The ratio of ground to wheels over the minutes in which both were seen.
struct Ratio {
    value: f64,
    /// Standard deviation of a minute's ratio and of the mean, in parts.
    scatter: f64,
    mean_u: f64,
    minutes: usize,
    contradictions: Vec<Contradiction>,
    contradicted: f64,
    wheels_lack: f64,
}

impl Ratio {
    fn of(minutes: &mut [Minute]) -> Option<Self> {
        let mut known: Vec<f64> = minutes.iter().filter(|m| m.wheels > 100.0).map(|m| m.ground / m.wheels).collect();
        if known.len() < RATIO_MINUTES {
            return None;
        }
        known.sort_unstable_by(f64::total_cmp);
        let median = known[known.len() / 2];
        let is_off = |m: &Minute| {
            let lack = m.ground - median * m.wheels;
            lack.abs() > OFF.1 && lack.abs() > OFF.0 * median * m.wheels.max(1.0)
        };
        let (mut ground, mut wheels, mut count) = (0.0, 0.0, 0usize);
        let (mut contradictions, mut contradicted, mut wheels_lack) = (Vec::new(), 0.0, 0.0);
        for minute in minutes.iter() {
            if is_off(minute) {
                let (run, from) = (minute.number.0, minute.number.1 as f64 * 60.0);
                contradictions.push(Contradiction { run, from, to: from + 60.0 });
                contradicted += minute.seconds;
                wheels_lack += minute.ground / median - minute.wheels;
            } else {
                (ground, wheels) = (ground + minute.ground, wheels + minute.wheels);
                count += usize::from(minute.wheels > 100.0);
            }
        }
        let value = ground / wheels;
        if !(value.is_finite() && ground > RATIO_M && count >= RATIO_MINUTES) {
            return None;
        }
        let sound = minutes.iter().filter(|m| m.wheels > 100.0 && !is_off(m));
        let squares: f64 = sound.map(|m| (m.ground / (value * m.wheels) - 1.0).powi(2)).sum();
        let scatter = (squares / (count as f64 - 1.0)).sqrt();
        let mean_u = scatter / (count as f64).sqrt();
        Some(Self { value, scatter, mean_u, minutes: count, contradictions, contradicted, wheels_lack })
    }

    /// How well the receiver's own scale is known, in parts, by what the minutes rest on.
    fn scale_u(&self, way: &Way) -> f64 {
        (SPEED_SCALE * way.by_speed + LINE_SCALE * way.by_line) / way.seen()
    }
}

/// A walk along the way of a run.
struct Walk<'a, 'w> {
    number: usize,
    run: &'a RunInput,
    wheel: Wheel<'a>,
    way: &'w mut Way,
}

impl<'a, 'w> Walk<'a, 'w> {
    fn new(number: usize, run: &'a RunInput, fills: &'a [Fill], way: &'w mut Way) -> Self {
        Self { number, run, wheel: Wheel::of(run, fills), way }
    }

    fn through(mut self, path: &Path) {
        let (Some(start), Some(end)) = (self.run.summary.seconds.first(), self.run.summary.seconds.last()) else {
            return;
        };
        if let Some((first, _)) = path.ends {
            self.bridge(start.t, first, None);
        }
        for Stretch { from, to, how } in &path.stretches {
            match *how {
                How::Speed(speeds) => self.by_speed(*from, *to, speeds),
                How::Line { metres, dilution } => self.by_line(*from, *to, metres, dilution),
                How::Unknown { straight } => self.bridge(*from, *to, straight),
            }
        }
        self.bridge(path.ends.map_or(start.t, |(_, last)| last), end.t, None);
    }

    /// Whether the car stood; by the wheels, else by the receiver.
    fn stood(&mut self, from: f64, to: f64, speed: f64) -> bool {
        if self.wheel.is_observed(from, to) && speed < 3.0 {
            return self.wheel.distance(to) - self.wheel.distance(from) == 0.0;
        }
        speed < 0.5
    }

    fn by_speed(&mut self, from: f64, to: f64, [first, last]: [f64; 2]) {
        let (mean, dt) = ((first + last) / 2.0, to - from);
        // A receiver that stands still reads some speed all the same.
        if self.stood(from, to, mean) {
            return;
        }
        self.way.by_speed += mean * dt;
        self.way.speed_seconds += dt;
        self.see(from, to, mean * dt);
        self.wheel.distance((from + to) / 2.0);
        if let Some(second) = self.wheel.second() {
            self.way.dials.see(mean, (last - first) / dt, f64::from(second.speed_displayed), dt);
        }
    }

    fn by_line(&mut self, from: f64, to: f64, length: f64, dilution: f64) {
        if to <= from || self.stood(from, to, length / (to - from)) {
            return;
        }
        let noise = PLACE_NOISE_M * if dilution.is_finite() { dilution.clamp(0.5, 10.0) } else { 1.0 };
        // Across the line, two ends of a chord each err by so much; the line grows by half its square over the length.
        self.way.noise += noise * noise / length.max(CHORD_M);
        self.way.by_line += length;
        self.see(from, to, length);
    }

    /// Beside the wheels, minute by minute.
    fn see(&mut self, from: f64, to: f64, ground: f64) {
        if !self.wheel.is_observed(from, to) {
            return;
        }
        let wheels = self.wheel.distance(to) - self.wheel.distance(from);
        let number = (self.number, (to / 60.0).floor() as i64);
        let seconds = to - from;
        match self.way.minutes.last_mut().filter(|minute| minute.number == number) {
            Some(minute) => {
                minute.seconds += seconds;
                minute.ground += ground;
                minute.wheels += wheels;
            }
            None => self.way.minutes.push(Minute { number, seconds, ground, wheels }),
        }
    }

    fn bridge(&mut self, from: f64, to: f64, straight: Option<f64>) {
        if to <= from {
            return;
        }
        if self.wheel.exists {
            let way = self.wheel.filled(from, to);
            self.way.bridged += way;
            self.way.bridged_squares += way * way;
        } else if let Some(straight) = straight {
            self.way.apart += straight;
        }
    }
}

#[cfg(test)]
mod tests;
