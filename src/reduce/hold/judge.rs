//! Second by second: within the tolerance or not, and if not, why.
//!
//! What was slow in a span that was not held belongs to the turn or the stop that lies in it and near; else it is the
//! course's or the traffic's. What was fast is too fast. Forms no figure.

use super::super::fold::Step;
use super::super::ground::Ground;
use super::super::input::{Missing, RunInput};
use super::super::legs::Legs;
use super::super::legs::along::Turn;
use super::super::portion::Portion;
use super::super::reduction::Test;
use crate::ledger::Phase;
use crate::quantity::Metre;
use crate::time::WallClock;

/// A car slower than this stands, m/s.
const STANDS: f64 = 0.5;
/// Slowing down for a turn or a stop, its own way and speeding up again lie within this of it, m: common practice, no source.
const TURN_M: f64 = 1_500.0;
const STOP_M: f64 = 700.0;
/// Seconds further apart say nothing of the speed between them, s.
const APART_S: f64 = 5.0;
/// Runs that follow each other so soon are one drive, s.
const JOINED_S: f64 = 2.0;

/// Why a second was not held.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Why {
    /// Turning round, with the way from and back to the target speed.
    Turn,
    /// Standing, with the way from and back to it; the drive's begin and end.
    Stop,
    /// The course asks for another speed.
    Course,
    /// Too slow for no other reason.
    Traffic,
    /// Too fast.
    Above,
    /// The card leaves the time out.
    Card,
    /// The speed is not known.
    Unknown,
}

impl Why {
    /// All, in the order in which they are told.
    pub const ALL: [Self; 7] =
        [Self::Turn, Self::Stop, Self::Course, Self::Traffic, Self::Above, Self::Card, Self::Unknown];

    /// As programs read it.
    pub fn key(self) -> &'static str {
        match self {
            Self::Turn => "turn",
            Self::Stop => "stop",
            Self::Course => "course",
            Self::Traffic => "traffic",
            Self::Above => "above",
            Self::Card => "card",
            Self::Unknown => "unknown",
        }
    }

    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Turn => "turns",
            Self::Stop => "stops",
            Self::Course => "the course's own speeds",
            Self::Traffic => "traffic (too slow)",
            Self::Above => "too fast",
            Self::Card => "left out by the card",
            Self::Unknown => "speed not known",
        }
    }
}

/// Sums over some seconds; metres by the wheels, speeds true.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Part {
    /// s.
    pub seconds: f64,
    /// m.
    pub metres: f64,
    /// Of speed times time, m.
    pub speed: f64,
    /// Of its square times time, m²/s.
    pub speed_squared: f64,
}

impl Part {
    fn add(&mut self, seconds: f64, metres: f64, speed: f64) {
        let speed = if speed.is_finite() { speed } else { 0.0 };
        let metres = if metres.is_finite() { metres } else { 0.0 };
        self.seconds += seconds;
        self.metres += metres;
        self.speed += speed * seconds;
        self.speed_squared += speed * speed * seconds;
    }
    /// Both together.
    pub fn plus(&self, other: &Self) -> Self {
        Self {
            seconds: self.seconds + other.seconds,
            metres: self.metres + other.metres,
            speed: self.speed + other.speed,
            speed_squared: self.speed_squared + other.speed_squared,
        }
    }
}

/// What came of it.
#[derive(Debug, Default)]
pub(super) struct Judged {
    /// Within the tolerance: as the scale says, and one standard uncertainty of it lower and higher.
    pub held: [Part; 3],
    /// Not within it, by why.
    pub outside: Vec<(Why, Part)>,
    /// Metres by the wheels and seconds of the longest held stretch.
    pub longest: (f64, f64),
    /// Held seconds in which the pack's power was observed.
    pub portion: Portion,
    /// Over these: half of what the square of the wheels' speed gained from start to end of every stretch, m²/s².
    pub half_squares: f64,
    /// Every second whose speed is known: why it was not held, true speed, m/s, and metres by the wheels.
    pub seconds: Vec<(Option<Why>, f64, f64)>,
}

/// What it judges by; speeds in m/s, true.
pub(super) struct Judge<'a> {
    pub test: &'a Test<'a>,
    pub legs: &'a Legs,
    pub ground: &'a Ground,
    pub target: f64,
    pub tolerance: f64,
    /// True metres per metre by the wheels, and its standard uncertainty.
    pub scale: f64,
    pub scale_u: f64,
}

/// A slow second: how far into its span it lies, m by the wheels, its time, way and true speed.
struct Slow {
    at: f64,
    seconds: f64,
    metres: f64,
    speed: f64,
}

/// A span that was not held, under way.
#[derive(Default)]
struct Under {
    way: f64,
    slow: Vec<Slow>,
    course: Part,
    fast: Part,
    turns: Vec<f64>,
    stops: Vec<f64>,
}

/// A held stretch under way.
#[derive(Default)]
struct Stretch {
    metres: f64,
    seconds: f64,
    /// Wheel speed at its start and end, m/s, of what is observed of it.
    speeds: Option<(f64, f64)>,
}

/// A second, where it is, and the wheels' speed in the one before.
struct Moment<'a> {
    number: usize,
    run: &'a RunInput,
    step: Step<'a>,
    before: Option<f64>,
}

/// What is under way, and what came of it so far.
#[derive(Default)]
struct Walk {
    span: Under,
    stretch: Stretch,
    judged: Judged,
}

impl Judge<'_> {
    pub fn all(&self) -> Judged {
        let mut walk = Walk::default();
        walk.judged.outside = Why::ALL.map(|why| (why, Part::default())).to_vec();
        let runs = self.test.runs;
        let first = runs.iter().position(|run| run.summary.moving.is_some());
        let last = runs.iter().rposition(|run| run.summary.moving.is_some());
        let (Some(first), Some(last)) = (first, last) else { return walk.judged };
        // The drive begins out of a stop.
        walk.span.stops.push(0.0);
        for (number, run) in runs.iter().enumerate().take(last + 1).skip(first) {
            let joined = number > first && self.is_joined(number);
            if !joined {
                walk.stretch.end(None, &mut walk.judged);
            }
            let (begin, end) = run.summary.moving.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
            let begin = if number == first { begin } else { f64::NEG_INFINITY };
            let end = if number == last { end } else { f64::INFINITY };
            let left_out = self.left_out(run);
            let mut before = walk.stretch.speeds.map(|(_, last)| last).filter(|_| joined);
            for step in run.summary.steps().filter(|step| step.from.t >= begin && step.to.t <= end) {
                if step.phase() == Phase::Charge {
                    continue;
                }
                self.second(&Moment { number, run, step, before }, &left_out, &mut walk);
                before = Some(step.speed()).filter(|speed| speed.is_finite());
            }
        }
        walk.stretch.end(None, &mut walk.judged);
        // And ends in one.
        walk.span.stops.push(walk.span.way);
        walk.span.end(&mut walk.judged);
        walk.judged
    }

    /// Whether a run goes on where the one before it ended.
    fn is_joined(&self, run: usize) -> bool {
        let join = run.checked_sub(1).and_then(|before| self.test.joins.get(before));
        join.is_some_and(|join| !join.charged && join.seconds.is_some_and(|seconds| seconds <= JOINED_S))
    }

    /// What the card leaves out of a run, s of its run time.
    fn left_out(&self, run: &RunInput) -> Vec<(f64, f64)> {
        let Some((start, card)) = run.start.zip(self.test.card) else { return Vec::new() };
        let at = |moment: WallClock| (moment - start).seconds();
        card.leave_out.iter().map(|stretch| (at(stretch.from), at(stretch.to))).collect()
    }

    fn is_known(&self, number: usize, run: &RunInput, step: &Step<'_>) -> bool {
        let in_gap = || {
            let mut gaps = run.gaps.iter().filter(|gap| gap.missing == Missing::Speed);
            gaps.any(|gap| gap.from_s < step.to.t && step.from.t < gap.to_s)
        };
        let doubtful = || {
            let mut off = self.ground.contradictions.iter().filter(|off| off.run == number);
            off.any(|off| off.from < step.to.t && step.from.t < off.to)
        };
        step.speed().is_finite() && step.dt() <= APART_S && !in_gap() && !doubtful()
    }

    fn in_course_stretch(&self, run: usize, t: f64) -> bool {
        let speed = || {
            let course = self.test.options.course.as_ref()?;
            course.stretch_speed(Metre(self.legs.track.at(run, t)?))
        };
        speed().is_some_and(|speed| speed.0 < self.target - self.tolerance)
    }

    fn second(&self, at: &Moment<'_>, left_out: &[(f64, f64)], walk: &mut Walk) {
        let Walk { span, stretch, judged } = walk;
        let Moment { number, run, step, before } = at;
        let (dt, metres) = (step.dt(), step.distance());
        let speed = step.speed() * self.scale;
        let skip = if left_out.iter().any(|(from, to)| step.from.t < *to && *from < step.to.t) {
            Some(Why::Card)
        } else if self.is_known(*number, run, step) {
            None
        } else {
            Some(Why::Unknown)
        };
        if let Some(why) = skip {
            stretch.end(None, judged);
            judged.put(why, dt, metres, speed);
            return;
        }
        for (held, scale) in judged.held.iter_mut().zip([0.0, -self.scale_u, self.scale_u]) {
            let speed = step.speed() * (self.scale + scale);
            if (speed - self.target).abs() <= self.tolerance {
                held.add(dt, metres, speed);
            }
        }
        if (speed - self.target).abs() <= self.tolerance {
            judged.list(None, speed, metres);
            span.end(judged);
            stretch.go_on(step, *before, judged);
            return;
        }
        stretch.end(Some(step.speed()), judged);
        span.way += metres;
        let here = |turn: &Turn| turn.run == *number && step.from.t <= turn.t && turn.t < step.to.t;
        if self.legs.turns.iter().any(here) {
            span.turns.push(span.way);
        }
        if speed < STANDS && span.stops.last().is_none_or(|last| span.way - last > 1.0) {
            span.stops.push(span.way);
        }
        if speed > self.target {
            judged.list(Some(Why::Above), speed, metres);
            span.fast.add(dt, metres, speed);
        } else if self.in_course_stretch(*number, step.to.t) {
            judged.list(Some(Why::Course), speed, metres);
            span.course.add(dt, metres, speed);
        } else {
            span.slow.push(Slow { at: span.way, seconds: dt, metres, speed });
        }
    }
}

impl Judged {
    fn list(&mut self, why: Option<Why>, speed: f64, metres: f64) {
        if speed.is_finite() && metres.is_finite() {
            self.seconds.push((why, speed, metres));
        }
    }
    fn put(&mut self, why: Why, seconds: f64, metres: f64, speed: f64) {
        self.list(Some(why), speed, metres);
        if let Some((_, part)) = self.outside.iter_mut().find(|(known, _)| *known == why) {
            part.add(seconds, metres, speed);
        }
    }
    fn put_part(&mut self, why: Why, of: &Part) {
        if let Some((_, part)) = self.outside.iter_mut().find(|(known, _)| *known == why) {
            *part = part.plus(of);
        }
    }
}

impl Under {
    fn end(&mut self, judged: &mut Judged) {
        let near = |places: &[f64], at: f64, within: f64| places.iter().any(|place| (place - at).abs() <= within);
        for slow in &self.slow {
            let why = match () {
                () if near(&self.turns, slow.at, TURN_M) => Why::Turn,
                () if near(&self.stops, slow.at, STOP_M) => Why::Stop,
                () => Why::Traffic,
            };
            judged.put(why, slow.seconds, slow.metres, slow.speed);
        }
        judged.put_part(Why::Course, &self.course);
        judged.put_part(Why::Above, &self.fast);
        *self = Self::default();
    }
}

impl Stretch {
    fn go_on(&mut self, step: &Step<'_>, before: Option<f64>, judged: &mut Judged) {
        self.metres += step.distance();
        self.seconds += step.dt();
        if !step.is_observed() || !step.net().is_finite() {
            self.close(None, judged);
            return;
        }
        judged.portion.add(step);
        let speed = step.speed();
        // A step's speed is that of its middle; between two steps the car had the mean of both.
        let begin = before.map_or(speed, |before| (before + speed) / 2.0);
        let (first, _) = self.speeds.unwrap_or((begin, speed));
        self.speeds = Some((first, speed));
    }

    /// What is observed of it ends here, `next` being the speed after it where that is known.
    fn close(&mut self, next: Option<f64>, judged: &mut Judged) {
        if let Some((first, last)) = self.speeds.take() {
            let last = next.map_or(last, |next| (last + next) / 2.0);
            judged.half_squares += (last * last - first * first) / 2.0;
        }
    }

    fn end(&mut self, next: Option<f64>, judged: &mut Judged) {
        self.close(next, judged);
        if self.metres > judged.longest.0 {
            judged.longest = (self.metres, self.seconds);
        }
        *self = Self::default();
    }
}
