//! Taking a message apart: the sender of ISO 15765-2, for the far end of tests and benches.
//!
//! Gives payloads, sends nothing. It can't put anything on a vehicle bus: what may be sent there is
//! [`crate::diag::TransmitFrame`], which no payload of this file becomes.

use super::frame::{FlowControl, FlowStatus};
use super::{TIMEOUT, Timer, TransferFault};
use crate::time::{Span, Steady};

/// The payload lengths of CAN FD past 8 bytes (ISO 11898-1).
const FD_LENGTHS: [usize; 7] = [12, 16, 20, 24, 32, 48, 64];
/// Waits in a row that a receiver may ask for (N_WFTmax); the standard leaves it open.
const WAITS_MAX: u8 = 10;

/// How frames look.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Layout {
    /// Payload bytes of a full frame: 8, or one of CAN FD's longer ones.
    pub frame_length: usize,
    /// The address byte put first, by extended addressing.
    pub address: Option<u8>,
    /// What pads frames to full length; `None`: classic frames stay short.
    pub padding: Option<u8>,
}

impl Layout {
    /// Classic frames, normal addressing, padded to 8 bytes.
    pub const CLASSIC: Self = Self { frame_length: 8, address: None, padding: Some(0xCC) };
}

/// A message on its way out.
#[derive(Clone, Debug)]
pub struct Sender {
    message: Vec<u8>,
    layout: Layout,
    /// Bytes already given.
    given: usize,
    sequence: u8,
    state: State,
    waits: u8,
    /// From the last flow control: frames left in the block (`None`: all), and the least time between them.
    block: Option<u8>,
    separation: Span,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    /// A frame is due at this moment.
    Due(Option<Steady>),
    /// A frame was given out and has not left yet; what comes after it.
    Leaving(Steady, After),
    /// Flow control is due.
    Waiting(Steady),
    /// All of it has left, or the transfer failed.
    Over,
}

/// What comes after a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum After {
    /// The next one, when the separation time has passed.
    Frame,
    /// Flow control.
    FlowControl,
    /// Nothing.
    Nothing,
}

impl Sender {
    /// A message to be sent; refused if it is empty or longer than 32 bits can say.
    pub fn new(message: &[u8], layout: Layout) -> Result<Self, TransferFault> {
        if message.is_empty() || u32::try_from(message.len()).is_err() {
            return Err(TransferFault::UnsendableLength);
        }
        let frame_length = layout.frame_length.clamp(8, 64);
        Ok(Self {
            message: message.to_vec(),
            layout: Layout { frame_length, ..layout },
            given: 0,
            sequence: 1,
            state: State::Due(None),
            waits: 0,
            block: None,
            separation: Span(0),
        })
    }

    /// The payload to send now, if one is due; report back with [`Self::left`].
    pub fn next(&mut self, now: Steady) -> Option<Vec<u8>> {
        match self.state {
            State::Due(at) if at.is_none_or(|at| at <= now) => {}
            _ => return None,
        }
        let mut payload: Vec<u8> = self.layout.address.into_iter().collect();
        let is_first = self.given == 0;
        if is_first {
            self.open(&mut payload);
        } else {
            payload.push(0x20 | self.sequence);
            self.sequence = (self.sequence + 1) & 0x0F;
            self.block = self.block.map(|left| left.saturating_sub(1));
        }
        self.fill(&mut payload);
        let after = if self.given >= self.message.len() {
            After::Nothing
        } else if is_first || self.block == Some(0) {
            After::FlowControl
        } else {
            After::Frame
        };
        self.state = State::Leaving(now, after);
        Some(payload)
    }

    /// The payload given last has left.
    pub fn left(&mut self, now: Steady) {
        if let State::Leaving(_, after) = self.state {
            self.state = match after {
                After::Frame => State::Due(Some(now + self.separation)),
                After::FlowControl => State::Waiting(now),
                After::Nothing => State::Over,
            };
        }
    }

    /// Takes the receiver's flow control.
    pub fn flow_control(&mut self, now: Steady, flow: FlowControl) -> Result<(), TransferFault> {
        let State::Waiting(_) = self.state else {
            return Err(TransferFault::UnexpectedFlowControl);
        };
        match flow.status {
            FlowStatus::Overflow => self.fail(TransferFault::Overflow),
            FlowStatus::Wait if self.waits >= WAITS_MAX => self.fail(TransferFault::TooManyWaits),
            FlowStatus::Wait => {
                self.waits += 1;
                self.state = State::Waiting(now);
                Ok(())
            }
            FlowStatus::Continue => {
                self.waits = 0;
                self.block = (flow.block_size > 0).then_some(flow.block_size);
                self.separation = flow.separation();
                self.state = State::Due(None);
                Ok(())
            }
        }
    }

    /// Lets time pass: a frame that does not leave, or flow control that does not come, ends the transfer.
    pub fn tick(&mut self, now: Steady) -> Result<(), TransferFault> {
        match self.state {
            State::Leaving(since, _) if now - since >= TIMEOUT => self.fail(TransferFault::Timeout(Timer::As)),
            State::Waiting(since) if now - since >= TIMEOUT => self.fail(TransferFault::Timeout(Timer::Bs)),
            _ => Ok(()),
        }
    }

    /// Whether all of it has left, or the transfer failed.
    pub fn is_over(&self) -> bool {
        self.state == State::Over
    }

    fn fail(&mut self, fault: TransferFault) -> Result<(), TransferFault> {
        self.state = State::Over;
        Err(fault)
    }

    /// Writes the length of a single or first frame.
    fn open(&mut self, payload: &mut Vec<u8>) {
        let (length, prefix) = (self.message.len(), payload.len());
        if length + prefix < 8 {
            payload.push(length as u8);
        } else if self.layout.frame_length > 8 && length + prefix + 2 <= self.layout.frame_length {
            payload.extend([0, length as u8]);
        } else if length <= 0xFFF {
            payload.extend([0x10 | (length >> 8) as u8, length as u8]);
        } else {
            payload.extend([0x10, 0]);
            payload.extend((length as u32).to_be_bytes());
        }
    }

    /// Adds as many bytes of the message as fit, and the padding.
    fn fill(&mut self, payload: &mut Vec<u8>) {
        let room = self.layout.frame_length.saturating_sub(payload.len());
        let rest = self.message.get(self.given..).unwrap_or_default();
        let part = &rest[..rest.len().min(room)];
        payload.extend_from_slice(part);
        self.given += part.len();
        let full = match payload.len() {
            ..=8 => 8,
            length => FD_LENGTHS.into_iter().find(|known| *known >= length).unwrap_or(length),
        };
        if payload.len() > 8 || self.layout.padding.is_some() {
            payload.resize(full.max(payload.len()), self.layout.padding.unwrap_or(0xCC));
        }
    }
}
