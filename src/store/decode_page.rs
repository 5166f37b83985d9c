//! Values out of the pages that `encode` makes. Total: any bytes give values or `None`, never a panic.
//!
//! Reads what this program writes (runs, plain values, packed differences, numbers of listed values), not every form that Parquet allows.

use super::leb128::{take, unzigzag};

/// Runs of equal numbers of `width` bits, `rows` in all.
pub(super) fn runs(mut bytes: &[u8], width: u32, rows: usize, mut each: impl FnMut(u32, usize)) -> Option<()> {
    let mut rest = rows;
    while rest > 0 {
        let (value, count) = next_run(&mut bytes, width, rest)?;
        each(value, count);
        rest -= count;
    }
    Some(())
}

/// The next run off the front: its number and how often it stands, at most `rest` times.
fn next_run(bytes: &mut &[u8], width: u32, rest: usize) -> Option<(u32, usize)> {
    let header = take(bytes)?;
    let count = usize::try_from(header >> 1).ok().filter(|count| header & 1 == 0 && (1..=rest).contains(count))?;
    let size = width.div_ceil(8) as usize;
    let (value, after) = bytes.split_at_checked(size)?;
    *bytes = after;
    let mut word = [0; 4];
    word.get_mut(..size)?.copy_from_slice(value);
    Some((u32::from_le_bytes(word), count))
}

/// Splits a page into the runs of its definition levels and its values.
pub(super) fn levels(page: &[u8]) -> Option<(&[u8], &[u8])> {
    let (length, rest) = page.split_first_chunk::<4>()?;
    rest.split_at_checked(u32::from_le_bytes(*length) as usize)
}

/// Whether the levels of a page are the same for all its rows: 0 where all are null, 1 where none is.
pub(super) fn all_level(page: &[u8], rows: usize, wanted: u32) -> bool {
    let mut all = rows > 0;
    let read = levels(page).and_then(|(levels, _)| runs(levels, 1, rows, |level, _| all &= level == wanted));
    read.is_some() && all
}

/// Plain words of `N` bytes, NaN where `levels` (if any) says that there is none.
pub(super) fn words<const N: usize>(
    page: &[u8],
    nullable: bool,
    rows: usize,
    out: &mut Vec<f64>,
    value: impl Fn([u8; N]) -> f64,
) -> Option<()> {
    Words::new(page, nullable, rows)?.take(rows, out, value)
}

/// Where a page's cells are null, run by run.
struct Levels<'a> {
    /// The runs that were not used yet; `None` where no cell is null.
    runs: Option<&'a [u8]>,
    /// The run at hand: whether it is of values, and what is left of it.
    run: (bool, usize),
    rest: usize,
}

impl<'a> Levels<'a> {
    /// With the values behind the levels.
    fn new(page: &'a [u8], nullable: bool, rows: usize) -> Option<(Self, &'a [u8])> {
        if nullable {
            let (runs, values) = levels(page)?;
            return Some((Self { runs: Some(runs), run: (false, 0), rest: rows }, values));
        }
        Some((Self { runs: None, run: (true, rows), rest: rows }, page))
    }

    /// The next so many cells in runs, whether each is of values and how long; as far as there are.
    fn take(&mut self, rows: usize, mut each: impl FnMut(bool, usize) -> Option<()>) -> Option<()> {
        let mut wanted = rows.min(self.rest);
        while wanted > 0 {
            if self.run.1 == 0 {
                let (level, count) = next_run(self.runs.as_mut()?, 1, self.rest)?;
                self.run = (level != 0, count);
            }
            let count = self.run.1.min(wanted);
            each(self.run.0, count)?;
            self.run.1 -= count;
            self.rest -= count;
            wanted -= count;
        }
        Some(())
    }
}

/// The same words, some rows at a time.
pub(super) struct Words<'a, const N: usize> {
    levels: Levels<'a>,
    values: &'a [[u8; N]],
}

impl<'a, const N: usize> Words<'a, N> {
    pub fn new(page: &'a [u8], nullable: bool, rows: usize) -> Option<Self> {
        let (levels, values) = Levels::new(page, nullable, rows)?;
        let values = if nullable { values } else { values.get(..rows.checked_mul(N)?)? };
        Some(Self { levels, values: values.as_chunks::<N>().0 })
    }

    /// So many rows more, as far as there are.
    pub fn take(&mut self, rows: usize, out: &mut Vec<f64>, value: impl Fn([u8; N]) -> f64) -> Option<()> {
        let values = &mut self.values;
        self.levels.take(rows, |valid, count| {
            if valid {
                let (these, rest) = values.split_at_checked(count)?;
                out.extend(these.iter().map(|word| value(*word)));
                *values = rest;
            } else {
                out.resize(out.len() + count, f64::NAN);
            }
            Some(())
        })
    }
}

/// The widest number of an entry that is read, bits: a row group's rows have no more distinct values.
const ENTRY_BITS: u32 = 20;

/// Numbers of a dictionary's entries (Apache Parquet format, `Encodings.md`, "Dictionary Encoding" and "RLE/Bit-Packing Hybrid"), some rows
/// at a time.
pub(super) struct Entries<'a> {
    levels: Levels<'a>,
    bytes: &'a [u8],
    width: u32,
    run: Run<'a>,
    /// The value of each entry, and behind them room for every number of that width.
    values: &'a [f64],
    known: usize,
}

/// A run of the hybrid form.
#[derive(Clone, Copy)]
enum Run<'a> {
    /// One entry so many times.
    Same(usize, usize),
    /// Numbers packed one behind another: the next is that many from the front, and so many are left.
    Packed(&'a [u8], usize, usize),
}

impl<'a> Entries<'a> {
    /// `values` are the entries' own; room is made behind them.
    pub fn new(page: &'a [u8], nullable: bool, rows: usize, values: &'a mut Vec<f64>) -> Option<Self> {
        let (levels, page) = Levels::new(page, nullable, rows)?;
        let (&width, bytes) = page.split_first()?;
        let width = u32::from(width);
        let known = values.len();
        if width > ENTRY_BITS || known > 1 << ENTRY_BITS {
            return None;
        }
        values.resize(known.max(1 << width), f64::NAN);
        Some(Self { levels, bytes, width, run: Run::Same(0, 0), values, known })
    }

    /// So many rows more, as far as there are.
    pub fn take(&mut self, rows: usize, out: &mut Vec<f64>) -> Option<()> {
        let Self { levels, bytes, width, run, values, known } = self;
        levels.take(rows, |valid, count| {
            if !valid {
                out.resize(out.len() + count, f64::NAN);
                return Some(());
            }
            let mut wanted = count;
            while wanted > 0 {
                if let Run::Same(_, 0) | Run::Packed(_, _, 0) = run {
                    *run = next_hybrid(bytes, *width)?;
                }
                let here = match run {
                    Run::Same(entry, left) => {
                        let here = wanted.min(*left);
                        out.resize(out.len() + here, *values.get(..*known)?.get(*entry)?);
                        *left -= here;
                        here
                    }
                    Run::Packed(packed, at, left) => {
                        let here = wanted.min(*left);
                        let most = unpack(packed, *width, *at, here, values, out)?;
                        (*at, *left) = (*at + here, *left - here);
                        (most < *known).then_some(here)?
                    }
                };
                wanted -= here;
            }
            Some(())
        })
    }
}

/// The next run of the hybrid form off the front.
fn next_hybrid<'a>(bytes: &mut &'a [u8], width: u32) -> Option<Run<'a>> {
    let header = take(bytes)?;
    let count = usize::try_from(header >> 1).ok().filter(|count| *count > 0)?;
    if header & 1 == 1 {
        let (packed, after) = bytes.split_at_checked(count.checked_mul(width as usize)?)?;
        *bytes = after;
        return Some(Run::Packed(packed, 0, count.checked_mul(8)?));
    }
    let (value, after) = bytes.split_at_checked(width.div_ceil(8) as usize)?;
    *bytes = after;
    let entry = value.iter().rev().fold(0, |entry, byte| entry << 8 | usize::from(*byte));
    Some(Run::Same(entry, count))
}

/// Bytes as bits, least significant first, of which at least 57 are read at once.
struct Bits<'a> {
    bytes: &'a [u8],
    /// The last eight bytes with room behind them, and where they stand: too near to the end for a load of eight.
    near: usize,
    end: [u8; 24],
}

impl<'a> Bits<'a> {
    fn new(bytes: &'a [u8]) -> Self {
        let near = bytes.len().saturating_sub(8);
        let mut end = [0; 24];
        let tail = &bytes[near..];
        end[..tail.len()].copy_from_slice(tail);
        Self { bytes, near, end }
    }

    /// What stands from this bit on; zeros behind the end.
    #[inline]
    fn from(&self, bit: usize) -> u64 {
        let at = bit / 8;
        let eight = self.bytes.get(at..at + 8).or_else(|| self.end.get(at.wrapping_sub(self.near)..)?.get(..8));
        eight.and_then(|bytes| bytes.try_into().ok()).map_or(0, u64::from_le_bytes) >> (bit % 8)
    }
}

/// The values of `count` entries from number `from` on; the greatest number among them. For every number of that width `values` has a
/// place.
fn unpack(packed: &[u8], width: u32, from: usize, count: usize, values: &[f64], out: &mut Vec<f64>) -> Option<usize> {
    let table = values.get(..1 << width)?;
    let start = out.len();
    out.resize(start + count, f64::NAN);
    let mut left = &mut out[start..];
    let mut most = 0;
    numbers(packed, width, from, count, |entries| {
        let (cells, rest) = std::mem::take(&mut left).split_at_mut(entries.len());
        left = rest;
        for (cell, entry) in cells.iter_mut().zip(entries) {
            let entry = *entry as usize;
            most = most.max(entry);
            *cell = table[entry & (table.len() - 1)];
        }
    });
    Some(most)
}

/// The widest numbers of which eight lie within sixteen bytes, bits.
const NARROW: u32 = 16;

/// `count` numbers of at most 56 bits, packed one behind another, from number `from` on: one or eight at a time.
#[inline(always)]
fn numbers(packed: &[u8], width: u32, from: usize, count: usize, mut each: impl FnMut(&[u64])) {
    let mask = (1u64 << width) - 1;
    let bits = Bits::new(packed);
    let one = |at: usize| bits.from(at * width as usize) & mask;
    let (mut at, end) = (from, from + count);
    if width <= NARROW {
        // Eight numbers take `width` bytes: from every eighth on, one load gives all of them.
        let aligned = end.min(at.next_multiple_of(8));
        (at..aligned).for_each(|at| each(&[one(at)]));
        at = aligned;
        while at + 8 <= end {
            let byte = at / 8 * width as usize;
            let Some(word) = packed.get(byte..).and_then(<[u8]>::first_chunk) else { break };
            let word = u128::from_le_bytes(*word);
            let (low, high) = (word as u64, (word >> (4 * width)) as u64);
            let [a, b, c] = [width, 2 * width, 3 * width];
            each(&[low, low >> a, low >> b, low >> c, high, high >> a, high >> b, high >> c].map(|word| word & mask));
            at += 8;
        }
    }
    (at..end).for_each(|at| each(&[one(at)]));
}

/// Plain byte strings, each with its length before it.
pub(super) fn strings(mut bytes: &[u8], count: usize, mut each: impl FnMut(&[u8])) -> Option<()> {
    for _ in 0..count {
        let (length, rest) = bytes.split_first_chunk::<4>()?;
        let (text, rest) = rest.split_at_checked(u32::from_le_bytes(*length) as usize)?;
        bytes = rest;
        each(text);
    }
    Some(())
}

/// DELTA_BINARY_PACKED (Apache Parquet format, `Encodings.md`, "Delta Encoding"), all of it.
pub(super) fn deltas(bytes: &[u8], rows: usize, out: &mut Vec<i64>) -> Option<()> {
    Deltas::new(bytes, rows)?.take(rows, out)
}

/// The same, some rows at a time.
pub(super) struct Deltas<'a> {
    bytes: &'a [u8],
    minis: usize,
    mini_rows: usize,
    /// The widths of the block at hand that were not used yet.
    widths: &'a [u8],
    least: i64,
    value: i64,
    /// The first value was not given out yet.
    is_first: bool,
    rest: usize,
}

impl<'a> Deltas<'a> {
    pub fn new(mut bytes: &'a [u8], rows: usize) -> Option<Self> {
        let block = usize::try_from(take(&mut bytes)?).ok().filter(|size| (1..=4_096).contains(size))?;
        let minis = usize::try_from(take(&mut bytes)?).ok().filter(|count| (1..=block).contains(count))?;
        let mini_rows = Some(block / minis).filter(|rows| rows % 32 == 0 && *rows > 0)?;
        if take(&mut bytes)? != rows as u64 {
            return None;
        }
        let value = unzigzag(take(&mut bytes)?);
        let rest = rows.saturating_sub(1);
        Some(Self { bytes, minis, mini_rows, widths: &[], least: 0, value, is_first: rows > 0, rest })
    }

    /// At least so many rows more, as far as there are; the last few of a block come with it.
    pub fn take(&mut self, rows: usize, out: &mut Vec<i64>) -> Option<()> {
        let enough = out.len().saturating_add(rows);
        if std::mem::take(&mut self.is_first) {
            out.push(self.value);
        }
        while self.rest > 0 && out.len() < enough {
            if self.widths.is_empty() {
                self.least = unzigzag(take(&mut self.bytes)?);
                (self.widths, self.bytes) = self.bytes.split_at_checked(self.minis)?;
            }
            let (&width, widths) = self.widths.split_first()?;
            self.widths = widths;
            let here = self.rest.min(self.mini_rows);
            let width = u32::from(width);
            let (packed, after) = self.bytes.split_at_checked(width as usize * self.mini_rows / 8)?;
            // With what follows, so that numbers near the end are still read by eights.
            let beyond = std::mem::replace(&mut self.bytes, after);
            self.value = match width {
                0..=56 => short_deltas(beyond, width, here, self.least, self.value, out),
                57..=64 => long_deltas(packed, width, here, self.least, self.value, out),
                _ => return None,
            };
            self.rest -= here;
        }
        Some(())
    }
}

/// Adds up `count` differences of at most 56 bits: one load of eight bytes holds each.
fn short_deltas(packed: &[u8], width: u32, count: usize, least: i64, mut value: i64, out: &mut Vec<i64>) -> i64 {
    let start = out.len();
    out.resize(start + count, 0);
    let mut left = &mut out[start..];
    numbers(packed, width, 0, count, |overs| {
        let (sums, rest) = std::mem::take(&mut left).split_at_mut(overs.len());
        left = rest;
        for (sum, over) in sums.iter_mut().zip(overs) {
            value = value.wrapping_add(least).wrapping_add(*over as i64);
            *sum = value;
        }
    });
    value
}

/// The same of differences of up to 64 bits.
fn long_deltas(packed: &[u8], width: u32, count: usize, least: i64, mut value: i64, out: &mut Vec<i64>) -> i64 {
    let (mut held, mut bits, mut at) = (0u128, 0, 0);
    let mask = if width == 64 { u64::MAX } else { (1 << width) - 1 };
    out.extend((0..count).map(|_| {
        while bits < width {
            held |= u128::from(packed.get(at).copied().unwrap_or(0)) << bits;
            bits += 8;
            at += 1;
        }
        let delta = held as u64 & mask;
        held >>= width;
        bits -= width;
        value = value.wrapping_add(least).wrapping_add(delta as i64);
        value
    }));
    value
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn both_ways_to_read_differences_agree(bytes in proptest::collection::vec(any::<u8>(), 32 * 56 / 8), width in 0..=56u32) {
            let packed = &bytes[..width as usize * 4];
            let (mut one, mut other) = (Vec::new(), Vec::new());
            let ends = (short_deltas(packed, width, 32, -7, 5, &mut one), long_deltas(packed, width, 32, -7, 5, &mut other));
            prop_assert_eq!(ends.0, ends.1);
            prop_assert_eq!(one, other);
        }

        #[test]
        fn numbers_are_those_of_their_bits(
            bytes in proptest::collection::vec(any::<u8>(), 0..300),
            width in 0..=20u32,
            (from, count) in (0..60usize, 0..200usize),
        ) {
            // Bit by bit, least significant first; zeros behind the end.
            let bit = |at: usize| bytes.get(at / 8).map_or(0, |byte| u64::from(byte >> (at % 8) & 1));
            let number = |at: usize| (0..width as usize).map(|place| bit(at * width as usize + place) << place).sum();
            let expected: Vec<u64> = (from..from + count).map(number).collect();
            let mut found = Vec::new();
            numbers(&bytes, width, from, count, |numbers| found.extend_from_slice(numbers));
            prop_assert_eq!(found, expected);
        }

        #[test]
        fn pieces_are_the_whole(
            cells in proptest::collection::vec(proptest::option::weighted(0.9, any::<u32>()), 1..300),
            piece in 1..70usize,
        ) {
            // Levels one by one and plain words, as `Encodings.md` has them.
            let levels: Vec<u8> = cells.iter().flat_map(|cell| [2, u8::from(cell.is_some())]).collect();
            let words = cells.iter().flatten().flat_map(|cell| f64::from(*cell).to_le_bytes());
            let page: Vec<u8> = (levels.len() as u32).to_le_bytes().into_iter().chain(levels).chain(words).collect();
            let (mut read, mut out) = (Words::<8>::new(&page, true, cells.len()).unwrap(), Vec::new());
            while out.len() < cells.len() {
                prop_assert!(read.take(piece, &mut out, f64::from_le_bytes).is_some());
            }
            let found: Vec<Option<u32>> = out.iter().map(|cell| cell.is_finite().then_some(*cell as u32)).collect();
            prop_assert_eq!(found, cells);
        }

        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), rows in 0..5_000usize, width in 0..40u32) {
            let _ = runs(&bytes, width, rows, |_, _| ());
            let _ = words::<8>(&bytes, true, rows, &mut Vec::new(), f64::from_le_bytes);
            let _ = words::<8>(&bytes, false, rows, &mut Vec::new(), f64::from_le_bytes);
            for nullable in [false, true] {
                let mut values = vec![1.5; rows % 100];
                if let Some(mut entries) = Entries::new(&bytes, nullable, rows, &mut values) {
                    let _ = entries.take(rows / 2, &mut Vec::new()).and_then(|()| entries.take(rows, &mut Vec::new()));
                }
            }
            // The same behind levels and a width that are sound.
            let mut page = vec![3, 0, 0, 0, ((rows << 1) as u8 & 0x7f) | 0x80, (rows >> 6) as u8, 1, (width % 21) as u8];
            page.extend(&bytes);
            let mut values = vec![1.5; rows % 100];
            if let Some(mut entries) = Entries::new(&page, true, rows, &mut values) {
                let _ = entries.take(rows, &mut Vec::new());
            }
            let _ = strings(&bytes, rows, |_| ());
            let _ = deltas(&bytes, rows, &mut Vec::new());
            // The same behind a header that is sound.
            let mut packed = vec![0x80, 1, 4, (rows as u8 & 0x7f) | 0x80, (rows >> 7) as u8];
            packed.extend(bytes);
            let _ = deltas(&packed, rows, &mut Vec::new());
        }
    }
}
