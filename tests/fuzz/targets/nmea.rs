//! Fuzz target: bytes of a satellite receiver. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut reader = drawdown::source::nmea::protocol::Reader::default();
    reader.push(drawdown::time::Steady(0), data, |_| {});
    reader.tick(drawdown::time::Steady(10_000_000), |_| {});
});
