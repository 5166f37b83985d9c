//! Digits eight at a time: decimal and hexadecimal text as one 64-bit word, its first character in the lowest byte.
//!
//! Does not know what a line looks like.

const ONES: u64 = 0x0101_0101_0101_0101;
const HIGH: u64 = ONES << 7;

/// Whether all eight are decimal digits.
#[inline]
pub fn all_decimal(word: u64) -> bool {
    const UPPER: u64 = ONES * 0xF0;
    const ZEROS: u64 = ONES * 0x30;
    (word & UPPER) == ZEROS && (word.wrapping_add(ONES * 6) & UPPER) == ZEROS
}

/// The number that eight decimal digits write.
#[inline]
pub fn decimal(word: u64) -> u32 {
    const PAIRS: u64 = 0x0000_00FF_0000_00FF;
    let digits = word.wrapping_sub(ONES * 0x30);
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let even = (pairs & PAIRS).wrapping_mul(100 + (1_000_000 << 32));
    let odd = ((pairs >> 16) & PAIRS).wrapping_mul(1 + (10_000 << 32));
    (even.wrapping_add(odd) >> 32) as u32
}

/// The top bit of every byte that is no hexadecimal digit.
#[inline]
pub fn not_hex(word: u64) -> u64 {
    let low = word & !HIGH;
    // With 7-bit bytes, adding 0x80 - k carries into the top bit from k on, and never into the next byte.
    let from = |bytes: u64, first: u64| bytes.wrapping_add(ONES * (0x80 - first));
    let digit = from(low, 0x30) & !from(low, 0x3A);
    let lower = low | (ONES * 0x20);
    let letter = from(lower, 0x61) & !from(lower, 0x67);
    !((digit | letter) & !word) & HIGH
}

/// The four bytes that eight hexadecimal digits write, the first in the lowest byte.
#[inline]
pub fn hex(word: u64) -> u32 {
    let nibbles = (word & (ONES * 0x0F)).wrapping_add(((word >> 6) & ONES).wrapping_mul(9));
    let bytes = ((nibbles << 4) | (nibbles >> 8)) & 0x00FF_00FF_00FF_00FF;
    let halves = (bytes | (bytes >> 8)) & 0x0000_FFFF_0000_FFFF;
    (halves | (halves >> 16)) as u32
}

/// The top bit of the first byte that equals `wanted`; higher bits mean nothing; 0 if there is none.
#[inline]
pub fn first(word: u64, wanted: u8) -> u64 {
    let zeros = word ^ (ONES * u64::from(wanted));
    zeros.wrapping_sub(ONES) & !zeros & HIGH
}

/// How many bytes lie before the lowest top bit set, 8 if none is.
#[inline]
pub fn bytes_before(top_bits: u64) -> usize {
    (top_bits.trailing_zeros() / 8) as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn decimal_agrees_with_the_standard_library(number in 0u32..100_000_000) {
            let word = u64::from_le_bytes(format!("{number:08}").into_bytes().try_into().unwrap());
            prop_assert!(all_decimal(word));
            prop_assert_eq!(decimal(word), number);
        }

        #[test]
        fn hex_agrees_with_the_standard_library(bytes: [u8; 4]) {
            let number = u32::from_be_bytes(bytes);
            for text in [format!("{number:08X}"), format!("{number:08x}")] {
                let word = u64::from_le_bytes(text.into_bytes().try_into().unwrap());
                prop_assert_eq!(not_hex(word), 0);
                prop_assert_eq!(hex(word), u32::from_le_bytes(bytes));
            }
        }

        #[test]
        fn every_byte_is_judged_as_the_standard_library_judges_it(bytes: [u8; 8], wanted: u8) {
            let word = u64::from_le_bytes(bytes);
            prop_assert_eq!(all_decimal(word), bytes.iter().all(u8::is_ascii_digit));
            let bad = not_hex(word).to_le_bytes();
            for (byte, bad) in bytes.iter().zip(bad) {
                prop_assert_eq!(bad != 0, !byte.is_ascii_hexdigit());
            }
            let place = bytes.iter().position(|byte| *byte == wanted).unwrap_or(8);
            prop_assert_eq!(bytes_before(first(word, wanted)), place);
        }
    }

    #[test]
    fn every_single_byte_is_judged_right() {
        for byte in 0..=255u8 {
            let word = u64::from_le_bytes([byte; 8]);
            assert_eq!(not_hex(word) == 0, byte.is_ascii_hexdigit(), "{byte:#x}");
            assert_eq!(all_decimal(word), byte.is_ascii_digit(), "{byte:#x}");
        }
    }
}
