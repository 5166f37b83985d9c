//! How a drive ended.
//!
//! Plain data.

use super::world::Drive;

/// How a drive ended.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// The car stopped on the road before any charger, no charger having been taken.
    pub stopped: bool,
    /// The display showed 0 before the charger.
    pub zero: bool,
    /// Left on arrival above displayed 0, in parts of the usable energy, and as a distance, m; none if it never arrived.
    pub left: Option<(f64, f64)>,
    /// The charger was taken: whether the car then stopped on the road.
    pub stranded: Option<bool>,
    /// Where it arrived.
    pub place: Option<usize>,
    pub driven: f64,
    /// Turns that the driver missed.
    pub missed: u32,
    /// Changes of the plan: all, those with less than 20 % shown, those that go back to the plan before, and those without a
    /// cause (nothing missed, no charger taken, no heater switched).
    pub changes: u32,
    pub late_changes: u32,
    pub flaps: u32,
    pub uncaused: u32,
    /// Looks at the plan, and those that found no advice.
    pub looks: u32,
    pub blind: u32,
    /// How often it was too late by the program's own judgement.
    pub too_late: u32,
    /// Standard uncertainty of the energy left and its error on the first look with less than 20 % shown, in parts of the usable.
    pub sure: Option<(f64, f64)>,
    /// What was said, for a look by eye.
    pub log: Vec<String>,
}

impl Outcome {
    /// At the charger.
    pub fn arrive(&mut self, drive: &Drive, place: usize) {
        let usable = drive.test.pack.usable();
        let left = drive.left();
        let per_metre = (usable - left) / drive.driven.max(1.0);
        self.left = Some((left / usable, left / per_metre));
        self.zero = drive.shown_zero;
        self.place = Some(place);
        self.driven = drive.driven;
    }

    /// Standing on the road.
    pub fn stop(&mut self, drive: &Drive, after_taken: bool) {
        self.driven = drive.driven;
        if after_taken {
            self.stranded = Some(true);
        } else {
            (self.stopped, self.zero) = (true, true);
        }
    }
}
