//! The journal: every observation that no finished part holds, so that a cut loses the last second at most.
//!
//! One file a part, `journal/part-00003.zst`: zstd frames with a content checksum, one a sync, each a block that stands
//! for itself. A cut costs the block that was being written, a damaged byte the block that holds it; those before and
//! behind are read. Holds observations, never samples: they are decoded again. Knows no Parquet.

mod block;

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::StoreError;
use super::disk::{self, Output};
use crate::observation::{Batch, BusNames, Frame};
use crate::time::Steady;

/// The folder inside a run's that holds the journal and the states.
pub const FOLDER: &str = "journal";
/// A block is written out early when it holds this many frames ...
const BLOCK_FRAMES: usize = 1 << 16;
/// ... or this many bytes beside them.
const BLOCK_BYTES: usize = 1 << 20;
/// A block that would unpack to more is refused, when written and when read.
const BLOCK_LIMIT: usize = 8 << 20;
/// A block of more frames is refused when read; written blocks end before, if need be within one moment.
const BLOCK_FRAMES_LIMIT: usize = 16 * BLOCK_FRAMES;

/// The file of a part.
pub fn path(run_folder: &Path, part: u32) -> PathBuf {
    run_folder.join(FOLDER).join(format!("part-{part:05}.zst"))
}

/// Removes a part's file, once that part is finished and the state after it saved.
pub fn remove(run_folder: &Path, part: u32) -> Result<(), StoreError> {
    disk::remove(&path(run_folder, part))
}

/// The journal of one part, being written.
pub struct Journal {
    output: Output,
    zstd: zstd::bulk::Compressor<'static>,
    waiting: Batch,
    waiting_bytes: usize,
    names: BusNames,
    /// An append that did not come to its end: how much of it waits is not known.
    partial: bool,
}

impl Journal {
    /// Begins the journal of a part; the file is there, durable and empty, when this returns.
    pub fn create(run_folder: &Path, part: u32) -> Result<Self, StoreError> {
        let path = path(run_folder, part);
        let mut output = Output::create(&path)?;
        output.sync()?;
        disk::sync_folder(&run_folder.join(FOLDER))?;
        disk::sync_folder(run_folder)?;
        let no_memory = |error| StoreError::io(&path, "write", error);
        let mut zstd = zstd::bulk::Compressor::new(1).map_err(no_memory)?;
        zstd.set_parameter(zstd::zstd_safe::CParameter::ChecksumFlag(true)).map_err(no_memory)?;
        let (waiting, names) = (Batch::default(), BusNames::default());
        Ok(Self { output, zstd, waiting, waiting_bytes: 0, names, partial: false })
    }

    /// Takes a batch in merged order. `origin` is the moment that is the run's time zero: stamps come back as the time
    /// since. Nothing is durable before [`Self::sync`].
    pub fn append(&mut self, batch: &Batch, names: &BusNames, origin: Steady) -> Result<(), StoreError> {
        self.partial = true;
        if self.names != *names {
            self.names = names.clone();
        }
        let since = |at: Steady| Steady((at - origin).0);
        let mut rest = batch.rest.iter().peekable();
        let mut last = None;
        for frame in &batch.frames {
            // A block ends only between two moments, so that what happened at one moment stays together.
            if last != Some(frame.at) || self.waiting.frames.len() >= BLOCK_FRAMES_LIMIT {
                while let Some(item) = rest.next_if(|item| item.at < frame.at) {
                    self.push_item(item, since(item.at))?;
                }
                if self.waiting.frames.len() >= BLOCK_FRAMES || self.waiting_bytes >= BLOCK_BYTES {
                    self.write_block()?;
                }
                last = Some(frame.at);
            }
            let moved = Frame { at: since(frame.at), ..*frame };
            if frame.has_long_payload() {
                let payload = batch.payload(frame);
                self.waiting_bytes += payload.len().saturating_sub(8);
                self.waiting.push_frame(&moved, payload);
            } else {
                self.waiting.frames.push(moved);
            }
        }
        for item in rest {
            self.push_item(item, since(item.at))?;
        }
        self.partial = false;
        Ok(())
    }

    fn push_item(&mut self, item: &crate::observation::Stamped, at: Steady) -> Result<(), StoreError> {
        let mut item = item.clone();
        item.at = at;
        let bytes = block::item_bytes(&item);
        if bytes > BLOCK_LIMIT / 2 {
            return Err(StoreError::refused(
                self.output.path(),
                format!("an observation of {bytes} bytes is too long"),
            ));
        }
        if self.waiting_bytes + bytes > BLOCK_LIMIT / 2 {
            self.write_block()?;
        }
        self.waiting_bytes += bytes;
        self.waiting.rest.push(item);
        Ok(())
    }

    /// Makes everything appended so far durable. After a failure this fails for good: what the disk holds is not known.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        if self.partial {
            return Err(StoreError::refused(self.output.path(), "holds half of what was last appended"));
        }
        if !self.waiting.is_empty() {
            self.write_block()?;
        }
        self.output.sync()
    }

    /// Throws away what is not known to be durable, in the file too.
    pub fn cut_to_durable(&mut self) -> Result<(), StoreError> {
        self.waiting.clear();
        self.waiting_bytes = 0;
        self.output.cut_to_durable()
    }

    fn write_block(&mut self) -> Result<(), StoreError> {
        let packed = block::pack(&self.waiting, &self.names);
        let compressed =
            self.zstd.compress(&packed).map_err(|error| StoreError::io(self.output.path(), "compress", error))?;
        self.output.append(&compressed)?;
        self.waiting.clear();
        self.waiting_bytes = 0;
        Ok(())
    }
}

/// Where and why a journal could not be read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Torn {
    /// Offset of the first byte that is not part of a sound block.
    pub byte: u64,
    /// Where the next sound block begins; `None` where none follows, as after a cut.
    pub until: Option<u64>,
    /// What is wrong there.
    pub reason: String,
}

impl std::fmt::Display for Torn {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.until {
            Some(until) => write!(f, "bytes {} to {until} of the journal cannot be read: {}", self.byte, self.reason),
            None => write!(f, "the journal could be read up to byte {}: {}", self.byte, self.reason),
        }
    }
}

/// A block of a journal: what was appended between two syncs; or damage in place of one or more.
pub type Block = Result<(Batch, BusNames), Torn>;

/// How every zstd frame begins (RFC 8878, section 3.1.1).
const MAGIC: [u8; 4] = 0xFD2F_B528_u32.to_le_bytes();

/// Reads a part's journal block by block; a file that is not there has none.
///
/// Stamps count from the run's time zero. Memory stays bounded whatever the file holds.
pub fn read(path: &Path) -> Result<impl Iterator<Item = Block> + use<>, StoreError> {
    let file = match File::open(path) {
        Ok(file) => Some(BufReader::new(file)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
        Err(error) => return Err(StoreError::io(path, "open", error)),
    };
    Ok(Blocks { file })
}

struct Blocks {
    /// `None` after the end.
    file: Option<BufReader<File>>,
}

impl Iterator for Blocks {
    type Item = Block;

    fn next(&mut self) -> Option<Block> {
        let mut file = self.file.take()?;
        let byte = file.stream_position().unwrap_or(0);
        match file.fill_buf() {
            Ok([]) => return None,
            Err(error) => return Some(Err(Torn { byte, until: None, reason: error.to_string() })),
            Ok(_) => {}
        }
        match read_block(&mut file) {
            Ok(block) => {
                self.file = Some(file);
                Some(Ok(block))
            }
            Err(reason) => {
                let until = next_sound(&mut file, byte + 1).unwrap_or(None);
                self.file = until.map(|_| file);
                Some(Err(Torn { byte, until, reason }))
            }
        }
    }
}

fn read_block(file: &mut BufReader<File>) -> Result<(Batch, BusNames), String> {
    unzip(file).and_then(|bytes| block::unpack(&bytes, BLOCK_FRAMES_LIMIT))
}

/// Where the first sound block at or after a byte begins, the reader standing before it then.
fn next_sound(file: &mut BufReader<File>, from: u64) -> std::io::Result<Option<u64>> {
    file.seek(SeekFrom::Start(from))?;
    let (mut at, mut last) = (from, [0u8; 4]);
    loop {
        let buffer = file.fill_buf()?;
        if buffer.is_empty() {
            return Ok(None);
        }
        let mut found = None;
        for (index, byte) in buffer.iter().enumerate() {
            last = [last[1], last[2], last[3], *byte];
            let end = at + index as u64 + 1;
            if last == MAGIC && end >= from + 4 {
                found = Some(end - 4);
                break;
            }
        }
        let Some(candidate) = found else {
            let length = buffer.len();
            at += length as u64;
            file.consume(length);
            continue;
        };
        file.seek(SeekFrom::Start(candidate))?;
        if read_block(file).is_ok() {
            file.seek(SeekFrom::Start(candidate))?;
            return Ok(Some(candidate));
        }
        at = candidate + 4;
        last = [0; 4];
        file.seek(SeekFrom::Start(at))?;
    }
}

/// Decompresses one zstd frame and leaves the reader behind it.
fn unzip(file: &mut BufReader<File>) -> Result<Vec<u8>, String> {
    let mut decoder = zstd::stream::read::Decoder::with_buffer(file).map_err(|error| error.to_string())?.single_frame();
    decoder.window_log_max(24).map_err(|error| error.to_string())?;
    let mut bytes = Vec::new();
    let read = decoder.by_ref().take(BLOCK_LIMIT as u64 + 1).read_to_end(&mut bytes);
    match read {
        Err(error) => Err(error.to_string()),
        Ok(length) if length > BLOCK_LIMIT => Err(format!("a block of more than {BLOCK_LIMIT} bytes")),
        Ok(_) => Ok(bytes),
    }
}

#[cfg(test)]
mod tests;
