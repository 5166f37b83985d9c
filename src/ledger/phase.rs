//! The phase: drive, stand or charge, from the plug, the speed and the direction of the current.
//!
//! Decides; integrates nothing.

use serde::{Deserialize, Serialize};

use super::pack::Pack;
use super::row::Phase;
use super::track::Piece;

/// How long the current must flow in at standstill before it counts as charging where no plug tells, us.
pub const SUSTAINED: i64 = 30_000_000;

/// What the phase depends on in the present stretch.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum Mode {
    /// On nothing that may change within it.
    Fixed(Phase),
    /// Standing, and no plug tells: charge, from where the current turned, once it has flowed in for [`SUSTAINED`]; else stand.
    Sustained,
    /// Plugged in, and not known to stand: charge while current flows in, else drive.
    AtOnce,
}

impl Mode {
    /// From the plug (`None` where nothing is known of it), whether the car moves (also where nothing is known of its
    /// speed), and whether any pack's current or power can be seen.
    pub fn of(plug: Option<bool>, moving: bool, flow: bool) -> Self {
        match (plug, moving) {
            (Some(true), false) => Self::Fixed(Phase::Charge),
            (Some(true), true) if flow => Self::AtOnce,
            (None, false) if flow => Self::Sustained,
            (_, true) => Self::Fixed(Phase::Drive),
            (_, false) => Self::Fixed(Phase::Stand),
        }
    }

    /// The phase while no current is known to flow in.
    pub fn phase(self) -> Phase {
        match self {
            Self::Fixed(phase) => phase,
            Self::Sustained => Phase::Stand,
            Self::AtOnce => Phase::Drive,
        }
    }
}

/// Where in a stretch current flows into the packs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Inflow {
    /// No pack's current is observed: it goes on as before.
    Unseen,
    /// From here to there, us; nowhere if they are equal.
    Between(i64, i64),
}

/// Where, between two moments within every pack's present pieces, current flows in: some pack takes and none gives.
pub fn inflow(packs: &[Pack], pieces: &[Piece], from: i64, to: i64) -> Inflow {
    let (mut seen, mut taken, mut start, mut end) = (false, false, from, to);
    for piece in packs.iter().filter_map(Pack::flow).filter_map(|track| pieces.get(usize::from(track))) {
        if !piece.observed() {
            continue;
        }
        seen = true;
        let (first, last) = (piece.value_at(from), piece.value_at(to));
        if first == 0.0 && last == 0.0 {
            continue;
        }
        let (a, b) = below_zero(first, last, from, to);
        (taken, start, end) = (true, start.max(a), end.min(b));
    }
    match (seen, taken && start < end) {
        (false, _) => Inflow::Unseen,
        (true, false) => Inflow::Between(to, to),
        (true, true) => Inflow::Between(start, end),
    }
}

/// Where a linear value is below zero, to the microsecond.
fn below_zero(first: f64, last: f64, from: i64, to: i64) -> (i64, i64) {
    if first <= 0.0 && last <= 0.0 {
        (from, to)
    } else if first >= 0.0 && last >= 0.0 {
        (to, to)
    } else {
        let zero = from + ((to - from) as f64 * (first / (first - last))).round() as i64;
        if first < 0.0 { (from, zero) } else { (zero, to) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::track::{Event, Link};
    use super::*;

    fn ramp(first: f64, last: f64) -> Piece {
        let mut piece = Piece::NONE;
        piece.start(&Event { at: 0, value: first, end: 100, end_value: last, track: 0, link: Link::Linear });
        piece
    }

    fn packs(count: u8) -> Vec<Pack> {
        (0..count).map(|number| Pack { number, current: Some(number), ..Pack::default() }).collect()
    }

    #[test]
    fn inflow_is_where_some_pack_takes_and_none_gives() {
        let one = |first, last| inflow(&packs(1), &[ramp(first, last)], 0, 100);
        assert_eq!(one(1.0, -3.0), Inflow::Between(25, 100));
        assert_eq!(one(-1.0, 3.0), Inflow::Between(0, 25));
        assert_eq!(one(-1.0, 0.0), Inflow::Between(0, 100));
        assert_eq!(one(0.0, 0.0), Inflow::Between(100, 100));
        assert_eq!(inflow(&packs(1), &[Piece::NONE], 0, 100), Inflow::Unseen);
        let two = |a, b| inflow(&packs(2), &[a, b], 0, 100);
        assert_eq!(two(ramp(1.0, -3.0), ramp(-1.0, 1.0)), Inflow::Between(25, 50));
        assert_eq!(two(ramp(-1.0, -3.0), ramp(0.0, 0.0)), Inflow::Between(0, 100));
        assert_eq!(two(ramp(-1.0, -3.0), ramp(5.0, 4.0)), Inflow::Between(100, 100));
    }

    #[test]
    fn the_plug_outweighs_the_current() {
        use Phase::{Charge, Drive, Stand};
        assert_eq!(Mode::of(Some(true), false, true), Mode::Fixed(Charge));
        assert_eq!(Mode::of(Some(true), true, true), Mode::AtOnce);
        assert_eq!(Mode::of(Some(false), false, true), Mode::Fixed(Stand));
        assert_eq!(Mode::of(Some(false), true, true), Mode::Fixed(Drive));
        assert_eq!(Mode::of(None, false, true), Mode::Sustained);
        assert_eq!(Mode::of(None, true, true), Mode::Fixed(Drive));
        assert_eq!(Mode::of(None, false, false), Mode::Fixed(Stand));
    }
}
