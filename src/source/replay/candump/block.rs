//! A log cut into blocks of whole lines, each of which can be read by itself.
//!
//! Of a line that no block can hold, the first bytes are kept and the rest is left out. Reads no line.

use memchr::{memchr, memrchr};

use crate::source::replay::input::Input;

/// The most bytes of a block: large enough to be worth giving out, small enough to stay in a core's own cache.
const LENGTH: usize = 128 << 10;

/// Whole lines, and where they stand.
#[derive(Default)]
pub(super) struct Block {
    /// The lines with their ends; only a log's last line may have none.
    pub text: Vec<u8>,
    /// Offset of its first byte in the decompressed log.
    pub offset: u64,
    /// Whether the text is as it stands there, nothing left out.
    pub is_whole: bool,
}

/// Cuts an input into blocks.
pub(super) struct Blocks {
    pub input: Input,
    /// The beginning of a line whose end was not yet read, and its offset.
    begun: Vec<u8>,
    offset: u64,
    number: u64,
}

impl Blocks {
    pub fn new(input: Input) -> Self {
        let offset = input.offset();
        Self { input, begun: Vec::new(), offset, number: 0 }
    }

    /// The next block with its number from 0, in a buffer that is no longer needed; `None` at the end. If the stream broke off, the line in
    /// which it did is left out.
    pub fn next(&mut self, buffer: Vec<u8>) -> (u64, Option<Block>) {
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
        Some(Block { text, offset, is_whole: end.is_some() })
    }

    /// What is left at the end.
    fn last(&mut self, mut text: Vec<u8>, held: usize) -> Option<Block> {
        text.truncate(held);
        if self.input.broken().is_some() {
            text.truncate(memrchr(b'\n', &text).map_or(0, |end| end + 1));
        }
        let offset = self.offset;
        self.offset += held as u64;
        (!text.is_empty()).then_some(Block { text, offset, is_whole: true })
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
