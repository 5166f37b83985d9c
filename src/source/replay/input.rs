//! A stored file as a stream of bytes: plain, gzip or zstd, told by its first bytes and never by its name.
//!
//! One read buffer, no memory map: a map is slower and shows as memory. A stream that breaks off gives all that could be
//! read before, and says why it ended. Does not know what the bytes mean.

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use super::Reading;
use super::ahead::Ahead;
use super::digest::FileDigest;
use crate::digest::Digest;
use crate::document::Fault;
use crate::source::Progress;
use crate::workers::Workers;

/// Reads some bytes of a file from an offset on; 0 at the end.
pub type ReadAt = Box<dyn Fn(&mut [u8], u64) -> io::Result<usize> + Send + Sync>;

/// Size of the read buffer, bytes.
const BUFFER: usize = 256 * 1024;

/// A file being read, decompressed where it is compressed.
pub struct Input {
    name: String,
    reader: Box<dyn Read + Send>,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// Offset in the decompressed stream of the buffer's first byte.
    offset: u64,
    ended: bool,
    broken: Option<String>,
    /// The file, where the stream is that as it is.
    plain: Option<File>,
    stored: Stored,
}

impl Input {
    /// Opens a file and reads its first bytes. Where there are helpers, it is unpacked on a thread of its own.
    ///
    /// # Errors
    /// If the file can't be opened or not a byte of it can be read.
    pub fn open(path: &Path, reading: &Reading) -> Result<Self, Fault> {
        let file = File::open(path).map_err(|error| Fault::io(path, "open", &error))?;
        let total = file.metadata().ok().filter(std::fs::Metadata::is_file).map(|data| data.len());
        let digest = (reading.digest && total.is_some()).then(FileDigest::default);
        let stored = Stored { digest, total, path: path.to_owned(), ..Stored::default() };
        let counted = Counted { file, stored: stored.clone() };
        Self::start(counted, stored, &reading.workers).map_err(|error| Fault::io(path, "read", &error))
    }

    fn start(mut counted: Counted, stored: Stored, workers: &Workers) -> io::Result<Self> {
        let mut magic = Vec::with_capacity(4);
        counted.by_ref().take(4).read_to_end(&mut magic)?;
        let kind = Packing::of(&magic);
        let plain = if kind == Packing::Plain { Some(counted.file.try_clone()?) } else { None };
        let whole = io::Cursor::new(magic).chain(counted);
        let reader: Box<dyn Read + Send> = match kind {
            Packing::Plain => Box::new(whole),
            Packing::Gzip => Box::new(flate2::bufread::MultiGzDecoder::new(BufReader::with_capacity(BUFFER, whole))),
            Packing::Zstd => {
                Box::new(zstd::stream::read::Decoder::with_buffer(BufReader::with_capacity(BUFFER, whole))?)
            }
        };
        let unpacks_beside = kind != Packing::Plain && workers.threads() > 1;
        let reader: Box<dyn Read + Send> = if unpacks_beside { Box::new(Ahead::new(reader)?) } else { reader };
        let mut input = Self::from_reader(stored.path.display().to_string(), reader);
        input.plain = plain;
        input.stored = stored;
        input.fill();
        Ok(input)
    }

    /// Reads from anything; the progress counts nothing.
    pub fn from_reader(name: String, reader: Box<dyn Read + Send>) -> Self {
        Self {
            name,
            reader,
            buffer: vec![0; BUFFER],
            start: 0,
            end: 0,
            offset: 0,
            ended: false,
            broken: None,
            plain: None,
            stored: Stored::default(),
        }
    }

    /// The file as the user named it.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The bytes read and not yet consumed.
    #[inline]
    pub fn rest(&self) -> &[u8] {
        &self.buffer[self.start..self.end]
    }

    /// Marks bytes of [`Self::rest`] as done with.
    #[inline]
    pub fn consume(&mut self, bytes: usize) {
        self.start = (self.start + bytes).min(self.end);
    }

    /// Offset of the first byte of [`Self::rest`] in the decompressed stream.
    pub fn offset(&self) -> u64 {
        self.offset + self.start as u64
    }

    /// Reads more behind [`Self::rest`]; false if there is no more, or no room because nothing was consumed.
    pub fn fill(&mut self) -> bool {
        if self.ended {
            return false;
        }
        self.buffer.copy_within(self.start..self.end, 0);
        self.offset += self.start as u64;
        self.end -= self.start;
        self.start = 0;
        if self.end == self.buffer.len() {
            return false;
        }
        let mut buffer = std::mem::take(&mut self.buffer);
        let got = self.read_on(&mut buffer[self.end..]);
        self.buffer = buffer;
        self.end += got;
        got > 0
    }

    /// Reads into memory of others, first what is in [`Self::rest`]; 0 at the end.
    pub fn read_into(&mut self, into: &mut [u8]) -> usize {
        let held = self.rest().len().min(into.len());
        if held == 0 {
            let got = if self.ended || into.is_empty() { 0 } else { self.read_on(into) };
            self.offset += got as u64;
            return got;
        }
        into[..held].copy_from_slice(&self.rest()[..held]);
        self.consume(held);
        held
    }

    /// What comes next of the stream; 0 when it has ended, or broken off for a reason that is kept.
    fn read_on(&mut self, into: &mut [u8]) -> usize {
        let got = loop {
            match self.reader.read(into) {
                Ok(got) => break got,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    self.broken = Some(error.to_string());
                    break 0;
                }
            }
        };
        self.ended = got == 0;
        got
    }

    /// Reads until [`Self::rest`] holds this many bytes (at most the buffer's size), or all there are.
    pub fn fill_to(&mut self, bytes: usize) {
        while self.rest().len() < bytes && self.fill() {}
    }

    /// Why the stream broke off, if it did not end of itself.
    pub fn broken(&self) -> Option<&str> {
        self.broken.as_deref()
    }

    /// How far the stored file has been read.
    pub fn progress(&self) -> Progress {
        self.stored.progress()
    }

    /// Leaves the file's digest to those who get its bytes, where the stream is the file as it is ([`Stored::passed_on`]).
    pub fn pass_on_digest(&self) {
        self.stored.passed_on.store(self.plain.is_some(), Ordering::Relaxed);
    }

    /// Reads anywhere in the file, where nothing of it was consumed and the stream is that as it is: for those who do not read it in turn.
    pub fn by_place(&mut self) -> Option<ReadAt> {
        let length = self.stored.total.filter(|_| self.offset() == 0)?;
        let file = self.plain.take()?;
        let bytes = Arc::clone(&self.stored.bytes);
        Some(Box::new(move |into, offset| {
            // What is written meanwhile lies behind the end for all who read, or for none.
            let left = usize::try_from(length.saturating_sub(offset)).unwrap_or(usize::MAX).min(into.len());
            let got = file.read_at(&mut into[..left], offset)?;
            if got > 0 {
                bytes.fetch_max(offset + got as u64, Ordering::Relaxed);
            }
            Ok(got)
        }))
    }

    /// What is known of the stored file, for those who let others read on.
    pub fn stored(&self) -> &Stored {
        &self.stored
    }

    /// The fault that says why the stream broke off, if it did.
    pub fn break_fault(&self) -> Option<Fault> {
        Some(break_fault(&self.name, self.progress().done, self.broken()?))
    }
}

impl Read for Input {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.rest().is_empty() {
            self.fill();
        }
        Ok(self.read_into(into))
    }
}

/// The fault that says why a file, as the user named it, could be read only so far.
pub fn break_fault(name: &str, done: u64, why: &str) -> Fault {
    Fault::whole(name, format!("breaks off after {done} stored bytes ({why}); what came before is read"))
}

/// How a file is packed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Packing {
    Plain,
    Gzip,
    Zstd,
}

impl Packing {
    /// gzip: RFC 1952 2.3.1; zstd, its frames and its skippable frames: RFC 8878 3.1.
    fn of(magic: &[u8]) -> Self {
        match magic {
            [0x1F, 0x8B, ..] => Self::Gzip,
            [0x28, 0xB5, 0x2F, 0xFD] | [0x50..=0x5F, 0x2A, 0x4D, 0x18] => Self::Zstd,
            _ => Self::Plain,
        }
    }
}

/// What was read of a stored file.
#[derive(Clone, Default)]
pub struct Stored {
    bytes: Arc<AtomicU64>,
    digest: Option<FileDigest>,
    /// Whether those who get the file's bytes form its digest, not the one who reads them.
    passed_on: Arc<AtomicBool>,
    total: Option<u64>,
    path: PathBuf,
}

impl Stored {
    /// How far it has been read.
    pub fn progress(&self) -> Progress {
        Progress { done: self.bytes.load(Ordering::Relaxed), total: self.total }
    }

    /// The file's digest, where that was asked for; what was not read is read now.
    ///
    /// # Errors
    /// If that can't be done.
    pub fn digest(&self) -> Result<Option<Digest>, Fault> {
        self.digest.as_ref().map(|digest| digest.finish(&self.path)).transpose()
    }

    /// The digest, where it was left to those who get the file's bytes: they pass them on with their place.
    pub fn passed_on(&self) -> Option<&FileDigest> {
        self.digest.as_ref().filter(|_| self.passed_on.load(Ordering::Relaxed))
    }
}

/// A file that counts what was read of it.
struct Counted {
    file: File,
    stored: Stored,
}

impl Read for Counted {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let got = self.file.read(into)?;
        let offset = self.stored.bytes.fetch_add(got as u64, Ordering::Relaxed);
        match &self.stored.digest {
            Some(digest) if !self.stored.passed_on.load(Ordering::Relaxed) => digest.take(&into[..got], offset),
            _ => {}
        }
        Ok(got)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    fn read(bytes: &[u8]) -> (Vec<u8>, Option<String>, Progress) {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), bytes).unwrap();
        let read = |workers: &Workers| {
            let mut input = Input::open(file.path(), &Reading { workers: workers.clone(), digest: true }).unwrap();
            let mut all = Vec::new();
            input.read_to_end(&mut all).unwrap();
            let digest = Digest::Blake3(blake3::hash(bytes).to_string());
            assert_eq!(input.stored().digest().unwrap(), Some(digest), "of the whole file, read to its end or not");
            (all, input.broken().map(str::to_owned), input.progress())
        };
        let alone = read(&Workers::alone());
        assert!(Workers::with(2, read) == alone);
        alone
    }

    #[test]
    fn any_packing_gives_the_same_bytes() {
        let text: Vec<u8> = (0..700_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 27) as u8).collect();
        let (one, two) = text.split_at(300_000);
        let zstd = |bytes: &[u8]| zstd::encode_all(bytes, 1).unwrap();
        for stored in
            [text.clone(), gzip(&text), zstd(&text), [gzip(one), gzip(two)].concat(), [zstd(one), zstd(two)].concat()]
        {
            let (read, broken, progress) = read(&stored);
            assert!(read == text && broken.is_none());
            let size = stored.len() as u64;
            assert_eq!(progress, Progress { done: size, total: Some(size) });
        }
        assert_eq!(read(b"").0, b"");
        assert_eq!(read(b"\x1f").0, b"\x1f");
    }

    #[test]
    fn a_cut_stream_gives_what_came_before() {
        let text: Vec<u8> = (0..700_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 27) as u8).collect();
        for stored in [gzip(&text), zstd::encode_all(&text[..], 1).unwrap()] {
            let (read, broken, _) = read(&stored[..stored.len() / 2]);
            assert!(broken.is_some());
            assert!(read.len() > 100_000 && text.starts_with(&read), "{} bytes", read.len());
        }
    }
}
