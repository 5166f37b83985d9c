//! Fuzz target: frames of an ISO 15765-2 exchange, up to 8 bytes each. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    use drawdown::time::Steady;
    let mut reception = drawdown::diag::isotp::Reception::new();
    for (index, frame) in data.chunks(8).enumerate() {
        let now = Steady(index as i64 * 1_000);
        let _ = reception.frame(now, frame);
        let _ = reception.tick(now);
    }
});
