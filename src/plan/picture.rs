//! What is known at one moment of a drive, and what to do: the values that the page, the calls and the terminal show.
//!
//! Plain data, SI; `None` where a value is not known now: a stale one is blanked, never held. Computes nothing.

use super::advice::Advice;
use super::outlook::Guess;
use crate::course::Direction;
use crate::ledger::Phase;
use crate::quantity::Metre;
use crate::time::Span;

/// What is known at one moment, and what to do.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Picture {
    /// What the car is doing.
    pub phase: Option<Phase>,
    /// Displayed state of charge.
    pub soc: Option<Displayed>,
    /// Energy until the display reads 0, J.
    pub to_zero: Option<Guess>,
    /// Distance until the display reads 0 at the consumption ahead, m.
    pub distance_left: Option<Guess>,
    /// Degrees of freedom of the widths of both.
    pub dof: f64,
    /// What the energy left rests on.
    pub rests_on: Option<RestsOn>,
    /// Speed now, m/s, by the wheels corrected by the fixes where both are there.
    pub speed: Option<f64>,
    /// Speed held against the target.
    pub hold: Option<Hold>,
    /// Energy per distance, J/m.
    pub per_metre: PerMetre,
    /// Driven in this test.
    pub driven: Driven,
    /// Where the car is along the course.
    pub here: Option<Whereabouts>,
    /// What to do; `None` without a course, a place on it, or a state of charge.
    pub advice: Option<Advice>,
    /// A step in power that speed, grade and wind do not explain, while it lasts.
    pub step: Option<PowerStep>,
    /// The end of the pack by its voltage.
    pub cliff: Option<Cliff>,
    /// Whether the test is still worth driving; renewed after each pair of legs.
    pub worth: Option<Worth>,
}

/// A displayed state of charge.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Displayed {
    /// As a share, 0 to 1.
    pub share: f64,
    /// Read by a person, not from the bus: then its age.
    pub marked: Option<Span>,
}

/// What the energy left rests on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RestsOn {
    /// A claim, or the figure that was given, alone: little has been driven yet.
    Given,
    /// What this drive has taken per per cent so far, together with what was given.
    Both,
    /// What this drive has taken per per cent, nothing having been given.
    Drive,
}

/// Speed held against the target.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Hold {
    /// The target, m/s.
    pub target: f64,
    /// Mean over the last minute, m/s; `None` while it was not moving for all of it.
    pub last_minute: Option<f64>,
    /// Share of this leg's time within the tolerance, 0 to 1.
    pub share_of_leg: Option<f64>,
}

/// Energy per distance, J/m.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct PerMetre {
    /// Over the last 10 km.
    pub last_10_km: Option<f64>,
    /// Over this leg.
    pub leg: Option<f64>,
    /// Over the test so far.
    pub test: Option<f64>,
    /// Expected ahead, out and back.
    pub ahead: Option<[Guess; 2]>,
}

/// Driven in this test.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Driven {
    /// Distance, m.
    pub distance: Option<f64>,
    /// Distance of this leg, m.
    pub leg: Option<f64>,
    /// Net energy, J.
    pub energy: Option<f64>,
    /// Time driving, s.
    pub time: f64,
}

/// Where the car is along the course.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Whereabouts {
    /// Distance along the road.
    pub at: Metre,
    /// Direction.
    pub direction: Direction,
    /// Standard uncertainty of the distance along the road, m.
    pub u: f64,
    /// What it is known by.
    pub by: KnownBy,
}

/// What a place is known by.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum KnownBy {
    /// A fix of now.
    Fix,
    /// The distance driven since the last fix, or since a turn that a person marked.
    Distance,
}

/// A step in power that speed, grade and wind do not explain.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PowerStep {
    /// By how much, W.
    pub power: f64,
    /// How long it has lasted.
    pub since: Span,
    /// What takes it, where a role tells.
    pub by: Option<crate::schema::Role>,
}

/// The end of the pack by its voltage, beside the display.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Cliff {
    /// Energy until the pack's voltage reaches its cut-off at present power, J.
    pub energy: Guess,
    /// The display promises more than the voltage by this share of the usable energy (negative: less).
    pub display_ahead_by: f64,
    /// They disagree by more than 2 % of the charge, and the voltage is the worse: it counts.
    pub counts: bool,
}

/// Whether a test is still worth driving.
#[derive(Clone, PartialEq, Debug)]
pub struct Worth {
    /// Pairs of legs driven.
    pub pairs: u32,
    /// Energy per distance that the finished test would show, J/m, with its standard uncertainty.
    pub per_metre: Guess,
    /// Distance from full to displayed 0 that it would show, m.
    pub range: Option<Guess>,
    /// Degrees of freedom of both.
    pub dof: f64,
    /// What has already spoiled comparability, each in a sentence for people.
    pub spoiled: Vec<String>,
}
