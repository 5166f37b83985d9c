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
fn a_sequence_that_does_not_fit_is_refused() {
    let sequence = |offset, length| Sequence { offset, litLength: 8, matchLength: length, rep: 0 };
    let mut context = Context::new(1).unwrap();
    for wrong in [sequence(9, 8), sequence(8, 9), sequence(1 << 30, 8)] {
        assert!(context.compress_matched(&[1; 16], &[wrong, sequence(0, 0)]).is_err(), "{wrong:?}");
    }
    assert!(context.compress_matched(&[1; 16], &[]).is_err());
    // And the context is as good as new.
    assert_eq!(::zstd::decode_all(&context.compress(&[1; 16]).unwrap()[..]).unwrap(), [1; 16]);
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
