//! A bundle's archive: tar in zstd, written so that the same files give the same bytes, read so that a hostile one does no harm.
//!
//! Reads plain files and folders alone: no link, no device, no name that leads outside, no size beyond the limits, no window
//! that asks for more than a few megabytes. Knows nothing of what the files mean, and believes no digest.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Component, Path, PathBuf};

use tar::{Archive, Builder, EntryType, Header};

use crate::store::disk::{self, Output};
use crate::store::{StoreError, parts};

/// Compression of the archive; the tables in it are compressed already.
const LEVEL: i32 = 6;
/// The largest window that is unpacked, as a power of two: 8 MB of memory.
const WINDOW_LOG: u32 = 23;
/// A name may be this long, bytes, and lie so deep.
const NAME_MAX: usize = 255;
const DEPTH_MAX: usize = 12;

/// How much an archive may unpack to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// Files.
    pub files: usize,
    /// Bytes of all files.
    pub bytes: u64,
}

impl Default for Limits {
    /// A test of a day with its raw frames stays far below.
    fn default() -> Self {
        Self { files: 10_000, bytes: 4 << 30 }
    }
}

impl Limits {
    /// The most that the archive itself may come to with the headers of its files.
    fn most(&self) -> u64 {
        self.bytes.saturating_add(2_048 * self.files as u64).saturating_add(1 << 16)
    }
}

/// Why an archive is not unpacked.
#[derive(Debug, thiserror::Error)]
pub enum Unfit {
    /// It cannot be read: cut, damaged, or no zstd at all.
    #[error("cannot be read as tar in zstd: {0}")]
    Unreadable(io::Error),
    /// A name that may lead outside, or that is no name.
    #[error("holds the name '{0}', which is not unpacked")]
    Name(String),
    /// Something else than a file or a folder.
    #[error("holds '{0}', which is neither a plain file nor a folder")]
    Kind(String),
    /// One name twice; letters of either case are one.
    #[error("holds '{0}' twice")]
    Twice(String),
    /// Too much of it.
    #[error("holds more than {files} files or unpacks to more than {} MB", bytes >> 20)]
    TooLarge {
        /// The limit.
        files: usize,
        /// The limit.
        bytes: u64,
    },
    /// The disk refused.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Every file below a folder by its name in an archive, sorted.
pub fn files(folder: &Path) -> Result<Vec<(String, PathBuf)>, StoreError> {
    fn below(folder: &Path, name: &str, found: &mut Vec<(String, PathBuf)>) -> Result<(), StoreError> {
        for path in parts::entries(folder)? {
            let Some(own) = path.file_name().and_then(|own| own.to_str()) else {
                return Err(StoreError::refused(&path, "its name is not UTF-8; rename it"));
            };
            let name = if name.is_empty() { own.to_owned() } else { format!("{name}/{own}") };
            if path.is_dir() {
                below(&path, &name, found)?;
            } else {
                found.push((name, path));
            }
        }
        Ok(())
    }
    let mut found = Vec::new();
    below(folder, "", &mut found)?;
    found.sort();
    Ok(found)
}

/// Packs files, each by its name inside the one folder `top`: sorted, of nobody, of no time.
pub fn pack(files: &[(String, PathBuf)], top: &str, to: impl Write) -> Result<(), StoreError> {
    let writing = |error| StoreError::io(Path::new(top), "pack", error);
    let mut packed = Builder::new(zstd::Encoder::new(to, LEVEL).map_err(writing)?);
    for (name, path) in files {
        let reading = |error| StoreError::io(path, "pack", error);
        let file = File::open(path).map_err(reading)?;
        let mut header = Header::new_ustar();
        header
            .set_path(format!("{top}/{name}"))
            .map_err(|_| StoreError::refused(path, "its name is too long for an archive; rename it"))?;
        header.set_size(file.metadata().map_err(reading)?.len());
        header.set_mode(0o644);
        header.set_mtime(0);
        header.set_uid(0);
        header.set_gid(0);
        header.set_entry_type(EntryType::Regular);
        header.set_cksum();
        packed.append(&header, file).map_err(reading)?;
    }
    packed.into_inner().and_then(zstd::Encoder::finish).map(drop).map_err(writing)
}

/// Unpacks an archive into a folder that is there and empty; gives the names of the files without the one folder that all of
/// them lie in.
///
/// # Errors
/// At the first thing that a bundle never holds; what was unpacked by then stays in the folder, which is the caller's to remove.
pub fn unpack(from: impl Read, folder: &Path, limits: Limits) -> Result<Vec<String>, Unfit> {
    let mut zstd = zstd::Decoder::new(from).map_err(Unfit::Unreadable)?;
    zstd.window_log_max(WINDOW_LOG).map_err(Unfit::Unreadable)?;
    // Long names and sparse files are extensions that a bundle never uses; raw reading shows them as what they are.
    let mut archive = Archive::new(Bounded { from: zstd, left: limits.most() });
    let mut unpacking = Unpacking { folder, limits, top: None, seen: BTreeSet::new(), names: Vec::new(), bytes: 0 };
    for entry in archive.entries().map_err(Unfit::Unreadable)?.raw(true) {
        let mut entry = entry.map_err(Unfit::Unreadable)?;
        let (name, kind, size) = (name_of(&entry.path_bytes())?, entry.header().entry_type(), entry.size());
        match kind {
            EntryType::Regular => unpacking.file(&name, size, &mut entry)?,
            EntryType::Directory if size == 0 => unpacking.same_top(&name)?,
            _ => return Err(Unfit::Kind(name)),
        }
    }
    Ok(unpacking.names)
}

/// A name as it is written, if it leads down into the folder and nowhere else.
fn name_of(bytes: &[u8]) -> Result<String, Unfit> {
    let shown = || String::from_utf8_lossy(bytes).chars().take(NAME_MAX).flat_map(char::escape_debug).collect();
    let text = std::str::from_utf8(bytes).map_err(|_| Unfit::Name(shown()))?;
    let text = text.strip_suffix('/').unwrap_or(text);
    let plain = !text.is_empty()
        && text.len() <= NAME_MAX
        && !text.chars().any(|c| c.is_control() || c == '\\' || c == ':')
        && text.split('/').count() <= DEPTH_MAX
        && text.split('/').all(|part| !part.is_empty() && part != "." && part != "..")
        && Path::new(text).components().all(|part| matches!(part, Component::Normal(_)));
    if plain { Ok(text.to_owned()) } else { Err(Unfit::Name(shown())) }
}

/// What was unpacked so far.
struct Unpacking<'a> {
    folder: &'a Path,
    limits: Limits,
    top: Option<String>,
    seen: BTreeSet<String>,
    names: Vec<String>,
    bytes: u64,
}

impl Unpacking<'_> {
    /// All names begin with the same folder.
    fn same_top(&mut self, name: &str) -> Result<(), Unfit> {
        let top = name.split('/').next().unwrap_or_default();
        if self.top.get_or_insert_with(|| top.to_owned()) == top { Ok(()) } else { Err(Unfit::Name(name.to_owned())) }
    }

    fn file(&mut self, name: &str, size: u64, from: &mut impl Read) -> Result<(), Unfit> {
        self.same_top(name)?;
        let Some((_, inside)) = name.split_once('/') else { return Err(Unfit::Name(name.to_owned())) };
        if !self.seen.insert(inside.to_lowercase()) {
            return Err(Unfit::Twice(name.to_owned()));
        }
        let Limits { files, bytes } = self.limits;
        self.bytes = self.bytes.saturating_add(size);
        if self.bytes > bytes || self.names.len() >= files {
            return Err(Unfit::TooLarge { files, bytes });
        }
        let path = self.folder.join(inside);
        // A file where a folder must be, or the other way round, is one name for two things.
        if path.exists() || path.ancestors().skip(1).take(DEPTH_MAX).any(|above| above.is_file()) {
            return Err(Unfit::Twice(name.to_owned()));
        }
        let mut output = Output::create(&path)?;
        let written = io::copy(&mut from.take(size), &mut output).map_err(Unfit::Unreadable)?;
        if written != size {
            return Err(Unfit::Unreadable(io::ErrorKind::UnexpectedEof.into()));
        }
        self.names.push(inside.to_owned());
        Ok(())
    }
}

/// Ends an archive that never ends, whatever it is made of.
struct Bounded<R> {
    from: R,
    left: u64,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.left == 0 {
            return Err(io::Error::other("it never ends"));
        }
        let most = usize::try_from(self.left).unwrap_or(usize::MAX).min(into.len());
        let read = self.from.read(&mut into[..most])?;
        self.left -= read as u64;
        Ok(read)
    }
}

/// A folder of a program's own, for the time of one command: made where nothing is, for nobody else to read, removed when
/// this goes.
#[derive(Debug)]
pub struct Aside {
    path: PathBuf,
}

impl Aside {
    /// Below `place`; left-overs of commands that were cut are removed first.
    pub fn make(place: &Path) -> Result<Self, StoreError> {
        const BEGIN: &str = "drawdown-aside-";
        for left in parts::entries(place).unwrap_or_default() {
            let process = left.file_name().and_then(|name| name.to_str()?.strip_prefix(BEGIN).map(str::to_owned));
            let is_gone = |process: &String| {
                let number = process.split('-').next().unwrap_or_default();
                number.parse::<u32>().is_ok() && !Path::new("/proc").join(number).exists()
            };
            if process.as_ref().is_some_and(is_gone) {
                // Someone else's is theirs to remove.
                let _ = disk::remove_folder(&left);
            }
        }
        let mut random = [0; 8];
        getrandom::fill(&mut random)
            .map_err(|error| StoreError::io(place, "make a folder in", io::Error::other(error.to_string())))?;
        let path = place.join(format!("{BEGIN}{}-{:016x}", std::process::id(), u64::from_le_bytes(random)));
        use std::os::unix::fs::DirBuilderExt;
        let made = std::fs::DirBuilder::new().mode(0o700).create(&path);
        made.map_err(|error| StoreError::io(&path, "make", error))?;
        Ok(Self { path })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Aside {
    fn drop(&mut self) {
        let _ = disk::remove_folder(&self.path);
    }
}

#[cfg(test)]
mod tests;
