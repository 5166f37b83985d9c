//! Whose turn it is on an AT adapter's line: one command at a time, nothing before its prompt, lost prompts found again.
//!
//! Bytes and moments in, events and bytes to send out; nothing is sent that is not a [`Command`]. Once the adapter names an
//! error of the bus, no request leaves for the rest of the run, and monitoring needs silent monitoring to be on. Opens no
//! port, reads no clock.

use super::command::{Command, Fixed};
use super::reply::{self, AdapterError, Line};
use crate::source::lines::{Lines, Step};
use crate::time::{Span, Steady};

/// The longest line taken: a frame with blanks is 35 characters, a search notice or a maker's words may be longer.
const LINE_MAX: usize = 256;
/// The most lines of one reply: two messages of 4095 bytes as frames.
const LINES_MAX: usize = 1_200;
/// How long the line may be silent inside a reply before its prompt is given up.
const SILENCE: Span = Span::of_seconds(3);
/// The same for a protocol search, which tries one protocol after the other.
const SEARCH_SILENCE: Span = Span::of_seconds(20);
/// The longest that a command takes, however talkative.
const COMMAND_MAX: Span = Span::of_seconds(60);
/// After a nudge, how long the line must rest before the adapter has the turn no more: it may give several prompts.
const REST: Span = Span::of_millis(300);
/// How long a nudge may take, and how many there are.
const NUDGE_WAIT: Span = Span::of_seconds(2);
const NUDGES_MAX: u8 = 3;
/// What finds a lost prompt: its first letter stops whatever runs, and whole it is a question that never reaches the bus.
/// (A lone end of line would repeat the last command.)
const NUDGE: Command = Command::fixed(Fixed::Identify);

/// Why a command can't be sent now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotNow {
    /// The adapter has the turn.
    #[error("the adapter has not given its prompt")]
    Busy,
    /// Monitoring while the adapter would acknowledge frames.
    #[error("silent monitoring is not on")]
    NotSilent,
    /// The adapter named an error of the bus in this run.
    #[error("the adapter reported an error of the bus, no request in this run")]
    BusError,
}

/// What the line gave.
#[derive(Clone, PartialEq, Debug)]
pub enum Event {
    /// A command's reply, up to its prompt.
    Finished {
        /// The command.
        command: Command,
        /// When it was sent.
        asked: Steady,
        /// The reply's lines, without the echo, each with the moment at which its end came.
        lines: Vec<(Steady, Line)>,
    },
    /// A line while monitoring.
    Monitored(Line),
    /// A line while nothing was asked.
    Unasked(Line),
    /// A command whose prompt did not come; the dialogue looks for it.
    PromptLost {
        /// The command.
        command: Command,
        /// When it was sent.
        asked: Steady,
        /// What came of its reply, as in [`Self::Finished`].
        lines: Vec<(Steady, Line)>,
    },
    /// The adapter takes commands (again); its settings are unknown.
    Ready,
    /// Nothing brings the prompt back: close the port and open it anew.
    Gone,
    /// The adapter lost its settings: make all of them again.
    SettingsLost,
    /// A line too long to be one, or more lines than a reply has.
    TooMuch,
}

#[derive(Clone, Debug)]
enum Turn {
    /// Ours.
    Ours,
    /// The adapter's, for a command.
    Adapters { command: Command, asked: Steady, heard: Steady, lines: Vec<(Steady, Line)> },
    /// The adapter's, monitoring.
    Monitoring,
    /// Unknown: nudging until a prompt comes and the line rests.
    Lost { nudges: u8, nudged: Option<Steady>, prompt: Option<Steady> },
    /// Given up.
    Gone,
}

/// The dialogue with one adapter.
#[derive(Clone, Debug)]
pub struct Dialogue {
    lines: Lines,
    turn: Turn,
    silent: bool,
    bus_error: bool,
    /// Whether a protocol search was asked for: the first request after it makes the search.
    search: bool,
}

const LOST: Turn = Turn::Lost { nudges: 0, nudged: None, prompt: None };

impl Default for Dialogue {
    fn default() -> Self {
        let lines = Lines::new(LINE_MAX, |byte| matches!(byte, b'\r' | b'\n' | b'>'));
        Self { lines, turn: LOST, silent: false, bus_error: false, search: false }
    }
}

impl Dialogue {
    /// The port was opened anew: the adapter's state is unknown. An error of the bus stays remembered for the run.
    pub fn opened(&mut self) {
        self.lines.reset();
        (self.turn, self.silent, self.search) = (LOST, false, false);
    }

    /// A new run begins: an error of the bus in the one before no longer counts.
    pub fn new_run(&mut self) {
        self.bus_error = false;
    }

    /// Looks for the prompt, because what came raised a doubt about whose turn it is, or to interrupt what runs:
    /// [`Self::tick`] gives the nudge, and [`Event::Ready`] comes when the line rests.
    pub fn resync(&mut self) {
        if !matches!(self.turn, Turn::Gone) {
            self.turn = LOST;
        }
    }

    /// Whether the adapter searches for a protocol, though no search was asked for: it does not hold the one given.
    pub fn is_searching_unasked(&self) -> bool {
        let Turn::Adapters { lines, .. } = &self.turn else { return false };
        let begun =
            || String::from_utf8_lossy(self.lines.held()).trim_start().to_ascii_uppercase().starts_with("SEARCHING");
        !self.search && (lines.iter().any(|(_, line)| *line == Line::Searching) || begun())
    }

    /// Whether a command can be sent.
    pub fn is_ready(&self) -> bool {
        matches!(self.turn, Turn::Ours)
    }

    /// Whether the adapter named an error of the bus in this run.
    pub fn had_bus_error(&self) -> bool {
        self.bus_error
    }

    /// The bytes that send a command, if it may be sent now.
    pub fn send(&mut self, now: Steady, command: Command) -> Result<Vec<u8>, NotNow> {
        if !self.is_ready() {
            return Err(NotNow::Busy);
        }
        if command.may_transmit() && self.bus_error {
            return Err(NotNow::BusError);
        }
        self.turn = match command.as_fixed() {
            Some(Fixed::MonitorAll) if !self.silent => return Err(NotNow::NotSilent),
            Some(Fixed::MonitorAll) => Turn::Monitoring,
            _ => Turn::Adapters { command, asked: now, heard: now, lines: Vec::new() },
        };
        if matches!(command.as_fixed(), Some(Fixed::Reset | Fixed::WarmReset | Fixed::Defaults)) {
            (self.silent, self.search) = (false, false);
        }
        self.search = command.is_search() || self.search && !command.is_protocol();
        Ok(sent(command))
    }

    /// Ends monitoring: [`Self::tick`] gives the bytes that stop it, and [`Event::Ready`] comes when it has stopped.
    pub fn stop_monitoring(&mut self) {
        if matches!(self.turn, Turn::Monitoring) {
            self.turn = LOST;
        }
    }

    /// Takes bytes from the adapter.
    pub fn receive(&mut self, now: Steady, mut bytes: &[u8], mut each: impl FnMut(Event)) {
        if let Turn::Adapters { heard, .. } = &mut self.turn
            && !bytes.is_empty()
        {
            *heard = now;
        }
        loop {
            let (line, prompt) = match self.lines.take(&mut bytes) {
                Step::Incomplete => return,
                Step::Overlong { .. } => (None, false),
                // Some adapters strew zero bytes (a data sheet's caution).
                Step::Line { text, end } => {
                    let text: Vec<u8> = text.iter().copied().filter(|byte| *byte != 0).collect();
                    (Some(String::from_utf8_lossy(&text).trim().to_owned()), end == b'>')
                }
            };
            match line {
                None => each(Event::TooMuch),
                Some(line) if !line.is_empty() => self.line(now, &line, &mut each),
                Some(_) => {}
            }
            if prompt {
                self.prompt(now, &mut each);
            }
        }
    }

    /// Lets time pass; gives bytes to send, if a lost prompt needs them.
    pub fn tick(&mut self, now: Steady, mut each: impl FnMut(Event)) -> Option<Vec<u8>> {
        let searching = self.search;
        match &mut self.turn {
            Turn::Adapters { command, asked, heard, lines } => {
                let patience = if searching && command.may_transmit() { SEARCH_SILENCE } else { SILENCE };
                if now - *heard >= patience || now - *asked >= COMMAND_MAX {
                    let lines = std::mem::take(lines);
                    each(Event::PromptLost { command: *command, asked: *asked, lines });
                    self.turn = LOST;
                }
                None
            }
            Turn::Lost { prompt: Some(prompt), .. } => {
                if now - *prompt >= REST {
                    self.turn = Turn::Ours;
                    each(Event::Ready);
                }
                None
            }
            Turn::Lost { nudges, nudged, prompt: None } => {
                if nudged.is_some_and(|nudged| now - nudged < NUDGE_WAIT) {
                    return None;
                }
                if *nudges >= NUDGES_MAX {
                    self.turn = Turn::Gone;
                    each(Event::Gone);
                    return None;
                }
                *nudges += 1;
                *nudged = Some(now);
                Some(sent(NUDGE))
            }
            Turn::Ours | Turn::Monitoring | Turn::Gone => None,
        }
    }

    fn line(&mut self, now: Steady, text: &str, each: &mut impl FnMut(Event)) {
        let line = reply::read(text);
        if let Line::Error(error) = line {
            self.error(error, each);
        }
        match &mut self.turn {
            Turn::Adapters { command, lines, .. } => {
                let echo = lines.is_empty() && is_echo(text, *command);
                if lines.len() >= LINES_MAX {
                    each(Event::TooMuch);
                } else if !echo {
                    // A notice on the line of the data is not lost with it.
                    if line != Line::Searching && begins_with_search(text) {
                        lines.push((now, Line::Searching));
                    }
                    lines.push((now, line));
                }
            }
            Turn::Monitoring => each(Event::Monitored(line)),
            Turn::Ours => each(Event::Unasked(line)),
            Turn::Lost { .. } | Turn::Gone => {}
        }
    }

    fn error(&mut self, error: AdapterError, each: &mut impl FnMut(Event)) {
        self.bus_error |= error.is_of_the_bus();
        if error.loses_settings() {
            self.silent = false;
            each(Event::SettingsLost);
            // Monitoring without silence must not go on.
            self.stop_monitoring();
        }
    }

    fn prompt(&mut self, now: Steady, each: &mut impl FnMut(Event)) {
        match std::mem::replace(&mut self.turn, Turn::Ours) {
            Turn::Adapters { command, asked, lines, .. } => {
                if command.as_fixed() == Some(Fixed::SilentMonitoring) {
                    self.silent = lines.last().is_some_and(|(_, line)| *line == Line::Done);
                }
                each(Event::Finished { command, asked, lines });
            }
            // It ended by itself. If its buffer was full, it can be started again; but it may have been a reset, and then
            // silence must be confirmed first.
            Turn::Monitoring => {
                self.silent = false;
                each(Event::Ready);
            }
            Turn::Lost { nudges, nudged, .. } => self.turn = Turn::Lost { nudges, nudged, prompt: Some(now) },
            Turn::Gone => self.turn = LOST,
            Turn::Ours => {}
        }
    }
}

fn sent(command: Command) -> Vec<u8> {
    format!("{command}\r").into_bytes()
}

fn begins_with_search(text: &str) -> bool {
    text.trim_start().get(..9).is_some_and(|start| start.eq_ignore_ascii_case("SEARCHING"))
}

fn is_echo(text: &str, command: Command) -> bool {
    let tight: String = text.chars().filter(|char| *char != ' ').collect();
    tight.eq_ignore_ascii_case(&command.to_string())
}

#[cfg(test)]
mod tests;
