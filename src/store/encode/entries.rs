//! A column's distinct values and, row by row, which of them stands there: the form of columns whose values come again and again.
//!
//! Layout of the numbers: Apache Parquet format, `Encodings.md`, "RLE/Bit-Packing Hybrid". Does not decide about levels and compresses nothing.

use super::bits::pack;
use crate::store::leb128::put;

/// So few distinct values are listed in any case.
const FEW: usize = 16;
/// A list must be shorter than the rows by this factor ...
const ROWS_PER_ENTRY: usize = 8;
/// ... and a listed value come again so many times: of a column that only climbs, none does.
const TIMES: usize = 4;
/// A run as long is written as one; shorter ones are packed.
const RUN_MIN: usize = 16;
/// The longest list.
const ENTRIES_MAX: usize = 1 << 12;

/// Finds distinct values; keeps its memory between columns.
#[derive(Default)]
pub(super) struct Distinct {
    /// The table in which values are looked up, at most half full: a value's bits, and its number plus one after `before`. A place with less is
    /// free, so that a list need not clear what those before it left.
    places: Vec<(u64, u32)>,
    before: u32,
    /// The distinct values, each as bits, in order of appearance.
    pub entries: Vec<u64>,
    /// Of every row its value's number.
    pub numbers: Vec<u32>,
}

impl Distinct {
    /// Lists the values of a column of so many rows, those that are not null; whether that is worth it.
    pub fn list(&mut self, values: impl Iterator<Item = u64>, rows: usize) -> bool {
        let most = (rows / ROWS_PER_ENTRY).clamp(FEW, ENTRIES_MAX);
        self.begin(2 * most);
        self.entries.clear();
        self.numbers.clear();
        let mut changes = 0;
        let mut last: Option<(u64, u32)> = None;
        for bits in values {
            let number = match last {
                Some((same, number)) if same == bits => number,
                _ => {
                    changes += 1;
                    let Some(number) = self.number(bits, most) else { return false };
                    number
                }
            };
            last = Some((bits, number));
            self.numbers.push(number);
        }
        self.entries.len() <= FEW || self.entries.len() * TIMES <= changes
    }

    /// Frees so many places of the table, or a few more.
    fn begin(&mut self, places: usize) {
        self.before = self.before.saturating_add(self.entries.len() as u32);
        if self.places.len() != places.next_power_of_two() || self.before > u32::MAX / 2 {
            self.places.clear();
            self.places.resize(places.next_power_of_two(), (0, 0));
            self.before = 0;
        }
    }

    /// A value's number, new if need be; `None` if that would be one too many.
    fn number(&mut self, bits: u64, most: usize) -> Option<u32> {
        // Multiplicative hashing (Knuth, The Art of Computer Programming 3, section 6.4, from memory): the high bits of the product.
        let length = self.places.len();
        let mut at = (bits.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> (64 - length.trailing_zeros())) as usize;
        loop {
            let place = &mut self.places[at];
            match place.1.checked_sub(self.before + 1) {
                Some(number) if place.0 == bits => return Some(number),
                Some(_) => at = (at + 1) & (length - 1),
                None if self.entries.len() < most => {
                    self.entries.push(bits);
                    let number = self.entries.len() as u32;
                    *place = (bits, self.before + number);
                    return Some(number - 1);
                }
                None => return None,
            }
        }
    }

    /// The bits that a number needs, at least one.
    pub fn width(&self) -> u32 {
        (usize::BITS - self.entries.len().saturating_sub(1).leading_zeros()).max(1)
    }
}

/// Appends numbers of `width` bits in the hybrid form.
pub(super) fn hybrid(numbers: &[u32], width: u32, out: &mut Vec<u8>) {
    let mut begin = 0;
    let mut at = 0;
    for run in numbers.chunk_by(|a, b| a == b) {
        // What is packed comes in eights: a run gives to those before it what they lack.
        let lacks = (8 - (at - begin) % 8) % 8;
        if run.len() >= lacks + RUN_MIN {
            pack_eights(&numbers[begin..at + lacks], width, out);
            let count = run.len() - lacks;
            put(out, (count as u64) << 1);
            out.extend_from_slice(&run[0].to_le_bytes()[..width.div_ceil(8) as usize]);
            begin = at + run.len();
        }
        at += run.len();
    }
    pack_eights(&numbers[begin..], width, out);
}

/// Packs numbers one behind another, with zeros up to a multiple of eight, and says before them how many eights they are.
fn pack_eights(numbers: &[u32], width: u32, out: &mut Vec<u8>) {
    if numbers.is_empty() {
        return;
    }
    let eights = numbers.len().div_ceil(8);
    put(out, (eights as u64) << 1 | 1);
    pack(numbers.iter().map(|number| u64::from(*number)), width, eights * width as usize, out);
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::store::decode_page::Entries;

    #[test]
    fn the_form_is_that_of_the_format() {
        // `Encodings.md`, "RLE/Bit-Packing Hybrid": the numbers 0 to 7 of 3 bits are the bytes 10001000 11000110 11111010, lowest first.
        let mut out = Vec::new();
        hybrid(&[0, 1, 2, 3, 4, 5, 6, 7], 3, &mut out);
        assert_eq!(out, [1 << 1 | 1, 0b1000_1000, 0b1100_0110, 0b1111_1010]);
        // A run: its length times two, the value in as many bytes as the width needs.
        out.clear();
        hybrid(&[5; 100], 9, &mut out);
        assert_eq!(out, [0xc8, 1, 5, 0]);
    }

    #[test]
    fn values_that_do_not_come_again_are_not_listed() {
        let mut distinct = Distinct::default();
        assert!(distinct.list((0..1_000).map(|at| at % 100), 1_000));
        assert_eq!((distinct.entries.len(), distinct.width(), distinct.numbers[123]), (100, 7, 23));
        assert!(!distinct.list((0..1_000).map(|at| at / 10), 1_000), "it only climbs");
        assert!(!distinct.list(0..1_000, 1_000));
        assert!(distinct.list((0..1_000).map(|_| 7), 1_000));
        assert_eq!((distinct.entries.len(), distinct.width()), (1, 1));
        assert!(distinct.list((0..100_000).map(|at| at * 31 % 4_096), 100_000), "as long as a list may be");
        assert!(!distinct.list((0..100_000).map(|at| at * 31 % 4_097), 100_000));
    }

    proptest! {
        #[test]
        fn what_was_listed_before_changes_nothing(
            columns in proptest::collection::vec((1..2_000usize, 1..300u64), 1..12), last in 0..3u32,
        ) {
            // The numbers are far along in some cases: they begin anew before they end.
            let mut used = Distinct::default();
            used.list(0..1_999, 2_000);
            used.before = [used.before, u32::MAX / 2 - 500, u32::MAX / 2][last as usize];
            used.places.iter_mut().for_each(|place| place.1 = 0);
            for (rows, distinct) in columns {
                let values = (0..rows as u64).map(|row| row * row % distinct);
                let mut fresh = Distinct::default();
                prop_assert_eq!(used.list(values.clone(), rows), fresh.list(values, rows));
                prop_assert_eq!((&used.entries, &used.numbers), (&fresh.entries, &fresh.numbers));
            }
        }

        #[test]
        fn numbers_come_back(
            runs in proptest::collection::vec((0..1u32 << 20, prop_oneof![1..4usize, 1..40usize]), 1..60),
            width in 1..=20u32,
            piece in 1..70usize,
        ) {
            let mask = (1 << width) - 1;
            let of = |(number, count): &(u32, usize)| std::iter::repeat_n(number & mask, *count);
            let numbers: Vec<u32> = runs.iter().flat_map(of).collect();
            let mut page = vec![width as u8];
            hybrid(&numbers, width, &mut page);
            let mut values: Vec<f64> = (0..1 << width).map(f64::from).collect();
            let (mut read, mut out) = (Entries::new(&page, false, numbers.len(), &mut values).unwrap(), Vec::new());
            while out.len() < numbers.len() {
                prop_assert!(read.take(piece, &mut out).is_some());
            }
            prop_assert_eq!(out, numbers.iter().map(|number| f64::from(*number)).collect::<Vec<_>>());
        }
    }
}
