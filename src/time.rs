//! Time in three kinds that cannot be mixed: run time, wall-clock time and spans; and the steady clock they meet on.
//!
//! Does not read any clock: sources and the daemon do. All are whole microseconds, stamps are floored.

use std::fmt;
use std::ops::{Add, AddAssign, Neg, Sub};

use serde::{Deserialize, Serialize};

/// Microseconds in a second.
pub const US_PER_S: i64 = 1_000_000;

macro_rules! microseconds {
    ($($(#[$doc:meta])* $name:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
        #[repr(transparent)]
        pub struct $name(/// Microseconds.
            pub i64);

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{} us", self.0)
            }
        }
        impl $name {
            /// In seconds; exact to a microsecond for 285 years.
            pub fn seconds(self) -> f64 {
                self.0 as f64 / US_PER_S as f64
            }
            /// The latest that can be said.
            pub const MAX: Self = Self(i64::MAX);
        }
    )*};
}

microseconds! {
    /// A length of time.
    Span;
    /// A moment of a run: microseconds since the run's first observation, on a clock that never jumps.
    RunTime;
    /// A moment on the one clock that all sources of a process share; it never jumps, and where its zero lies means nothing.
    Steady;
    /// A moment by the world's clocks: microseconds since 1970-01-01T00:00:00Z, which a clock that is set may repeat or skip.
    WallClock;
}

impl Span {
    /// From seconds, rounded to the nearest microsecond; what is not finite or out of range saturates.
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds * US_PER_S as f64).round() as i64)
    }
    /// From whole seconds.
    pub const fn of_seconds(seconds: i64) -> Self {
        Self(seconds * US_PER_S)
    }
    /// From whole milliseconds.
    pub const fn of_millis(millis: i64) -> Self {
        Self(millis * 1_000)
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}
impl AddAssign for Span {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}
impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}
impl Neg for Span {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

macro_rules! moments {
    ($($name:ident)*) => {$(
        impl Sub for $name {
            type Output = Span;
            fn sub(self, earlier: Self) -> Span {
                Span(self.0.saturating_sub(earlier.0))
            }
        }
        impl Add<Span> for $name {
            type Output = Self;
            fn add(self, span: Span) -> Self {
                Self(self.0.saturating_add(span.0))
            }
        }
        impl Sub<Span> for $name {
            type Output = Self;
            fn sub(self, span: Span) -> Self {
                Self(self.0.saturating_sub(span.0))
            }
        }
    )*};
}
moments! { RunTime Steady WallClock }

impl WallClock {
    /// As `2027-03-14T06:15:02.123456Z`; what the calendar cannot hold prints as its microseconds.
    pub fn iso(self) -> String {
        match jiff::Timestamp::from_microsecond(self.0) {
            Ok(stamp) => format!("{stamp:.6}"),
            Err(_) => format!("{} us after 1970", self.0),
        }
    }

    /// As `2027-03-14T06:15:02Z`, floored to the second.
    pub fn second(self) -> String {
        match jiff::Timestamp::from_second(self.0.div_euclid(US_PER_S)) {
            Ok(stamp) => stamp.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            Err(_) => self.iso(),
        }
    }

    /// As a run is named: `20270314T061502Z`, floored to the second.
    pub fn run_name(self) -> String {
        match jiff::Timestamp::from_second(self.0.div_euclid(US_PER_S)) {
            Ok(stamp) => stamp.strftime("%Y%m%dT%H%M%SZ").to_string(),
            Err(_) => format!("at{}", self.0),
        }
    }

    /// Reads ISO 8601 with an offset (`2027-03-14T06:15:02.5+01:00`, `...Z`), floored to the microsecond.
    pub fn parse_iso(text: &str) -> Option<Self> {
        let stamp: jiff::Timestamp = text.parse().ok()?;
        Some(Self(stamp.as_nanosecond().div_euclid(1_000).try_into().ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wall_clock_reads_what_it_writes() {
        let moment = WallClock::parse_iso("2027-03-14T07:15:02.1234569+01:00").unwrap();
        assert_eq!(moment.iso(), "2027-03-14T06:15:02.123456Z");
        assert_eq!(moment.run_name(), "20270314T061502Z");
        assert_eq!(WallClock::parse_iso(&moment.iso()), Some(moment));
        // Before 1970 the floor goes down, not towards zero.
        assert_eq!(WallClock(-1).run_name(), "19691231T235959Z");
        assert_eq!(WallClock::parse_iso("2027-03-14T07:15:02"), None);
    }

    #[test]
    fn extremes_do_not_overflow() {
        assert_eq!(RunTime::MAX + Span(1), RunTime::MAX);
        assert_eq!(Span::from_seconds(f64::INFINITY), Span::MAX);
        assert!(WallClock::MAX.iso().contains("after 1970"));
    }
}
