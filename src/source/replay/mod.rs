//! Recordings: files of every kind that is read, and several of them read as one.
//!
//! Tells a file's kind by what it holds, never by its name. Decodes nothing.

mod ahead;
mod candump;
mod dataset;
mod digest;
mod input;
mod kind;
mod pcap;
mod several;
mod table;
#[cfg(test)]
pub(crate) mod test_support;

pub use kind::{open, open_with};
pub use several::Replay;

use crate::digest::Digest;
use crate::document::Fault;
use crate::observation::{Batch, BusNames};
use crate::source::{Damage, Progress};
use crate::workers::Workers;

/// Frames that a recording appends at one call, unless told otherwise.
pub const BATCH: usize = 4096;

/// How recordings are read, beside what is in them.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Who helps; what is read does not hang on it.
    pub workers: Workers,
    /// Whether the files' digests are formed on the way, which costs less than reading them again.
    pub digest: bool,
}

/// A recording being read. Stamps are raw: wall-clock microseconds as the recording writes them, floored.
pub trait Recording: Send {
    /// Appends the next observations in the file's order; `Ok(false)` once there are no more (it may have appended the
    /// last). Items count as arrived behind the frames appended with them. `names` must be the same at every call.
    ///
    /// # Errors
    /// If nothing more can be read at all; what can be read around is damage and no error.
    fn read(&mut self, into: &mut Batch, names: &mut BusNames) -> Result<bool, Fault>;

    /// Sets how many frames or items a call appends at most.
    fn set_batch(&mut self, frames: usize);

    /// How far it has been read.
    fn progress(&self) -> Progress;

    /// What could not be read so far.
    fn damage(&self) -> &Damage;

    /// The digest of the stored file, if that was asked for and there is one file; of what was not read it is formed now.
    ///
    /// # Errors
    /// If the rest of the file can't be read.
    fn digest(&self) -> Result<Option<Digest>, Fault> {
        Ok(None)
    }
}
