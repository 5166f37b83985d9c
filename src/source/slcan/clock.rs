//! The adapter's own time stamps placed on the clock of the run, so that the delay of the serial line does not blur them.
//!
//! An adapter may stamp frames with a clock of whole milliseconds that starts anew every 60 s. A frame then arrives a varying
//! delay after its stamp; the least delay seen is taken for none. So the moments that come out are even; they lie within a
//! millisecond (what the adapter cuts off) of the truth and the line's shortest way behind it. Never later than arrival, never
//! backwards. Reads no clock and no line.

use crate::time::{Span, Steady, US_PER_S};

/// Milliseconds after which the stamps start anew.
const WRAP_MS: i64 = 60_000;
/// Half of it: the longest silence over which stamps are counted on.
const SILENCE_MAX: Span = Span::of_seconds(30);
/// How fast the adapter's clock may fall behind, parts per million: what cheap crystals stay within.
const DRIFT_PPM: i64 = 100;
/// When none of so many frames in so long a time comes within [`SLACK`] of the least delay, the adapter's clock is slower than that.
const REVIEW: Span = Span::of_seconds(5);
const REVIEW_FRAMES: u32 = 200;
const SLACK: Span = Span::of_millis(3);
/// The furthest that a stamp is taken back from its arrival. Beyond it the adapter's clock jumped or the frames were held up here;
/// either way it begins anew, at arrival: what is older than the merge's window finds no place anyway.
pub const DELAY_MAX: Span = Span::of_millis(150);

/// What a stamp was good for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Told {
    /// It places the frame.
    Sound,
    /// Later than [`DELAY_MAX`]: it was not used, and the clocks are compared anew.
    Anew,
    /// The adapter's clock runs slower than is allowed for; it was set right.
    Slow,
    /// Not of a clock of 60 s: the stamps of this adapter are not used any more.
    Unusable,
}

/// The relation between an adapter's clock and that of the run.
#[derive(Clone, Copy, Debug)]
pub struct AdapterClock {
    known: Option<Known>,
    last: Steady,
    unusable: bool,
}

#[derive(Clone, Copy, Debug)]
struct Known {
    /// The last stamp, as sent and counted on.
    stamp_ms: i64,
    adapter: Span,
    arrival: Steady,
    /// What is added to the adapter's clock, finer than a microsecond so that slow drift adds up: microseconds times a million.
    offset: i128,
    /// The least delay beyond the offset since the last review, when that was, and the frames since.
    least: Span,
    reviewed: Steady,
    frames: u32,
}

impl Default for AdapterClock {
    fn default() -> Self {
        Self { known: None, last: Steady(i64::MIN), unusable: false }
    }
}

impl AdapterClock {
    /// The moment of a frame that arrived at `arrival` with this stamp, if any. Arrivals must not go backwards.
    pub fn place(&mut self, stamp_ms: Option<u16>, arrival: Steady) -> (Steady, Told) {
        let (at, told) = match stamp_ms.map(i64::from) {
            Some(stamp) if !self.unusable && stamp < WRAP_MS => self.judge(stamp, arrival),
            Some(_) if !self.unusable => {
                self.unusable = true;
                (arrival, Told::Unusable)
            }
            _ => (arrival, Told::Sound),
        };
        self.last = self.last.max(at).min(arrival);
        (self.last, told)
    }

    fn judge(&mut self, stamp_ms: i64, arrival: Steady) -> (Steady, Told) {
        let known = match self.known {
            Some(known) if arrival - known.arrival <= SILENCE_MAX => known.follow(stamp_ms, arrival),
            _ => Known::begin(stamp_ms, arrival),
        };
        let (known, delay) = known.measure(arrival);
        if delay > DELAY_MAX {
            self.known = Some(Known::begin(stamp_ms, arrival));
            return (arrival, Told::Anew);
        }
        let (known, slow) = known.review(arrival);
        self.known = Some(known);
        let delay = delay - slow.unwrap_or_default();
        (arrival - delay, if slow.is_some() { Told::Slow } else { Told::Sound })
    }
}

impl Known {
    fn begin(stamp_ms: i64, arrival: Steady) -> Self {
        let adapter = Span::of_millis(stamp_ms);
        let offset = fine(arrival - Steady(adapter.0));
        Self { stamp_ms, adapter, arrival, offset, least: Span::MAX, reviewed: arrival, frames: 1 }
    }

    /// Counts the stamp on from the last: by as many milliseconds, whole wraps aside, as come nearest to what passed here. A
    /// stamp slightly before the last one, as adapters with two buffers send it, thus goes back by as much.
    fn follow(self, stamp_ms: i64, arrival: Steady) -> Self {
        let passed = arrival - self.arrival;
        let ahead = Span::of_millis((stamp_ms - self.stamp_ms).rem_euclid(WRAP_MS));
        let wrap = Span::of_millis(WRAP_MS);
        let ahead = if (ahead - passed).0 > wrap.0 / 2 { ahead - wrap } else { ahead };
        // What is left of the last offset: it may have fallen behind meanwhile.
        let offset = self.offset + i128::from(passed.0) * i128::from(DRIFT_PPM);
        let frames = self.frames.saturating_add(1);
        Self { stamp_ms, adapter: self.adapter + ahead, arrival, offset, frames, ..self }
    }

    /// The delay beyond the least one; a lesser one becomes the least.
    fn measure(self, arrival: Steady) -> (Self, Span) {
        let delay = fine(arrival - Steady(self.adapter.0)) - self.offset;
        if delay < 0 {
            return (Self { offset: self.offset + delay, least: Span(0), ..self }, Span(0));
        }
        let delay = Span(i64::try_from(delay / i128::from(US_PER_S)).unwrap_or(i64::MAX));
        (Self { least: self.least.min(delay), ..self }, delay)
    }

    /// Now and then: whether the least delay comes back. If not, the adapter's clock is slower than allowed for; the offset is
    /// put where the least delay since the last review is none.
    fn review(self, arrival: Steady) -> (Self, Option<Span>) {
        if arrival - self.reviewed < REVIEW || self.frames < REVIEW_FRAMES {
            return (self, None);
        }
        let slow = Some(self.least).filter(|least| *least > SLACK);
        let offset = self.offset + fine(slow.unwrap_or_default());
        (Self { offset, least: Span::MAX, reviewed: arrival, frames: 0, ..self }, slow)
    }
}

fn fine(span: Span) -> i128 {
    i128::from(span.0) * i128::from(US_PER_S)
}

#[cfg(test)]
mod tests;
