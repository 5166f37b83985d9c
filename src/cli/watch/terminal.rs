//! The terminal: a screen of its own while it is watched, keys without a line end, everything as it was before at the end.
//!
//! Knows nothing of what is shown.

use std::io::{ErrorKind, Read, Stdin, Stdout, Write};

use rustix::termios::{self, LocalModes, OptionalActions, SpecialCodeIndex, Termios};

use super::screen::{Row, Style};

/// Where nothing tells how large a terminal is.
const SIZE: (usize, usize) = (80, 24);

/// What was pressed within a second.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Key {
    /// Nothing, or nothing that means anything here.
    None,
    /// To end it.
    Quit,
}

/// The terminal while it is watched.
pub struct Terminal {
    input: Stdin,
    output: Stdout,
    before: Termios,
}

impl Terminal {
    /// Takes the terminal: another screen, no cursor, keys at once, each waited for a second at most.
    pub fn open() -> std::io::Result<Self> {
        let (input, mut output) = (std::io::stdin(), std::io::stdout());
        let before = termios::tcgetattr(&input)?;
        let mut at_once = before.clone();
        at_once.local_modes.remove(LocalModes::ICANON | LocalModes::ECHO);
        at_once.special_codes[SpecialCodeIndex::VMIN] = 0;
        // Tenths of a second (termios(3)).
        at_once.special_codes[SpecialCodeIndex::VTIME] = 10;
        termios::tcsetattr(&input, OptionalActions::Now, &at_once)?;
        // Control sequences of ECMA-48 and xterm: another screen, hide the cursor.
        write!(output, "\x1b[?1049h\x1b[?25l")?;
        output.flush()?;
        Ok(Self { input, output, before })
    }

    /// Columns and rows.
    pub fn size(&self) -> (usize, usize) {
        let size = termios::tcgetwinsize(&self.output).ok().filter(|size| size.ws_col > 0 && size.ws_row > 0);
        size.map_or(SIZE, |size| (size.ws_col.into(), size.ws_row.into()))
    }

    /// Shows rows from the top, over what was there, so that nothing flickers.
    pub fn show(&mut self, rows: &[Row]) -> std::io::Result<()> {
        let mut text = String::from("\x1b[H");
        for (index, row) in rows.iter().enumerate() {
            let style = match row.style {
                Style::Plain => "",
                Style::Bold => "\x1b[1m",
                Style::Loud => "\x1b[1;7m",
            };
            let end = if index + 1 < rows.len() { "\r\n" } else { "" };
            text += &format!("{style}{}\x1b[0m\x1b[K{end}", row.text);
        }
        write!(self.output, "{text}\x1b[J")?;
        self.output.flush()
    }

    /// Waits for a key, a second at most.
    pub fn key(&mut self) -> Key {
        let mut bytes = [0; 16];
        match self.input.read(&mut bytes) {
            Ok(read) if bytes[..read].iter().any(|byte| matches!(byte, b'q' | b'Q')) => Key::Quit,
            Err(error) if error.kind() != ErrorKind::Interrupted => Key::Quit,
            _ => Key::None,
        }
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = write!(self.output, "\x1b[?25h\x1b[?1049l").and_then(|()| self.output.flush());
        let _ = termios::tcsetattr(&self.input, OptionalActions::Now, &self.before);
    }
}
