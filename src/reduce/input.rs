//! What the reduction is given: of each run, its names, what its sensors are known to, its gaps and its folded trace.
//!
//! Plain data; `load` makes it from files, tests make it from nothing.

use std::sync::Arc;

use super::fold::RunSummary;
use super::sampling::Sampling;
use super::unplaced::Unplaced;
use crate::map::{Basis, Sent};
use crate::schema::Role;
use crate::time::WallClock;

/// One run.
#[derive(Clone, Debug)]
pub struct RunInput {
    /// Its name.
    pub name: String,
    /// The vehicle's name.
    pub vehicle: String,
    /// When it began, if any clock said so.
    pub start: Option<WallClock>,
    /// Which role counts as the state of charge where no card says.
    pub soc_counts: Role,
    /// The roles that its map filled.
    pub roles: Vec<RoleUse>,
    /// When what was not observed.
    pub gaps: Vec<Gap>,
    /// Its trace, folded; shared, since an input is copied.
    pub summary: Arc<RunSummary>,
    /// Its satellite fixes; where they were left out, without their places.
    pub fixes: Vec<Fix>,
    /// What stands in for the places of its fixes where those were left out.
    pub unplaced: Option<Unplaced>,
    /// When someone marked that the car had turned, s of run time.
    pub turned: Vec<f64>,
    /// What thinning its samples showed; `None` where it was not measured.
    pub sampling: Option<Sampling>,
    /// Whether the card's counting left a part of it out.
    pub cut: bool,
    /// What went wrong with it before it came here, in plain words.
    pub problems: Vec<String>,
}

/// A satellite fix; NaN is 'not known'.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fix {
    /// When, s of run time.
    pub t: f64,
    /// Degrees north, WGS84.
    pub latitude: f64,
    /// Degrees east, WGS84.
    pub longitude: f64,
    /// Height above mean sea level, m.
    pub altitude: f32,
    /// Speed over ground as the receiver says it (by Doppler shift), m/s.
    pub speed: f32,
    /// Horizontal dilution of precision.
    pub hdop: f32,
}

/// A role and how well its sensor is known.
#[derive(Clone, PartialEq, Debug)]
pub struct RoleUse {
    /// The role.
    pub role: Role,
    /// Standard uncertainty of its gain, in parts; `None` where none was given.
    pub gain: Option<f64>,
    /// Standard uncertainty of its zero, in the base unit; `None` where none was given.
    pub offset: Option<f64>,
    /// What that rests on.
    pub basis: Basis,
    /// Whether its silence means anything.
    pub sent: Sent,
}

/// What a gap leaves out.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Missing {
    /// The pack's power: energy and charge.
    Power,
    /// The wheel speed: distance.
    Speed,
}

impl Missing {
    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Power => "pack power",
            Self::Speed => "speed",
        }
    }
}

/// A stretch of run time in which something was not observed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Gap {
    /// What.
    pub missing: Missing,
    /// From, in seconds of run time.
    pub from_s: f64,
    /// To, in seconds of run time.
    pub to_s: f64,
    /// The part of it that was missing: 1, or of one of several packs its share, taken as equal.
    pub part: f64,
}

impl RunInput {
    /// How well a role's sensor is known, if it has one.
    pub fn role(&self, role: Role) -> Option<&RoleUse> {
        self.roles.iter().find(|used| used.role == role)
    }
}
