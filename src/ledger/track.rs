//! One signal: how often it comes (its rhythm, kept where samples arrive) and the piece between two of its samples
//! (kept where they are integrated).
//!
//! Says what is observed; integrates nothing.

use serde::{Deserialize, Serialize};

use crate::map::checked::Sent;

/// No allowed age is shorter, us: a signal that comes sooner than this is never in a gap.
pub const AGE_MIN: i64 = 500_000;
/// The allowed age while fewer than [`RHYTHM_MIN`] intervals are known, us.
const AGE_UNKNOWN: i64 = 2_000_000;
/// The longest allowed age of a signal that is integrated, us: what waits for its next sample waits no longer.
const AGE_MAX_INTEGRATED: i64 = 60_000_000;
/// The allowed age in median periods.
const AGE_PERIODS: i64 = 5;
/// Intervals needed before a median is believed.
const RHYTHM_MIN: usize = 8;
/// Intervals remembered.
const RHYTHM_MAX: usize = 64;
/// So many gaps on end, and the signal has changed its rhythm: what was known of it is forgotten.
const GAPS_ON_END: u8 = 8;

/// What the arrival of a sample says about the stretch since the signal's sample before.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Arrival {
    /// There was none before.
    First,
    /// The one before has the same stamp: this one replaces it.
    Again,
    /// The stretch is observed.
    Linked,
    /// The stretch is a gap; the sample before was fresh until then, us.
    Gap(i64),
    /// The signal is held between its samples: every stretch is observed.
    Held,
}

/// How often a signal comes.
///
/// The median is exact over the last 64 intervals and computed only when asked for: an interval of at most
/// [`AGE_MIN`] can be no gap whatever the median, so fast signals never pay for one.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Rhythm {
    held: bool,
    integrated: bool,
    /// The last 64 intervals, us, as a ring.
    intervals: Vec<u32>,
    oldest: u8,
    gaps_on_end: u8,
    /// The allowed age, us; 0 where it is not computed.
    age: i64,
    first: i64,
    last: i64,
    samples: u64,
    gaps: u64,
    /// Where the last sample stands in the queue, counted from the ledger's start.
    pub place: u64,
}

impl Rhythm {
    /// Of a signal that never came yet.
    pub fn new(sent: Sent, integrated: bool) -> Self {
        Self {
            held: sent == Sent::OnChange,
            integrated,
            intervals: Vec::with_capacity(RHYTHM_MAX),
            oldest: 0,
            gaps_on_end: 0,
            age: 0,
            first: 0,
            last: 0,
            samples: 0,
            gaps: 0,
            place: 0,
        }
    }

    /// Takes note of a sample at `at`, which is no earlier than the one before.
    #[inline]
    pub fn arrive(&mut self, at: i64) -> Arrival {
        self.samples += 1;
        let interval = at - self.last;
        if self.samples == 1 {
            (self.first, self.last) = (at, at);
            return Arrival::First;
        }
        if interval == 0 {
            return Arrival::Again;
        }
        if interval > AGE_MIN && !self.held {
            return self.arrive_late(at, interval);
        }
        self.last = at;
        self.gaps_on_end = 0;
        self.remember(interval);
        if self.held { Arrival::Held } else { Arrival::Linked }
    }

    fn arrive_late(&mut self, at: i64, interval: i64) -> Arrival {
        let age = self.age();
        let expires = self.last.saturating_add(age);
        self.last = at;
        if interval <= age {
            self.gaps_on_end = 0;
            self.remember(interval);
            return Arrival::Linked;
        }
        self.gaps += 1;
        if self.intervals.len() < RHYTHM_MIN {
            // A slow signal must be let in, or its rhythm would never be known.
            self.remember(interval);
        } else {
            self.gaps_on_end += 1;
            if self.gaps_on_end == GAPS_ON_END {
                (self.gaps_on_end, self.oldest, self.age) = (0, 0, 0);
                self.intervals.clear();
            }
        }
        Arrival::Gap(expires)
    }

    #[inline]
    fn remember(&mut self, interval: i64) {
        self.age = 0;
        let interval = interval.min(i64::from(u32::MAX)) as u32;
        match self.intervals.get_mut(usize::from(self.oldest)) {
            Some(oldest) => *oldest = interval,
            None => self.intervals.push(interval),
        }
        self.oldest = (self.oldest + 1) % RHYTHM_MAX as u8;
    }

    /// Twice the median interval, us; `None` while too few are known.
    fn median_doubled(&self) -> Option<i64> {
        let mut sorted = self.intervals.clone();
        sorted.sort_unstable();
        let middle = sorted.len() / 2;
        let at = |index: usize| sorted.get(index).map(|interval| i64::from(*interval));
        if sorted.len() < RHYTHM_MIN {
            None
        } else if sorted.len() % 2 == 1 {
            at(middle).map(|median| 2 * median)
        } else {
            Some(at(middle - 1)? + at(middle)?)
        }
    }

    /// How old the last sample may grow before the signal is unobserved, us.
    pub fn age(&mut self) -> i64 {
        if self.age == 0 {
            let age = self.median_doubled().map_or(AGE_UNKNOWN, |doubled| (AGE_PERIODS * doubled / 2).max(AGE_MIN));
            self.age = if self.integrated { age.min(AGE_MAX_INTEGRATED) } else { age };
        }
        self.age
    }

    /// Whether it is held between its samples.
    pub fn held(&self) -> bool {
        self.held
    }
    /// Samples taken.
    pub fn samples(&self) -> u64 {
        self.samples
    }
    /// Gaps between samples.
    pub fn gaps(&self) -> u64 {
        self.gaps
    }
    /// The first and last sample's moment, us; `None` if it never came.
    pub fn span(&self) -> Option<(i64, i64)> {
        (self.samples > 0).then_some((self.first, self.last))
    }
    /// The median period, s; `None` while too few intervals are known.
    pub fn period_s(&self) -> Option<f64> {
        self.median_doubled().map(|doubled| doubled as f64 / 2e6)
    }
}

/// What is known of the stretch after a sample.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum Link {
    /// Nothing yet: the next sample decides, or its absence.
    Open,
    /// Linear to the next sample.
    Linear,
    /// Unobserved until the next sample.
    Gap,
    /// Constant until the next sample.
    Held,
}

/// A sample waiting to be integrated, with what is known of the stretch after it.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct Event {
    /// Its moment, us.
    pub at: i64,
    /// Its value.
    pub value: f64,
    /// If linear: the next sample's moment. If a gap: until when this sample is fresh. Us.
    pub end: i64,
    /// If linear: the next sample's value.
    pub end_value: f64,
    /// Which signal.
    pub track: u16,
    /// What is known of the stretch after it.
    pub link: Link,
}

/// A signal's present piece: its latest sample, and the stretch after it.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct Piece {
    /// The sample's moment, us.
    pub at: i64,
    /// The sample's value; NaN before the first.
    pub value: f64,
    end: i64,
    end_value: f64,
    slope: f64,
    /// Until when the sample is fresh, us; [`Self::UNKNOWN`] where that was not asked yet.
    expires: i64,
    /// What is known of the stretch.
    pub link: Link,
}

impl Piece {
    const UNKNOWN: i64 = i64::MIN;

    /// Before the first sample.
    pub const NONE: Self = Self {
        at: 0,
        value: f64::NAN,
        end: i64::MAX,
        end_value: f64::NAN,
        slope: 0.0,
        expires: Self::UNKNOWN,
        link: Link::Gap,
    };

    /// Starts the piece after a sample.
    #[inline]
    pub fn start(&mut self, event: &Event) {
        self.at = event.at;
        self.value = event.value;
        self.expires = Self::UNKNOWN;
        match event.link {
            Link::Linear => self.join(event.end, event.end_value),
            Link::Gap => self.part(event.end),
            Link::Open | Link::Held => {
                (self.end, self.end_value, self.slope, self.link) = (i64::MAX, event.value, 0.0, event.link);
            }
        }
    }

    /// The stretch turns out linear, to this sample; `end` is later than `at`.
    #[inline]
    pub fn join(&mut self, end: i64, end_value: f64) {
        self.end = end;
        self.end_value = end_value;
        self.slope = (end_value - self.value) / (end - self.at) as f64;
        self.link = Link::Linear;
    }

    /// The stretch turns out to be a gap; the sample is fresh until `expires`.
    pub fn part(&mut self, expires: i64) {
        self.expires = expires;
        self.link = Link::Gap;
    }

    /// Asks once how long a sample without a successor stays fresh.
    pub fn settle_expiry(&mut self, rhythm: &mut Rhythm) {
        if self.link == Link::Open && self.expires == Self::UNKNOWN {
            self.expires = self.at.saturating_add(rhythm.age());
        }
    }

    /// The value at a moment of the piece, us.
    #[inline]
    pub fn value_at(&self, at: i64) -> f64 {
        if at == self.end { self.end_value } else { self.value + self.slope * (at - self.at) as f64 }
    }

    /// The next sample's value, where the stretch is linear; else the sample's own.
    pub fn far_value(&self) -> f64 {
        if self.link == Link::Linear { self.end_value } else { self.value }
    }

    /// Whether the stretch after the sample is observed, as far as is known.
    pub fn observed(&self) -> bool {
        matches!(self.link, Link::Linear | Link::Held)
    }

    /// Whether the sample is fresh at a moment, us.
    pub fn fresh(&self, at: i64) -> bool {
        match self.link {
            Link::Linear | Link::Held => true,
            Link::Gap => at <= self.expires,
            Link::Open => at - self.at <= AGE_MIN || at <= self.expires,
        }
    }

    /// The sample's value; NaN where it is stale.
    pub fn shown(&self, at: i64) -> f64 {
        if self.fresh(at) { self.value } else { f64::NAN }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(rhythm: &mut Rhythm, from: i64, interval: i64, count: i64) -> (i64, Arrival) {
        let mut last = Arrival::First;
        for step in 1..=count {
            last = rhythm.arrive(from + step * interval);
        }
        (from + count * interval, last)
    }

    #[test]
    fn the_allowed_age_is_five_median_periods() {
        // The rule as stated: five medians of the last 64 intervals, at least 0.5 s; fewer than 8 intervals: 2 s.
        let mut rhythm = Rhythm::new(Sent::Cyclic, true);
        assert_eq!(rhythm.arrive(0), Arrival::First);
        let (at, _) = feed(&mut rhythm, 0, 300_000, 7);
        assert_eq!(rhythm.age(), 2_000_000);
        let (at, _) = feed(&mut rhythm, at, 300_000, 1);
        assert_eq!(rhythm.age(), 1_500_000);
        // An even count takes the mean of the middle two: 32 of 300 ms, 32 of 400 ms.
        let (at, _) = feed(&mut rhythm, at, 300_000, 24);
        let (at, _) = feed(&mut rhythm, at, 400_000, 32);
        assert_eq!((rhythm.age(), rhythm.period_s()), (1_750_000, Some(0.35)));
        // One more forgets the oldest: 31 against 33.
        let (at, _) = feed(&mut rhythm, at, 400_000, 1);
        assert_eq!(rhythm.age(), 2_000_000);
        assert_eq!(rhythm.arrive(at + 2_000_000), Arrival::Linked);
        assert_eq!(rhythm.arrive(at + 4_000_001), Arrival::Gap(at + 4_000_000));
        // The gap did not enter.
        assert_eq!((rhythm.age(), rhythm.gaps()), (2_000_000, 1));
        let (_, _) = feed(&mut rhythm, at + 4_000_001, 10_000, 64);
        assert_eq!(rhythm.age(), 500_000);
    }

    #[test]
    fn a_slow_signal_and_a_changed_rhythm_are_learned() {
        let mut rhythm = Rhythm::new(Sent::Cyclic, false);
        rhythm.arrive(0);
        let (at, last) = feed(&mut rhythm, 0, 10_000_000, 9);
        assert_eq!((last, rhythm.age()), (Arrival::Linked, 50_000_000));
        let (at, _) = feed(&mut rhythm, at, 10_000, 64);
        assert_eq!(rhythm.age(), 500_000);
        let (at, last) = feed(&mut rhythm, at, 1_000_000, 8);
        assert!(matches!(last, Arrival::Gap(_)));
        let (_, last) = feed(&mut rhythm, at, 1_000_000, 1);
        assert_eq!(last, Arrival::Linked);
    }

    #[test]
    fn a_held_signal_is_never_in_a_gap_and_an_integrated_one_waits_a_minute_at_most() {
        let mut rhythm = Rhythm::new(Sent::OnChange, true);
        rhythm.arrive(0);
        assert_eq!(rhythm.arrive(1), Arrival::Held);
        assert_eq!(rhythm.arrive(1), Arrival::Again);
        assert_eq!(rhythm.arrive(i64::MAX / 2), Arrival::Held);
        let mut rhythm = Rhythm::new(Sent::Cyclic, true);
        rhythm.arrive(0);
        feed(&mut rhythm, 0, 30_000_000, 8);
        assert_eq!(rhythm.age(), 60_000_000);
    }

    #[test]
    fn a_piece_meets_its_samples_exactly() {
        let mut piece = Piece::NONE;
        assert!(!piece.fresh(0) && !piece.observed());
        piece.start(&Event { at: 7, value: 0.1, end: 10, end_value: 0.7, track: 0, link: Link::Linear });
        assert_eq!((piece.value_at(7), piece.value_at(10)), (0.1, 0.7));
        assert!((piece.value_at(8) - 0.3).abs() < 1e-15);
    }
}
