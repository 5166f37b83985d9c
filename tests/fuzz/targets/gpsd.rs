//! Fuzz target: bytes of gpsd. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    drawdown::source::gpsd::protocol::Reader::default().push(data, |_| {});
});
