//! The bounded queue between the live sources and the one reader that records.
//!
//! Never blocks a source: past its bound something is dropped and counted, frames that the map does not decode first. Keeps
//! each source's order of arrival and nothing more; the merge puts the sources in order.

use std::collections::HashSet;
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

use crate::map::{Map, Origin};
use crate::observation::{Batch, CanId, Frame, Item, Stamped};
use crate::time::Steady;

/// Frames held at most: 40 s of three full 500 kbit/s buses (4,374 frames/s each), 12.6 MB.
pub const FRAMES_MAX: usize = 1 << 19;
/// Bytes held at most of payloads over 8 bytes: 29 s of one full FD bus (445 kB/s).
pub const LONG_MAX: usize = 13_000_000;
/// Other observations held at most ...
pub const ITEMS_MAX: usize = 50_000;
/// ... and what they hold beside themselves (replies, texts), bytes.
pub const ITEM_BYTES_MAX: usize = 4_000_000;
/// How many frames make room at once, so that making room costs little a frame.
const SWEEP: usize = 1 << 16;
/// Memory for more frames than this goes back once it is empty.
const KEEP_ROOM_FOR: usize = 1 << 15;

/// The frames that a map decodes.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// A bit for each 11-bit identifier.
    standard: [u64; 32],
    extended: HashSet<u32>,
}

impl Wanted {
    /// Those of a map, on whichever bus, the answers to its polls among them.
    pub fn of(map: &Map) -> Self {
        let mut wanted = Self::default();
        for message in &map.messages {
            match &message.origin {
                Origin::Frame { id, .. } => wanted.add(*id),
                Origin::Poll(poll) => wanted.add(poll.response_id),
                Origin::Table(_) => {}
            }
        }
        wanted
    }

    fn add(&mut self, id: CanId) {
        match id {
            CanId::Standard(id) => self.standard[usize::from(id / 64) % 32] |= 1 << (id % 64),
            CanId::Extended(id) => {
                self.extended.insert(id);
            }
        }
    }

    #[inline]
    fn has(&self, frame: &Frame) -> bool {
        frame.flags.is_data()
            && match frame.can_id() {
                CanId::Standard(id) => self.standard[usize::from(id / 64) % 32] & (1 << (id % 64)) != 0,
                CanId::Extended(id) => self.extended.contains(&id),
            }
    }
}

/// What found no room since the queue was made.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Dropped {
    /// Frames that the map does not decode.
    pub others: u64,
    /// Frames that the map decodes.
    pub decoded: u64,
    /// Observations that are no frames.
    pub items: u64,
}

#[derive(Default)]
struct Held {
    batch: Batch,
    item_bytes: usize,
    /// No frame is held but those wanted.
    only_wanted: bool,
    dropped: Dropped,
}

/// Observations on their way, in order of arrival.
#[derive(Default)]
pub struct Queue {
    held: Mutex<Held>,
    wanted: OnceLock<Wanted>,
}

impl Queue {
    /// Says which frames go last when there is no room; the first word counts. Until it is said, none goes before another.
    pub fn want(&self, wanted: Wanted) {
        let _ = self.wanted.set(wanted);
    }

    /// Takes a batch in and leaves it empty; returns how many of its frames, and of its other observations, found no room.
    pub fn push(&self, batch: &mut Batch) -> (u64, u64) {
        let mut held = self.held();
        let before = held.dropped;
        let mut frames_dropped = 0;
        for frame in &batch.frames {
            let wanted = self.wanted.get().is_none_or(|wanted| wanted.has(frame));
            while held.is_full() && wanted && held.sweep(self.wanted.get()) {}
            if held.is_full() {
                *(if wanted { &mut held.dropped.decoded } else { &mut held.dropped.others }) += 1;
                frames_dropped += 1;
                continue;
            }
            held.only_wanted &= wanted;
            // Nearly all frames are whole as they are.
            if frame.has_long_payload() {
                held.batch.push_frame(frame, batch.payload(frame));
            } else {
                held.batch.frames.push(*frame);
            }
        }
        for stamped in batch.rest.drain(..) {
            held.push_item(stamped);
        }
        batch.clear();
        (frames_dropped, held.dropped.items - before.items)
    }

    /// Moves all that is held to an empty batch.
    pub fn take(&self, out: &mut Batch) {
        self.take_at_most(usize::MAX, out);
    }

    /// Moves the earliest `most` frames that are held, and everything that is no frame, to an empty batch. If frames are left,
    /// the latest stamp among those moved, which what is left came after.
    pub fn take_at_most(&self, most: usize, out: &mut Batch) -> Option<Steady> {
        if out.frames.capacity() > KEEP_ROOM_FOR {
            *out = Batch::default();
        }
        let mut held = self.held();
        held.item_bytes = 0;
        if held.batch.frames.len() > most {
            out.rest = std::mem::take(&mut held.batch.rest);
            held.move_front(most, out);
            return out.frames.iter().map(|frame| frame.at).max();
        }
        std::mem::swap(&mut held.batch, out);
        held.only_wanted = true;
        None
    }

    /// Frames held now, and what found no room so far.
    pub fn report(&self) -> (usize, Dropped) {
        let held = self.held();
        (held.batch.frames.len(), held.dropped)
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Held {
    #[inline]
    fn is_full(&self) -> bool {
        self.batch.frames.len() >= FRAMES_MAX || self.batch.long.len() >= LONG_MAX
    }

    /// Drops the earliest frames that are not wanted, up to [`SWEEP`]; false where there is none.
    #[cold]
    fn sweep(&mut self, wanted: Option<&Wanted>) -> bool {
        let Some(wanted) = wanted.filter(|_| !self.only_wanted) else { return false };
        let (mut gone, mut kept_bytes) = (0, 0);
        let Batch { frames, long, .. } = &mut self.batch;
        // In place: a queue that is full must not take twice its room. Payloads lie in the order of their frames.
        frames.retain_mut(|frame| {
            if gone < SWEEP && !wanted.has(frame) {
                gone += 1;
                return false;
            }
            if frame.has_long_payload() {
                let start = u64::from_le_bytes(frame.data) as usize;
                long.copy_within(start..start + usize::from(frame.len), kept_bytes);
                frame.data = (kept_bytes as u64).to_le_bytes();
                kept_bytes += usize::from(frame.len);
            }
            true
        });
        long.truncate(kept_bytes);
        self.only_wanted = gone < SWEEP;
        self.dropped.others += gone as u64;
        gone > 0
    }

    /// Moves the first `count` frames with their payloads.
    fn move_front(&mut self, count: usize, out: &mut Batch) {
        let batch = &mut self.batch;
        for frame in &batch.frames[..count] {
            out.push_frame(frame, batch.payload(frame));
        }
        batch.frames.drain(..count);
        // Payloads lie in the order of their frames: those moved lie first.
        let gone = out.long.len();
        batch.long.drain(..gone);
        for frame in batch.frames.iter_mut().filter(|frame| frame.has_long_payload()) {
            frame.data = (u64::from_le_bytes(frame.data) - gone as u64).to_le_bytes();
        }
    }

    fn push_item(&mut self, stamped: Stamped) {
        let bytes = match &stamped.item {
            Item::Reply(reply) => reply.request.len() + reply.payload.len(),
            Item::Mark(mark) => mark.text.len(),
            Item::Trouble(text) => text.len(),
            Item::Row(row) => row.values.len() * size_of::<f64>(),
            Item::Fix(_) | Item::Supply(_) | Item::Anchor(_) => 0,
        };
        if self.batch.rest.len() >= ITEMS_MAX || self.item_bytes + bytes > ITEM_BYTES_MAX {
            self.dropped.items += 1;
            return;
        }
        self.item_bytes += bytes;
        self.batch.rest.push(stamped);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::{Bus, FrameFlags};

    #[test]
    fn what_finds_no_room_is_counted_and_the_rest_is_kept_in_order() {
        let queue = Queue::default();
        let mut batch = Batch::default();
        let long: Vec<u8> = (0..64).collect();
        for at in 0..FRAMES_MAX as i64 + 10 {
            let payload = if at % 50_000 == 0 { &long[..] } else { &long[..8] };
            batch.push(Steady(at), Bus(0), 1, FrameFlags(FrameFlags::FD), payload);
        }
        assert_eq!(queue.push(&mut batch), (10, 0));
        assert!(batch.is_empty());
        queue.take(&mut batch);
        assert_eq!(batch.frames.len(), FRAMES_MAX);
        assert!(batch.frames.iter().enumerate().all(|(at, frame)| frame.at == Steady(at as i64)));
        assert_eq!(batch.payload(&batch.frames[50_000]), &long[..]);
        let mut after = Batch::default();
        queue.take(&mut after);
        assert!(after.is_empty());
    }

    /// One frame in `every` is decoded, `0x123`; some payloads are long.
    fn frames(from: i64, count: i64, every: i64) -> Batch {
        let mut batch = Batch::default();
        for at in from..from + count {
            let id = if at % every == 0 { 0x123 } else { 0x124 };
            let payload = (at as u64).to_le_bytes().repeat(if at % 1_000 == 0 { 2 } else { 1 });
            batch.push(Steady(at), Bus(0), id, FrameFlags(FrameFlags::FD), &payload);
        }
        batch
    }

    #[test]
    fn frames_that_the_map_decodes_are_dropped_last() {
        let queue = Queue::default();
        let mut wanted = Wanted::default();
        wanted.add(CanId::Standard(0x123));
        queue.want(wanted);
        let max = FRAMES_MAX as i64;
        queue.push(&mut frames(0, max, 4));
        // Full: others find no room ...
        assert_eq!(queue.push(&mut frames(max + 1, 3, 4)), (3, 0));
        // ... and decoded ones take theirs.
        assert_eq!(queue.push(&mut frames(max, 40_000, 4)), (0, 0));
        let (held, dropped) = queue.report();
        assert_eq!((dropped.others, dropped.decoded), (3 + SWEEP as u64, 0));
        assert_eq!(held as i64, max + 40_000 - SWEEP as i64);
        // Decoded ones go only when nothing else is left.
        let more = max;
        let (lost, _) = queue.push(&mut frames(4 * max, more, 1));
        let all_decoded = max / 4 + 10_000 + more;
        assert_eq!(lost as i64, all_decoded - max);
        let (held, dropped) = queue.report();
        assert_eq!((held, dropped.decoded as i64), (FRAMES_MAX, all_decoded - max));
        let mut out = Batch::default();
        queue.take(&mut out);
        assert!(out.frames.iter().all(|frame| frame.id == 0x123) && out.frames.is_sorted_by_key(|frame| frame.at));
        for frame in out.frames.iter().step_by(997) {
            assert_eq!(out.payload(frame)[..8], (frame.at.0 as u64).to_le_bytes(), "payloads stay with their frames");
        }
        assert_eq!(queue.report().0, 0);
    }

    #[test]
    fn a_backlog_comes_in_pieces_as_it_would_whole() {
        let (whole, pieces) = (Queue::default(), Queue::default());
        for queue in [&whole, &pieces] {
            let mut batch = frames(0, 10_000, 4);
            batch.push(Steady(9_990), Bus(0), 0x7, FrameFlags(FrameFlags::REMOTE), &[]);
            batch.frames.iter_mut().for_each(|frame| frame.len = frame.len.max(3));
            batch.rest.push(Stamped { at: Steady(7), item: Item::Supply(12.0) });
            queue.push(&mut batch);
        }
        let (mut all, mut piece, mut seen) = (Batch::default(), Batch::default(), Batch::default());
        whole.take(&mut all);
        let mut said = Vec::new();
        loop {
            let left = pieces.take_at_most(3_000, &mut piece);
            said.push(left.map(|latest| (latest.0, piece.frames.len(), piece.rest.len())));
            piece.frames.iter().for_each(|frame| seen.push_frame(frame, piece.payload(frame)));
            seen.rest.append(&mut piece.rest);
            piece.clear();
            // What comes meanwhile stands behind.
            if said.len() == 1 {
                pieces.push(&mut frames(10_000, 5, 4));
                whole.push(&mut frames(10_000, 5, 4));
            }
            if left.is_none() {
                break;
            }
        }
        whole.take(&mut piece);
        piece.frames.iter().for_each(|frame| all.push_frame(frame, piece.payload(frame)));
        assert_eq!(said, [Some((2_999, 3_000, 1)), Some((5_999, 3_000, 0)), Some((8_999, 3_000, 0)), None]);
        assert_eq!((seen.frames.len(), &seen), (10_006, &all));
    }

    #[test]
    fn long_replies_and_texts_are_bounded_too() {
        let queue = Queue::default();
        let trouble = |_| Stamped { at: Steady(0), item: Item::Trouble("x".repeat(1_000)) };
        let mut batch = Batch { rest: (0..5_000).map(trouble).collect(), ..Batch::default() };
        assert_eq!(queue.push(&mut batch), (0, 1_000));
        let supply = |_| Stamped { at: Steady(0), item: Item::Supply(12.0) };
        let mut batch = Batch { rest: (0..50_000).map(supply).collect(), ..Batch::default() };
        assert_eq!(queue.push(&mut batch), (0, 4_000));
        queue.take(&mut batch);
        let mut batch = Batch { rest: vec![supply(0)], ..Batch::default() };
        assert_eq!(queue.push(&mut batch), (0, 0));
    }
}
