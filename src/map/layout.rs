//! Where a signal's bits lie in a payload: reading and writing raw bits in either byte order.
//!
//! Knows nothing of scale, sign or meaning.

use super::checked::{ByteOrder, Signal};

/// The bytes that hold a signal's bits, and the shift that brings its least significant bit to bit 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Window {
    /// First byte.
    pub byte: u16,
    /// Bytes, 1 to 9 (64 bits off a byte's edge touch nine).
    pub span: u8,
    /// Right shift of the whole.
    pub shift: u8,
    /// Bits, 1 to 64.
    pub length: u8,
    /// Byte order.
    pub order: ByteOrder,
}

impl Window {
    /// Past every payload; for a signal that says no bits, which a checked map does not hold.
    pub const NOWHERE: Self = Self { byte: u16::MAX, span: 1, shift: 0, length: 1, order: ByteOrder::LittleEndian };

    /// The window of `length` bits from `start`, numbered as in DBC; `None` where the length is not 1 to 64 or the
    /// signal ends past 8191 bytes (no payload is that long).
    pub fn new(start: u64, length: u64, order: ByteOrder) -> Option<Self> {
        if !(1..=64).contains(&length) || start > 65_000 {
            return None;
        }
        // Counting bits in the order in which they are read makes both byte orders one interval.
        let first = match order {
            ByteOrder::LittleEndian => start,
            ByteOrder::BigEndian => start / 8 * 8 + 7 - start % 8,
        };
        let last = first + length - 1;
        let shift = match order {
            ByteOrder::LittleEndian => first % 8,
            ByteOrder::BigEndian => 7 - last % 8,
        };
        let (byte, span) = (first / 8, last / 8 - first / 8 + 1);
        Some(Self { byte: byte as u16, span: span as u8, shift: shift as u8, length: length as u8, order })
    }

    /// The window of a checked signal.
    pub fn of(signal: &Signal) -> Option<Self> {
        Self::new(signal.start.into(), signal.length.into(), signal.order)
    }

    /// The payload length in bytes that the signal needs.
    pub fn end(&self) -> usize {
        usize::from(self.byte) + usize::from(self.span)
    }

    /// The greatest raw pattern.
    pub fn capacity(&self) -> u64 {
        u64::MAX >> (64 - u32::from(self.length))
    }

    /// The raw bits, zero-extended; `None` where the payload is too short.
    pub fn read(&self, payload: &[u8]) -> Option<u64> {
        let bytes = payload.get(usize::from(self.byte)..self.end())?;
        let whole = match self.order {
            ByteOrder::LittleEndian => bytes.iter().rev().fold(0, |sum: u128, byte| sum << 8 | u128::from(*byte)),
            ByteOrder::BigEndian => bytes.iter().fold(0, |sum: u128, byte| sum << 8 | u128::from(*byte)),
        };
        Some((whole >> self.shift) as u64 & self.capacity())
    }

    /// Writes the raw bits and leaves all others; nothing where the payload is too short.
    pub fn write(&self, payload: &mut [u8], raw: u64) {
        let Some(bytes) = payload.get_mut(usize::from(self.byte)..self.end()) else { return };
        let mask = u128::from(self.capacity()) << self.shift;
        let whole = u128::from(raw & self.capacity()) << self.shift;
        let span = bytes.len();
        for (index, byte) in bytes.iter_mut().enumerate() {
            let place = match self.order {
                ByteOrder::LittleEndian => index * 8,
                ByteOrder::BigEndian => (span - 1 - index) * 8,
            };
            *byte = *byte & !((mask >> place) as u8) | (whole >> place) as u8;
        }
    }

    /// The bits it takes of the first 64 bytes: bit `b` of byte `n` is bit `8 (n % 8) + b` of word `n / 8`.
    pub fn mask(&self) -> [u64; 8] {
        let mut bytes = [0; 64];
        self.write(&mut bytes, u64::MAX);
        let mut words = [0; 8];
        for (word, eight) in words.iter_mut().zip(bytes.as_chunks().0) {
            *word = u64::from_le_bytes(*eight);
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// One bit at a time, by the numbering that DBC files use: bit `n` is bit `n % 8` of byte `n / 8`; Motorola signals
    /// run from their most significant bit down a byte, then on from bit 7 of the next.
    fn slow_read(payload: &[u8], start: u64, length: u64, order: ByteOrder) -> Option<u64> {
        let mut raw = 0;
        let mut at = start as usize;
        for step in 0..length {
            let bit = u64::from(payload.get(at / 8)? >> (at % 8) & 1);
            match order {
                ByteOrder::LittleEndian => {
                    raw |= bit << step;
                    at += 1;
                }
                ByteOrder::BigEndian => {
                    raw = raw << 1 | bit;
                    at = if at.is_multiple_of(8) { at + 15 } else { at - 1 };
                }
            }
        }
        Some(raw)
    }

    fn order() -> impl Strategy<Value = ByteOrder> {
        prop_oneof![Just(ByteOrder::LittleEndian), Just(ByteOrder::BigEndian)]
    }

    proptest! {
        #[test]
        fn reads_what_the_bit_by_bit_reference_reads(
            payload in proptest::collection::vec(any::<u8>(), 0..=64), start in 0u64..520, length in 1u64..=64, order in order(),
        ) {
            let window = Window::new(start, length, order).unwrap();
            prop_assert_eq!(window.read(&payload), slow_read(&payload, start, length, order));
        }

        #[test]
        fn reads_what_it_writes_and_touches_nothing_else(
            payload in any::<[u8; 32]>(), start in 0u64..256, length in 1u64..=64, order in order(), raw in any::<u64>(),
        ) {
            let window = Window::new(start, length, order).unwrap();
            let mut written = payload;
            window.write(&mut written, raw);
            if window.end() > 32 {
                prop_assert_eq!(written, payload);
            } else {
                prop_assert_eq!(window.read(&written), Some(raw & window.capacity()));
                window.write(&mut written, window.read(&payload).unwrap());
                prop_assert_eq!(written, payload);
            }
        }

        #[test]
        fn no_numbers_panic(start in any::<u64>(), length in any::<u64>(), order in order()) {
            if let Some(window) = Window::new(start, length, order) {
                window.mask();
            }
        }
    }
}
