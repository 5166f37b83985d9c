//! Of the plan: what comes next, when it becomes the plan and when it is near; and when nothing but the charger is safe.
//!
//! A plan is said once it has stood for a while, and one that goes to and fro is said ever more seldom. Does not judge it.

use super::words;
use crate::course::Direction;
use crate::live::moment::Moment;
use crate::plan::advice::{Advice, State};
use crate::plan::turning::Act;
use crate::time::{Span, Steady};

/// An act and its place, by the place's index in the course.
type Key = (usize, Act);

/// Where an act is said again before it is due, m; for those who drive in miles 3, 1 and 0.3 miles.
const NEAR_KM: [f64; 3] = [5_000.0, 2_000.0, 500.0];
const NEAR_MILES: [f64; 3] = [4_828.032, 1_609.344, 482.8032];
/// Said at this many times such a distance, it is said as far as that distance goes.
const NEAR_ENOUGH: f64 = 1.3;
/// Nothing else is said nearer than this, m.
const CLOSE: f64 = 700.0;
/// Nearer than this it is being done, m.
const THERE: f64 = 150.0;
/// Once as near as this the act was done or missed, m.
const REACHED: f64 = 400.0;
/// How long an act must have been the next before it is said.
const SETTLES: Span = Span::of_seconds(10);
/// How long between two plans that are said; twice as long after each that went to and fro, up to eight times, unless the act is
/// within the first of the distances; shorter within the second.
const ANOTHER: Span = Span::of_seconds(60);
const ANOTHER_NEAR: Span = Span::of_seconds(20);
/// How long 'go to the charger' and the like must have stood, and how long until one is said again.
const STATE_SETTLES: Span = Span::of_seconds(3);
const STATE_AGAIN: Span = Span::of_seconds(180);
/// Places remembered, at most.
const TOLD_MAX: usize = 32;

/// What has been said of the plan.
#[derive(Clone, Debug, Default)]
pub struct Plans {
    /// The next act, and since when.
    now: Option<(Key, Steady)>,
    direction: Option<Direction>,
    announced: Option<Announced>,
    /// How many plans in a row changed before they were driven.
    changes: u32,
    /// How near each act has been said, by index of the distances; a new leg begins anew.
    told: Vec<(Key, usize)>,
    state: Option<(State, Steady)>,
    /// When each state was last said, and the last of them.
    states_said: Vec<(State, Steady)>,
    state_said: Option<State>,
}

#[derive(Clone, Copy, Debug)]
struct Announced {
    key: Key,
    at: Steady,
    /// The act was as near as that.
    reached: bool,
}

impl Plans {
    /// Takes in what is planned now.
    pub fn see(&mut self, moment: &Moment) {
        let Some(advice) = &moment.picture.advice else { return };
        let direction = moment.picture.here.map(|here| here.direction);
        if let (Some(before), Some(now)) = (self.direction, direction)
            && before != now
        {
            self.told.clear();
            if let Some(announced) = &mut self.announced {
                announced.reached = true;
            }
        }
        self.direction = direction.or(self.direction);
        if self.state.is_none_or(|(state, _)| state != advice.state) {
            self.state = Some((advice.state, moment.at));
        }
        if advice.state == State::Safe {
            self.state_said = None;
        }
        let Some(key) = next(advice) else { return };
        if self.now.is_none_or(|(before, _)| before != key) {
            self.now = Some((key, moment.at));
        }
        if let Some(announced) = &mut self.announced {
            announced.reached |= announced.key == key && advice.ahead <= REACHED;
        }
    }

    /// That nothing but the charger is safe, or not even that: said when it becomes so.
    pub fn take_state(&mut self, moment: &Moment) -> Option<String> {
        let advice = moment.picture.advice.as_ref()?;
        let (state, since) = self.state?;
        let said = self.states_said.iter().find(|(said, _)| *said == state).map(|(_, at)| *at);
        let new = self.state_said != Some(state) && said.is_none_or(|said| moment.at - said >= STATE_AGAIN);
        if state == State::Safe || !new || moment.at - since < STATE_SETTLES {
            return None;
        }
        // Who stands at the charger needs not be sent there.
        if next(advice).is_some_and(|(_, act)| act == Act::Arrive) && advice.ahead < CLOSE {
            return None;
        }
        self.states_said.retain(|(said, _)| *said != state);
        self.states_said.push((state, moment.at));
        self.state_said = Some(state);
        if let Some(key) = next(advice).filter(|_| matches!(state, State::GoNow | State::TooLate | State::NoSpare)) {
            self.announce(key, moment, advice.ahead);
        }
        Some(words::state(advice, moment))
    }

    /// An act that has come as near as one of the distances.
    pub fn take_near(&mut self, moment: &Moment) -> Option<String> {
        let (advice, key) = self.settled(moment)?;
        if self.announced.is_none_or(|announced| announced.key != key) || advice.ahead < THERE {
            return None;
        }
        let near = passed(advice.ahead, 1.0, moment)?;
        if self.told(key).is_some_and(|told| told >= near) {
            return None;
        }
        self.tell(key, near);
        Some(words::near(advice, near, moment))
    }

    /// An act that has become the next.
    pub fn take_far(&mut self, moment: &Moment) -> Option<String> {
        let (advice, key) = self.settled(moment)?;
        let before = self.announced;
        if before.is_some_and(|before| before.key == key) || advice.ahead < THERE {
            return None;
        }
        let changed = before.is_some_and(|before| !before.reached);
        let wait = match passed(advice.ahead, 1.0, moment) {
            None => Span(ANOTHER.0 << self.changes.min(3)),
            Some(0) => ANOTHER,
            Some(_) => ANOTHER_NEAR,
        };
        if changed && before.is_some_and(|before| moment.at - before.at < wait) {
            return None;
        }
        self.changes = if changed { self.changes.saturating_add(1) } else { 0 };
        self.announce(key, moment, advice.ahead);
        Some(words::far(advice, changed, moment))
    }

    /// Whether an act is so close that nothing else is to be said.
    pub fn is_close(&self, moment: &Moment) -> bool {
        let ahead = moment.picture.advice.as_ref().filter(|advice| next(advice).is_some()).map(|advice| advice.ahead);
        ahead.is_some_and(|ahead| (THERE..CLOSE).contains(&ahead))
    }

    /// The next act, once it has been that for a while.
    fn settled<'a>(&self, moment: &'a Moment) -> Option<(&'a Advice, Key)> {
        let advice = moment.picture.advice.as_ref()?;
        let (key, since) = self.now?;
        (moment.at - since >= SETTLES && next(advice) == Some(key)).then_some((advice, key))
    }

    fn announce(&mut self, key: Key, moment: &Moment, ahead: f64) {
        self.announced = Some(Announced { key, at: moment.at, reached: ahead <= REACHED });
        if let Some(near) = passed(ahead, NEAR_ENOUGH, moment) {
            self.tell(key, near);
        }
    }

    fn told(&self, key: Key) -> Option<usize> {
        self.told.iter().find(|(told, _)| *told == key).map(|(_, near)| *near)
    }

    fn tell(&mut self, key: Key, near: usize) {
        self.told.retain(|(told, _)| *told != key);
        if self.told.len() == TOLD_MAX {
            self.told.remove(0);
        }
        self.told.push((key, near));
    }
}

/// The next act of the plan, and its place.
fn next(advice: &Advice) -> Option<Key> {
    advice.plan.as_ref()?.sequence.acts.first().copied()
}

/// The index of the nearest of the distances that the act has come within.
fn passed(ahead: f64, factor: f64, moment: &Moment) -> Option<usize> {
    let near = if moment.units.in_miles() { NEAR_MILES } else { NEAR_KM };
    near.iter().rposition(|near| ahead <= near * factor)
}
