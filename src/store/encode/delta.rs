//! DELTA_BINARY_PACKED: whole numbers as differences, packed at the width that the largest of 32 needs.
//!
//! Layout: Apache Parquet format, `Encodings.md`, "Delta Encoding". Does not decode (`decode_page` does).

use super::bits::pack;
use crate::store::leb128::{put, zigzag};

/// Values in a block.
const BLOCK: usize = 128;
/// Miniblocks in a block, 32 values each.
const MINIBLOCKS: usize = 4;

/// Appends the encoded form of `values` to `out`.
pub(super) fn encode(values: &[i64], out: &mut Vec<u8>) {
    put(out, BLOCK as u64);
    put(out, MINIBLOCKS as u64);
    put(out, values.len() as u64);
    let Some((&first, rest)) = values.split_first() else {
        return put(out, 0);
    };
    put(out, zigzag(first));
    let mut before = first;
    let mut deltas = [0i64; BLOCK];
    for block in rest.chunks(BLOCK) {
        for (delta, &value) in deltas.iter_mut().zip(block) {
            *delta = value.wrapping_sub(before);
            before = value;
        }
        let deltas = &deltas[..block.len()];
        let least = deltas.iter().copied().min().unwrap_or(0);
        put(out, zigzag(least));
        let widths_at = out.len();
        out.extend_from_slice(&[0; MINIBLOCKS]);
        for (index, mini) in deltas.chunks(BLOCK / MINIBLOCKS).enumerate() {
            let over = |delta: i64| delta.wrapping_sub(least) as u64;
            let width = u64::BITS - mini.iter().fold(0, |bits, &delta| bits | over(delta)).leading_zeros();
            out[widths_at + index] = width as u8;
            // A miniblock is packed whole: what it lacks of its 32 values is zero.
            pack(mini.iter().map(|&delta| over(delta)), width, width as usize * (BLOCK / MINIBLOCKS) / 8, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_format_s_own_example() {
        // Apache Parquet format, Encodings.md, "Delta Encoding", example 2: 7, 5, 3, 1, 2, 3, 4, 5 has first value 7,
        // least difference -2 and the packed differences 0, 0, 0, 3, 3, 3, 3 at width 2.
        let mut out = Vec::new();
        encode(&[7, 5, 3, 1, 2, 3, 4, 5], &mut out);
        assert_eq!(out[..7], [0x80, 1, 4, 8, 14, 3, 2]);
        assert_eq!(out[7..], [0, 0, 0].into_iter().chain([192, 63, 0, 0, 0, 0, 0, 0]).collect::<Vec<u8>>());
    }
}
