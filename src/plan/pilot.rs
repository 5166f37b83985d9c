//! The one that follows a drive row by row and says each second what is known and what to do.
//!
//! Takes the ledger's rows and people's marks, gives [`Picture`]s. `tally` forms steps from rows; `whereabouts` follows them along the
//! course, `charge` and `display` the energy left, `ahead` and `recent` what the road takes, `power_step` what else does, `cliff` the
//! end of the pack; `decide` asks for advice. Reads no clock: time is that of the rows.

mod ahead;
mod along;
mod charge;
mod cliff;
mod decide;
mod display;
mod doubt;
mod normal;
mod power_step;
mod ratio;
mod reach;
mod recent;
mod tally;
mod whereabouts;
mod worth;

use std::sync::Arc;

use self::ahead::{Ahead, Part};
use self::charge::{Charge, DISPLAY_LAG_S};
use self::cliff::{Reading, Watch};
use self::display::{Display, Taken};
use self::power_step::{CONSUMERS, Steps};
use self::recent::{Piece, Recent};
use self::tally::{Step, Tally, finite};
use self::whereabouts::{Tracker, Turned};
use super::outlook::Guess;
use super::picture::{Picture, Worth};
use super::turning::Sequence;
use crate::course::{Course, Direction};
use crate::ledger::{Phase, TraceRow};
use crate::observation::{Mark, MarkKind};
use crate::quantity::MetrePerSecond;
use crate::schema::Role;
use crate::time::{RunTime, Span};

/// Energy from a plug beyond which a new test begins, J, and displayed charge, as a share.
const CHARGED_J: f64 = 3.6e5;
const CHARGED_SHARE: f64 = 0.01;
/// Nothing displayed in this time after waking counts, s: as in the reduction.
const WAKING_S: f64 = 30.0;
/// A display that rose by more than this from one run to the next was charged in between, unseen.
const SLEPT_SHARE: f64 = 0.03;
/// What an unseen pause between two runs took, as a share of the usable energy, one standard deviation: common practice, no source.
const PAUSE: f64 = 0.002;
/// Energy per distance taken for a car whose pack is not seen and of which nothing was given, J/m: as in `ahead`.
const UNSEEN: f64 = 650.0;
/// How well the energy that a pack which is not seen has taken is known by the distance, in parts: common practice, no source.
const UNSEEN_U: f64 = 0.08;
/// The usual power is a mean over this, s.
const USUAL_S: f64 = 600.0;
/// The pack's voltage must be the worse for so long before it counts, s.
const WORSE_S: f64 = 60.0;
/// After a silence of this length nothing is told of the car.
const SILENT_MAX: Span = Span::of_seconds(5);

/// What is known before the drive.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Known {
    /// The road.
    pub course: Option<Arc<Course>>,
    /// True speed to be held.
    pub target: Option<MetrePerSecond>,
    /// How far off still counts as held.
    pub tolerance: Option<MetrePerSecond>,
    /// Usable energy from full to displayed 0, J: claimed, or from an earlier test.
    pub usable: Option<Guess>,
    /// Energy below displayed 0 that this car is known to have, J; `None` on its first test.
    pub reserve: Option<Guess>,
    /// Energy per distance at the target, J/m: claimed, or from an earlier test.
    pub per_metre: Option<Guess>,
    /// Cut-off voltage of the lowest cell and of the pack, V, where known.
    pub cut_off: CutOff,
    /// With a trailer.
    pub trailer: bool,
    /// What is left on arrival need not do for another charger or a safe stop.
    pub no_spare: bool,
    /// A floor of the tester's own, as a share of the usable energy; the larger counts.
    pub floor_share: Option<f64>,
}

/// Voltages at which the car gives up.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct CutOff {
    /// Of the lowest cell, V.
    pub cell: Option<f64>,
    /// Of the pack, V.
    pub pack: Option<f64>,
}

/// Follows a drive.
#[derive(Clone, Debug)]
pub struct Pilot {
    known: Known,
    tally: Tally,
    track: Option<Tracker>,
    test: Test,
    /// Energy and displayed share when a charge began.
    charging: Option<(f64, Option<f64>)>,
    phase: Option<Phase>,
    not_at: Option<usize>,
    said: Option<Sequence>,
    /// No row has come for so long.
    silent: Option<Span>,
}

/// What one test has shown so far.
#[derive(Clone, Debug)]
struct Test {
    display: Display,
    charge: Charge,
    ahead: Ahead,
    recent: Recent,
    steps: Steps,
    watch: Watch,
    worth: Option<Worth>,
    /// Energy taken, J, and the variance of what of it was filled in, J².
    taken: f64,
    filled: f64,
    /// The pack is seen: energy is measured; else it stands for the distance.
    measured: bool,
    by_wheel: bool,
    from_full: bool,
    unobserved: f64,
    /// Least and most temperature outside, degC.
    degc: Option<(f64, f64)>,
    /// Since this run woke, s.
    awake: f64,
    /// What was displayed before this run woke, until that is known to count.
    slept_at: Option<f64>,
    speed: Option<f64>,
    height: Option<f64>,
    /// For how long the pack's voltage has been the worse, s.
    worse: f64,
    is_worse: bool,
    /// Power of the last seconds and of the last minutes, W.
    powers: [f64; 2],
}

impl Test {
    fn new(known: &Known) -> Self {
        let target = known.target.map(|target| target.0);
        Self {
            display: Display::default(),
            charge: Charge::new(known.usable),
            ahead: Ahead::new(known.per_metre, target, known.trailer),
            recent: Recent::new(target, known.tolerance.map(|tolerance| tolerance.0)),
            steps: Steps::default(),
            watch: Watch::default(),
            worth: None,
            taken: 0.0,
            filled: 0.0,
            measured: true,
            by_wheel: false,
            from_full: false,
            unobserved: 0.0,
            degc: None,
            awake: 0.0,
            slept_at: None,
            speed: None,
            height: None,
            worse: 0.0,
            is_worse: false,
            powers: [0.0; 2],
        }
    }

    /// The pack is not seen: distance stands for energy.
    fn goes_by_distance(&mut self, known: &Known) {
        self.measured = false;
        let wider = |usable: Guess| Guess::new(usable.mean, usable.u.hypot(UNSEEN_U * usable.mean));
        self.charge = Charge::new(known.usable.map(wider));
    }

    fn taken(&self, step: &Step) -> Taken {
        let moment = charge::moment(step.dt, self.powers[0], self.powers[1]);
        Taken { energy: self.taken - moment.mean, u: moment.u, filled: self.filled }
    }
}

impl Pilot {
    /// At the start of a test.
    pub fn new(known: Known) -> Self {
        Self {
            tally: Tally::default(),
            track: known.course.clone().map(Tracker::new),
            test: Test::new(&known),
            charging: None,
            phase: None,
            not_at: None,
            said: None,
            silent: None,
            known,
        }
    }

    /// A row of the trace of a run (runs are numbered upwards; the sums begin anew with each), about one a second.
    pub fn see(&mut self, run: u64, row: &TraceRow) {
        let Some(step) = self.tally.step(run, row) else { return };
        self.phase = Some(row.phase);
        self.silent = None;
        let share = finite(row.roles[Role::Soc as usize] / 100.0).filter(|share| (0.0..=1.1).contains(share));
        let share = share.map(|share| share.min(1.0));
        self.watch_charging(row, share);
        let (turned, way) = self.move_on(&step, row);
        self.use_energy(&step, way);
        self.see_display(&step, share);
        self.see_pack(&step, row);
        self.see_road(&step, way);
        if let Some(turned) = turned {
            self.turned(turned);
        }
        self.test.speed = step.speed.map(|speed| speed * self.ground().mean);
    }

    /// Over the ground per distance by the wheels.
    fn ground(&self) -> Guess {
        self.track.as_ref().map_or(Guess::new(1.0, 0.0), Tracker::ground)
    }

    fn direction(&self) -> Direction {
        self.track.as_ref().map_or(Direction::Out, Tracker::direction)
    }

    /// A charge on the way begins a new test.
    fn watch_charging(&mut self, row: &TraceRow, share: Option<f64>) {
        let charged = finite(row.sums.energy_charged).unwrap_or(0.0);
        if row.phase == Phase::Charge {
            self.charging.get_or_insert((charged, share));
        } else if let Some((before, shown)) = self.charging.take() {
            let more = share.zip(shown).is_some_and(|(now, before)| now - before > CHARGED_SHARE);
            if charged - before > CHARGED_J || more || self.test.recent.test.distance < 1_000.0 {
                self.begin_anew();
            }
        }
    }

    /// Another test begins here.
    fn begin_anew(&mut self) {
        self.test = Test { awake: self.test.awake, ..Test::new(&self.known) };
        (self.said, self.not_at) = (None, None);
    }

    /// Along the road: the turn that was seen, and the way over the ground, m.
    fn move_on(&mut self, step: &Step, row: &TraceRow) -> (Option<Turned>, f64) {
        let turned = self.track.as_mut().and_then(|track| track.step(step, row));
        self.test.by_wheel |= step.wheel.is_some();
        (turned, step.wheel.unwrap_or(0.0) * self.ground().mean)
    }

    fn use_energy(&mut self, step: &Step, way: f64) {
        let unseen = self.per_metre_unseen();
        let test = &mut self.test;
        test.awake = if step.begins { 0.0 } else { test.awake + step.dt };
        if step.begins && test.charge.has_begun() {
            test.filled += (PAUSE * test.charge.usable().mean).powi(2);
        }
        if self.charging.is_some() {
            return;
        }
        let nothing_yet = test.taken == 0.0 && test.recent.test.distance == 0.0;
        if nothing_yet && test.measured && !step.begins && step.energy.is_none() {
            test.goes_by_distance(&self.known);
        }
        let energy = match step.all_energy() {
            Some(energy) if test.measured => energy,
            _ if test.measured => 0.0,
            _ => way * unseen,
        };
        test.taken += energy;
        test.filled += step.filled_u * step.filled_u;
        test.unobserved += step.unobserved;
        if step.dt > 0.0 {
            let begun = test.powers != [0.0; 2];
            for (power, time) in test.powers.iter_mut().zip([DISPLAY_LAG_S.0, USUAL_S]) {
                let weight = if begun { 1.0 - libm::exp(-step.dt / time) } else { 1.0 };
                *power += (energy / step.dt - *power) * weight;
            }
        }
    }

    /// Energy per distance of a car whose pack is not seen, J/m.
    fn per_metre_unseen(&self) -> f64 {
        self.known.per_metre.map(|known| known.mean).filter(|mean| (50.0..20_000.0).contains(mean)).unwrap_or(UNSEEN)
    }

    fn see_display(&mut self, step: &Step, share: Option<f64>) {
        if self.charging.is_some() {
            return;
        }
        let test = &mut self.test;
        if test.awake < WAKING_S {
            if step.begins {
                test.slept_at = test.display.shown().map(|shown| shown.share);
            }
            return test.display.waking(step.dt, share);
        }
        let charged = test.slept_at.take().zip(share).is_some_and(|(before, now)| now - before > SLEPT_SHARE);
        if charged {
            self.begin_anew();
        }
        let test = &mut self.test;
        let taken = test.taken(step);
        let tick = test.display.step(step.dt, share, &taken);
        if !test.charge.has_begun() {
            if let Some(share) = share {
                test.from_full = share >= 0.9949;
                test.charge.begin(share, test.taken);
            }
        } else if let Some(tick) = tick {
            test.charge.tick(tick);
        }
    }

    fn see_pack(&mut self, step: &Step, row: &TraceRow) {
        let role = |role: Role| finite(row.roles[role as usize]);
        let test = &mut self.test;
        let pack = role(Role::PackVoltage);
        let by_power = || Some(role(Role::PackPower)? / pack.filter(|volts| *volts > 1.0)?);
        let current = role(Role::PackCurrent).or_else(by_power);
        let reading = Reading { dt: step.dt, pack, cell: role(Role::CellVoltageMin), current, taken: test.taken };
        test.worse = if test.is_worse { test.worse + step.dt } else { 0.0 };
        test.watch.see(&reading, test.charge.usable().mean);
        test.steps.consumers(step.dt, step.drives, CONSUMERS.map(|consumer| row.roles[consumer as usize]));
        if let Some(degc) = role(Role::AmbientTemperature).filter(|degc| (-60.0..60.0).contains(degc)) {
            let (low, high) = test.degc.unwrap_or((degc, degc));
            test.degc = Some((low.min(degc), high.max(degc)));
        }
    }

    /// What the road took in this step.
    fn see_road(&mut self, step: &Step, way: f64) {
        let direction = self.direction();
        let height = self.track.as_ref().zip(self.known.course.as_ref());
        let height = height.and_then(|(track, course)| Some(course.elevation(crate::quantity::Metre(track.at()))?.0));
        let ground = self.ground().mean;
        let test = &mut self.test;
        let rise = test.height.zip(height).map_or(0.0, |(before, now)| now - before);
        test.height = height;
        if self.charging.is_some() || step.dt <= 0.0 {
            test.ahead.cut(direction);
            return;
        }
        let energy = if test.measured { step.all_energy().unwrap_or(0.0) } else { 0.0 };
        let consumed = test.steps.consumed();
        let stepped = test.steps.unnamed().mean * step.dt;
        let speed = step.speed.map(|speed| speed * ground);
        test.recent.add(&Piece {
            dt: step.dt,
            drives: step.drives,
            distance: way,
            energy,
            // No step takes more than half of what was taken, or the rest would be nothing.
            stepped: test.steps.now().map_or(0.0, |now| now.power * step.dt).clamp(0.0, energy.max(0.0) / 2.0),
            speed,
        });
        if let Some(power) = consumed {
            test.ahead.aux(power, step.dt);
        }
        let whole = test.measured && step.energy.is_some() && step.unobserved <= 0.05 && step.drives && way > 0.0;
        if !whole {
            test.ahead.cut(direction);
            test.steps.interrupt();
            return;
        }
        let speeds = [test.speed, speed].map(|speed| speed.unwrap_or(way / step.dt));
        let aux = consumed.unwrap_or(0.0) * step.dt;
        let part = Part { dt: step.dt, distance: way, energy, aux, stepped, speeds, rise };
        if let Some(residual) = test.ahead.residual(direction, &part).filter(|_| !test.steps.has_climate()) {
            test.steps.residual(step.dt, residual, test.ahead.per_metre_wander());
        }
        if test.steps.is_in_doubt() {
            test.ahead.drop_stretch();
        } else {
            test.ahead.part(direction, &part);
        }
    }

    fn turned(&mut self, turned: Turned) {
        let test = &mut self.test;
        test.ahead.cut(turned.from);
        test.steps.interrupt();
        let pairs = test.recent.pairs();
        test.recent.turned(turned.from);
        if test.recent.pairs() > pairs {
            self.weigh();
        }
    }

    /// What a person noted.
    pub fn mark(&mut self, _run: u64, _at: RunTime, mark: &Mark) {
        let value = mark.value.filter(|value| value.is_finite());
        let test = &mut self.test;
        let taken = Taken { energy: test.taken, u: 0.0, filled: test.filled };
        match mark.kind {
            MarkKind::Soc => {
                let Some(share) = value.map(|percent| percent / 100.0) else { return };
                if let Some(tick) = test.display.note(share, &taken, test.charge.usable().mean) {
                    if test.charge.has_begun() {
                        test.charge.tick(tick);
                    } else {
                        test.from_full = share >= 0.9949;
                        test.charge.begin(share, test.taken);
                    }
                }
            }
            MarkKind::ShowsZero => test.display.note_zero(test.taken),
            MarkKind::Turned => {
                if let Some(turned) = self.track.as_mut().and_then(Tracker::mark_turned) {
                    self.turned(turned);
                }
            }
            _ => {}
        }
    }

    /// The charger at a place (its index in the course) is taken or dead; or none is.
    pub fn taken(&mut self, place: Option<usize>) {
        self.not_at = place;
        self.said = None;
    }

    /// No row has come for so long: what is stale is not told. The rows that were late may still come.
    pub fn silent(&mut self, since: Span) {
        self.silent = Some(since);
    }

    /// What is known now and what to do.
    pub fn picture(&mut self) -> Picture {
        match self.silent {
            Some(since) if since > SILENT_MAX => {
                let test = &self.test;
                let driven = test.recent.driven(test.measured, test.by_wheel);
                Picture { driven, worth: test.worth.clone(), ..Picture::default() }
            }
            Some(_) => Picture { speed: None, hold: None, step: None, ..self.decide() },
            None => self.decide(),
        }
    }

    /// What was known before the drive.
    pub fn known(&self) -> &Known {
        &self.known
    }
}

#[cfg(test)]
mod tests;
