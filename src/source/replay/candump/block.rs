//! A log cut into blocks of whole lines, each of which can be read by itself: a stream in turn, a plain file by place (`placed`).
//!
//! Of a line that no block can hold, the first bytes are kept and the rest is left out. Reads no line.

use std::sync::{Mutex, PoisonError};

use memchr::{memchr, memrchr};

use super::placed::Placed;

use crate::source::replay::input::Input;

/// The most bytes of a block: large enough to be worth giving out, small enough to stay in a core's own cache.
pub(super) const LENGTH: usize = 128 << 10;

/// Whole lines, and where they stand.
#[derive(Default)]
pub(super) struct Block {
    /// The lines with their ends, from `start` on; only a log's last line may have none.
    pub text: Vec<u8>,
    pub start: usize,
    /// Offset of the first line in the decompressed log.
    pub offset: u64,
    /// Whether the text is as it stands there, nothing left out.
    pub is_whole: bool,
    /// Stored bytes after which nothing can be read, and why.
    pub broken: Option<(u64, String)>,
}

impl Block {
    /// The lines with their ends.
    pub fn lines(&self) -> &[u8] {
        &self.text[self.start..]
    }
}

/// A log's blocks, for whoever wants the next.
pub(super) enum Blocks {
    InTurn(Mutex<InTurn>),
    Placed(Placed),
}

impl Blocks {
    /// Where several read a plain file, none waits for another.
    pub fn new(mut input: Input, threads: usize) -> Self {
        let by_place = if threads > 1 { input.by_place() } else { None };
        match by_place {
            Some(read_at) => Self::Placed(Placed::new(read_at)),
            None => Self::InTurn(Mutex::new(InTurn::new(input))),
        }
    }

    /// The next block with its number from 0, in a buffer that is no longer needed; `None` at the end. If the log broke off, the line in
    /// which it did is left out.
    pub fn next(&self, buffer: Vec<u8>) -> (u64, Option<Block>) {
        match self {
            // One who panicked while reading left no more than a block unread, and panics again where it is waited for.
            Self::InTurn(blocks) => blocks.lock().unwrap_or_else(PoisonError::into_inner).next(buffer),
            Self::Placed(blocks) => blocks.next(buffer),
        }
    }
}

/// Cuts an input into blocks.
pub(super) struct InTurn {
    pub input: Input,
    /// The beginning of a line whose end was not yet read, and its offset.
    begun: Vec<u8>,
    offset: u64,
    number: u64,
}

impl InTurn {
    fn new(input: Input) -> Self {
        let offset = input.offset();
        Self { input, begun: Vec::new(), offset, number: 0 }
    }

    fn next(&mut self, buffer: Vec<u8>) -> (u64, Option<Block>) {
        let number = self.number;
        self.number += 1;
        (number, self.cut(buffer))
    }

    fn cut(&mut self, buffer: Vec<u8>) -> Option<Block> {
        let mut text = buffer;
        text.resize(LENGTH, 0);
        let mut held = self.begun.len();
        text[..held].copy_from_slice(&self.begun);
        self.begun.clear();
        let offset = self.offset;
        while held < LENGTH {
            match self.input.read_into(&mut text[held..]) {
                0 => return self.last(text, held),
                got => held += got,
            }
        }
        let end = memrchr(b'\n', &text);
        match end {
            Some(end) => {
                self.begun.extend_from_slice(&text[end + 1..]);
                self.offset += end as u64 + 1;
                text.truncate(end + 1);
            }
            None => {
                self.offset += LENGTH as u64 + self.skip_line();
                text.truncate(LENGTH - 1);
                text.push(b'\n');
            }
        }
        Some(Block { text, offset, is_whole: end.is_some(), ..Block::default() })
    }

    /// What is left at the end.
    fn last(&mut self, mut text: Vec<u8>, held: usize) -> Option<Block> {
        text.truncate(held);
        if self.input.broken().is_some() {
            text.truncate(memrchr(b'\n', &text).map_or(0, |end| end + 1));
        }
        let offset = self.offset;
        self.offset += held as u64;
        let broken = self.input.broken().map(|why| (self.input.progress().done, why.to_owned()));
        let is_over = text.is_empty() && broken.is_none();
        (!is_over).then_some(Block { text, start: 0, offset, is_whole: true, broken })
    }

    /// Leaves out the rest of a line with its end; how many bytes that is.
    fn skip_line(&mut self) -> u64 {
        let mut skipped = 0;
        loop {
            let rest = self.input.rest();
            let (length, ended) = memchr(b'\n', rest).map_or((rest.len(), false), |end| (end + 1, true));
            skipped += length as u64;
            self.input.consume(length);
            if ended || !self.input.fill() {
                return skipped;
            }
        }
    }
}
