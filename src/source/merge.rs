//! Puts observations in order: by time, bus name, identifier, and last by arrival.
//!
//! What comes up to 200 ms late is put in its place; what comes later than that means that the recording's clock was set
//! back, and moves everything from there on forward, so that the steady clock never goes back. A clock that was set
//! *forward* cannot be told from silence and is left alone. Holds back the last 200 ms, and nothing else; on input that
//! is in order it only checks and copies. Knows no file.
//!
//! What is read live is stamped on a clock that never jumps: there, what comes too late for its place is put at the earliest
//! place left and counted, and time itself ([`Merge::ready_before`]) hands out, not the next observation.

use std::cmp::Ordering;

use crate::observation::{Batch, BusNames, Frame, Item, Stamped};
use crate::time::{Span, Steady, WallClock};

/// How late an observation may arrive and still be put in its place.
pub const WINDOW: Span = Span::of_millis(200);

/// How far back the place of a frame that is late is looked for before sorting: stamps of one moment, and buses beside each other.
const NEAR: usize = 32;

/// The merge of one recording, or of several read as one.
///
/// Stamps go in raw (wall-clock microseconds as the recording writes them) and come out on the steady clock, which reads
/// as the recording's own until that is set back; anchors tie the two. Within a batch, items count as arrived behind the
/// frames. What comes out does not depend on how the input was cut into batches, only where it is cut.
pub struct Merge {
    /// In order, from `head` on; before it, frames already handed out.
    frames: Vec<Frame>,
    head: usize,
    /// Long payloads of `frames`.
    long: Vec<u8>,
    /// In order.
    rest: Vec<Stamped>,
    /// The latest steady stamp so far.
    top: Steady,
    /// What the steady clock is ahead of the recording's.
    shift: Span,
    /// The place of each bus's name in alphabetical order.
    rank: [u8; 256],
    ranked: usize,
    /// Whether the first observation says what the recording's clock read; of live ones others say it.
    anchored: bool,
    live: Option<Live>,
}

/// What only the merge of live observations knows.
#[derive(Clone, Copy, Debug)]
struct Live {
    /// All that is earlier was handed out.
    floor: Steady,
    /// Observations that came after their place was handed out.
    late: u64,
}

impl Default for Merge {
    fn default() -> Self {
        Self {
            frames: Vec::new(),
            head: 0,
            long: Vec::new(),
            rest: Vec::new(),
            top: Steady(i64::MIN),
            shift: Span(0),
            rank: [u8::MAX; 256],
            ranked: 0,
            anchored: false,
            live: None,
        }
    }
}

impl Merge {
    /// A merge of observations stamped on one clock that never jumps.
    pub fn live() -> Self {
        let live = Live { floor: Steady(i64::MIN), late: 0 };
        Self { live: Some(live), anchored: true, ..Self::default() }
    }

    /// How many live observations came too late for their place since this was last asked.
    pub fn take_late(&mut self) -> u64 {
        self.live.as_mut().map_or(0, |live| std::mem::take(&mut live.late))
    }

    /// Takes a batch in order of arrival and leaves it empty. `names` must be the same ones, or grown, at every call.
    pub fn push(&mut self, batch: &mut Batch, names: &BusNames) {
        self.learn(names);
        let old = self.frames.len();
        self.frames.reserve(batch.frames.len());
        let mut last = self.frames.get(self.head..).and_then(<[Frame]>::last).copied();
        let mut earliest: Option<Steady> = None;
        let mut frames = &batch.frames[..];
        loop {
            if earliest.is_none() && batch.long.is_empty() {
                let later = self.take_later(frames);
                last = if later > 0 { self.frames.last().copied() } else { last };
                frames = &frames[later..];
            }
            let [frame, others @ ..] = frames else { break };
            frames = others;
            let mut frame = *frame;
            frame.at = self.place(frame.at);
            if frame.has_long_payload() {
                frame.move_payload(&batch.long, &mut self.long);
            }
            if last.is_some_and(|last| self.order(&last, &frame) == Ordering::Greater) {
                if earliest.is_none() && self.insert(frame) {
                    continue;
                }
                earliest = Some(earliest.map_or(frame.at, |so_far| so_far.min(frame.at)));
            }
            last = Some(frame);
            self.frames.push(frame);
        }
        if let Some(earliest) = earliest {
            self.sort_from(earliest, old);
        }
        self.push_rest(batch);
        batch.clear();
    }

    /// Takes frames of a recording as long as each is later than all before it, which puts it in order whatever else it is; how many.
    fn take_later(&mut self, frames: &[Frame]) -> usize {
        if self.live.is_some() {
            return 0;
        }
        let mut top = self.top;
        let is_later = |frame: &&Frame| {
            let before = top;
            top = top.max(frame.at + self.shift);
            top > before
        };
        let count = frames.iter().take_while(is_later).count();
        let start = self.frames.len();
        self.frames.extend_from_slice(&frames[..count]);
        if self.shift != Span(0) {
            self.frames[start..].iter_mut().for_each(|frame| frame.at = frame.at + self.shift);
        }
        self.top = self.frames[start..].last().map_or(self.top, |frame| frame.at);
        count
    }

    /// Puts a frame into its place among the last few, which are in order; false if its place lies before them.
    fn insert(&mut self, frame: Frame) -> bool {
        let start = self.head.max(self.frames.len().saturating_sub(NEAR));
        let near = &self.frames[start..];
        let place = near.partition_point(|held| self.order(held, &frame) != Ordering::Greater);
        let found = place > 0 || start == self.head;
        if found {
            self.frames.insert(start + place, frame);
        }
        found
    }

    /// Sorts what a frame of this stamp, arrived at index `old` or behind, can stand before.
    fn sort_from(&mut self, earliest: Steady, old: usize) {
        let sorted = self.frames.get(self.head..old).unwrap_or_default();
        let start = self.head + sorted.partition_point(|frame| frame.at < earliest);
        let mut tail = std::mem::take(&mut self.frames);
        tail[start..].sort_by(|one, two| self.order(one, two));
        self.frames = tail;
    }

    fn push_rest(&mut self, batch: &mut Batch) {
        let mut sorted = true;
        for mut stamped in batch.rest.drain(..) {
            stamped.at = self.place(stamped.at);
            sorted &= self.rest.last().is_none_or(|last| last.at <= stamped.at);
            self.rest.push(stamped);
        }
        // Notes that the clock was set back stand at the latest stamp and thus in order, but what is late may now follow.
        if !sorted || !self.rest.is_sorted_by_key(|stamped| stamped.at) {
            self.rest.sort_by_key(|stamped| stamped.at);
        }
    }

    /// The steady stamp of a raw one; keeps the latest.
    #[inline]
    fn place(&mut self, raw: Steady) -> Steady {
        let at = raw + self.shift;
        if let Some(live) = &mut self.live {
            live.late += u64::from(at < live.floor);
            let at = at.max(live.floor);
            self.top = self.top.max(at);
            at
        } else if at >= self.top {
            self.top = at;
            at
        } else if self.top - at <= WINDOW {
            at
        } else {
            self.set_back(raw)
        }
    }

    #[cold]
    fn set_back(&mut self, raw: Steady) -> Steady {
        let back = self.top - (raw + self.shift);
        self.shift += back;
        let words = format!("the recording's clock was set back by {} s", back.seconds());
        self.rest.push(Stamped { at: self.top, item: Item::Trouble(words) });
        self.rest.push(Stamped { at: self.top, item: Item::Anchor(WallClock(raw.0)) });
        self.top
    }

    #[inline]
    fn order(&self, one: &Frame, two: &Frame) -> Ordering {
        one.at.cmp(&two.at).then_with(|| {
            let rank = |frame: &Frame| self.rank[usize::from(frame.bus.0)];
            rank(one).cmp(&rank(two)).then_with(|| one.can_id().cmp(&two.can_id()))
        })
    }

    /// New names move old ones apart, never past each other.
    fn learn(&mut self, names: &BusNames) {
        let names = names.names();
        if names.len() == self.ranked {
            return;
        }
        let mut order: Vec<usize> = (0..names.len().min(BusNames::MAX)).collect();
        order.sort_by(|one, two| names[*one].cmp(&names[*two]));
        for (rank, bus) in order.into_iter().enumerate() {
            self.rank[bus] = rank as u8;
        }
        self.ranked = names.len();
    }

    /// Appends all that is certain: what is more than [`WINDOW`] earlier than the latest.
    pub fn ready(&mut self, out: &mut Batch) {
        self.ready_before(Steady(self.top.0.saturating_sub(WINDOW.0)), out);
    }

    /// Appends all that is earlier than a moment: of live observations, one that lies [`WINDOW`] back.
    pub fn ready_before(&mut self, limit: Steady, out: &mut Batch) {
        if let Some(live) = &mut self.live {
            live.floor = live.floor.max(limit);
        }
        let held = self.frames.get(self.head..).unwrap_or_default();
        let frames = match held.last() {
            Some(last) if last.at >= limit => held.partition_point(|frame| frame.at < limit),
            _ => held.len(),
        };
        let rest = self.rest.partition_point(|stamped| stamped.at < limit);
        self.hand_out(out, frames, rest);
    }

    /// Appends all that is held; the next observation starts a new recording on the same clock.
    pub fn finish(&mut self, out: &mut Batch) {
        self.hand_out(out, self.frames.len() - self.head, self.rest.len());
    }

    fn hand_out(&mut self, out: &mut Batch, frames: usize, rest: usize) {
        let end = self.head + frames;
        let leaving = &self.frames[self.head..end];
        self.anchored = self.anchored || anchor(out, leaving.first(), self.rest[..rest].first());
        out.rest.extend(self.rest.drain(..rest));
        if out.frames.is_empty() && self.long.is_empty() && self.head == 0 && frames >= self.frames.len() - end {
            // The fewer stay: they are copied, not those that leave.
            out.frames.extend_from_slice(&self.frames[end..]);
            self.frames.truncate(end);
            std::mem::swap(&mut self.frames, &mut out.frames);
            return;
        }
        let start = out.frames.len();
        out.frames.extend_from_slice(leaving);
        if !self.long.is_empty() {
            for frame in out.frames[start..].iter_mut().filter(|frame| frame.has_long_payload()) {
                frame.move_payload(&self.long, &mut out.long);
            }
        }
        self.head = end;
        self.tidy();
    }

    /// Gives back the room of what was handed out, seldom enough to cost nothing.
    fn tidy(&mut self) {
        if self.head * 2 < self.frames.len() {
            return;
        }
        self.frames.drain(..self.head);
        self.head = 0;
        if !self.long.is_empty() {
            let arena = std::mem::take(&mut self.long);
            for frame in self.frames.iter_mut().filter(|frame| frame.has_long_payload()) {
                frame.move_payload(&arena, &mut self.long);
            }
        }
    }
}

/// Says what the world's clock is at the first observation of all; false if there is none yet.
fn anchor(out: &mut Batch, frame: Option<&Frame>, item: Option<&Stamped>) -> bool {
    let first = frame.map(|frame| frame.at).into_iter().chain(item.map(|item| item.at)).min();
    if let Some(at) = first {
        out.rest.push(Stamped { at, item: Item::Anchor(WallClock(at.0)) });
    }
    first.is_some()
}

#[cfg(test)]
mod tests;
