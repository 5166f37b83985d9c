//! Frames gathered for a row group, put into the order (bus name, identifier, time, arrival), and packed.
//!
//! The order is by counting, not by comparing: every (bus, identifier) has a slot, found by table for 11-bit
//! identifiers. Does not decide when a group closes.

use std::collections::HashMap;

use parquet::errors::Result;

use super::encode::{Encoder, Packed};
use super::rows::equal_runs;
use super::schema_of::FileSchema;
use crate::observation::{Bus, Frame};
use crate::time::RunTime;

/// A frame waiting for its row group.
#[derive(Clone, Copy)]
struct Waiting {
    at: i64,
    data: [u8; 8],
    slot: u32,
    flags: u8,
    len: u8,
}

/// A (bus, identifier) of this group and how many frames it has.
#[derive(Clone, Copy)]
struct Slot {
    bus: Bus,
    id: u32,
    count: u32,
}

const NONE: u32 = u32::MAX;
/// Identifiers below this are found by table.
const SHORT_IDS: usize = 2_048;

/// Frames of one row group.
pub(super) struct FrameBuffer {
    /// The most rows of a group.
    rows: usize,
    frames: Vec<Waiting>,
    slots: Vec<Slot>,
    short: Vec<u32>,
    long: HashMap<(Bus, u32), u32>,
    /// For each frame of more than 8 bytes, its index and where the rest of its payload ends in `tails`.
    tail_ends: Vec<(u32, usize)>,
    tails: Vec<u8>,
}

/// Columns in the order in which they are written: memory that whoever packs brings along.
#[derive(Default)]
pub(super) struct Columns {
    times: Vec<i64>,
    /// Flags and length.
    shapes: Vec<(u8, u8)>,
    data: Vec<[u8; 8]>,
    /// Which frame that came it is; only where one is longer than 8 bytes, since the rest of it is found by that.
    arrivals: Vec<u32>,
}

impl Columns {
    /// Makes room for so many rows; what is in them is of no group.
    fn resize(&mut self, rows: usize, has_tails: bool) {
        self.times.resize(rows, 0);
        self.shapes.resize(rows, (0, 0));
        self.data.resize(rows, [0; 8]);
        self.arrivals.resize(if has_tails { rows } else { 0 }, 0);
    }

    #[inline]
    fn set(&mut self, row: usize, frame: &Waiting, arrival: u32) {
        self.times[row] = frame.at;
        self.shapes[row] = (frame.flags, frame.len);
        self.data[row] = frame.data;
        if let Some(held) = self.arrivals.get_mut(row) {
            *held = arrival;
        }
    }
}

impl FrameBuffer {
    /// For groups of at most so many rows.
    pub fn new(rows: usize) -> Self {
        Self {
            rows,
            frames: Vec::new(),
            slots: Vec::new(),
            short: Vec::new(),
            long: HashMap::new(),
            tail_ends: Vec::new(),
            tails: Vec::new(),
        }
    }

    pub fn len(&self) -> usize {
        self.frames.len()
    }

    /// Adds a frame. `payload` is empty for a remote frame.
    #[inline]
    pub fn push(&mut self, at: RunTime, frame: &Frame, payload: &[u8]) {
        if self.frames.is_empty() {
            self.frames.reserve_exact(self.rows);
        }
        let slot = self.slot(frame.bus, frame.id);
        let mut data = [0; 8];
        if payload.len() <= 8 {
            data[..payload.len()].copy_from_slice(payload);
        } else {
            data.copy_from_slice(&payload[..8]);
            self.tails.extend_from_slice(&payload[8..]);
            self.tail_ends.push((self.frames.len() as u32, self.tails.len()));
        }
        self.frames.push(Waiting { at: at.0, data, slot, flags: frame.flags.0, len: frame.len });
    }

    #[inline]
    fn slot(&mut self, bus: Bus, id: u32) -> u32 {
        let short = usize::from(bus.0) * SHORT_IDS + id as usize;
        if (id as usize) < SHORT_IDS
            && let Some(&slot) = self.short.get(short)
            && slot != NONE
        {
            self.slots[slot as usize].count += 1;
            return slot;
        }
        self.rare_slot(bus, id)
    }

    #[cold]
    fn new_slot(&mut self, bus: Bus, id: u32) -> u32 {
        self.slots.push(Slot { bus, id, count: 0 });
        self.slots.len() as u32 - 1
    }

    fn rare_slot(&mut self, bus: Bus, id: u32) -> u32 {
        let slot = if (id as usize) < SHORT_IDS {
            let slot = self.new_slot(bus, id);
            let table = (usize::from(bus.0) + 1) * SHORT_IDS;
            if self.short.len() < table {
                self.short.resize(table, NONE);
            }
            self.short[usize::from(bus.0) * SHORT_IDS + id as usize] = slot;
            slot
        } else if let Some(&slot) = self.long.get(&(bus, id)) {
            slot
        } else {
            let slot = self.new_slot(bus, id);
            self.long.insert((bus, id), slot);
            slot
        };
        self.slots[slot as usize].count += 1;
        slot
    }

    /// The slots in the order in which they are written.
    fn slots_in_order<'n>(&self, name: impl Fn(Bus) -> &'n str) -> Vec<u32> {
        let mut in_order: Vec<u32> = (0..self.slots.len() as u32).collect();
        in_order.sort_by_key(|&slot| {
            let slot = &self.slots[slot as usize];
            (name(slot.bus), slot.bus, slot.id)
        });
        in_order
    }

    /// Fills the columns. Frames are read as they lie and each is put in its place, which goes on for each slot by itself: the other way
    /// round every one would be fetched from memory that a core has not near it.
    fn put_in_order(&self, in_order: &[u32], columns: &mut Columns) {
        let mut next = vec![0u32; self.slots.len()];
        let mut start = 0;
        for &slot in in_order {
            next[slot as usize] = start;
            start += self.slots[slot as usize].count;
        }
        columns.resize(self.frames.len(), !self.tail_ends.is_empty());
        for (arrival, frame) in self.frames.iter().enumerate() {
            let place = &mut next[frame.slot as usize];
            columns.set(*place as usize, frame, arrival as u32);
            *place += 1;
        }
        // Merged sources come in time order; what does not is put right, arrival deciding among equals.
        let mut start = 0;
        for &slot in in_order {
            let end = start + self.slots[slot as usize].count as usize;
            if !columns.times[start..end].is_sorted() {
                let of_slot = (0..).zip(&self.frames).filter(|(_, frame)| frame.slot == slot);
                let mut arrivals: Vec<u32> = of_slot.map(|(arrival, _)| arrival).collect();
                arrivals.sort_by_key(|&arrival| self.frames[arrival as usize].at);
                for (row, arrival) in (start..end).zip(arrivals) {
                    columns.set(row, &self.frames[arrival as usize], arrival);
                }
            }
            start = end;
        }
    }

    /// Packs all frames as one row group and empties the buffer.
    pub fn pack(
        &mut self,
        schema: &FileSchema,
        buses: &[String],
        encoder: &mut Encoder,
        columns: &mut Columns,
    ) -> Result<Packed> {
        let name = |bus: Bus| buses.get(usize::from(bus.0)).map_or("?", String::as_str);
        let in_order = self.slots_in_order(name);
        self.put_in_order(&in_order, columns);
        let Columns { times, shapes, data, arrivals } = columns;
        let slots = in_order.iter().map(|&slot| &self.slots[slot as usize]);
        let column = |index: usize| schema.columns.column(index);
        let packed = encoder.group(|encoder| {
            encoder.times(&column(0), times)?;
            let bus_runs = slots.clone().map(|slot| (name(slot.bus), slot.count as usize));
            encoder.text_runs(&column(1), bus_runs)?;
            encoder.integer_runs(&column(2), slots.clone().map(|slot| (slot.id as i32, slot.count as usize)))?;
            let flags = equal_runs(shapes).map(|((flags, _), count)| (i32::from(flags), count));
            encoder.integer_runs(&column(3), flags)?;
            let lengths = equal_runs(shapes).map(|((_, len), count)| (i32::from(len), count));
            encoder.integer_runs(&column(4), lengths)?;
            encoder.fixed_bytes(&column(5), data, slots.map(|slot| slot.count as usize))?;
            if self.tail_ends.is_empty() {
                encoder.nulls(&column(6), self.frames.len())
            } else {
                encoder.blobs(&column(6), arrivals.iter().map(|&arrival| self.tail(arrival)))
            }
        })?;
        self.clear();
        Ok(packed)
    }

    /// The payload of a frame from its ninth byte on.
    fn tail(&self, frame: u32) -> Option<&[u8]> {
        let found = self.tail_ends.binary_search_by_key(&frame, |(frame, _)| *frame).ok()?;
        let start = if found == 0 { 0 } else { self.tail_ends[found - 1].1 };
        Some(&self.tails[start..self.tail_ends[found].1])
    }

    fn clear(&mut self) {
        self.frames.clear();
        for slot in self.slots.drain(..) {
            if let Some(known) = self.short.get_mut(usize::from(slot.bus.0) * SHORT_IDS + slot.id as usize)
                && (slot.id as usize) < SHORT_IDS
            {
                *known = NONE;
            }
        }
        self.long.clear();
        self.tail_ends.clear();
        self.tails.clear();
    }
}
