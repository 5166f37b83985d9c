//! How one signal is read: shifts, scale and bounds worked out once.
//!
//! Two ways: a *plain* signal is a whole number of up to 63 bits inside the first 8 bytes and is read from one word; all
//! others take the general way through [`Window`].
//!
//! Does not know frames or multiplexing.

use crate::map::layout::Window;
use crate::map::{ByteOrder, RawKind, Signal};

/// What became of a raw value.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Outcome {
    Available(f64),
    NotAvailable,
    OutOfRange,
    NotFinite,
}

/// A plain signal; small, for the inner loop.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plain {
    scale: f64,
    offset: f64,
    /// The sign bit; 0 of an unsigned signal.
    sign: u64,
    /// The least raw value that is given on.
    least: i64,
    /// The greatest less the least.
    span: u64,
    left: u8,
    right: u8,
    is_big: bool,
}

/// Any signal.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub window: Window,
    raw: RawKind,
    scale: f64,
    offset: f64,
    whole: Whole,
    low: f64,
    high: f64,
    not_available: Vec<u64>,
}

/// How a whole number is scaled. Beyond 53 bits a double can't hold the raw value, so what can be exact is.
#[derive(Clone, Copy, Debug)]
enum Whole {
    /// In doubles throughout.
    Double,
    /// Product in whole numbers, the offset a double.
    Product(i64),
    /// Product and sum in whole numbers.
    Exact(i64, i64),
}

impl Plan {
    pub fn new(signal: &Signal, window: Window) -> Self {
        let (low, high) = bounds(signal);
        let whole = match (signal.length > 53, whole_number(signal.scale), whole_number(signal.offset)) {
            (true, Some(scale), Some(offset)) => Whole::Exact(scale, offset),
            (true, Some(scale), None) => Whole::Product(scale),
            _ => Whole::Double,
        };
        Self {
            window,
            raw: signal.raw,
            scale: signal.scale,
            offset: signal.offset,
            whole,
            low,
            high,
            not_available: signal.not_available.clone(),
        }
    }

    /// The plain form, where the signal has one.
    pub fn plain(&self) -> Option<Plain> {
        let whole = matches!(self.raw, RawKind::Unsigned | RawKind::Signed);
        if !whole || self.window.length > 53 || self.window.end() > 8 {
            return None;
        }
        let (least, greatest) = self.raw_bounds()?;
        // Bits right of the signal in the word that holds all 8 bytes in its order.
        let (first, length) = (u32::from(self.window.byte) * 8, u32::from(self.window.length));
        let right_of = match self.window.order {
            ByteOrder::LittleEndian => first + u32::from(self.window.shift),
            ByteOrder::BigEndian => 64 - (self.window.end() as u32) * 8 + u32::from(self.window.shift),
        };
        Some(Plain {
            scale: self.scale,
            offset: self.offset,
            sign: if self.raw == RawKind::Signed { 1 << (length - 1) } else { 0 },
            least,
            span: greatest.abs_diff(least),
            left: (64 - length - right_of) as u8,
            right: (64 - length) as u8,
            is_big: self.window.order == ByteOrder::BigEndian,
        })
    }

    /// The interval of raw values that are given on; `None` where they are none, or not one interval.
    ///
    /// Scaling keeps the order of raw values (or turns it round), so the valid ones are one interval, found by halving
    /// with the very scaling that the general way uses. Patterns that mean 'not available' mostly lie at its ends.
    fn raw_bounds(&self) -> Option<(i64, i64)> {
        let capacity = self.window.capacity() as i64;
        let (bottom, top) = match self.raw {
            RawKind::Signed => (-(capacity >> 1) - 1, capacity >> 1),
            _ => (0, capacity),
        };
        let scaled = |raw: i64| raw as f64 * self.scale + self.offset;
        if !scaled(bottom).is_finite() || !scaled(top).is_finite() {
            return None;
        }
        let is_past_low = |raw: i64| if self.scale > 0.0 { scaled(raw) >= self.low } else { scaled(raw) <= self.high };
        let is_past_high = |raw: i64| if self.scale > 0.0 { scaled(raw) > self.high } else { scaled(raw) < self.low };
        let (mut least, mut greatest) = (first(bottom, top, is_past_low), first(bottom, top, is_past_high) - 1);
        let is_missing = |raw: i64| self.not_available.contains(&(raw as u64 & self.window.capacity()));
        while least <= greatest && is_missing(least) {
            least += 1;
        }
        while least <= greatest && is_missing(greatest) {
            greatest -= 1;
        }
        let unused = 64 - u32::from(self.window.length);
        let is_inside = |pattern: &u64| {
            let raw = if self.raw == RawKind::Signed { (*pattern << unused) as i64 >> unused } else { *pattern as i64 };
            (least..=greatest).contains(&raw)
        };
        (least <= greatest && !self.not_available.iter().any(is_inside)).then_some((least, greatest))
    }

    /// What a raw pattern means.
    pub fn value(&self, raw: u64) -> Outcome {
        if self.not_available.contains(&raw) {
            return Outcome::NotAvailable;
        }
        self.bounded(match self.raw {
            RawKind::Float32 => f64::from(f32::from_bits(raw as u32)) * self.scale + self.offset,
            RawKind::Float64 => f64::from_bits(raw) * self.scale + self.offset,
            RawKind::Unsigned => self.scaled(raw as f64, raw.into()),
            RawKind::Signed => {
                let unused = 64 - u32::from(self.window.length);
                let raw = (raw << unused) as i64 >> unused;
                self.scaled(raw as f64, raw.into())
            }
        })
    }

    /// What a value from a table means, before scaling; NaN is an empty cell.
    pub fn cell(&self, value: f64) -> Outcome {
        if value.is_nan() {
            return Outcome::NotAvailable;
        }
        self.bounded(value * self.scale + self.offset)
    }

    fn scaled(&self, double: f64, raw: i128) -> f64 {
        match self.whole {
            Whole::Double => double * self.scale + self.offset,
            // 64 bits times 62 bits, and one more for the sum, stay below 128.
            Whole::Product(scale) => (raw * i128::from(scale)) as f64 + self.offset,
            Whole::Exact(scale, offset) => (raw * i128::from(scale) + i128::from(offset)) as f64,
        }
    }

    fn bounded(&self, value: f64) -> Outcome {
        if !value.is_finite() {
            Outcome::NotFinite
        } else if value < self.low || value > self.high {
            Outcome::OutOfRange
        } else {
            Outcome::Available(value)
        }
    }
}

impl Plain {
    /// The raw bits and, where they are to be given on, the value, from a payload's first 8 bytes as two words,
    /// little-endian and big-endian.
    #[inline(always)]
    pub fn read(&self, words: &[u64; 2]) -> (u64, Option<f64>) {
        let word = words[usize::from(self.is_big)];
        // Both shifts are below 64 by making; the mask spares the check.
        let bits = word << (self.left & 63) >> (self.right & 63);
        let raw = (bits ^ self.sign).wrapping_sub(self.sign) as i64;
        let is_given = raw.wrapping_sub(self.least) as u64 <= self.span;
        (bits, is_given.then_some(raw as f64 * self.scale + self.offset))
    }
}

/// The first number from `bottom` to `top` that is past a bound which, once passed, stays passed; else `top + 1`.
fn first(bottom: i64, top: i64, is_past: impl Fn(i64) -> bool) -> i64 {
    let (mut from, mut to) = (bottom, top + 1);
    while from < to {
        let middle = from + (to - from) / 2;
        if is_past(middle) {
            to = middle;
        } else {
            from = middle + 1;
        }
    }
    from
}

/// A double that is a whole number of at most 62 bits.
fn whole_number(value: f64) -> Option<i64> {
    (value.fract() == 0.0 && value.abs() < (1_u64 << 62) as f64).then_some(value as i64)
}

/// The range, widened so that a value that is its bound but for rounding stays inside; finite values only.
///
/// A bound is written in decimals and a value is the rounded `raw * scale + offset`, so the two can miss each other by
/// some ulp though the same number is meant. A millionth of a raw step is far above that and far below the next raw
/// value; where the step is no measure (floats, huge offsets) some ulp of the largest term are.
fn bounds(signal: &Signal) -> (f64, f64) {
    let Some((low, high)) = signal.range else { return (f64::MIN, f64::MAX) };
    let (step, rounding) = match signal.raw {
        RawKind::Unsigned | RawKind::Signed => (signal.scale.abs() * 1e-6, f64::EPSILON),
        RawKind::Float32 => (0.0, f64::from(f32::EPSILON)),
        RawKind::Float64 => (0.0, f64::EPSILON),
    };
    let slack = |bound: f64| {
        let largest = bound.abs().max(signal.offset.abs());
        if largest.is_finite() { step.max(4.0 * rounding * largest) } else { 0.0 }
    };
    ((low - slack(low)).max(f64::MIN), (high + slack(high)).min(f64::MAX))
}
