//! A file's bytes, read once for two ends: for what they hold, and for the digest of all of them.
//!
//! The digest takes the bytes in the file's order. What is asked for further on is hashed on the way there; what lies behind is read without
//! being hashed again. Does not know what a file holds, nor which digest it should have.

use std::fs::File;
use std::io::Result;
use std::os::unix::fs::FileExt;

use crate::digest::{Digest, Hasher};

/// What is hashed without being asked for is read in pieces so long, bytes.
const PIECE: usize = 1 << 16;

/// An open file, with its digest so far if that is wanted.
pub(super) struct ReadOnce<'f> {
    file: &'f File,
    digest: Option<Hashed>,
}

struct Hashed {
    hasher: Hasher,
    /// How many bytes it has taken.
    taken: u64,
    piece: Vec<u8>,
}

impl<'f> ReadOnce<'f> {
    /// Without a digest.
    pub fn plain(file: &'f File) -> Self {
        Self { file, digest: None }
    }

    /// With the digest of the whole file in the end.
    pub fn hashed(file: &'f File, hasher: Hasher) -> Self {
        Self { file, digest: Some(Hashed::new(hasher)) }
    }

    /// Reads `length` bytes from `start` into the first of `room`, which is made larger if need be.
    pub fn read<'r>(&mut self, start: u64, length: usize, room: &'r mut Vec<u8>) -> Result<&'r [u8]> {
        if let Some(digest) = &mut self.digest {
            digest.pass(self.file, start)?;
        }
        if room.len() < length {
            room.reserve_exact(length.next_multiple_of(1 << 14) - room.len());
            room.resize(length, 0);
        }
        let out = &mut room[..length];
        self.file.read_exact_at(out, start)?;
        if let Some(digest) = self.digest.as_mut().filter(|digest| digest.taken == start) {
            digest.hasher.update(out);
            digest.taken += length as u64;
        }
        Ok(out)
    }

    /// How many bytes there are, and their digest, if it was wanted.
    pub fn finish(self) -> Result<Option<(u64, Digest)>> {
        self.digest.map(|digest| digest.finish(self.file)).transpose()
    }
}

/// A file's length and the digest of its bytes.
pub(super) fn digest(file: &File, hasher: Hasher) -> Result<(u64, Digest)> {
    Hashed::new(hasher).finish(file)
}

impl Hashed {
    fn new(hasher: Hasher) -> Self {
        Self { hasher, taken: 0, piece: Vec::new() }
    }

    /// Hashes what is left of the file.
    fn finish(mut self, file: &File) -> Result<(u64, Digest)> {
        self.pass(file, u64::MAX)?;
        Ok((self.taken, self.hasher.finish()))
    }

    /// Hashes all up to a place, or to the file's end.
    fn pass(&mut self, file: &File, to: u64) -> Result<()> {
        while self.taken < to {
            self.piece.resize(PIECE, 0);
            let wanted = usize::try_from(to - self.taken).unwrap_or(PIECE).min(PIECE);
            match file.read_at(&mut self.piece[..wanted], self.taken)? {
                0 => break,
                read => {
                    self.hasher.update(&self.piece[..read]);
                    self.taken += read as u64;
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_digest_is_that_of_all_bytes_whatever_is_read(
            length in 0..300_000usize,
            reads in proptest::collection::vec((0.0..1.0f64, 0.0..1.0f64), 0..6),
        ) {
            let bytes: Vec<u8> = (0..length).map(|at| (at * 7 + at / 251) as u8).collect();
            let mut file = tempfile::tempfile().unwrap();
            file.write_all(&bytes).unwrap();
            let (mut hashed, mut out) = (ReadOnce::hashed(&file, Hasher::of_much()), Vec::new());
            for (from, share) in reads {
                let start = (from * length as f64) as usize;
                let count = (share * (length - start) as f64) as usize;
                let read = hashed.read(start as u64, count, &mut out).unwrap();
                prop_assert_eq!(read, &bytes[start..start + count]);
            }
            // The digest of the bytes in memory, at once.
            let expected = (bytes.len() as u64, Digest::Blake3(blake3::hash(&bytes).to_string()));
            prop_assert_eq!(hashed.finish().unwrap(), Some(expected));
        }
    }

    #[test]
    fn nothing_behind_the_end_is_read() {
        let file = tempfile::tempfile().unwrap();
        assert!(ReadOnce::hashed(&file, Hasher::of_much()).read(0, 1, &mut Vec::new()).is_err());
        assert!(ReadOnce::plain(&file).finish().unwrap().is_none());
    }
}
