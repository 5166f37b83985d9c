//! Fuzz target: the daemon's configuration. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if let Ok(text) = std::str::from_utf8(data) {
        let document = drawdown::document::Document::from_text("car.toml", text);
        let _ = drawdown::daemon::Config::from_document(&document, std::path::Path::new(""));
    }
});
