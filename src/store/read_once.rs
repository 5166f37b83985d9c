//! A file's bytes, read once for two ends: for what they hold, and for the digest of all of them.
//!
//! The digest takes the bytes in the file's order. What is asked for further on is hashed on the way there; what lies behind is read without
//! being hashed again. Does not know what a file holds, nor which digest it should have.

use std::fs::File;
use std::io::{ErrorKind, Result};
use std::os::unix::fs::FileExt;

use crate::digest::{Digest, Hasher};

/// What is hashed is read at least so many bytes at once, whoever asks for few of them.
const PIECE: usize = 1 << 16;
/// So much memory for bytes at hand is kept from file to file: about a column of a trace's row group.
const KEPT: usize = 1 << 17;

/// Bytes of a file that are at hand.
#[derive(Default)]
pub(super) struct Window {
    bytes: Vec<u8>,
    /// Where the first of them stands.
    from: u64,
    held: usize,
    /// What was read once more, from before them.
    again: Vec<u8>,
}

impl Window {
    /// Gives back memory far beyond what another file is likely to need.
    pub fn shrink(&mut self) {
        for bytes in [&mut self.bytes, &mut self.again] {
            bytes.truncate(KEPT);
            bytes.shrink_to(KEPT);
        }
        self.held = self.held.min(KEPT);
    }

    fn emptied(self) -> Self {
        Self { from: 0, held: 0, ..self }
    }

    /// What is at hand from a place on; nothing where that place is not.
    fn beyond(&self, start: u64) -> &[u8] {
        let past = start.checked_sub(self.from).and_then(|past| usize::try_from(past).ok());
        past.and_then(|past| self.bytes[..self.held].get(past..)).unwrap_or_default()
    }

    /// Those of `length` bytes from `start`, if all are at hand.
    fn get(&self, start: u64, length: usize) -> Option<&[u8]> {
        self.beyond(start).get(..length)
    }

    /// Goes to a place; what is at hand from there on stays.
    fn begin_at(&mut self, start: u64) {
        let stays = self.beyond(start).len();
        self.bytes.copy_within(self.held - stays..self.held, 0);
        (self.from, self.held) = (start, stays);
    }

    /// Reads on until so many bytes are at hand, or the file ends.
    fn fill(&mut self, file: &File, wanted: usize) -> Result<()> {
        if self.bytes.len() < wanted {
            self.bytes.reserve_exact(wanted.next_multiple_of(1 << 14) - self.bytes.len());
            self.bytes.resize(wanted, 0);
        }
        while self.held < wanted {
            match file.read_at(&mut self.bytes[self.held..wanted], self.from + self.held as u64) {
                Ok(0) => break,
                Ok(got) => self.held += got,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

/// An open file, with its digest so far if that is wanted.
pub(super) struct ReadOnce<'f> {
    file: &'f File,
    window: Window,
    digest: Option<Hashed>,
}

impl<'f> ReadOnce<'f> {
    /// Without a digest; the window is another file's, for its memory.
    pub fn plain(file: &'f File, window: Window) -> Self {
        Self { file, window: window.emptied(), digest: None }
    }

    /// With the digest of the whole file in the end.
    pub fn hashed(file: &'f File, hasher: Hasher, window: Window) -> Self {
        Self { digest: Some(Hashed { hasher, taken: 0 }), ..Self::plain(file, window) }
    }

    /// Whether the digest tells of what is read from there on. What lies before the bytes at hand is read once more, which it does not know.
    pub fn is_told_of(&self, start: u64) -> bool {
        self.digest.is_some() && start >= self.window.from
    }

    /// The `length` bytes from `start`.
    pub fn read(&mut self, start: u64, length: usize) -> Result<&[u8]> {
        let told = self.is_told_of(start);
        let Self { file, window, digest } = self;
        match digest {
            // The bytes at hand stay: those that follow them join what the digest has taken.
            Some(_) if !told => {
                window.again.resize(length, 0);
                file.read_exact_at(&mut window.again, start)?;
                return Ok(&window.again);
            }
            Some(digest) if window.get(start, length).is_none() => {
                digest.go_on(file, window, start)?;
                window.begin_at(start);
                window.fill(file, length.max(PIECE))?;
                digest.see(window);
            }
            None if window.get(start, length).is_none() => {
                window.begin_at(start);
                window.fill(file, length)?;
            }
            _ => {}
        }
        window.get(start, length).ok_or_else(|| ErrorKind::UnexpectedEof.into())
    }

    /// How many bytes there are and their digest, if it was wanted; and the window.
    pub fn finish(mut self) -> Result<(Option<(u64, Digest)>, Window)> {
        if let Some(digest) = &mut self.digest {
            digest.go_on(self.file, &mut self.window, u64::MAX)?;
        }
        Ok((self.digest.map(Hashed::end), self.window))
    }
}

/// A digest of a file's first bytes.
struct Hashed {
    hasher: Hasher,
    taken: u64,
}

impl Hashed {
    /// Takes what is at hand and follows what was taken; how much that was.
    fn see(&mut self, window: &Window) -> usize {
        let bytes = window.beyond(self.taken);
        self.hasher.update(bytes);
        self.taken += bytes.len() as u64;
        bytes.len()
    }

    /// Reads what follows up to a place, or to the file's end.
    fn go_on(&mut self, file: &File, window: &mut Window, to: u64) -> Result<()> {
        while self.taken < to {
            window.begin_at(self.taken);
            window.fill(file, PIECE)?;
            if self.see(window) == 0 {
                break;
            }
        }
        Ok(())
    }

    fn end(self) -> (u64, Digest) {
        (self.taken, self.hasher.finish())
    }
}

/// A file's length and the digest of its bytes.
pub(super) fn digest(file: &File, hasher: Hasher) -> Result<(u64, Digest)> {
    let mut hashed = Hashed { hasher, taken: 0 };
    hashed.go_on(file, &mut Window::default(), u64::MAX)?;
    Ok(hashed.end())
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use proptest::prelude::*;

    use super::*;

    /// A window with another file's bytes in it.
    fn other_file() -> Window {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&[7; 100_000]).unwrap();
        let mut read = ReadOnce::plain(&file, Window::default());
        read.read(0, 100_000).unwrap();
        read.finish().unwrap().1
    }

    proptest! {
        #[test]
        fn the_digest_is_that_of_all_bytes_whatever_is_read(
            length in 0..300_000usize,
            reads in proptest::collection::vec((0.0..1.0f64, 0.0..1.0f64), 0..6),
        ) {
            let bytes: Vec<u8> = (0..length).map(|at| (at * 7 + at / 251) as u8).collect();
            let mut file = tempfile::tempfile().unwrap();
            file.write_all(&bytes).unwrap();
            let mut hashed = ReadOnce::hashed(&file, Hasher::of_much(), other_file());
            for (from, share) in reads {
                let start = (from * length as f64) as usize;
                let count = (share * (length - start) as f64) as usize;
                let read = hashed.read(start as u64, count).unwrap();
                prop_assert_eq!(read, &bytes[start..start + count]);
                // So that nothing at hand is unknown to the digest, and what follows joins it.
                prop_assert!(hashed.digest.as_ref().unwrap().taken == hashed.window.from + hashed.window.held as u64);
            }
            // The digest of the bytes in memory, at once.
            let expected = (bytes.len() as u64, Digest::Blake3(blake3::hash(&bytes).to_string()));
            prop_assert_eq!(hashed.finish().unwrap().0, Some(expected));
        }
    }

    #[test]
    fn nothing_behind_the_end_is_read() {
        let file = tempfile::tempfile().unwrap();
        assert!(ReadOnce::hashed(&file, Hasher::of_much(), other_file()).read(0, 1).is_err());
        assert!(ReadOnce::plain(&file, other_file()).read(0, 1).is_err());
        assert!(ReadOnce::plain(&file, other_file()).finish().unwrap().0.is_none());
    }
}
