//! Cutting a byte stream into lines, whatever the chunks it comes in; memory stays bounded.
//!
//! Knows no protocol: which bytes end a line is the caller's to say. Opens no port.

/// A buffer that holds the line so far.
#[derive(Clone, Debug)]
pub struct Lines {
    held: Vec<u8>,
    /// The most bytes of a line.
    limit: usize,
    /// Bytes of the present line past the limit.
    dropped: usize,
    /// Whether [`Self::held`] was given out and starts anew.
    given: bool,
    is_end: fn(u8) -> bool,
}

/// What the next bytes gave.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Step<'a> {
    /// All bytes are taken and the line is not at its end.
    Incomplete,
    /// A line without its end, and the byte that ended it; may be empty.
    Line {
        /// The line.
        text: &'a [u8],
        /// What ended it.
        end: u8,
    },
    /// A line longer than any sound one has ended and was dropped.
    Overlong {
        /// Its bytes.
        bytes: usize,
    },
}

impl Lines {
    /// An empty buffer for lines of at most `limit` bytes, ended by any byte for which `is_end` holds.
    pub fn new(limit: usize, is_end: fn(u8) -> bool) -> Self {
        Self { held: Vec::with_capacity(limit), limit, dropped: 0, given: false, is_end }
    }

    /// Takes bytes from the front of `input` up to the end of one line; call until it says [`Step::Incomplete`].
    pub fn take(&mut self, input: &mut &[u8]) -> Step<'_> {
        if std::mem::take(&mut self.given) {
            self.held.clear();
        }
        let found = input.iter().position(|byte| (self.is_end)(*byte));
        let (part, rest) = input.split_at(found.unwrap_or(input.len()));
        let room = self.limit.saturating_sub(self.held.len()).min(part.len());
        self.held.extend_from_slice(&part[..room]);
        self.dropped = self.dropped.saturating_add(part.len() - room);
        match rest.split_first() {
            None => {
                *input = rest;
                Step::Incomplete
            }
            Some((&end, rest)) => {
                *input = rest;
                self.given = true;
                match std::mem::take(&mut self.dropped) {
                    0 => Step::Line { text: &self.held, end },
                    dropped => Step::Overlong { bytes: self.held.len().saturating_add(dropped) },
                }
            }
        }
    }

    /// The line so far.
    pub fn held(&self) -> &[u8] {
        if self.given { &[] } else { &self.held }
    }

    /// Forgets the line so far: the port was opened anew.
    pub fn reset(&mut self) {
        self.held.clear();
        (self.dropped, self.given) = (0, false);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn all(lines: &mut Lines, mut input: &[u8]) -> Vec<Result<(Vec<u8>, u8), usize>> {
        let mut out = Vec::new();
        loop {
            match lines.take(&mut input) {
                Step::Incomplete => return out,
                Step::Line { text, end } => out.push(Ok((text.to_vec(), end))),
                Step::Overlong { bytes } => out.push(Err(bytes)),
            }
        }
    }

    #[test]
    fn lines_and_overlong_lines() {
        let mut lines = Lines::new(4, |byte| byte == b'\n' || byte == b';');
        let read = all(&mut lines, b"ab;\n12345\n1234\nxy");
        let expected = vec![Ok((b"ab".to_vec(), b';')), Ok((vec![], b'\n')), Err(5), Ok((b"1234".to_vec(), b'\n'))];
        assert_eq!((read, lines.held()), (expected, &b"xy"[..]));
        lines.reset();
        assert_eq!(all(&mut lines, b"\n"), [Ok((vec![], b'\n'))]);
    }

    proptest! {
        #[test]
        fn chunks_change_nothing(text in "[ab\n;]{0,60}", cuts in prop::collection::vec(0..60_usize, 0..10)) {
            let end: fn(u8) -> bool = |byte| byte == b'\n' || byte == b';';
            let whole = all(&mut Lines::new(5, end), text.as_bytes());
            let mut lines = Lines::new(5, end);
            let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(text.len())).chain([0, text.len()]).collect();
            cuts.sort_unstable();
            let parts: Vec<_> = cuts.windows(2).flat_map(|pair| all(&mut lines, &text.as_bytes()[pair[0]..pair[1]])).collect();
            prop_assert_eq!(parts, whole);
        }
    }
}
