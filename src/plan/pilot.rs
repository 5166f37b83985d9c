//! The one that follows a drive row by row and says each second what is known and what to do.
//!
//! Takes the ledger's rows and people's marks, gives [`Picture`]s. Reads no clock: time is that of the rows.

use std::sync::Arc;

use super::outlook::Guess;
use super::picture::{Displayed, Picture};
use crate::course::Course;
use crate::ledger::TraceRow;
use crate::observation::Mark;
use crate::quantity::MetrePerSecond;
use crate::schema::Role;
use crate::time::RunTime;

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
    picture: Picture,
}

impl Pilot {
    /// At the start of a test.
    pub fn new(known: Known) -> Self {
        Self { known, picture: Picture::default() }
    }

    /// A row of the trace of a run (runs are numbered upwards; the sums begin anew with each), about one a second.
    pub fn see(&mut self, _run: u64, row: &TraceRow) {
        let soc = row.roles[Role::Soc as usize];
        self.picture.phase = Some(row.phase);
        self.picture.soc = soc.is_finite().then_some(Displayed { share: soc, marked: None });
    }

    /// What a person noted.
    pub fn mark(&mut self, _run: u64, _at: RunTime, _mark: &Mark) {}

    /// The charger at a place (its index in the course) is taken or dead; or none is.
    pub fn taken(&mut self, _place: Option<usize>) {}

    /// What is known now and what to do.
    pub fn picture(&mut self) -> Picture {
        self.picture.clone()
    }

    /// What was known before the drive.
    pub fn known(&self) -> &Known {
        &self.known
    }
}
