//! Row groups on their way into files: packed by whoever helps, handed back in the order in which each table's were given out.
//!
//! So the bytes do not hang on how many help. Decides neither when a group is full nor which file it goes to.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use parquet::errors::Result;

use super::encode::{Encoder, Packed};
use super::frames::{Columns, FrameBuffer};
use super::rows::RowBuffer;
use super::schema_of::FileSchema;
use crate::workers::{InOrder, Job, Workers};

/// Groups that are given out for each thread before one is waited for: of frames, which are long, and of other rows, which are many. Apart,
/// since nobody is to wait for a long one because of many short ones.
const FRAMES_AHEAD: usize = 2;
const ROWS_AHEAD: usize = 4;
/// What the groups of other rows that are given out for each thread may take, bytes, if that is more than one group.
const ROWS_AHEAD_BYTES: usize = 2 << 20;

/// Rows that become a row group.
pub(super) enum Buffer {
    Frames(FrameBuffer),
    Rows(RowBuffer),
}

/// What packing needs beside the rows, kept from group to group.
struct Packer {
    encoder: Encoder,
    columns: Columns,
}

impl Packer {
    fn pack(&mut self, buffer: &mut Buffer, schema: &FileSchema, names: &[String]) -> Result<Packed> {
        match buffer {
            Buffer::Frames(frames) => frames.pack(schema, names, &mut self.encoder, &mut self.columns),
            Buffer::Rows(rows) => rows.pack(schema, names, &mut self.encoder),
        }
    }
}

/// A group that comes back: whose it is, its buffer, empty again if it was packed, and what is to be appended.
pub(super) struct Done<W> {
    pub whose: W,
    pub buffer: Buffer,
    pub packed: Result<Packed>,
}

/// Groups being packed.
pub(super) struct Packing<W> {
    workers: Workers,
    /// Those that nobody packs with just now.
    packers: Arc<Mutex<Vec<Packer>>>,
    /// Tables are files of their own: groups of frames and of others need no order between them.
    frames: InOrder<Done<W>>,
    rows: InOrder<Done<W>>,
}

impl<W: Send + 'static> Packing<W> {
    /// `longest` is what the longest group of other rows takes, bytes.
    pub fn new(workers: Workers, longest: usize) -> Self {
        let rows_ahead = (ROWS_AHEAD_BYTES / longest.max(1)).clamp(1, ROWS_AHEAD);
        Self {
            frames: InOrder::new(workers.clone(), FRAMES_AHEAD),
            rows: InOrder::new(workers.clone(), rows_ahead),
            workers,
            packers: Arc::default(),
        }
    }

    /// Gives out a group; `names` are the texts that it holds by number.
    pub fn give_out(&mut self, whose: W, mut buffer: Buffer, schema: Arc<FileSchema>, names: Vec<String>) {
        let packers = Arc::clone(&self.packers);
        let queue = if matches!(buffer, Buffer::Frames(_)) { &mut self.frames } else { &mut self.rows };
        queue.give_out(move || {
            let packed = with_packer(&packers, |packer| packer.pack(&mut buffer, &schema, &names));
            Done { whose, buffer, packed }
        });
    }

    /// The first group of its kind, if it is packed or there are so many that it must be waited for.
    pub fn due(&mut self) -> Option<Done<W>> {
        self.frames.due().or_else(|| self.rows.due())
    }

    /// The first group of a kind, waited for.
    pub fn take_first(&mut self) -> Option<Done<W>> {
        self.frames.take_first().or_else(|| self.rows.take_first())
    }

    /// Whether all were handed back.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty() && self.rows.is_empty()
    }

    /// Lets go of the memory that only frames need.
    pub fn end_frames(&self) {
        kept(&self.packers).iter_mut().for_each(|packer| packer.columns = Columns::default());
    }

    /// Gives out other work that needs an encoder.
    pub fn start<T: Send + 'static>(&self, work: impl FnOnce(&mut Encoder) -> T + Send + 'static) -> Job<T> {
        let packers = Arc::clone(&self.packers);
        self.workers.start(move || with_packer(&packers, |packer| work(&mut packer.encoder)))
    }
}

/// Works with a packer that nobody else has meanwhile. One whose holder panicked is not given back, so every one kept is sound.
fn with_packer<T>(packers: &Mutex<Vec<Packer>>, work: impl FnOnce(&mut Packer) -> T) -> T {
    let free = kept(packers).pop();
    let mut packer = free.unwrap_or_else(|| Packer { encoder: Encoder::new(), columns: Columns::default() });
    let done = work(&mut packer);
    kept(packers).push(packer);
    done
}

fn kept(packers: &Mutex<Vec<Packer>>) -> MutexGuard<'_, Vec<Packer>> {
    packers.lock().unwrap_or_else(PoisonError::into_inner)
}
