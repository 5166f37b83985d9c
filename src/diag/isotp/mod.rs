//! Transport of messages longer than a frame (ISO 15765-2), in user space: frames and moments in, actions out.
//!
//! [`frame`] is the codec of the four frame kinds, [`receive`] puts messages together, one [`Reception`] an ECU, and [`send`]
//! takes a message apart. Requests of this program always fit a single frame, so [`Sender`] serves the far end of
//! tests and benches; nothing it gives can become a frame to be sent on a vehicle bus. Sends nothing, reads no clock.

pub mod frame;
pub mod receive;
pub mod send;

pub use frame::{FlowControl, FlowStatus, Malformed, Pdu};
pub use receive::{Action, Reception};
pub use send::{Layout, Sender};

use crate::time::Span;

/// N_As, N_Ar, N_Bs and N_Cr: how long a frame may take to leave, flow control to come, a consecutive frame to come
/// (ISO 15765-2, table of timing parameters: 1000 ms).
pub const TIMEOUT: Span = Span::of_millis(1_000);

/// The longest message taken; what claims to be longer is answered with overflow. The 12-bit length's limit.
pub const MESSAGE_MAX: usize = 4_095;

/// Which wait ran out.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Timer {
    /// N_As: a frame of the sender did not leave.
    As,
    /// N_Ar: flow control of the receiver did not leave.
    Ar,
    /// N_Bs: no flow control came.
    Bs,
    /// N_Cr: no consecutive frame came.
    Cr,
}

/// What went wrong with a transfer, by name.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, thiserror::Error)]
pub enum TransferFault {
    /// A wait ran out; the transfer is over.
    #[error("timeout ({0:?})")]
    Timeout(Timer),
    /// A consecutive frame out of order; the message is lost.
    #[error("consecutive frame {got} where {expected} was due")]
    WrongSequence {
        /// Sequence number due.
        expected: u8,
        /// Sequence number received.
        got: u8,
    },
    /// A consecutive frame with no message open; ignored.
    #[error("consecutive frame without a first frame")]
    UnexpectedConsecutive,
    /// Flow control where nothing is being sent; ignored.
    #[error("unexpected flow control")]
    UnexpectedFlowControl,
    /// A new message began inside another, which is lost.
    #[error("a new message began inside another")]
    Interrupted,
    /// A consecutive frame, not the last, shorter or longer than the first frame's; ignored.
    #[error("consecutive frame of another length than the first frame's")]
    WrongLength,
    /// A message longer than [`MESSAGE_MAX`]; refused with overflow.
    #[error("a message of {0} bytes, longer than the 4095 taken")]
    TooLong(u32),
    /// Not a frame of ISO 15765-2; ignored.
    #[error("malformed frame: {0}")]
    Malformed(Malformed),
    /// The receiver has no room; the transfer is over.
    #[error("the receiver reports overflow")]
    Overflow,
    /// The receiver asked to wait too often; the transfer is over.
    #[error("the receiver asked to wait too often")]
    TooManyWaits,
    /// A message that is empty or longer than 32 bits can say.
    #[error("a message of this length can't be sent")]
    UnsendableLength,
}

impl TransferFault {
    /// A short name, the same for all faults of a kind: the key under which they are counted.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Timeout(Timer::As) => "timeout N_As",
            Self::Timeout(Timer::Ar) => "timeout N_Ar",
            Self::Timeout(Timer::Bs) => "timeout N_Bs",
            Self::Timeout(Timer::Cr) => "timeout N_Cr",
            Self::WrongSequence { .. } => "wrong sequence number",
            Self::UnexpectedConsecutive => "unexpected consecutive frame",
            Self::UnexpectedFlowControl => "unexpected flow control",
            Self::Interrupted => "message interrupted",
            Self::WrongLength => "consecutive frame of wrong length",
            Self::TooLong(_) => "message too long",
            Self::Malformed(_) => "malformed frame",
            Self::Overflow => "overflow at the receiver",
            Self::TooManyWaits => "too many waits",
            Self::UnsendableLength => "unsendable length",
        }
    }
}

#[cfg(test)]
mod tests;
