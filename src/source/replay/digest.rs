//! A stored file's digest, formed of its bytes while they are in memory for another reason.
//!
//! Whoever has bytes of the file passes them on with their place; what nobody passed on, or not in its turn, is read from the file at the
//! end, so the digest never hangs on who did. Knows nothing of what the bytes mean.

use std::fs::File;
use std::io::{BufRead, BufReader, Seek, SeekFrom};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::digest::{Digest, Hasher};
use crate::document::Fault;

/// Bytes read at once of what nobody passed on.
const READ_AT_ONCE: usize = 256 << 10;

/// A digest on its way, shared by those who have the bytes.
#[derive(Clone, Default)]
pub(super) struct FileDigest(Arc<Mutex<SoFar>>);

/// The digest of a file's first bytes.
#[derive(Clone)]
struct SoFar {
    length: u64,
    hasher: Hasher,
}

impl Default for SoFar {
    fn default() -> Self {
        Self { length: 0, hasher: Hasher::of_much() }
    }
}

impl SoFar {
    fn take(&mut self, bytes: &[u8]) {
        self.hasher.update(bytes);
        self.length += bytes.len() as u64;
    }
}

impl FileDigest {
    fn so_far(&self) -> MutexGuard<'_, SoFar> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes bytes that stand at `offset` in the file: those that follow what was taken, none if they do not.
    pub fn take(&self, bytes: &[u8], offset: u64) {
        let mut so_far = self.so_far();
        let known = so_far.length.checked_sub(offset).and_then(|known| bytes.split_at_checked(known as usize));
        if let Some((_, more)) = known {
            so_far.take(more);
        }
    }

    /// The file's digest; what was not taken is read now.
    ///
    /// # Errors
    /// If that can't be done.
    pub fn finish(&self, path: &Path) -> Result<Digest, Fault> {
        let mut all = self.so_far().clone();
        let failed = |error| Fault::io(path, "read", &error);
        let mut file = File::open(path).map_err(failed)?;
        file.seek(SeekFrom::Start(all.length)).map_err(failed)?;
        let mut rest = BufReader::with_capacity(READ_AT_ONCE, file);
        loop {
            let got = match rest.fill_buf().map_err(failed)? {
                [] => return Ok(all.hasher.finish()),
                bytes => {
                    all.take(bytes);
                    bytes.len()
                }
            };
            rest.consume(got);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes that repeat nowhere near.
    fn bytes(count: u32) -> Vec<u8> {
        (0..count).map(|n| (n.wrapping_mul(2_654_435_761) >> 23) as u8).collect()
    }

    fn finished(digest: &FileDigest, file: &[u8]) -> Digest {
        let stored = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(stored.path(), file).unwrap();
        digest.finish(stored.path()).unwrap()
    }

    #[test]
    fn what_does_not_join_is_read_from_the_file() {
        let file = bytes(3_000);
        let expected = Digest::Blake3(blake3::hash(&file).to_string());
        let digest = FileDigest::default();
        digest.take(&file[..100], 0);
        // Known already, in part known, behind a gap, and joined again.
        for (from, to, taken) in [(0, 50, 100), (40, 200, 200), (201, 900, 200), (200, 300, 300)] {
            digest.take(&file[from..to], from as u64);
            assert_eq!(digest.so_far().length, taken);
        }
        assert_eq!(finished(&digest, &file), expected);
    }
}
