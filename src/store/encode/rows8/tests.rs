//! Payloads with matches of ours come back by a decoder that is not ours, and take less; what does not fit is refused.

use super::*;
use crate::store::encode::zstd::Context;
use proptest::prelude::*;

/// Rows as a car sends them: a value that moves slowly, bytes that stand, a counter, a check byte.
fn payloads(seed: u32, count: usize, constant: u8) -> Vec<[u8; 8]> {
    let mut noise = seed | 1;
    let row = |row: usize| {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let value = (3_000 + (row as u32 / 7) + (noise >> 30)).to_be_bytes();
        [value[2], value[3], constant, constant, 0, (row / 500) as u8, (row & 0x0F) as u8, (noise >> 24) as u8]
    };
    (0..count).map(row).collect()
}

/// Packs as the encoder does, and unpacks with zstd's own decoder, which knows nothing of how the matches were found.
fn there_and_back(rows: &[[u8; 8]], runs: &[usize]) -> (usize, usize) {
    let bytes: Vec<u8> = rows.concat();
    let mut matcher = Matcher::default();
    let sequences = matcher.sequences(rows, runs.iter().copied());
    let mut context = Context::new(1).unwrap();
    let packed = context.compress_matched(&bytes, sequences).unwrap();
    assert!(::zstd::decode_all(&packed[..]).unwrap() == bytes);
    (packed.len(), context.compress(&bytes).unwrap().len())
}

#[test]
fn rows_come_back_and_take_less_than_by_a_search_at_any_distance() {
    let runs = [20_000, 1, 3, 9_000, 100, 70_896];
    let rows: Vec<[u8; 8]> =
        runs.iter().enumerate().flat_map(|(at, count)| payloads(at as u32 + 1, *count, at as u8 * 40)).collect();
    let (matched, searched) = there_and_back(&rows, &runs);
    assert!((matched as f64) < 0.9 * searched as f64, "{matched} bytes, {searched} by zstd's own search");
}

#[test]
fn the_least_and_the_dullest_come_back() {
    there_and_back(&[], &[]);
    there_and_back(&[[7; 8]], &[1]);
    there_and_back(&vec![[0; 8]; 100_000], &[100_000]);
    there_and_back(&vec![[0; 8]; 8_193], &[8_192, 1]);
}

#[test]
fn sequences_that_do_not_fit_are_refused() {
    let sequence = |literals, offset, length| Sequence { offset, litLength: literals, matchLength: length, rep: 0 };
    let mut context = Context::new(1).unwrap();
    let bytes = [1; 16];
    let end = sequence(0, 0, 0);
    let good = [sequence(8, 8, 8), end];
    assert_eq!(::zstd::decode_all(&context.compress_matched(&bytes, &good).unwrap()[..]).unwrap(), bytes);
    for (what, wrong) in [
        ("before the beginning", vec![sequence(8, 9, 8), end]),
        ("nowhere", vec![sequence(8, 0, 8), end]),
        ("past the end", vec![sequence(8, 8, 9), end]),
        ("not to the end", vec![sequence(8, 8, 7), end]),
        ("too short", vec![sequence(8, 8, 2), sequence(6, 0, 0)]),
        ("no end of its block", vec![sequence(8, 8, 8)]),
        ("nothing", vec![]),
        ("a sum that wraps", vec![sequence(u32::MAX, 8, 17), end]),
    ] {
        assert!(context.compress_matched(&bytes, &wrong).is_err(), "{what}");
    }
    let long = vec![0; BLOCK_MAX + 8];
    assert!(context.compress_matched(&long, &[sequence(8, 8, BLOCK_MAX as u32), end]).is_err(), "a block too long");
    // And the context is as good as new.
    assert_eq!(::zstd::decode_all(&context.compress(&bytes).unwrap()[..]).unwrap(), bytes);
}

#[test]
fn the_distance_is_that_of_the_counter() {
    assert_eq!(best_lag(&payloads(5, 500, 0)), 16);
}

proptest! {
    #[test]
    fn equal_bytes_are_those_that_are_equal(one: [u8; 8], two: [u8; 8], same: u8) {
        let two: [u8; 8] = std::array::from_fn(|at| if same >> at & 1 == 1 { one[at] } else { two[at] });
        let mask = (0..8).fold(0u8, |mask, at| mask | u8::from(one[at] == two[at]) << at);
        prop_assert_eq!(equal(one, two), mask);
    }

    #[test]
    fn any_rows_come_back(
        rows in prop::collection::vec(prop::array::uniform8(0u8..3), 0..300),
        cuts in prop::collection::vec(1usize..60, 0..12),
    ) {
        let mut left = rows.len();
        let mut runs: Vec<usize> = cuts.into_iter().map_while(|cut| { let run = cut.min(left); left -= run; (run > 0).then_some(run) }).collect();
        runs.extend((left > 0).then_some(left));
        there_and_back(&rows, &runs);
    }
}
