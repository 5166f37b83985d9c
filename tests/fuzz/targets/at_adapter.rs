//! Fuzz target: lines of an AT adapter. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    use drawdown::source::at_adapter::{messages, reply};
    let text = String::from_utf8_lossy(data);
    for line in text.lines() {
        let _ = reply::voltage(&reply::read(line));
        let _ = (messages::frame(line, false), messages::frame(line, true));
    }
});
