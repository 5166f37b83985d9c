//! Fuzz target: a part's journal. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut file = tempfile::NamedTempFile::new().expect("a scratch file");
    std::io::Write::write_all(&mut file, data).expect("a scratch file is written");
    if let Ok(blocks) = drawdown::store::journal::read(file.path()) {
        assert!(blocks.take(1_000).count() < 1_000, "more blocks than bytes");
    }
});
