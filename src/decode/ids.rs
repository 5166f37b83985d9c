//! Which message a frame is: a direct table for 11-bit identifiers, a hash table for 29-bit ones, on each bus.
//!
//! Knows nothing of what a message holds.

use crate::map::{Map, Origin};
use crate::observation::{BusNames, CanId, Frame, FrameFlags};

/// No message.
const NONE: u16 = u16::MAX;

/// The tables of every bus.
#[derive(Clone, Debug)]
pub(super) struct Ids {
    /// What each frame message claims: its bus, identifier and index.
    claims: Vec<(Option<String>, CanId, u16)>,
    /// By bus; a bus past the end has `any`.
    buses: Vec<Table>,
    /// Messages that name no bus.
    any: Table,
}

/// The messages of one bus.
#[derive(Clone, Debug)]
struct Table {
    standard: Box<[u16; 2048]>,
    /// Open addressing, a power of two long and at most half full; a free slot holds [`NONE`].
    extended: Vec<(u32, u16)>,
}

impl Ids {
    /// The tables of a map before any bus is named. A map has room for 65,535 messages; no bus has as many identifiers.
    pub fn new(map: &Map) -> Self {
        let mut claims = Vec::new();
        for (index, message) in (0..NONE).zip(&map.messages) {
            if let Origin::Frame { bus, id, .. } = &message.origin {
                claims.push((bus.clone(), *id, index));
            }
        }
        let any = Table::new(&claims, None);
        Self { claims, buses: Vec::new(), any }
    }

    /// Makes the tables of the buses known so far. A message that names its bus comes before one that names none.
    pub fn set_buses(&mut self, names: &BusNames) {
        self.buses = names.names().iter().map(|name| Table::new(&self.claims, Some(name))).collect();
    }

    /// The index of the message that claims a frame.
    #[inline]
    pub fn find(&self, frame: &Frame) -> Option<usize> {
        let table = self.buses.get(usize::from(frame.bus.0)).unwrap_or(&self.any);
        let index = if frame.flags.has(FrameFlags::EXTENDED) {
            table.find_extended(frame.id)
        } else {
            table.standard.get(frame.id as usize).copied().unwrap_or(NONE)
        };
        (index != NONE).then_some(usize::from(index))
    }
}

impl Table {
    /// The messages that name no bus, then over them those that name this one.
    fn new(claims: &[(Option<String>, CanId, u16)], name: Option<&str>) -> Self {
        let extended = claims.iter().filter(|(_, id, _)| matches!(id, CanId::Extended(_))).count();
        let slots = (2 * extended).next_power_of_two().max(2);
        let mut table = Self { standard: Box::new([NONE; 2048]), extended: vec![(0, NONE); slots] };
        let of_any = claims.iter().filter(|(bus, _, _)| bus.is_none());
        let of_this = claims.iter().filter(|(bus, _, _)| bus.is_some() && bus.as_deref() == name);
        for (_, id, index) in of_any.chain(of_this) {
            match *id {
                CanId::Standard(id) => {
                    if let Some(slot) = table.standard.get_mut(usize::from(id)) {
                        *slot = *index;
                    }
                }
                CanId::Extended(id) => table.insert_extended(id, *index),
            }
        }
        table
    }

    fn insert_extended(&mut self, id: u32, index: u16) {
        let mut at = self.home(id);
        // Ends: the table is at most half full.
        while let Some(slot) = self.extended.get_mut(at) {
            if slot.1 == NONE || slot.0 == id {
                *slot = (id, index);
                return;
            }
            at = (at + 1) & (self.extended.len() - 1);
        }
    }

    #[inline]
    fn find_extended(&self, id: u32) -> u16 {
        let mut at = self.home(id);
        while let Some(slot) = self.extended.get(at) {
            if slot.1 == NONE || slot.0 == id {
                return slot.1;
            }
            at = (at + 1) & (self.extended.len() - 1);
        }
        NONE
    }

    /// Fibonacci hashing: the product's upper half spreads identifiers that differ in few bits.
    #[inline]
    fn home(&self, id: u32) -> usize {
        (u64::from(id).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 32) as usize & (self.extended.len() - 1)
    }
}
