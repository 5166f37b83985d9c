//! A block of lines into observations, and what of it could not be read with its place in the block.
//!
//! Knows neither file nor order of blocks: what a line means may hang on the lines before the block, and then the block says so.

use memchr::memchr;

use super::block::Block;
use super::line::{self, Fast, Line};
use crate::observation::{Batch, BusNames, Item, Stamped};
use crate::source::Damage;
use crate::time::Steady;

/// The longest line that is read, bytes.
pub(super) const LINE_MAX: usize = 4096;

/// What the lines before leave behind.
#[derive(Clone, Default)]
pub(super) struct Before {
    pub fast: Fast,
    pub names: BusNames,
    pub last: Option<Steady>,
}

/// A line that could not be read: its number in the block from 1, its offset in the log, and why not.
pub(super) type Spoiled = (u64, u64, &'static str);

/// What a block holds.
#[derive(Default)]
pub(super) struct Parsed {
    /// In order; each but the last ends with an item.
    pub batches: Vec<Batch>,
    pub lines: u64,
    /// How many lines could not be read, and the first few.
    pub spoiled: (u64, Vec<Spoiled>),
    /// Another bus was named, or an item would stand where the last frame before the block does: what was read is only right if that was known.
    pub hangs_on_before: bool,
}

impl Parsed {
    fn batch(&mut self) -> &mut Batch {
        if self.batches.last().is_none_or(|batch| !batch.rest.is_empty()) {
            self.batches.push(Batch::default());
        }
        // There is one by now; an empty one would do no harm.
        let last = self.batches.len() - 1;
        &mut self.batches[last]
    }

    fn spoil(&mut self, offset: u64, reason: &'static str) {
        self.spoiled.0 += 1;
        if self.spoiled.1.len() < Damage::TOLD {
            self.spoiled.1.push((self.lines, offset, reason));
        }
    }
}

/// Reads a block into a batch that is empty, and more as needed; `before` goes on to what follows it. `log` is named where frames were lost.
pub(super) fn parse(block: &Block, batch: Batch, before: &mut Before, log: &str) -> Parsed {
    let mut parsed = Parsed { batches: vec![batch], ..Parsed::default() };
    let (text, mut place) = (block.lines(), 0);
    while place < text.len() {
        place += take_fast(&text[place..], before, &mut parsed);
        let rest = &text[place..];
        if rest.is_empty() {
            break;
        }
        let length = memchr(b'\n', rest).unwrap_or(rest.len());
        parsed.lines += 1;
        let problem = match length > LINE_MAX {
            true => Some("longer than 4 KiB"),
            false => take_line(&rest[..length], before, &mut parsed, log),
        };
        if let Some(reason) = problem {
            parsed.spoil(block.offset + place as u64, reason);
        }
        place += length + 1;
    }
    parsed
}

/// Takes lines of the usual shape until one is not; how many bytes they are.
fn take_fast(text: &[u8], before: &mut Before, parsed: &mut Parsed) -> usize {
    let batch = parsed.batch();
    let (mut place, count) = (0, batch.frames.len());
    while let Some((frame, used)) = before.fast.parse(text.get(place..).unwrap_or_default()) {
        place += used;
        batch.frames.push(frame);
    }
    let taken = batch.frames.len() - count;
    if taken > 0 {
        before.last = batch.frames.last().map(|frame| frame.at);
    }
    parsed.lines += taken as u64;
    place
}

/// Takes a line, whatever its form; why it could not be read, if so.
fn take_line(text: &[u8], before: &mut Before, parsed: &mut Parsed, log: &str) -> Option<&'static str> {
    let frame = match line::parse(text) {
        Ok(Line::Blank) => return None,
        Ok(Line::Frame(frame)) => frame,
        Ok(Line::Dropped(words)) => {
            let Some(at) = before.last else {
                parsed.hangs_on_before = true;
                return Some("frames were lost before the first line");
            };
            let words = format!("frames were lost while {log} was recorded: {words}");
            parsed.batch().rest.push(Stamped { at, item: Item::Trouble(words) });
            return None;
        }
        Err(reason) => return Some(reason),
    };
    before.last = Some(frame.at);
    let known = before.names.names().len();
    let bus = before.names.intern(frame.bus);
    parsed.hangs_on_before |= bus.is_none() || before.names.names().len() > known;
    let Some(bus) = bus else { return Some("more buses than can be told apart") };
    before.fast.learn(frame.bus, bus);
    let batch = parsed.batch();
    batch.push(frame.at, bus, frame.id, frame.flags, frame.payload());
    if let Some(pushed) = batch.frames.last_mut() {
        pushed.len = frame.len;
    }
    None
}
