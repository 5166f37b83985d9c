//! Fuzz target: bytes of an slcan adapter, whole and cut in two: the same events. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    use drawdown::source::slcan::line::Reader;
    let (mut whole, mut halves) = (0u32, 0u32);
    Reader::default().push(data, |_| whole += 1);
    let (first, second) = data.split_at(data.len() / 2);
    let mut reader = Reader::default();
    reader.push(first, |_| halves += 1);
    reader.push(second, |_| halves += 1);
    assert_eq!(whole, halves);
});
