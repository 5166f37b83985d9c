//! Fuzz target: bytes that want to be a request: what passes holds a service that only reads. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if let Ok(request) = drawdown::diag::request::Request::from_bytes(data) {
        let service = request.bytes().first().copied();
        assert!(service.is_some_and(|service| [0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22].contains(&service)));
    }
});
