//! When the world's clock is worth a note: at the start, and whenever it was set.
//!
//! Reads no clock itself. Satellite receivers bring anchors of their own.

use crate::observation::{Item, Stamped};
use crate::time::{Span, Steady, WallClock};

/// A jump against the steady clock above this is not drift: the clock was set.
const SET: Span = Span::of_millis(500);

/// What the world's clock was ahead of the steady one when it was last noted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Anchors(Option<Span>);

impl Anchors {
    /// An anchor, if this reading of both clocks says something new.
    pub fn look(&mut self, now: Steady, wall: WallClock) -> Option<Stamped> {
        let ahead = Span(wall.0.saturating_sub(now.0));
        let moved = self.0.map(|before| ahead - before);
        if moved.is_some_and(|moved| moved.0.abs() <= SET.0) {
            return None;
        }
        if let Some(moved) = moved {
            tracing::info!("the computer's clock was set by {:+.1} s", moved.seconds());
        }
        self.0 = Some(ahead);
        Some(Stamped { at: now, item: Item::Anchor(wall) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noted_at_the_start_and_when_set_either_way() {
        let mut anchors = Anchors::default();
        let mut look = |now: i64, wall: i64| anchors.look(Steady(now), WallClock(wall)).map(|stamped| stamped.item);
        assert_eq!(look(10, 1_000_010), Some(Item::Anchor(WallClock(1_000_010))));
        assert_eq!(look(1_000_010, 2_400_010), None);
        // Drift is measured from the last anchor, so that it does not creep.
        assert_eq!(look(2_000_010, 3_500_020), Some(Item::Anchor(WallClock(3_500_020))));
        assert_eq!(look(3_000_010, -3_600_000_000), Some(Item::Anchor(WallClock(-3_600_000_000))));
        assert_eq!(look(3_000_020, -3_599_999_990), None);
    }
}
