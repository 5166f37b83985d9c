//! Blocks on their way to the log's digest, which takes them in order, one job after another.
//!
//! Nobody waits for the digest before many blocks do: who waits for what another is at helps meanwhile, and then reads ahead what others would
//! have read. Parses nothing.

use super::block::Block;
use crate::source::replay::digest::FileDigest;
use crate::workers::{Job, Workers};

/// Blocks that may wait while the digest takes others.
const WAITING_MAX: usize = 4;

/// Those that wait, and those that the digest takes just now.
pub(super) struct PassedOn {
    /// None where nobody wants it of the blocks.
    digest: Option<FileDigest>,
    workers: Workers,
    waiting: Vec<Block>,
    taken: Option<Job<Vec<Vec<u8>>>>,
}

impl PassedOn {
    pub fn new(digest: Option<FileDigest>, workers: Workers) -> Self {
        Self { digest, workers, waiting: Vec::new(), taken: None }
    }

    /// Passes on the block after those before; memory that is free again goes to `texts`.
    pub fn add(&mut self, block: Block, texts: &mut Vec<Vec<u8>>) {
        if self.digest.is_none() {
            texts.push(block.text);
            return;
        }
        self.waiting.push(block);
        match self.taken.take().map(Job::if_done) {
            Some(Err(job)) if self.waiting.len() <= WAITING_MAX => self.taken = Some(job),
            Some(Err(job)) => self.go_on(job.take(), texts),
            Some(Ok(done)) => self.go_on(done, texts),
            None => self.go_on(Vec::new(), texts),
        }
    }

    /// Waits until the digest has taken all.
    pub fn finish(&mut self, texts: &mut Vec<Vec<u8>>) {
        while let Some(job) = self.taken.take() {
            self.go_on(job.take(), texts);
        }
    }

    fn go_on(&mut self, done: Vec<Vec<u8>>, texts: &mut Vec<Vec<u8>>) {
        texts.extend(done);
        let blocks = std::mem::take(&mut self.waiting);
        let Some(digest) = self.digest.clone().filter(|_| !blocks.is_empty()) else { return };
        let take = move |block: Block| {
            if block.is_whole {
                digest.take(block.lines(), block.offset);
            }
            block.text
        };
        self.taken = Some(self.workers.start(move || blocks.into_iter().map(take).collect()));
    }
}
