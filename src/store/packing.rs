//! Row groups on their way into files: packed by whoever helps, handed back in the order in which they were given out.
//!
//! So the bytes do not hang on how many help. Decides neither when a group is full nor which file it goes to.

use std::sync::{Arc, Mutex, PoisonError};

use parquet::errors::Result;

use super::encode::{Encoder, Packed};
use super::frames::FrameBuffer;
use super::rows::RowBuffer;
use super::schema_of::FileSchema;
use crate::workers::{InOrder, Job, Workers};

/// Groups that are given out for each thread before one is waited for.
const AHEAD: usize = 2;

/// Rows that become a row group.
pub(super) enum Buffer {
    Frames(FrameBuffer),
    Rows(RowBuffer),
}

impl Buffer {
    fn pack(&mut self, schema: &FileSchema, names: &[String], encoder: &mut Encoder) -> Result<Packed> {
        match self {
            Self::Frames(frames) => frames.pack(schema, names, encoder),
            Self::Rows(rows) => rows.pack(schema, names, encoder),
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
    encoders: Arc<Mutex<Vec<Encoder>>>,
    given_out: InOrder<Done<W>>,
}

impl<W: Send + 'static> Packing<W> {
    pub fn new(workers: Workers) -> Self {
        Self { given_out: InOrder::new(workers.clone(), AHEAD), workers, encoders: Arc::default() }
    }

    /// Gives out a group; `names` are the texts that it holds by number.
    pub fn give_out(&mut self, whose: W, mut buffer: Buffer, schema: Arc<FileSchema>, names: Vec<String>) {
        let encoders = Arc::clone(&self.encoders);
        self.given_out.give_out(move || {
            let packed = with_encoder(&encoders, |encoder| buffer.pack(&schema, &names, encoder));
            Done { whose, buffer, packed }
        });
    }

    /// The group that was given out first, once there are so many that it is likely packed; alone, at once.
    pub fn due(&mut self) -> Option<Done<W>> {
        self.given_out.due()
    }

    /// The group that was given out first, waited for.
    pub fn take_first(&mut self) -> Option<Done<W>> {
        self.given_out.take_first()
    }

    /// Whether all were handed back.
    pub fn is_empty(&self) -> bool {
        self.given_out.is_empty()
    }

    /// Gives out other work that needs an encoder.
    pub fn start<T: Send + 'static>(&self, work: impl FnOnce(&mut Encoder) -> T + Send + 'static) -> Job<T> {
        let encoders = Arc::clone(&self.encoders);
        self.workers.start(move || with_encoder(&encoders, work))
    }
}

/// Works with an encoder that nobody else has meanwhile. One whose holder panicked is not given back, so every one kept is sound.
fn with_encoder<T>(encoders: &Mutex<Vec<Encoder>>, work: impl FnOnce(&mut Encoder) -> T) -> T {
    let kept = || encoders.lock().unwrap_or_else(PoisonError::into_inner);
    let free = kept().pop();
    let mut encoder = free.unwrap_or_else(Encoder::new);
    let done = work(&mut encoder);
    kept().push(encoder);
    done
}
