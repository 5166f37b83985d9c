//! The trace's rows: which signals they show, and how one is filled.
//!
//! Does not know when a row is due.

use serde::{Deserialize, Serialize};

use super::pack::Pack;
use super::row::{Phase, Sums, TraceRow};
use super::track::Piece;
use crate::schema::role::{Role, RoleSlot};
use crate::time::RunTime;

/// The time between two rows, us; rows stand at its multiples.
pub const GRID: i64 = 100_000;

/// Which tracks the roles' columns show.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Shown {
    /// Role and track of the roles that no pack owns.
    single: Vec<(u8, u8)>,
    /// Latitude and longitude.
    position: [u8; 2],
}

impl Shown {
    /// Of these slots, whose places are their tracks; the last two tracks are the position.
    pub fn new(slots: &[RoleSlot], position: [u8; 2]) -> Self {
        let mut single: Vec<(u8, u8)> = Vec::new();
        for (track, slot) in slots.iter().enumerate() {
            let role = slot.role as u8;
            if !slot.role.per_pack() && single.iter().all(|(known, _)| *known != role) {
                single.push((role, track as u8));
            }
        }
        Self { single, position }
    }

    /// The row of a moment; no signal's latest sample is later.
    pub fn row(&self, pieces: &[Piece], packs: &[Pack], at: i64, phase: Phase, sums: Sums) -> TraceRow {
        let shown = |track: u8| pieces.get(usize::from(track)).map_or(f64::NAN, |piece| piece.shown(at));
        let mut roles = [f64::NAN; Role::COUNT];
        for (role, track) in &self.single {
            if let Some(cell) = roles.get_mut(usize::from(*role)) {
                *cell = shown(*track);
            }
        }
        let shown = |track: Option<u8>| track.map_or(f64::NAN, shown);
        if !packs.is_empty() {
            roles[Role::PackVoltage as usize] = shown(packs.iter().find_map(|pack| pack.voltage));
            roles[Role::PackCurrent as usize] = packs.iter().map(|pack| shown(pack.current)).sum();
            roles[Role::PackPower as usize] = packs
                .iter()
                .map(|pack| match pack.power {
                    Some(_) => shown(pack.power),
                    None => shown(pack.voltage) * shown(pack.current),
                })
                .sum();
        }
        let [latitude_deg, longitude_deg] = self.position.map(|track| shown(Some(track)));
        TraceRow { at: RunTime(at), phase, sums, roles, latitude_deg, longitude_deg }
    }
}
