//! Fuzz target: a course's text. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if let Ok(text) = std::str::from_utf8(data) {
        let document = drawdown::document::Document::from_text("course.toml", text);
        let _ = drawdown::course::Course::parse(&document);
    }
});
