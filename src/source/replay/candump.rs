//! candump text as a recording: blocks of lines into frames, what is not a frame counted with its line.
//!
//! Blocks are read ahead by whoever helps and handed on in the log's order, so that nothing hangs on how many do. The forms of a line are
//! `line`'s; compression is the input's.

mod block;
pub mod line;
mod parse;
mod word;

use std::collections::VecDeque;
use std::sync::Arc;

use super::input::Input;
use super::{BATCH, Recording};
use crate::document::{Fault, Place};
use crate::observation::{Batch, BusNames};
use crate::source::{Damage, Progress};
use crate::workers::{Job, Workers};
use block::{Block, Blocks};
use parse::{Before, Parsed, Spoiled, parse};

/// A candump log being read.
pub struct Candump {
    blocks: Blocks,
    name: Arc<str>,
    workers: Workers,
    /// What was read of all blocks that were handed on.
    before: Before,
    /// Blocks being read ahead, with what was read of them.
    ahead: VecDeque<Job<(Block, Parsed)>>,
    /// Buffers that blocks no longer need.
    spare: Vec<Vec<u8>>,
    /// Batches of the block at hand, the first handed on up to frame `next`.
    at_hand: VecDeque<Batch>,
    next: usize,
    /// Lines of the blocks handed on.
    lines: u64,
    batch: usize,
    ended: bool,
    told_end: bool,
    damage: Damage,
}

impl Candump {
    /// Reads from an input at its first line.
    pub fn new(input: Input, workers: &Workers) -> Self {
        Self {
            name: input.name().into(),
            blocks: Blocks::new(input),
            workers: workers.clone(),
            before: Before::default(),
            ahead: VecDeque::new(),
            spare: Vec::new(),
            at_hand: VecDeque::new(),
            next: 0,
            lines: 0,
            batch: BATCH,
            ended: false,
            told_end: false,
            damage: Damage::default(),
        }
    }

    /// Whether a text's first line that is not blank looks like candump's.
    pub fn recognises(head: &[u8]) -> bool {
        let head = head.trim_ascii_start();
        head.starts_with(b"(") || head.starts_with(b"DROPCOUNT:")
    }

    /// Gives out blocks until every helper has one to do and one to go on with.
    fn read_ahead(&mut self) {
        let wanted = if self.workers.threads() > 1 { 2 * self.workers.threads() } else { 1 };
        while self.ahead.len() < wanted && !self.ended {
            let Some(block) = self.blocks.next(self.spare.pop().unwrap_or_default()) else {
                self.ended = true;
                return;
            };
            let name = Arc::clone(&self.name);
            let mut before = Before { last: None, ..self.before.clone() };
            self.ahead.push_back(self.workers.start(move || {
                let parsed = parse(&block, &mut before, &name);
                (block, parsed)
            }));
        }
    }

    /// Puts the next block at hand; false at the end.
    fn next_block(&mut self, names: &mut BusNames) -> bool {
        self.before.names.clone_from(names);
        self.read_ahead();
        let Some(job) = self.ahead.pop_front() else {
            if let (false, Some(fault)) = (std::mem::replace(&mut self.told_end, true), self.blocks.input.break_fault())
            {
                self.damage.add(|| fault);
            }
            return false;
        };
        let (block, mut parsed) = job.take();
        if parsed.hangs_on_before {
            parsed = parse(&block, &mut self.before, &self.name);
            names.clone_from(&self.before.names);
        }
        let Parsed { batches, lines, spoiled: (count, first), .. } = parsed;
        let fault = |(line, byte, reason): Spoiled| {
            Fault::at(&*self.name, Place::Line(self.lines + line), format!("{reason} (byte {byte})"))
        };
        self.damage.add_all(count, first.into_iter().map(fault));
        self.lines += lines;
        let last = batches.iter().rev().find_map(|batch| batch.frames.last());
        self.before.last = last.map(|frame| frame.at).or(self.before.last);
        self.at_hand.extend(batches);
        self.spare.push(block.text);
        true
    }
}

impl Recording for Candump {
    fn read(&mut self, into: &mut Batch, names: &mut BusNames) -> Result<bool, Fault> {
        loop {
            while let Some(front) = self.at_hand.front_mut() {
                let left = front.frames.len() - self.next;
                if self.next == 0 && left <= self.batch && into.is_empty() && !front.is_empty() {
                    std::mem::swap(into, front);
                    self.at_hand.pop_front();
                    return Ok(true);
                }
                let count = left.min(self.batch);
                for frame in &front.frames[self.next..self.next + count] {
                    into.push_frame(frame, front.payload(frame));
                }
                self.next += count;
                let mut given = count > 0;
                if count == left {
                    // An item ends the batch: within one, items count as arrived behind the frames.
                    given |= !front.rest.is_empty();
                    into.rest.append(&mut front.rest);
                    self.at_hand.pop_front();
                    self.next = 0;
                }
                if given {
                    return Ok(true);
                }
            }
            if !self.next_block(names) {
                return Ok(false);
            }
        }
    }

    fn set_batch(&mut self, frames: usize) {
        self.batch = frames.max(1);
    }

    fn progress(&self) -> Progress {
        self.blocks.input.progress()
    }

    fn damage(&self) -> &Damage {
        &self.damage
    }
}

#[cfg(test)]
mod tests;
