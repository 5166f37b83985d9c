//! candump text as a recording: blocks of lines into frames, what is not a frame counted with its line.
//!
//! Blocks are read ahead by whoever helps and handed on in the log's order, so that nothing hangs on how many do. The forms of a line are
//! `line`'s; compression is the input's.

mod block;
pub mod line;
mod parse;
mod passed_on;
mod placed;
mod word;

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use super::input::{Input, Stored, break_fault};
use super::{BATCH, Recording};
use crate::digest::Digest;
use crate::document::{Fault, Place};
use crate::observation::{Batch, BusNames};
use crate::source::{Damage, Progress};
use crate::workers::{Job, Workers};
use block::{Block, Blocks};
use parse::{Before, Parsed, Spoiled, parse};
use passed_on::PassedOn;

/// Blocks that are read ahead for each thread.
const AHEAD: usize = 3;

/// A block's number in the log, and what was read of it; nothing behind the last.
type Numbered = (u64, Option<(Block, Parsed)>);

/// A candump log being read.
pub struct Candump {
    /// Shared with those who read ahead: whoever is free takes the block that comes next.
    blocks: Arc<Blocks>,
    stored: Stored,
    name: Arc<str>,
    workers: Workers,
    /// What was read of all blocks that were handed on.
    before: Before,
    ahead: VecDeque<Job<Numbered>>,
    /// Blocks that were done before an earlier one.
    early: BTreeMap<u64, Option<(Block, Parsed)>>,
    /// The number of the block that is handed on next.
    number: u64,
    /// Blocks that the file's digest takes.
    passed_on: PassedOn,
    /// Memory that blocks no longer need.
    texts: Vec<Vec<u8>>,
    batches: Vec<Batch>,
    /// Batches of the block at hand, the first handed on up to frame `next`.
    at_hand: VecDeque<Batch>,
    next: usize,
    /// Lines of the blocks handed on.
    lines: u64,
    batch: usize,
    ended: bool,
    damage: Damage,
}

impl Candump {
    /// Reads from an input at its first line.
    pub fn new(input: Input, workers: &Workers) -> Self {
        input.pass_on_digest();
        let (stored, name) = (input.stored().clone(), input.name().into());
        Self::of_blocks(Blocks::new(input, workers.threads()), stored, name, workers)
    }

    fn of_blocks(blocks: Blocks, stored: Stored, name: Arc<str>, workers: &Workers) -> Self {
        Self {
            passed_on: PassedOn::new(stored.passed_on().cloned(), workers.clone()),
            stored,
            name,
            blocks: Arc::new(blocks),
            workers: workers.clone(),
            before: Before::default(),
            ahead: VecDeque::new(),
            early: BTreeMap::new(),
            number: 0,
            texts: Vec::new(),
            batches: Vec::new(),
            at_hand: VecDeque::new(),
            next: 0,
            lines: 0,
            batch: BATCH,
            ended: false,
            damage: Damage::default(),
        }
    }

    /// Whether a text's first line that is not blank looks like candump's.
    pub fn recognises(head: &[u8]) -> bool {
        let head = head.trim_ascii_start();
        head.starts_with(b"(") || head.starts_with(b"DROPCOUNT:")
    }

    /// Gives out blocks until every thread has one to do and some to go on with.
    fn read_ahead(&mut self) {
        while self.ahead.len() < self.workers.ahead(AHEAD) {
            let (blocks, name) = (Arc::clone(&self.blocks), Arc::clone(&self.name));
            let (text, batch) = (self.texts.pop().unwrap_or_default(), self.batches.pop().unwrap_or_default());
            let mut before = Before { last: None, ..self.before.clone() };
            self.ahead.push_back(self.workers.start(move || {
                let (number, block) = blocks.next(text);
                (
                    number,
                    block.map(|block| {
                        let parsed = parse(&block, batch, &mut before, &name);
                        (block, parsed)
                    }),
                )
            }));
        }
    }

    /// The next block in the log's order; `None` at the end.
    fn next_parsed(&mut self) -> Option<(Block, Parsed)> {
        self.read_ahead();
        loop {
            if let Some(next) = self.early.remove(&self.number) {
                self.number += 1;
                return next;
            }
            let (number, read) = self.ahead.pop_front()?.take();
            self.early.insert(number, read);
        }
    }

    /// Puts the next block at hand; false at the end.
    fn next_block(&mut self, names: &mut BusNames) -> bool {
        if self.ended {
            return false;
        }
        self.before.names.clone_from(names);
        let Some((block, mut parsed)) = self.next_parsed() else {
            self.ended = true;
            self.passed_on.finish(&mut self.texts);
            return false;
        };
        if parsed.hangs_on_before {
            parsed = parse(&block, Batch::default(), &mut self.before, &self.name);
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
        if let Some((done, why)) = &block.broken {
            self.ended = true;
            self.damage.add(|| break_fault(&self.name, *done, why));
        }
        self.passed_on.add(block, &mut self.texts);
        if self.ended {
            self.passed_on.finish(&mut self.texts);
        }
        true
    }

    /// Done with the batch at hand; its memory is for a block to come.
    fn retire_front(&mut self) {
        self.next = 0;
        let wanted = self.batches.len() <= self.ahead.len();
        if let Some(mut batch) = self.at_hand.pop_front().filter(|_| wanted) {
            batch.clear();
            self.batches.push(batch);
        }
    }
}

impl Recording for Candump {
    fn read(&mut self, into: &mut Batch, names: &mut BusNames) -> Result<bool, Fault> {
        loop {
            while let Some(front) = self.at_hand.front_mut() {
                let left = front.frames.len() - self.next;
                if self.next == 0 && left <= self.batch && into.is_empty() && !front.is_empty() {
                    std::mem::swap(into, front);
                    self.retire_front();
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
                    self.retire_front();
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
        self.stored.progress()
    }

    fn damage(&self) -> &Damage {
        &self.damage
    }

    fn digest(&self) -> Result<Option<Digest>, Fault> {
        self.stored.digest()
    }
}

#[cfg(test)]
mod tests;
