//! The bounded queue between the live sources and the one reader that records.
//!
//! Never blocks a source: past its bound frames are dropped and counted, decoded or not alike. Keeps each source's order of
//! arrival and nothing more; the merge puts the sources in order.

use std::sync::{Mutex, PoisonError};

use crate::observation::Batch;

/// Frames held at most: half a minute of three full 500 kbit/s buses (4,374 frames/s each), some 10 MB.
pub const FRAMES_MAX: usize = 400_000;
/// Bytes held at most of payloads over 8 bytes: the same time of one full FD bus (445 kB/s).
pub const LONG_MAX: usize = 13_000_000;
/// Other observations held at most; past it the queue takes no more of them either.
pub const ITEMS_MAX: usize = 100_000;

/// Observations on their way, in order of arrival.
#[derive(Default)]
pub struct Queue(Mutex<Batch>);

impl Queue {
    /// Takes a batch in and leaves it empty; returns how many frames, and how many other observations, found no room.
    pub fn push(&self, batch: &mut Batch) -> (u64, u64) {
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut dropped = 0;
        for frame in &batch.frames {
            if held.frames.len() >= FRAMES_MAX || held.long.len() >= LONG_MAX {
                dropped += 1;
                continue;
            }
            held.push_frame(frame, batch.payload(frame));
        }
        let room = ITEMS_MAX.saturating_sub(held.rest.len()).min(batch.rest.len());
        let items_dropped = (batch.rest.len() - room) as u64;
        held.rest.extend(batch.rest.drain(..room));
        batch.clear();
        (dropped, items_dropped)
    }

    /// Moves all that is held to an empty batch.
    pub fn take(&self, out: &mut Batch) {
        std::mem::swap(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner), out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::{Bus, FrameFlags};
    use crate::time::Steady;

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
}
