//! Distance: the integral of the wheel speed's magnitude, linear between samples.
//!
//! The odometer and the fixes are other measures of it, for reduce to compare.
//!
//! Does not know the odometer or fixes.

use serde::{Deserialize, Serialize};

use super::pack::split;
use super::track::Piece;

/// Speed above which the car moves, m/s. Wheel-speed sensors read exactly 0 at standstill; 0.36 km/h is below what a
/// car creeps at (common practice, no source).
pub const MOVING_ABOVE: f64 = 0.1;

/// The speed's signal, how far it is integrated, and whether the car moves.
#[derive(Clone, Copy, Default, Debug, Serialize, Deserialize)]
pub struct Distance {
    /// The speed, as index of a track; `None` where no signal has the role.
    pub speed: Option<u8>,
    /// Integrated up to here, us.
    pub at: i64,
    /// Whether the speed is observed in the present stretch.
    pub observed: bool,
    /// Whether the car moves in the present stretch.
    pub moving: bool,
}

impl Distance {
    /// Twice the way up to `to`, us, which lies within the speed's present piece; in `m/s * us`.
    #[inline]
    pub fn integrate(&mut self, pieces: &[Piece], to: i64) -> f64 {
        let from = self.at;
        if to <= from {
            return 0.0;
        }
        self.at = to;
        let Some(piece) = self.speed.and_then(|track| pieces.get(usize::from(track))).filter(|_| self.observed) else {
            return 0.0;
        };
        let (forth, back) = split((to - from) as f64, (piece.value_at(from), piece.value_at(to)));
        forth + back
    }

    /// Whether the car moves in a piece: faster than [`MOVING_ABOVE`] at either end. In a gap it goes on as before.
    pub fn moves_in(&self, piece: &Piece) -> bool {
        if piece.observed() { piece.value.abs().max(piece.far_value().abs()) > MOVING_ABOVE } else { self.moving }
    }
}

#[cfg(test)]
mod tests {
    use super::super::track::{Event, Link};
    use super::*;

    #[test]
    fn going_back_is_way_too_identity_by_arithmetic() {
        // 2 to -1 m/s in 3 s: 2 m forth in 2 s, 0.5 m back in 1 s.
        let mut piece = Piece::NONE;
        piece.start(&Event { at: 0, value: 2.0, end: 3_000_000, end_value: -1.0, track: 0, link: Link::Linear });
        let mut distance = Distance { speed: Some(0), observed: true, ..Distance::default() };
        let first = distance.integrate(&[piece], 1_000_000);
        let whole = first + distance.integrate(&[piece], 3_000_000);
        assert!((whole / 2e6 - 2.5).abs() < 1e-15);
        assert!((first / 2e6 - 1.5).abs() < 1e-15);
        assert!(distance.moves_in(&piece));
    }
}
