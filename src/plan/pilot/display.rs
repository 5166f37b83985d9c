//! The displayed state of charge: from the bus while it is fresh, else as a person noted it; and the moments at which it first
//! showed a smaller value.
//!
//! A value counts once it was held for 10 s; one undone by regeneration does not. Estimates nothing.

use super::charge::Tick;
use crate::plan::picture::Displayed;
use crate::time::Span;

/// A value is stale after this, s.
const FRESH_S: f64 = 60.0;
/// A value must hold so long to count, s: as in the reduction.
const HOLD_S: f64 = 10.0;
/// A display that shows more than 1 % again for so long, s, had not shown 0: common practice, no source.
const UNDONE_S: f64 = 60.0;
/// What a person reads off is kept so long, s: common practice, no source. By then some 25 km were driven.
const MARK_S: f64 = 900.0;
/// A person reads whole per cent off at any moment: the standard deviation of a rectangle of one, as a share.
pub const READ_U: f64 = 0.01 / 3.464;

/// What was taken so far.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Taken {
    /// J.
    pub energy: f64,
    /// Its standard uncertainty as the moment of a tick, J.
    pub u: f64,
    /// As in [`Tick`], J².
    pub filled: f64,
}

impl Taken {
    /// A tick now.
    fn at(&self, share: f64) -> Tick {
        Tick { share, taken: self.energy, u: self.u, filled: self.filled }
    }
}

/// The display.
#[derive(Clone, Debug, Default)]
pub struct Display {
    /// The last value from the bus, and its age, s.
    bus: Option<(f64, f64)>,
    /// The last value that a person noted, and its age, s.
    noted: Option<(f64, f64)>,
    lowest: Option<f64>,
    pending: Option<(Tick, f64)>,
    /// The display has shown 0, since so many J.
    zero: Option<f64>,
    /// It has shown more again, for so long, s.
    above: f64,
}

impl Display {
    /// What is displayed now; `None` where nobody knows.
    pub fn shown(&self) -> Option<Displayed> {
        if let Some((share, _)) = self.bus {
            return Some(Displayed { share, marked: None });
        }
        self.noted.map(|(share, age)| Displayed { share, marked: Some(Span::from_seconds(age)) })
    }

    /// The energy taken when it first showed 0, J.
    pub fn zero(&self) -> Option<f64> {
        self.zero
    }

    /// A step in the first seconds after waking: what is shown then is told, but counts for nothing.
    pub fn waking(&mut self, dt: f64, share: Option<f64>) {
        self.age(dt);
        self.pending = None;
        if let Some(share) = share {
            self.bus = Some((share, 0.0));
        }
    }

    fn age(&mut self, dt: f64) {
        let aged = |value: Option<(f64, f64)>, most: f64| {
            value.map(|(share, age)| (share, age + dt)).filter(|(_, age)| *age <= most)
        };
        self.bus = aged(self.bus, FRESH_S);
        self.noted = aged(self.noted, MARK_S);
    }

    /// A 0 that the display, or a person, took back was none.
    fn undo_zero(&mut self, dt: f64, share: f64) {
        self.above = if self.zero.is_some() && share > 0.015 { self.above + dt } else { 0.0 };
        if self.above >= UNDONE_S {
            (self.zero, self.lowest, self.above) = (None, Some(share), 0.0);
        }
    }

    /// A step: the role's value as a share, if there is one, and the energy taken so far. Gives the tick that has now held.
    pub fn step(&mut self, dt: f64, share: Option<f64>, taken: &Taken) -> Option<Tick> {
        self.age(dt);
        let share = share?;
        self.bus = Some((share, 0.0));
        self.undo_zero(dt, share);
        let lowest = *self.lowest.get_or_insert(share);
        if let Some((tick, held)) = &mut self.pending {
            if share > tick.share + 1e-9 {
                self.pending = None;
            } else {
                *held += dt;
                if *held >= HOLD_S {
                    let tick = *tick;
                    self.pending = (share < tick.share - 1e-9).then_some((taken.at(share), 0.0));
                    return Some(self.reached(tick));
                }
            }
        }
        if let Some((tick, _)) = &self.pending
            && share < tick.share - 1e-9
        {
            // Two within ten seconds: the first has been held by the second.
            let tick = *tick;
            self.pending = Some((taken.at(share), 0.0));
            return Some(self.reached(tick));
        }
        if self.pending.is_none() && share < lowest - 1e-9 {
            self.pending = Some((taken.at(share), 0.0));
        }
        None
    }

    fn reached(&mut self, tick: Tick) -> Tick {
        self.lowest = Some(tick.share);
        if tick.share <= 1e-9 {
            self.zero.get_or_insert(tick.taken);
        }
        tick
    }

    /// A person read a share off; gives it as a tick where the bus does not say it.
    pub fn note(&mut self, share: f64, taken: &Taken, whole: f64) -> Option<Tick> {
        if !(0.0..=1.0).contains(&share) {
            return None;
        }
        self.noted = Some((share, 0.0));
        if self.bus.is_some() {
            return None;
        }
        if share <= 1e-9 {
            self.zero.get_or_insert(taken.energy);
        }
        // The threshold of the next value lies up to a per cent below.
        Some(Tick { u: READ_U * whole, ..taken.at((share - 0.005).max(0.0)) })
    }

    /// A person saw it show 0.
    pub fn note_zero(&mut self, taken: f64) {
        self.noted = Some((0.0, 0.0));
        self.zero.get_or_insert(taken);
    }
}
