//! Observations, samples and ledger to durable files, and back: journal, Parquet, data set, recovery.
//!
//! Does not interpret a figure.
//!
//! A run's folder holds, while it is being recorded, finished parts of every table, `journal/` with what no finished
//! part holds, and the state at the last part boundary. The order of the steps is what makes a cut at any moment
//! harmless; whoever drives this room keeps to it:
//!
//! 1. At a part boundary: [`writer::RunWriter::close_parts`] (parts durable, their digests noted), [`state::save`] for the
//!    part that begins, [`journal::Journal::create`] for it, then [`journal::remove`] of the part before.
//! 2. At the run's end: as 1 (the state saved holds all that `run.json` needs), then [`writer::RunWriter::finish`],
//!    [`run_file::RunFile::save`], [`recover::drop_journal`].
//! 3. On the next start, for every run with a journal: [`recover::tidy`], damaged files put aside, [`state::latest`],
//!    [`writer::RunWriter::resume`] at that state's part, [`journal::read`] of that part through the decoder, then 2.
//! 4. When something fails while a run is recorded: [`session::Session::abandon`]; the run is then one of 3, and what is
//!    not durable of it goes into the next run.
//!
//! [`start::put_right`] does 3 for a whole data set; [`verify`] says whether what is there is what was written. A damaged
//! file is moved by [`set_aside`], never deleted. Every write goes through [`disk`].

pub mod activity;
pub mod bundle;
mod check_file;
pub mod data_set;
mod decode_page;
mod digests;
pub mod disk;
mod encode;
mod error;
pub mod figures;
mod frames;
pub mod journal;
mod leb128;
pub mod lock;
mod merge;
pub mod names;
mod packing;
mod pages;
mod part_writer;
pub mod parts;
pub mod pieces;
mod read_once;
pub mod reader;
pub mod recorder;
pub mod recover;
mod remake;
mod rows;
pub mod run_file;
mod schema_of;
pub mod session;
pub mod set_aside;
pub mod space;
pub mod start;
pub mod state;
pub mod table_files;
pub mod trim;
pub mod verify;
pub mod writer;

pub use error::StoreError;

use std::path::Path;

use crate::digest::{Digest, Hasher};

/// A file's length and the digest of its bytes.
pub fn digest(path: &Path, hasher: Hasher) -> Result<(u64, Digest), StoreError> {
    let file = std::fs::File::open(path).map_err(|error| StoreError::io(path, "open", error))?;
    read_once::digest(&file, hasher).map_err(|error| StoreError::io(path, "read", error))
}
