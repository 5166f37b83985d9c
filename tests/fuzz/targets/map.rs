//! Fuzz target: a signal map's text. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = drawdown::map::from_text("map.toml", text, None);
    }
});
