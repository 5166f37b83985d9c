//! How many frames and values were seen, and why values were dropped.
//!
//! Plain data, kept with every run.
//!
//! Counts nothing itself.

use serde::{Deserialize, Serialize};

use crate::map::Map;

/// The counts of a decoder.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Counts {
    /// By the map's messages.
    pub messages: Vec<MessageCounts>,
    /// Data frames that no message of the map claims.
    pub unknown_frames: u64,
}

/// The counts of one message.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct MessageCounts {
    /// Frames, replies or rows decoded.
    pub frames: u64,
    /// By the message's signals.
    pub signals: Vec<SignalCounts>,
}

/// The counts of one signal; their sum is how often it was in a frame (a multiplexed signal is not in every one).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct SignalCounts {
    /// Values given on.
    pub available: u64,
    /// Raw patterns that mean 'not available'; in a table, empty or unreadable cells.
    pub not_available: u64,
    /// Values outside the signal's range.
    pub out_of_range: u64,
    /// Floats that are NaN or infinite, as sent or after scaling.
    pub not_finite: u64,
    /// Payloads too short to hold the signal.
    pub too_short: u64,
}

impl Counts {
    /// All zero, in a map's shape.
    pub fn of(map: &Map) -> Self {
        let messages = map
            .messages
            .iter()
            .map(|message| MessageCounts { frames: 0, signals: vec![SignalCounts::default(); message.signals.len()] });
        Self { messages: messages.collect(), unknown_frames: 0 }
    }

    /// Sets all to zero, keeping the shape.
    pub(super) fn clear(&mut self) {
        self.unknown_frames = 0;
        for message in &mut self.messages {
            message.frames = 0;
            message.signals.fill(SignalCounts::default());
        }
    }

    /// Adds what was counted elsewhere with the same map.
    pub(super) fn add(&mut self, other: &Self) {
        self.unknown_frames += other.unknown_frames;
        for (message, other) in self.messages.iter_mut().zip(&other.messages) {
            message.frames += other.frames;
            message.signals.iter_mut().zip(&other.signals).for_each(|(signal, other)| signal.add(other));
        }
    }

    /// Cuts or fills up to another's shape, so that counts kept by an older map do no harm.
    pub(super) fn shaped_like(mut self, other: &Self) -> Self {
        self.messages.resize_with(other.messages.len(), MessageCounts::default);
        for (message, like) in self.messages.iter_mut().zip(&other.messages) {
            message.signals.resize_with(like.signals.len(), SignalCounts::default);
        }
        self
    }
}

impl SignalCounts {
    fn add(&mut self, other: &Self) {
        self.available += other.available;
        self.not_available += other.not_available;
        self.out_of_range += other.out_of_range;
        self.not_finite += other.not_finite;
        self.too_short += other.too_short;
    }

    /// How often the signal was in a frame.
    pub fn seen(&self) -> u64 {
        self.available + self.not_available + self.out_of_range + self.not_finite + self.too_short
    }
}
