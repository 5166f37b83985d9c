//! Fuzz target: an archive that claims to be a bundle, its bytes as a tar or already in zstd. Judges nothing but that all that was
//! unpacked lies inside the folder and inside the limits, and that a manifest which is read names only what is there.

#![no_main]

use std::path::Path;

use drawdown::store::bundle::Packed;
use drawdown::store::bundle::archive::{self, Limits};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let Some((first, rest)) = data.split_first() else { return };
    let outer = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    let folder = outer.path().join("inside");
    std::fs::create_dir(&folder).unwrap();
    let limits = Limits { files: 8, bytes: 1 << 16 };
    let unpacked = if first % 4 == 0 {
        archive::unpack(rest, &folder, limits)
    } else {
        let packed = zstd_of(rest);
        archive::unpack(&packed[..], &folder, limits)
    };
    assert_eq!(std::fs::read_dir(outer.path()).unwrap().count(), 1, "nothing lies beside the folder");
    let files = archive::files(&folder).unwrap();
    let bytes: u64 = files.iter().map(|(_, path)| std::fs::metadata(path).unwrap().len()).sum();
    assert!(files.len() <= 8 && bytes <= 1 << 16);
    if let Ok(names) = unpacked {
        assert_eq!(names.len(), files.len());
        if let Ok(packed) = Packed::read(&folder, &names) {
            let listed = |name: &String| names.contains(name) && folder.join(name).starts_with(&folder);
            assert!(packed.manifest.card.iter().all(|name| listed(name) || !Path::new(name).exists()));
        }
    }
});

/// A frame of zstd that holds the bytes as they are (RFC 8878, 3.1.1: raw blocks), so that the fuzzer sees through it.
fn zstd_of(bytes: &[u8]) -> Vec<u8> {
    // Magic number; a frame header with the content size in four bytes, one segment, no checksum.
    let mut frame = vec![0x28, 0xb5, 0x2f, 0xfd, 0b1010_0000];
    frame.extend_from_slice(&(bytes.len() as u32).to_le_bytes());
    let header = (bytes.len() as u32) << 3 | 1;
    frame.extend_from_slice(&header.to_le_bytes()[..3]);
    frame.extend_from_slice(bytes);
    frame
}
