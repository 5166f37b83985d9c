//! Fuzz target: a rehearsal scenario's text. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = drawdown::rehearsal::Scenario::parse(drawdown::document::Document::from_text("scenario.toml", text));
    }
});
