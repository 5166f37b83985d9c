//! What every receiver's fix goes through: values that can't be are left out, and a frozen one is told from a live one.
//!
//! Reads no receiver's language; [`super::nmea`] and [`super::gpsd`] do.

use crate::observation::Fix;
use crate::time::{Span, US_PER_S, WallClock};

/// The fastest speed over ground taken, m/s: no car is faster.
const SPEED_MAX: f64 = 150.0;

/// A fix without the values that can't be, and whether there were any.
pub fn sound(fix: Fix) -> (Fix, bool) {
    let within = |value: Option<f64>, least: f64, most: f64| value.filter(|value| (least..=most).contains(value));
    let latitude_deg = within(fix.latitude_deg, -90.0, 90.0);
    let longitude_deg = within(fix.longitude_deg, -180.0, 180.0);
    // Half a position is none.
    let whole = latitude_deg.is_some() && longitude_deg.is_some() && fix.mode >= 2;
    let kept = Fix {
        latitude_deg: latitude_deg.filter(|_| whole),
        longitude_deg: longitude_deg.filter(|_| whole),
        altitude_m: within(fix.altitude_m, -1_000.0, 10_000.0).filter(|_| whole),
        speed_mps: within(fix.speed_mps, 0.0, SPEED_MAX).filter(|_| fix.mode >= 2),
        track_deg: within(fix.track_deg, 0.0, 360.0).filter(|_| fix.mode >= 2),
        // Without a position it is no fix, whatever the receiver calls it.
        mode: if whole { fix.mode.min(3) } else { fix.mode.min(1) },
        satellites: fix.satellites,
        hdop: within(fix.hdop, 0.0, 99.99),
    };
    let odd = fix.mode >= 2 && !whole
        || [(fix.altitude_m, kept.altitude_m), (fix.speed_mps, kept.speed_mps), (fix.track_deg, kept.track_deg)]
            .iter()
            .any(|(given, kept)| fix.mode >= 2 && given.is_some() && kept.is_none());
    (kept, odd)
}

/// The last moment that a receiver gave, so that a fix that does not move on is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Freshness(Option<WallClock>);

/// What the moment of a fix says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fresh {
    /// Later than the last one.
    New,
    /// The moment of the last fix again: frozen.
    Repeated,
    /// Earlier than the last one by more than a leap second: the receiver's clock was wrong, then or now.
    Backwards,
}

impl Freshness {
    /// Judges the moment of a fix and remembers it.
    pub fn judge(&mut self, at: WallClock) -> Fresh {
        let last = self.0.replace(at);
        match last.map(|last| at - last) {
            Some(Span(0)) => Fresh::Repeated,
            Some(Span(behind)) if behind < -US_PER_S => Fresh::Backwards,
            _ => Fresh::New,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: Fix = Fix {
        latitude_deg: Some(13.9),
        longitude_deg: Some(-54.8),
        altitude_m: Some(2.9),
        speed_mps: Some(5.2),
        track_deg: Some(70.5),
        mode: 3,
        satellites: Some(6),
        hdop: Some(1.2),
    };

    #[test]
    fn what_cannot_be_is_left_out() {
        assert_eq!(sound(GOOD), (GOOD, false));
        let none = Fix { satellites: Some(6), hdop: Some(1.2), mode: 1, ..Fix::default() };
        for latitude_deg in [None, Some(90.1), Some(f64::NAN), Some(f64::INFINITY)] {
            let (fix, odd) = sound(Fix { latitude_deg, ..GOOD });
            assert_eq!((fix.latitude_deg, fix.longitude_deg, fix.mode, odd), (None, None, 1, true));
        }
        assert_eq!(sound(Fix { mode: 1, ..GOOD }), (none, false));
        assert_eq!(sound(Fix { speed_mps: Some(-1.0), ..GOOD }), (Fix { speed_mps: None, ..GOOD }, true));
        assert_eq!(sound(Fix { mode: 200, ..GOOD }), (GOOD, false));
        assert_eq!(sound(Fix::default()), (Fix::default(), false));
    }

    #[test]
    fn frozen_and_backward_clocks() {
        let mut freshness = Freshness::default();
        let moments = [10, 10, 11, 9, 9, 20].map(|s| freshness.judge(WallClock(s * US_PER_S)));
        let expected = [Fresh::New, Fresh::Repeated, Fresh::New, Fresh::Backwards, Fresh::Repeated, Fresh::New];
        assert_eq!(moments, expected);
    }
}
