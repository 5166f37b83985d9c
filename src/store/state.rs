//! The state at a part boundary, as bytes: saved whole or not at all, and found again.
//!
//! Does not know what the bytes mean (the recorder does). `journal/state-00003.bin` is one zstd frame with a content
//! checksum: what everything before part 3 came to.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::{StoreError, disk, journal, parts};

/// A state of more bytes is refused.
const LIMIT: u64 = 64 << 20;

fn path(run_folder: &Path, part: u32) -> PathBuf {
    run_folder.join(journal::FOLDER).join(format!("state-{part:05}.bin"))
}

/// Saves the state at the beginning of `part`, durable when this returns, then removes earlier ones.
pub fn save(run_folder: &Path, part: u32, bytes: &[u8]) -> Result<(), StoreError> {
    let path = path(run_folder, part);
    let packed = pack(bytes).map_err(|error| StoreError::io(&path, "compress", error))?;
    disk::replace(&path, &packed)?;
    for (earlier, path) in all(run_folder)? {
        if earlier < part {
            disk::remove(&path)?;
        }
    }
    Ok(())
}

/// The latest sound state with its part; `None` where there is none.
pub fn latest(run_folder: &Path) -> Result<Option<(u32, Vec<u8>)>, StoreError> {
    for (part, path) in all(run_folder)?.into_iter().rev() {
        let packed = std::fs::File::open(&path).map_err(|error| StoreError::io(&path, "open", error))?;
        if let Ok(bytes) = unpack(packed) {
            return Ok(Some((part, bytes)));
        }
    }
    Ok(None)
}

fn all(run_folder: &Path) -> Result<Vec<(u32, PathBuf)>, StoreError> {
    let number = |path: &PathBuf| {
        let name = path.file_name()?.to_str()?;
        name.strip_prefix("state-")?.strip_suffix(".bin")?.parse().ok()
    };
    let folder = parts::entries(&run_folder.join(journal::FOLDER))?;
    let mut states: Vec<(u32, PathBuf)> = folder.into_iter().filter_map(|path| Some((number(&path)?, path))).collect();
    states.sort();
    Ok(states)
}

fn pack(bytes: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut zstd = zstd::bulk::Compressor::new(1)?;
    zstd.set_parameter(zstd::zstd_safe::CParameter::ChecksumFlag(true))?;
    zstd.compress(bytes)
}

fn unpack(packed: std::fs::File) -> std::io::Result<Vec<u8>> {
    let mut decoder = zstd::stream::read::Decoder::new(packed)?;
    decoder.window_log_max(27)?;
    let mut bytes = Vec::new();
    if decoder.take(LIMIT + 1).read_to_end(&mut bytes)? as u64 > LIMIT {
        return Err(std::io::Error::other("too long"));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_latest_sound_state_counts() {
        let folder = tempfile::tempdir().unwrap();
        let run = folder.path();
        assert_eq!(latest(run).unwrap(), None);
        save(run, 0, b"zero").unwrap();
        let kept = std::fs::read(path(run, 0)).unwrap();
        save(run, 1, &[7; 100_000]).unwrap();
        assert!(!path(run, 0).exists());
        assert_eq!(latest(run).unwrap(), Some((1, vec![7; 100_000])));

        // A state that is damaged at any byte is not taken; the one before, if still there, is.
        std::fs::write(path(run, 0), kept).unwrap();
        let sound = std::fs::read(path(run, 1)).unwrap();
        for byte in 0..sound.len() {
            let mut damaged = sound.clone();
            damaged[byte] ^= 0x10;
            std::fs::write(path(run, 1), &damaged).unwrap();
            let found = latest(run).unwrap();
            assert!(
                found == Some((0, b"zero".to_vec())) || found == Some((1, vec![7; 100_000])),
                "byte {byte}: {:?}",
                found.map(|(part, bytes)| (part, bytes.len()))
            );
            std::fs::write(path(run, 1), &sound[..byte]).unwrap();
            assert_eq!(latest(run).unwrap(), Some((0, b"zero".to_vec())), "cut at {byte}");
        }
    }
}
