//! An slcan adapter behind its port: the channel opened, closed and opened anew, acknowledgements waited for.
//!
//! Sends [`Command`]s and nothing else. Does not judge what comes; it only stamps it on arrival and keeps it in order.

use std::collections::VecDeque;

use super::command::{BitRate, Command};
use super::line::{Event, Reader};
use crate::diag::TransmitFrame;
use crate::diag::gate::BusEvent;
use crate::source::live::{Failure, Outlet};
use crate::source::serial::Port;
use crate::time::{Span, Steady};

/// How long an acknowledgement is waited for (common practice, no source: adapters answer within some milliseconds).
pub const ANSWER_WAIT: Span = Span::of_millis(300);
/// The same for an adapter that did not acknowledge the command before.
const SILENT_WAIT: Span = Span::of_millis(40);
/// The longest that a read waits while an acknowledgement is due.
const READ_WAIT: Span = Span::of_millis(20);

/// How the channel is open.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mode {
    /// Nothing is sent, not even an acknowledgement.
    Listening,
    /// A member of the bus: what others send is acknowledged, and frames may be sent.
    Member,
}

/// What a command came to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Answer {
    Done,
    Refused,
    None,
}

/// An adapter's channel.
pub struct Channel {
    port: Port,
    reader: Reader,
    bit_rate: BitRate,
    mode: Mode,
    /// Whether it left the last command without an answer.
    silent: bool,
    /// What came and was not taken yet, with its arrival.
    events: VecDeque<(Steady, Event)>,
}

impl Channel {
    /// The channel of an adapter that listens.
    ///
    /// # Errors
    /// If the adapter refuses the bit rate or to listen, or its port is gone.
    pub fn listen(port: Port, bit_rate: BitRate, outlet: &Outlet) -> Result<Self, Failure> {
        let (reader, mode, events) = (Reader::default(), Mode::Listening, VecDeque::new());
        let mut channel = Self { port, reader, bit_rate, mode, silent: false, events };
        channel.set_up(outlet)?;
        // From a channel that was left open, at who knows which bit rate.
        channel.events.clear();
        channel.open_to_listen(outlet)?;
        Ok(channel)
    }

    /// Opens it anew to listen; what came meanwhile is kept.
    ///
    /// # Errors
    /// As [`Self::listen`].
    pub fn back_to_listening(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        self.set_up(outlet)?;
        self.open_to_listen(outlet)
    }

    /// Opens it anew as a member of the bus; what came meanwhile is kept. False if the adapter refuses: it is closed then.
    ///
    /// # Errors
    /// If the adapter refuses the bit rate that it took before, or its port is gone.
    pub fn join(&mut self, outlet: &Outlet) -> Result<bool, Failure> {
        self.set_up(outlet)?;
        // Whatever becomes of the command, the adapter may be a member from now on.
        self.mode = Mode::Member;
        Ok(self.command(Command::Open, outlet)? != Answer::Refused)
    }

    /// How it is open.
    pub fn mode(&self) -> Mode {
        self.mode
    }

    /// Whether it left the last command without an answer.
    pub fn is_silent(&self) -> bool {
        self.silent
    }

    /// Takes what comes within `wait`, or at once if something came.
    ///
    /// # Errors
    /// If the port is gone.
    pub fn read(&mut self, wait: Span, outlet: &Outlet) -> Result<(), Failure> {
        self.port.set_wait(wait)?;
        let mut buffer = [0; 4_096];
        let count = self.port.read(&mut buffer)?;
        let arrival = outlet.now();
        let events = &mut self.events;
        self.reader.push(buffer.get(..count).unwrap_or_default(), |event| events.push_back((arrival, event)));
        Ok(())
    }

    /// The next thing that came, with its arrival.
    pub fn take(&mut self) -> Option<(Steady, Event)> {
        self.events.pop_front()
    }

    /// Whether something that came and was not taken yet speaks against sending.
    pub fn shows_errors(&self) -> bool {
        self.events.iter().any(|(_, event)| event.bus_event().is_some_and(|event| event != BusEvent::Sound))
    }

    /// Sends a frame that may be sent.
    ///
    /// # Errors
    /// If the channel only listens, or the port is gone.
    pub fn send(&mut self, frame: TransmitFrame) -> Result<(), Failure> {
        if self.mode != Mode::Member {
            return Err(self.failure("nothing is sent while the adapter listens"));
        }
        self.port.write(&Command::Send(frame).text())
    }

    /// Closes it, without waiting.
    ///
    /// # Errors
    /// If the port is gone.
    pub fn close(mut self) -> Result<(), Failure> {
        self.port.write(&Command::Close.text())
    }

    /// Closes the channel, open or not, and sets the bit rate.
    fn set_up(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        // A closed channel may refuse to be closed, and half a command that was left in the adapter makes it refuse the next:
        // so once more, and whatever it says then.
        if self.command(Command::Close, outlet)? != Answer::Done && !self.silent {
            self.command(Command::Close, outlet)?;
        }
        if self.command(Command::SetBitRate(self.bit_rate), outlet)? == Answer::Refused {
            let rate = self.bit_rate.kbit_s();
            return Err(self.failure(&format!("the adapter refuses {rate} kbit/s; configure a bit rate it knows")));
        }
        Ok(())
    }

    fn open_to_listen(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        if self.command(Command::Listen, outlet)? == Answer::Refused {
            return Err(self.failure(
                "the adapter refuses to listen only ('L'); it is not opened otherwise, as it would disturb the bus at a \
                 wrong bit rate: use one that can, or update its firmware",
            ));
        }
        self.mode = Mode::Listening;
        Ok(())
    }

    /// Sends a command and waits for its answer. A frame is one too: a closed channel gives none.
    fn command(&mut self, command: Command, outlet: &Outlet) -> Result<Answer, Failure> {
        let opens = matches!(command, Command::Listen | Command::Open);
        self.port.write(&command.text())?;
        let until = outlet.now() + if self.silent { SILENT_WAIT } else { ANSWER_WAIT };
        let mut looked_at = self.events.len();
        while outlet.now() < until && !outlet.stopping() {
            self.read(READ_WAIT, outlet)?;
            while let Some((_, event)) = self.events.get(looked_at) {
                let answer = match event {
                    Event::Done => Answer::Done,
                    Event::Refused => Answer::Refused,
                    Event::Frame(_) if opens => return Ok(Answer::Done),
                    _ => {
                        looked_at += 1;
                        continue;
                    }
                };
                self.events.remove(looked_at);
                self.silent = false;
                return Ok(answer);
            }
        }
        self.silent |= !outlet.stopping();
        Ok(Answer::None)
    }

    fn failure(&self, what: &str) -> Failure {
        Failure(format!("{}: {what}", self.port.path().display()))
    }
}
