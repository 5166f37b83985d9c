//! Matches between rows of eight bytes: what a frame's payload has in common with the one before it of the same identifier, and with one
//! some rows earlier, where a counter stood as it stands now.
//!
//! zstd's fast searches look for four bytes and more at any distance; payloads repeat in threes (a slow byte, a flag, a counter) at the
//! same few distances, so looking there alone finds more in less time. Blocks end with identifiers, so that each has an entropy
//! code of its own. Compresses nothing.

use super::zstd::{BLOCK_MAX, Sequence};

/// The farthest row that is tried: counters run to 15 or less, some to 31.
const LAG_MAX: usize = 32;
/// Rows that the best distance is judged by.
const SAMPLE: usize = 64;
/// A block ends with the identifier that brings it to this length, bytes.
const BLOCK_LEAST: usize = 16 << 10;
/// Rows of one identifier that are looked at together; a block is never longer than `BLOCK_LEAST` and these.
const PIECE: usize = 8_192;
const _: () = assert!(BLOCK_LEAST + 8 * PIECE <= BLOCK_MAX);

const ONES: u64 = 0x0101_0101_0101_0101;
const HIGH: u64 = ONES << 7;

/// Finds matches; keeps its memory.
#[derive(Default)]
pub(super) struct Matcher {
    sequences: Vec<Sequence>,
    /// Of each row of a piece, which bytes equal those of the row before: bit `n` for byte `n`.
    near: Vec<u8>,
    /// The same with the row that lies the best distance before.
    far: Vec<u8>,
}

impl Matcher {
    /// The sequences of all rows; `runs` are the lengths of the identifiers' stretches, in order.
    pub fn sequences(&mut self, rows: &[[u8; 8]], runs: impl Iterator<Item = usize>) -> &[Sequence] {
        self.sequences.clear();
        let (mut literals, mut block) = (0, 0);
        let mut rest = rows;
        for run in runs {
            let (stretch, after) = rest.split_at(run.min(rest.len()));
            rest = after;
            for piece in stretch.chunks(PIECE) {
                literals = self.piece(piece, literals);
                block += 8 * piece.len();
                if block >= BLOCK_LEAST {
                    self.end_block(&mut literals);
                    block = 0;
                }
            }
        }
        if block > 0 {
            self.end_block(&mut literals);
        }
        &self.sequences
    }

    fn end_block(&mut self, literals: &mut usize) {
        self.push(std::mem::take(literals), 0, 0);
    }

    fn push(&mut self, literals: usize, offset: usize, length: usize) {
        let sequence =
            Sequence { offset: offset as u32, litLength: literals as u32, matchLength: length as u32, rep: 0 };
        self.sequences.push(sequence);
    }

    /// Takes the longer match wherever one begins; gives the literals behind the last.
    fn piece(&mut self, rows: &[[u8; 8]], mut literals: usize) -> usize {
        let lag = best_lag(rows);
        equal_bytes(rows, 1, &mut self.near);
        equal_bytes(rows, lag, &mut self.far);
        let end = 8 * rows.len();
        let mut at = 0;
        while at < end {
            let (near, far) = (bits(&self.near, at), bits(&self.far, at));
            let begins = triples(near) | triples(far);
            // Of the 57 bits that are sure to be there, a triple begins in the first 55.
            let skip = (begins.trailing_zeros() as usize).min(55).min(end - at);
            if skip > 0 {
                literals += skip;
                at += skip;
                continue;
            }
            let (near, far) = (ones(&self.near, at, near), ones(&self.far, at, far));
            let (length, rows_before) = if far > near { (far, lag) } else { (near, 1) };
            self.push(std::mem::take(&mut literals), 8 * rows_before, length);
            at += length;
        }
        literals
    }
}

/// Which bytes of two rows are equal: bit `n` for byte `n`.
#[inline]
fn equal(one: [u8; 8], two: [u8; 8]) -> u8 {
    let differ = u64::from_le_bytes(one) ^ u64::from_le_bytes(two);
    let zero = !(((differ & !HIGH) + !HIGH) | differ) & HIGH;
    ((zero >> 7).wrapping_mul(0x0102_0408_1020_4080) >> 56) as u8
}

/// Fills `out` for all rows, and eight bytes of zero behind them; rows without one so far before have nothing equal.
fn equal_bytes(rows: &[[u8; 8]], lag: usize, out: &mut Vec<u8>) {
    out.clear();
    out.resize(lag.min(rows.len()), 0);
    out.extend(rows.iter().zip(rows.get(lag..).unwrap_or_default()).map(|(before, row)| equal(*row, *before)));
    out.extend_from_slice(&[0; 8]);
}

/// Bits from a place on; at least 57 of them are there, all behind the rows are zero.
#[inline]
fn bits(masks: &[u8], at: usize) -> u64 {
    let word = masks.get(at / 8..).and_then(|masks| masks.first_chunk()).map_or(0, |bytes| u64::from_le_bytes(*bytes));
    word >> (at % 8)
}

/// Where three ones begin: the shortest match that zstd's format can say.
#[inline]
fn triples(bits: u64) -> u64 {
    bits & (bits >> 1) & (bits >> 2)
}

/// How many ones lie from a place on, of which `bits` shows the first.
#[inline]
fn ones(masks: &[u8], at: usize, bits_here: u64) -> usize {
    let mut count = bits_here.trailing_ones() as usize;
    // Only whole bytes behind the first can go on past what was seen.
    while count > 0 && (at + count).is_multiple_of(8) {
        let more = bits(masks, at + count).trailing_ones() as usize;
        if more == 0 {
            break;
        }
        count += more;
    }
    count
}

/// The distance, in rows, at which most bytes match that do not match the row before; of equals the nearest, at least 2.
fn best_lag(rows: &[[u8; 8]]) -> usize {
    let long = |mask: u8| {
        let begins = mask & (mask >> 1) & (mask >> 2);
        begins | begins << 1 | begins << 2
    };
    let last = rows.len().min(LAG_MAX + SAMPLE);
    let mut alone = [0; SAMPLE];
    for (alone, row) in alone.iter_mut().zip(LAG_MAX..last) {
        *alone = !long(equal(rows[row], rows[row - 1]));
    }
    let gain = |lag: usize| -> u32 {
        alone
            .iter()
            .zip(LAG_MAX..last)
            .map(|(alone, row)| (long(equal(rows[row], rows[row - lag])) & alone).count_ones())
            .sum()
    };
    (2..=LAG_MAX).rev().max_by_key(|lag| gain(*lag)).unwrap_or(2)
}

#[cfg(test)]
mod tests;
