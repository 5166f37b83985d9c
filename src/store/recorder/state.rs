//! Everything that a recorder knows beside its writer, as it is saved at each part boundary.
//!
//! Does not touch the disk but to read the run's own copies of its map.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::report::Plan;
use super::{Durability, PART};
use crate::decode::{Counts, Decoder};
use crate::digest::Digest;
use crate::ledger::Ledger;
use crate::map;
use crate::observation::BusNames;
use crate::schema::SCHEMA_VERSION;
use crate::store::StoreError;
use crate::store::run_file::{Ended, RunFile, SOURCE_FILES};
use crate::time::{RunTime, Span, Steady, WallClock};
use crate::workers::Workers;

/// The most troubles kept in `run.json`; later ones are only counted.
const TROUBLES_MAX: usize = 200;
/// The most clock anchors kept; a receiver may give one a second.
const ANCHORS_MAX: usize = 100_000;

/// A difference between clocks above this is not delay, drift or a leap second: the clock was set.
const CLOCK_SET: Span = Span::of_millis(1_500);

/// What a recorder knows.
#[derive(Clone, Serialize, Deserialize)]
pub struct State {
    /// The moment of the run's time zero.
    pub origin: Steady,
    /// The latest observation's moment.
    pub last: Steady,
    /// What the world's clock said at the run's time zero.
    pub started: WallClock,
    /// The decoder's counts.
    pub counts: Counts,
    /// The running integrals.
    pub ledger: Ledger,
    /// What the world's clock said, and when.
    pub anchors: Vec<(RunTime, WallClock)>,
    /// What went wrong.
    pub troubles: Vec<(RunTime, String)>,
    /// How much more went wrong than is kept.
    pub troubles_more: u64,
    /// Frames taken.
    pub frames: u64,
    /// Buses so far.
    pub buses: BusNames,
    /// Why the run ended; `None` while it goes on.
    pub ended: Option<Ended>,
}

/// A saved state with what of the plan the map's copy does not say.
#[derive(Serialize, Deserialize)]
struct Saved {
    state: State,
    record_frames: bool,
    sync_every: Option<Span>,
    /// `run.json` as far as it is known, as JSON: its free-form parts suit no binary form.
    run_file: String,
    /// The map's file name among the run's source files.
    map: String,
}

impl State {
    /// At a run's start.
    pub fn new(plan: &Plan, decoder: &Decoder, origin: Steady, started: WallClock) -> Self {
        Self {
            origin,
            last: origin,
            started,
            counts: decoder.counts().clone(),
            ledger: Ledger::for_map(&plan.map),
            anchors: vec![(RunTime(0), started)],
            troubles: Vec::new(),
            troubles_more: 0,
            frames: 0,
            buses: BusNames::default(),
            ended: None,
        }
    }

    /// When a part of the run ends.
    pub fn part_end(&self, part: u32) -> Steady {
        self.origin + Span(PART.0.saturating_mul(i64::from(part) + 1))
    }

    /// Notes what the world's clock says.
    pub fn anchor(&mut self, at: RunTime, wall: WallClock) {
        if self.anchors.last() != Some(&(at, wall)) && self.anchors.len() < ANCHORS_MAX {
            self.anchors.push((at, wall));
        }
    }

    /// What the world's clock would have said at the run's time zero.
    ///
    /// A clock that is set during a run was wrong before, so its last word counts; smaller differences are the receiver's
    /// delay or the clock's drift, and leave the first word.
    pub fn started_by_last_anchor(&self) -> WallClock {
        let said = self.anchors.last().map_or(self.started, |(at, wall)| *wall - Span(at.0));
        if Span((said - self.started).0.abs()) > CLOCK_SET { said } else { self.started }
    }

    /// Notes that something went wrong, unless it is noted already: a recovery may be cut and done again.
    pub fn trouble_once(&mut self, at: RunTime, text: String) {
        if !self.troubles.iter().any(|(_, known)| *known == text) {
            self.trouble(at, text);
        }
    }

    /// Notes that something went wrong.
    pub fn trouble(&mut self, at: RunTime, text: String) {
        if self.troubles.len() < TROUBLES_MAX { self.troubles.push((at, text)) } else { self.troubles_more += 1 }
    }

    /// As it is saved.
    pub fn to_bytes(&self, folder: &Path, plan: &Plan) -> Result<Vec<u8>, StoreError> {
        let run_file = plan.run_file.to_json().map_err(|error| StoreError::damaged(folder, error))?;
        let saved = Saved {
            state: self.clone(),
            record_frames: plan.record_frames,
            sync_every: plan.sync_every,
            run_file,
            map: plan.map.files.first().map(|(name, _)| name.clone()).unwrap_or_default(),
        };
        postcard::to_stdvec(&saved).map_err(|error| StoreError::damaged(folder, error))
    }

    /// From a saved form and the run's own copies of map and DBC.
    pub fn load(folder: &Path, bytes: &[u8]) -> Result<(Self, Plan), StoreError> {
        let saved: Saved = postcard::from_bytes(bytes).map_err(|error| StoreError::damaged(folder, error))?;
        let mut run_file: RunFile =
            serde_json::from_str(&saved.run_file).map_err(|error| StoreError::damaged(folder, error))?;
        let path = folder.join(SOURCE_FILES).join(&saved.map);
        let map = map::load_copy(&path).map.ok_or_else(|| StoreError::damaged(&path, "not usable as a map"))?;
        if run_file.map.digest != Digest::Sha256(map.digest.clone()) {
            let what = "it is not the map that the run was recorded with: its SHA-256 differs";
            return Err(StoreError::damaged(&path, what));
        }
        // It goes on in the layout of today, whatever it was begun in.
        run_file.schema = SCHEMA_VERSION;
        let plan = Plan {
            map: map.into(),
            record_frames: saved.record_frames,
            durability: Durability::Journal,
            files: Vec::new(),
            sync_every: saved.sync_every,
            workers: Workers::alone(),
            run_file,
        };
        Ok((saved.state, plan))
    }
}
