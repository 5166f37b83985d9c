//! The only frame that may leave this program on a vehicle bus.
//!
//! Its content is private and made here alone: the single frame of a [`Request`], or flow control for an answer to one.
//! Sends nothing itself.

use super::isotp::FlowControl;
use super::request::{Refused, Request};
use super::target::Target;
use crate::observation::CanId;

/// Bytes of every frame sent: diagnostic frames are padded to the full length (ISO 15765-4).
pub const LENGTH: usize = 8;
/// What pads them (common practice, no source; receivers ignore it).
const PADDING: u8 = 0x55;

/// A classic CAN frame of 8 bytes that may be sent: a read-only request, or flow control for its answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TransmitFrame {
    id: CanId,
    data: [u8; LENGTH],
    kind: Kind,
}

/// What a frame to be sent is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// A request.
    Request,
    /// Flow control for an answer to the pending request.
    FlowControl,
}

impl TransmitFrame {
    /// The single frame that asks `request` of `target`.
    pub(super) fn request(request: &Request, target: &Target) -> Result<Self, Refused> {
        let bytes = request.bytes();
        let mut content = vec![bytes.len() as u8];
        content.extend(bytes);
        Self::build(target.asked(), target, &content, Kind::Request).ok_or(Refused::TooLongExtended(content.len() - 1))
    }

    /// Flow control for an answer of the identifier `answer` to a request to `target`; `None` if that is no answer to it.
    pub(super) fn flow_control(flow: FlowControl, target: &Target, answer: CanId) -> Option<Self> {
        Self::build(target.flow_control_to(answer)?, target, &flow.bytes(), Kind::FlowControl)
    }

    fn build(id: CanId, target: &Target, content: &[u8], kind: Kind) -> Option<Self> {
        let mut data = [PADDING; LENGTH];
        let place = match target.extension() {
            None => &mut data[..],
            Some(extension) => {
                data[0] = extension.ecu;
                &mut data[1..]
            }
        };
        place.get_mut(..content.len())?.copy_from_slice(content);
        Some(Self { id, data, kind })
    }

    /// Its identifier.
    pub fn id(&self) -> CanId {
        self.id
    }

    /// Its payload.
    pub fn data(&self) -> &[u8; LENGTH] {
        &self.data
    }

    /// What it is.
    pub fn kind(&self) -> Kind {
        self.kind
    }
}
