//! The state at a part boundary, as bytes: saved whole or not at all, and found again.
//!
//! Does not know what the bytes mean (the recorder does). `journal/state-00003.bin` is one zstd frame with a content
//! checksum: what everything before part 3 came to. `journal/state-00003-again.bin` is the same once more, since nothing
//! else could stand in for it if a byte of it were damaged.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::{StoreError, disk, journal, parts};

/// A state of more bytes is refused.
const LIMIT: u64 = 64 << 20;

/// What the second copy's name ends in.
const AGAIN: &str = "-again";

fn path(run_folder: &Path, part: u32, copy: &str) -> PathBuf {
    run_folder.join(journal::FOLDER).join(format!("state-{part:05}{copy}.bin"))
}

/// Saves the state at the beginning of `part` twice, durable when this returns, then removes earlier ones.
pub fn save(run_folder: &Path, part: u32, bytes: &[u8]) -> Result<(), StoreError> {
    for copy in ["", AGAIN] {
        save_packed(&path(run_folder, part, copy), bytes)?;
    }
    for (earlier, path) in all(run_folder)? {
        if earlier < part {
            disk::remove(&path)?;
        }
    }
    Ok(())
}

/// The latest sound state with its part; `None` where there is none.
pub fn latest(run_folder: &Path) -> Result<Option<(u32, Vec<u8>)>, StoreError> {
    Ok(all(run_folder)?.into_iter().rev().find_map(|(part, path)| Some((part, load_packed(&path).ok()?))))
}

/// The saved states that cannot be read, each with the reason.
pub fn damaged(run_folder: &Path) -> Result<Vec<(PathBuf, String)>, StoreError> {
    let wrong = |(_, path): (u32, PathBuf)| load_packed(&path).err().map(|error| (path, error.to_string()));
    Ok(all(run_folder)?.into_iter().filter_map(wrong).collect())
}

/// Writes bytes under a checksum, whole or not at all, durable when this returns.
pub(super) fn save_packed(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let packed = pack(bytes).map_err(|error| StoreError::io(path, "compress", error))?;
    disk::replace(path, &packed)
}

/// Reads bytes back; damage is an error.
pub(super) fn load_packed(path: &Path) -> Result<Vec<u8>, StoreError> {
    let packed = std::fs::File::open(path).map_err(|error| StoreError::io(path, "open", error))?;
    unpack(packed).map_err(|error| StoreError::damaged(path, error))
}

/// All saved states with their parts, sound or not, the latest last.
fn all(run_folder: &Path) -> Result<Vec<(u32, PathBuf)>, StoreError> {
    let number = |path: &PathBuf| {
        let name = path.file_name()?.to_str()?.strip_prefix("state-")?.strip_suffix(".bin")?;
        name.strip_suffix(AGAIN).unwrap_or(name).parse().ok()
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
        let path = |part: u32| path(run, part, "");
        let kept = std::fs::read(path(0)).unwrap();
        save(run, 1, &[7; 100_000]).unwrap();
        assert!(!path(0).exists());
        assert_eq!(latest(run).unwrap(), Some((1, vec![7; 100_000])));

        // Of the two copies either is enough.
        let again = super::path(run, 1, AGAIN);
        std::fs::write(path(1), "").unwrap();
        assert_eq!(latest(run).unwrap(), Some((1, vec![7; 100_000])));
        assert_eq!(damaged(run).unwrap().len(), 1);
        std::fs::rename(&again, path(1)).unwrap();
        assert_eq!(damaged(run).unwrap(), []);

        // A state that is damaged at any byte is not taken; the one before, if still there, is.
        std::fs::write(path(0), kept).unwrap();
        let sound = std::fs::read(path(1)).unwrap();
        for byte in 0..sound.len() {
            let mut damaged = sound.clone();
            damaged[byte] ^= 0x10;
            std::fs::write(path(1), &damaged).unwrap();
            let found = latest(run).unwrap();
            assert!(
                found == Some((0, b"zero".to_vec())) || found == Some((1, vec![7; 100_000])),
                "byte {byte}: {:?}",
                found.map(|(part, bytes)| (part, bytes.len()))
            );
            std::fs::write(path(1), &sound[..byte]).unwrap();
            assert_eq!(latest(run).unwrap(), Some((0, b"zero".to_vec())), "cut at {byte}");
        }
    }
}
