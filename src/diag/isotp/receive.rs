//! Putting one ECU's messages together: the receiver of ISO 15765-2.
//!
//! One [`Reception`] serves one answering identifier; several live side by side. Says what to send, sends nothing. What is
//! out of place is named and never stops it; memory stays within [`MESSAGE_MAX`].

use super::frame::{self, FlowControl, FlowStatus, Pdu};
use super::{MESSAGE_MAX, TIMEOUT, Timer, TransferFault};
use crate::time::Steady;

/// What a frame or the passing of time calls for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Action {
    /// Flow control for the ECU; report back with [`Reception::flow_control_left`] when it has left.
    SendFlowControl(FlowControl),
    /// A whole message.
    Complete(Vec<u8>),
    /// Something went wrong.
    Fault(TransferFault),
}

/// The messages of one answering identifier.
#[derive(Clone, Debug, Default)]
pub struct Reception {
    /// The address byte that must stand first, by extended addressing.
    address: Option<u8>,
    /// Consecutive frames that we ask for at a time; 0 for all.
    block_size: u8,
    /// STmin that we ask for, as written.
    separation_code: u8,
    open: Option<Open>,
}

/// A message of which the first frame has come.
#[derive(Clone, Debug)]
struct Open {
    message: Vec<u8>,
    length: usize,
    /// The length of the frame that opened it, address byte included: every frame but the last has it.
    frame_length: usize,
    /// The sequence number due.
    due: u8,
    /// Frames since the last flow control.
    in_block: u8,
    /// What is waited for, and since when.
    timer: Timer,
    since: Steady,
}

impl Reception {
    /// Nothing received yet; normal addressing, everything asked for at once.
    pub fn new() -> Self {
        Self::default()
    }

    /// By extended addressing: frames whose first byte is not `address` are someone else's.
    pub fn extended(address: u8) -> Self {
        Self { address: Some(address), ..Self::default() }
    }

    /// Asks for `block_size` frames at a time, `separation_code` (STmin as written) apart.
    pub fn asking_for(self, block_size: u8, separation_code: u8) -> Self {
        Self { block_size, separation_code, ..self }
    }

    /// Whether a message has begun and not ended.
    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// Takes a frame's payload.
    pub fn frame(&mut self, now: Steady, payload: &[u8]) -> Vec<Action> {
        let content = match (self.address, payload.split_first()) {
            (None, _) => payload,
            (Some(address), Some((first, rest))) if *first == address => rest,
            _ => return Vec::new(),
        };
        let mut actions = self.tick(now);
        match frame::read(content, payload.len() - content.len()) {
            Ok(Pdu::Single(data)) => {
                self.interrupt(&mut actions);
                actions.push(Action::Complete(data.to_vec()));
            }
            Ok(Pdu::First { length, data }) => {
                self.interrupt(&mut actions);
                self.begin(now, length, data, payload.len(), &mut actions);
            }
            Ok(Pdu::Consecutive { sequence, data }) => {
                actions.extend(self.consecutive(now, sequence, data, payload.len()));
            }
            Ok(Pdu::FlowControl(_)) => actions.push(Action::Fault(TransferFault::UnexpectedFlowControl)),
            Err(malformed) => actions.push(Action::Fault(TransferFault::Malformed(malformed))),
        }
        actions
    }

    /// The flow control that was asked for has left: the wait for consecutive frames begins.
    pub fn flow_control_left(&mut self, now: Steady) {
        if let Some(open) = self.open.as_mut().filter(|open| open.timer == Timer::Ar) {
            (open.timer, open.since) = (Timer::Cr, now);
        }
    }

    /// Lets time pass: a message that waited too long is given up.
    pub fn tick(&mut self, now: Steady) -> Vec<Action> {
        match &self.open {
            Some(open) if now - open.since >= TIMEOUT => {
                let fault = TransferFault::Timeout(open.timer);
                self.open = None;
                vec![Action::Fault(fault)]
            }
            _ => Vec::new(),
        }
    }

    fn interrupt(&mut self, actions: &mut Vec<Action>) {
        if self.open.take().is_some() {
            actions.push(Action::Fault(TransferFault::Interrupted));
        }
    }

    fn begin(&mut self, now: Steady, length: u32, data: &[u8], frame_length: usize, actions: &mut Vec<Action>) {
        if length as usize > MESSAGE_MAX {
            actions.push(Action::SendFlowControl(FlowControl::OVERFLOW));
            actions.push(Action::Fault(TransferFault::TooLong(length)));
            return;
        }
        let mut message = Vec::with_capacity(length as usize);
        message.extend_from_slice(data);
        let length = length as usize;
        self.open = Some(Open { message, length, frame_length, due: 1, in_block: 0, timer: Timer::Ar, since: now });
        actions.push(Action::SendFlowControl(self.flow_control()));
    }

    fn flow_control(&self) -> FlowControl {
        let Self { block_size, separation_code, .. } = *self;
        FlowControl { status: FlowStatus::Continue, block_size, separation_code }
    }

    fn consecutive(&mut self, now: Steady, sequence: u8, data: &[u8], frame_length: usize) -> Option<Action> {
        let flow_control = self.flow_control();
        let Some(open) = &mut self.open else {
            return Some(Action::Fault(TransferFault::UnexpectedConsecutive));
        };
        if sequence != open.due {
            let fault = TransferFault::WrongSequence { expected: open.due, got: sequence };
            self.open = None;
            return Some(Action::Fault(fault));
        }
        let missing = open.length.saturating_sub(open.message.len());
        if frame_length != open.frame_length && data.len() < missing {
            return Some(Action::Fault(TransferFault::WrongLength));
        }
        open.message.extend_from_slice(&data[..data.len().min(missing)]);
        if data.len() >= missing {
            return self.open.take().map(|open| Action::Complete(open.message));
        }
        open.due = (open.due + 1) & 0x0F;
        open.since = now;
        // A frame may overtake the report that our flow control left: it proves that it did.
        open.timer = Timer::Cr;
        open.in_block = open.in_block.wrapping_add(1);
        if flow_control.block_size == 0 || open.in_block < flow_control.block_size {
            return None;
        }
        (open.in_block, open.timer) = (0, Timer::Ar);
        Some(Action::SendFlowControl(flow_control))
    }
}
