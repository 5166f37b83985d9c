//! Fuzz target: a recording of any kind: candump text, gzip, zstd, pcap, pcapng. Judges no result beyond what it asserts.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    use drawdown::observation::{Batch, BusNames};
    let mut file = tempfile::NamedTempFile::new().expect("a scratch file");
    std::io::Write::write_all(&mut file, data).expect("a scratch file is written");
    if let Ok(mut recording) = drawdown::source::replay::open(file.path(), None) {
        let (mut batch, mut names) = (Batch::default(), BusNames::default());
        while let Ok(true) = recording.read(&mut batch, &mut names) {
            batch.clear();
        }
    }
});
