//! A journal block: a batch laid out so that zstd finds what repeats.
//!
//! Layout: version byte, then postcard of [`Head`] (bus names, everything but frames, the distinct frame shapes), then
//! three streams: for every frame the index of its shape (LEB128), for every frame the time since the one before
//! (zigzag LEB128, us), and the payloads, shape by shape, all first bytes together, then all second ones, and so on.
//! Reads and writes no file.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hash, Hasher};

use serde::{Deserialize, Serialize};

use crate::observation::{Batch, Bus, BusNames, Frame, FrameFlags, Stamped};
use crate::store::leb128::{put, take, unzigzag, zigzag};
use crate::time::Steady;

const VERSION: u8 = 1;

/// What frames of one kind have in common.
#[derive(Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
struct Shape {
    bus: Bus,
    id: u32,
    flags: FrameFlags,
    len: u8,
}

impl Shape {
    fn of(frame: &Frame) -> Self {
        Self { bus: frame.bus, id: frame.id, flags: frame.flags, len: frame.len }
    }

    /// Bytes that a frame of this shape carries.
    fn carries(&self) -> usize {
        if self.flags.has(FrameFlags::REMOTE) { 0 } else { usize::from(self.len) }
    }
}

impl Hash for Shape {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let [bus, flags, len] = [self.bus.0, self.flags.0, self.len].map(u64::from);
        state.write_u64(u64::from(self.id) << 32 | bus << 16 | flags << 8 | len);
    }
}

/// Spreads a shape over a hash by multiplying (Knuth, The Art of Computer Programming 3, section 6.4, from memory): one is looked
/// up for every frame, so it must cost little. Where shapes collide it is slow and right.
#[derive(Default)]
struct Spread(u64);

impl Hasher for Spread {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|byte| self.write_u64(u64::from(*byte)));
    }

    fn write_u64(&mut self, word: u64) {
        // 2^64 over the golden ratio.
        let product = u128::from(self.0 ^ word) * 0x9E37_79B9_7F4A_7C15;
        self.0 = (product >> 64) as u64 ^ product as u64;
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

#[derive(Serialize, Deserialize)]
struct Head {
    names: BusNames,
    rest: Vec<Stamped>,
    shapes: Vec<Shape>,
    frames: u32,
    /// Bytes of the first and second stream.
    streams: [u32; 2],
}

/// How long an item is in a block.
pub(super) fn item_bytes(item: &Stamped) -> usize {
    postcard::experimental::serialized_size(item).unwrap_or(usize::MAX)
}

/// Lays a batch out.
pub(super) fn pack(batch: &Batch, names: &BusNames) -> Vec<u8> {
    let mut known: HashMap<Shape, u32, BuildHasherDefault<Spread>> = HashMap::default();
    let mut shapes = Vec::new();
    let mut members: Vec<Vec<u32>> = Vec::new();
    let (mut which, mut times) = (Vec::new(), Vec::new());
    let mut before = 0i64;
    for (index, frame) in batch.frames.iter().enumerate() {
        let shape = Shape::of(frame);
        let number = *known.entry(shape).or_insert_with(|| {
            shapes.push(shape);
            members.push(Vec::new());
            shapes.len() as u32 - 1
        });
        members[number as usize].push(index as u32);
        put(&mut which, u64::from(number));
        put(&mut times, zigzag(frame.at.0.wrapping_sub(before)));
        before = frame.at.0;
    }
    let head = Head {
        names: names.clone(),
        rest: batch.rest.clone(),
        shapes,
        frames: batch.frames.len() as u32,
        streams: [which.len() as u32, times.len() as u32],
    };
    let mut out = vec![VERSION];
    out = postcard::to_extend(&head, out).unwrap_or_default();
    out.extend_from_slice(&which);
    out.extend_from_slice(&times);
    for (shape, members) in head.shapes.iter().zip(&members) {
        for byte in 0..shape.carries() {
            out.extend(members.iter().map(|&frame| batch.payload(&batch.frames[frame as usize])[byte]));
        }
    }
    out
}

/// The batch back, or what is wrong with the block; more than `most` frames are refused.
pub(super) fn unpack(bytes: &[u8], most: usize) -> Result<(Batch, BusNames), String> {
    let wrong = |what: &str| format!("a block with {what}");
    let (&version, bytes) = bytes.split_first().ok_or_else(|| wrong("nothing in it"))?;
    if version != VERSION {
        return Err(format!("a block of version {version}, this program knows {VERSION}"));
    }
    let (head, bytes): (Head, &[u8]) = postcard::take_from_bytes(bytes).map_err(|error| wrong(&error.to_string()))?;
    let short = || wrong("less in it than it says");
    let (mut which, bytes) = bytes.split_at_checked(head.streams[0] as usize).ok_or_else(short)?;
    let (mut times, payloads) = bytes.split_at_checked(head.streams[1] as usize).ok_or_else(short)?;
    let frames = head.frames as usize;
    if frames > which.len() {
        return Err(short());
    }
    if frames > most {
        return Err(wrong("too many frames"));
    }
    let mut numbers = Vec::with_capacity(frames);
    let mut counts = vec![0usize; head.shapes.len()];
    for _ in 0..frames {
        let number = usize::try_from(take(&mut which).ok_or_else(short)?).map_err(|_| short())?;
        *counts.get_mut(number).ok_or_else(|| wrong("a frame of no known shape"))? += 1;
        numbers.push(number);
    }
    // Where each shape's payloads begin.
    let mut starts = Vec::with_capacity(head.shapes.len());
    let mut end = 0usize;
    for (shape, count) in head.shapes.iter().zip(&counts) {
        if shape.carries() > 64 {
            return Err(wrong("a frame of more than 64 bytes"));
        }
        starts.push(end);
        end += shape.carries() * count;
    }
    if end != payloads.len() {
        return Err(short());
    }
    let mut batch = Batch { rest: head.rest, ..Batch::default() };
    batch.frames.reserve(frames);
    let mut used = vec![0usize; head.shapes.len()];
    let mut at = 0i64;
    for number in numbers {
        let (shape, count) = (&head.shapes[number], counts[number]);
        at = at.wrapping_add(unzigzag(take(&mut times).ok_or_else(short)?));
        let mut payload = [0u8; 64];
        let first = starts[number] + used[number];
        for (byte, cell) in payload[..shape.carries()].iter_mut().enumerate() {
            *cell = payloads[first + byte * count];
        }
        used[number] += 1;
        batch.push(Steady(at), shape.bus, shape.id, shape.flags, &payload[..shape.carries()]);
        if let Some(frame) = batch.frames.last_mut() {
            frame.len = shape.len;
        }
    }
    Ok((batch, head.names))
}
