//! Values out of the pages that `encode` makes. Total: any bytes give values or `None`, never a panic.
//!
//! Reads what this program writes (runs, plain values, packed differences), not every form that Parquet allows.

use super::leb128::{take, unzigzag};

/// Runs of equal numbers of `width` bits, `rows` in all.
pub(super) fn runs(mut bytes: &[u8], width: u32, rows: usize, mut each: impl FnMut(u32, usize)) -> Option<()> {
    let size = width.div_ceil(8) as usize;
    let mut rest = rows;
    while rest > 0 {
        let header = take(&mut bytes)?;
        let count = usize::try_from(header >> 1).ok().filter(|count| header & 1 == 0 && (1..=rest).contains(count))?;
        let (value, after) = bytes.split_at_checked(size)?;
        bytes = after;
        let mut word = [0; 4];
        word.get_mut(..size)?.copy_from_slice(value);
        each(u32::from_le_bytes(word), count);
        rest -= count;
    }
    Some(())
}

/// Splits a page into the runs of its definition levels and its values.
pub(super) fn levels(page: &[u8]) -> Option<(&[u8], &[u8])> {
    let (length, rest) = page.split_first_chunk::<4>()?;
    rest.split_at_checked(u32::from_le_bytes(*length) as usize)
}

/// Plain words of `N` bytes, NaN where `levels` (if any) says that there is none.
pub(super) fn words<const N: usize>(
    page: &[u8],
    nullable: bool,
    rows: usize,
    out: &mut Vec<f64>,
    value: impl Fn([u8; N]) -> f64,
) -> Option<()> {
    if !nullable {
        out.extend(page.get(..rows.checked_mul(N)?)?.as_chunks::<N>().0.iter().map(|word| value(*word)));
        return Some(());
    }
    let (levels, values) = levels(page)?;
    let mut values = values.as_chunks::<N>().0;
    let mut enough = true;
    runs(levels, 1, rows, |level, count| match level {
        0 => out.resize(out.len() + count, f64::NAN),
        _ => match values.split_at_checked(count) {
            Some((these, rest)) => {
                out.extend(these.iter().map(|word| value(*word)));
                values = rest;
            }
            None => enough = false,
        },
    })?;
    enough.then_some(())
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

/// DELTA_BINARY_PACKED (Apache Parquet format, `Encodings.md`, "Delta Encoding").
pub(super) fn deltas(mut bytes: &[u8], rows: usize, out: &mut Vec<i64>) -> Option<()> {
    let block = usize::try_from(take(&mut bytes)?).ok().filter(|size| (1..=4_096).contains(size))?;
    let minis = usize::try_from(take(&mut bytes)?).ok().filter(|count| (1..=block).contains(count))?;
    let mini_rows = Some(block / minis).filter(|rows| rows % 32 == 0 && *rows > 0)?;
    if take(&mut bytes)? != rows as u64 {
        return None;
    }
    let mut value = unzigzag(take(&mut bytes)?);
    if rows == 0 {
        return Some(());
    }
    out.push(value);
    let mut rest = rows - 1;
    while rest > 0 {
        let least = unzigzag(take(&mut bytes)?);
        let (widths, after) = bytes.split_at_checked(minis)?;
        bytes = after;
        for &width in widths {
            let here = rest.min(mini_rows);
            if here == 0 {
                break;
            }
            let width = u32::from(width);
            let (packed, after) = bytes.split_at_checked(width as usize * mini_rows / 8)?;
            bytes = after;
            if width > 64 {
                return None;
            }
            let (mut held, mut bits, mut at) = (0u128, 0, 0);
            let mask = if width == 64 { u64::MAX } else { (1 << width) - 1 };
            out.extend((0..here).map(|_| {
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
            rest -= here;
        }
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), rows in 0..5_000usize, width in 0..40u32) {
            let _ = runs(&bytes, width, rows, |_, _| ());
            let _ = words::<8>(&bytes, true, rows, &mut Vec::new(), f64::from_le_bytes);
            let _ = words::<8>(&bytes, false, rows, &mut Vec::new(), f64::from_le_bytes);
            let _ = strings(&bytes, rows, |_| ());
            let _ = deltas(&bytes, rows, &mut Vec::new());
            // The same behind a header that is sound.
            let mut packed = vec![0x80, 1, 4, (rows as u8 & 0x7f) | 0x80, (rows >> 7) as u8];
            packed.extend(bytes);
            let _ = deltas(&packed, rows, &mut Vec::new());
        }
    }
}
