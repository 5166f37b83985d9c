//! The decoder: frames, replies and rows of one map to values, one after another.
//!
//! Allocates when it is made and when buses are named, never per frame. Whole batches are [`super::batches`]'.

use std::sync::Arc;

use super::compiled::Compiled;
use super::counts::Counts;
use super::tap::Tap;
use crate::map::Map;
use crate::observation::{BusNames, Frame, Reply, Row};

/// Decodes one map's messages and counts what it drops.
#[derive(Clone, Debug)]
pub struct Decoder {
    pub(super) compiled: Arc<Compiled>,
    values: Vec<f64>,
    counts: Counts,
}

/// A decoded message.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Decoded<'a> {
    /// Index of the message in the map.
    pub message: usize,
    /// One value a signal in the signals' order, in the signals' units; NaN = null: not available, out of range, not
    /// finite, not in this frame, or past the payload's end.
    pub values: &'a [f64],
    /// The roles that the message feeds.
    pub taps: &'a [Tap],
}

impl Decoder {
    /// Compiles a map. Until buses are named, only messages that name no bus are found.
    pub fn new(map: &Map) -> Self {
        let compiled = Compiled::new(map);
        Self { values: vec![f64::NAN; compiled.widest], compiled: Arc::new(compiled), counts: Counts::of(map) }
    }

    /// Finds the messages' buses by name; to be called whenever names grew.
    pub fn set_buses(&mut self, names: &BusNames) {
        if names != self.compiled.bus_names() {
            Arc::make_mut(&mut self.compiled).set_buses(names);
        }
    }

    /// Decodes a frame with its payload; `None` for a frame that no message claims, a remote or an error frame.
    #[inline]
    pub fn frame(&mut self, frame: &Frame, payload: &[u8]) -> Option<Decoded<'_>> {
        let message = self.compiled.find(frame, &mut self.counts)?;
        self.bytes(message, payload)
    }

    /// Decodes a positive reply to a poll of the map; `None` for any other.
    pub fn reply(&mut self, reply: &Reply) -> Option<Decoded<'_>> {
        let (message, data) = self.compiled.find_reply(reply)?;
        self.bytes(message, data)
    }

    /// Decodes a row of a table; `None` for a table that the map does not have.
    pub fn row(&mut self, row: &Row) -> Option<Decoded<'_>> {
        let message = self.compiled.find_row(row)?;
        let values = self.values.get_mut(..self.compiled.width(message))?;
        self.compiled.row(message, row, values, &mut self.counts)?;
        Some(Decoded { message, values, taps: self.compiled.taps(message) })
    }

    /// What was seen and dropped so far.
    pub fn counts(&self) -> &Counts {
        &self.counts
    }

    /// Goes on from counts kept earlier with the same map.
    pub fn set_counts(&mut self, counts: Counts) {
        self.counts = counts.shaped_like(&self.counts);
    }

    /// Counts what was decoded elsewhere.
    pub(super) fn add_counts(&mut self, counts: &Counts) {
        self.counts.add(counts);
    }

    #[inline]
    fn bytes(&mut self, message: usize, payload: &[u8]) -> Option<Decoded<'_>> {
        let values = self.values.get_mut(..self.compiled.width(message))?;
        self.compiled.bytes(message, payload, values, &mut self.counts)?;
        Some(Decoded { message, values, taps: self.compiled.taps(message) })
    }
}
