//! Blocks of a plain file, each read at its place by whoever wants it, so that nobody waits for another's reading.
//!
//! Block `n` has the lines that begin within its share of the file's bytes, so the lines are those that reading in turn gives. Of a line
//! longer than any that is read, the first bytes are kept and the rest is left out. Reads no line.

use std::io::{self, ErrorKind};
use std::sync::atomic::{AtomicU64, Ordering};

use memchr::{memchr, memrchr};

use super::block::{Block, LENGTH};
use super::parse::LINE_MAX;
use crate::source::replay::input::ReadAt;

/// Bytes that are read behind a block's share at once, since its last line mostly ends there.
const TAIL: usize = 256;

/// Cuts a file into blocks.
pub(super) struct Placed {
    read_at: ReadAt,
    /// A block's share, bytes.
    share: usize,
    next: AtomicU64,
}

impl Placed {
    pub fn new(read_at: ReadAt) -> Self {
        Self { read_at, share: LENGTH, next: AtomicU64::new(0) }
    }

    #[cfg(test)]
    pub fn with_share(read_at: ReadAt, share: usize) -> Self {
        Self { share, ..Self::new(read_at) }
    }

    /// The next block with its number from 0, in a buffer that is no longer needed; `None` behind the end. One in which reading failed says
    /// why; what lies behind it does not count.
    pub fn next(&self, buffer: Vec<u8>) -> (u64, Option<Block>) {
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        (number, self.cut(number, buffer))
    }

    fn cut(&self, number: u64, mut text: Vec<u8>) -> Option<Block> {
        // The byte before tells whether a line begins with the first.
        let before = usize::from(number > 0);
        let from = number.checked_mul(self.share as u64)? - before as u64;
        let last = before + self.share - 1;
        let (mut held, mut failed) = self.fill(&mut text, 0, last + 1 + TAIL, from);
        if held <= before && failed.is_none() {
            return None;
        }
        let mut end = line_end(&text[..held], last);
        if end.is_none() && failed.is_none() {
            (held, failed) = self.fill(&mut text, held, last + 1 + LINE_MAX + 1, from);
            end = line_end(&text[..held], last);
        }
        let broken = failed.filter(|_| end.is_none()).map(|error| (from + held as u64, error.to_string()));
        // The line in which reading failed is left out.
        let whole = if broken.is_some() { memrchr(b'\n', &text[..held]).map_or(0, |at| at + 1) } else { held };
        text.truncate(end.unwrap_or(whole));
        let start = if before == 0 { 0 } else { line_end(&text, 0).unwrap_or(text.len()) };
        Some(Block { text, start, offset: from + start as u64, is_whole: true, broken })
    }

    /// Reads on behind the bytes held until there are so many, or the file ends; how many are held then, and why not all.
    fn fill(&self, text: &mut Vec<u8>, mut held: usize, wanted: usize, from: u64) -> (usize, Option<io::Error>) {
        text.resize(wanted, 0);
        loop {
            match (self.read_at)(&mut text[held..], from + held as u64) {
                Ok(0) => return (held, None),
                Ok(got) => held += got,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return (held, Some(error)),
            }
        }
    }
}

/// Where the line that holds byte `at` ends, its end included.
fn line_end(text: &[u8], at: usize) -> Option<usize> {
    memchr(b'\n', text.get(at..)?).map(|length| at + length + 1)
}
