//! The few operations by which the store changes the disk, each error naming path and operation.
//!
//! The one place where the store writes, so the one place where faults (full disk, short write, failed sync) come in.
//! Reads nothing. A failed write or sync of an [`Output`] stays failed: after a failed fsync the kernel may have dropped
//! the pages, so a later success would say nothing about them.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use super::StoreError;

/// Every operation passes here first; tests end the program's work at any of them, as a cut does.
#[cfg(not(test))]
fn step() -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
use cut::step;

/// Ends this thread's work on the disk after so many operations.
#[cfg(test)]
pub(crate) mod cut {
    use std::cell::Cell;

    thread_local! {
        static LEFT: Cell<Option<u64>> = const { Cell::new(None) };
    }

    /// How many operations are still done; `None` for all.
    pub fn after(operations: Option<u64>) {
        LEFT.set(operations);
    }

    /// What a cut leaves of a folder being removed is any part of it.
    pub(super) fn half_remove(path: &std::path::Path) {
        let files: Vec<_> = std::fs::read_dir(path).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
        files.iter().take(files.len() / 2).for_each(|file| drop(std::fs::remove_file(file)));
    }

    pub(super) fn step() -> std::io::Result<()> {
        match LEFT.get() {
            None => Ok(()),
            Some(0) => Err(std::io::Error::other("cut")),
            Some(left) => {
                LEFT.set(Some(left - 1));
                Ok(())
            }
        }
    }
}

/// A file being written.
#[derive(Debug)]
pub struct Output {
    file: File,
    path: PathBuf,
    failed: Option<(io::ErrorKind, String)>,
    written: u64,
    /// How many of the bytes written are known to be on the disk.
    durable: u64,
}

/// What this process has written through [`Output`]s so far, bytes: cards wear by what is written.
static WRITTEN: AtomicU64 = AtomicU64::new(0);

/// What this process has written into the store's files so far, bytes, what was replaced or removed since included; the
/// file system's own records are not in it.
pub fn written() -> u64 {
    WRITTEN.load(Ordering::Relaxed)
}

impl Output {
    /// A new file; one of that name is emptied. Folders above it are made.
    pub fn create(path: &Path) -> Result<Self, StoreError> {
        if let Some(folder) = path.parent() {
            create_folder(folder)?;
        }
        step()
            .and_then(|()| faults::look(path))
            .and_then(|()| File::create(path))
            .map(|file| Self { file, path: path.to_owned(), failed: None, written: 0, durable: 0 })
            .map_err(|error| StoreError::io(path, "create", error))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Appends all of `bytes`.
    pub fn append(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        self.write_all(bytes).map_err(|error| StoreError::io(&self.path, "write", error))
    }

    /// Waits until the bytes (and the length) are on the disk.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        let done = self.sound().and_then(|()| step()).and_then(|()| faults::look(&self.path));
        let done = done.and_then(|()| self.file.sync_data());
        let done = self.noted(done).map_err(|error| StoreError::io(&self.path, "sync", error));
        if done.is_ok() {
            self.durable = self.written;
        }
        done
    }

    /// Shortens the file to what is known to be on the disk, so that what is written again elsewhere is nowhere twice.
    /// Needs no room; works after a failure too.
    pub fn cut_to_durable(&mut self) -> Result<(), StoreError> {
        let cut = self.file.set_len(self.durable).and_then(|()| self.file.sync_data());
        cut.map_err(|error| StoreError::io(&self.path, "shorten", error))
    }

    fn sound(&self) -> io::Result<()> {
        match &self.failed {
            Some((kind, what)) => Err(io::Error::new(*kind, format!("{what} (an earlier failure)"))),
            None => Ok(()),
        }
    }

    fn noted<T>(&mut self, result: io::Result<T>) -> io::Result<T> {
        if let Err(error) = &result
            && self.failed.is_none()
            && error.kind() != io::ErrorKind::Interrupted
        {
            self.failed = Some((error.kind(), error.to_string()));
        }
        result
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.sound()?;
        #[cfg(test)]
        if let Err(error) = step() {
            // What a cut leaves of a write is any part of it.
            let _ = self.file.write(&bytes[..bytes.len() / 2]);
            return self.noted(Err(error));
        }
        let written = faults::look(&self.path).and_then(|()| self.file.write(bytes));
        let written = self.noted(written)?;
        self.written += written as u64;
        WRITTEN.fetch_add(written as u64, Ordering::Relaxed);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Makes a folder and those above it.
pub fn create_folder(path: &Path) -> Result<(), StoreError> {
    step().and_then(|()| fs::create_dir_all(path)).map_err(|error| StoreError::io(path, "create", error))
}

/// Renames a file or folder; what stood under the new name is replaced (a folder only if it is empty).
pub fn rename(from: &Path, to: &Path) -> Result<(), StoreError> {
    step().and_then(|()| fs::rename(from, to)).map_err(|error| StoreError::io(from, "rename", error))
}

/// Waits until a folder's entries (created, renamed, removed) are on the disk.
pub fn sync_folder(path: &Path) -> Result<(), StoreError> {
    let sync = || File::open(path).and_then(|folder| folder.sync_all());
    step().and_then(|()| sync()).map_err(|error| StoreError::io(path, "sync", error))
}

/// Removes a file; one that is not there is fine.
pub fn remove(path: &Path) -> Result<(), StoreError> {
    step().and_then(|()| missing_is_fine(fs::remove_file(path))).map_err(|error| StoreError::io(path, "remove", error))
}

/// Removes a folder with all it holds; one that is not there is fine.
pub fn remove_folder(path: &Path) -> Result<(), StoreError> {
    #[cfg(test)]
    if let Err(error) = step() {
        cut::half_remove(path);
        return Err(StoreError::io(path, "remove", error));
    }
    missing_is_fine(fs::remove_dir_all(path)).map_err(|error| StoreError::io(path, "remove", error))
}

/// Writes a file so that a cut at any moment leaves either the old one or the new one, whole.
pub fn replace(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let temp = temp_name(path);
    let mut output = Output::create(&temp)?;
    output.append(bytes)?;
    output.sync()?;
    rename(&temp, path)?;
    sync_folder(path.parent().unwrap_or(Path::new(".")))
}

/// Copies a file, durable but for its folder's entry when this returns; a cut leaves no half copy.
pub fn copy(from: &Path, to: &Path) -> Result<(), StoreError> {
    let temp = temp_name(to);
    let mut output = Output::create(&temp)?;
    let mut file = File::open(from).map_err(|error| StoreError::io(from, "open", error))?;
    io::copy(&mut file, &mut output).map_err(|error| StoreError::io(from, "copy", error))?;
    output.sync()?;
    rename(&temp, to)
}

/// The name under which a file is written before it is whole: its own with `.tmp` after it.
pub fn temp_name(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".tmp");
    name.into()
}

/// Whether a file has such a name.
pub fn is_temporary(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension == "tmp")
}

fn missing_is_fine(result: io::Result<()>) -> io::Result<()> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

/// Faults of a disk as tests want them; nothing at all in a program.
#[cfg(not(test))]
mod faults {
    #[inline(always)]
    pub fn look(_: &std::path::Path) -> std::io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
pub(crate) mod faults {
    //! Faults of a disk, or of the code that writes to it, for paths below a test's own folder.

    use std::io;
    use std::path::{Path, PathBuf};
    use std::sync::Mutex;

    /// What happens at a path that holds `part` below `folder`.
    pub struct Fault {
        pub folder: PathBuf,
        pub part: &'static str,
        /// How many operations go well first.
        pub after: u32,
        /// How many fail then.
        pub times: u32,
        /// With what; `None`: the code panics.
        pub error: Option<io::ErrorKind>,
    }

    static FAULTS: Mutex<Vec<Fault>> = Mutex::new(Vec::new());

    pub fn set(fault: Fault) {
        FAULTS.lock().unwrap().push(fault);
    }

    /// No more faults below a folder.
    pub fn clear(folder: &Path) {
        FAULTS.lock().unwrap().retain(|fault| fault.folder != folder);
    }

    pub fn look(path: &Path) -> io::Result<()> {
        let mut faults = FAULTS.lock().unwrap();
        let hit = |fault: &&mut Fault| {
            path.starts_with(&fault.folder) && path.to_string_lossy().contains(fault.part) && fault.times > 0
        };
        let Some(fault) = faults.iter_mut().find(hit) else { return Ok(()) };
        if fault.after > 0 {
            fault.after -= 1;
            return Ok(());
        }
        fault.times -= 1;
        match fault.error {
            Some(kind) => Err(kind.into()),
            None => {
                drop(faults);
                panic!("as the test wants, at {}", path.display())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_stays_and_names_its_file() {
        // Linux: /dev/full refuses every write with ENOSPC (full(4)).
        let mut output = Output::create(Path::new("/dev/full")).unwrap();
        let first = output.append(b"x").unwrap_err().to_string();
        assert!(first.starts_with("/dev/full: cannot write: No space left"), "{first}");
        assert!(output.sync().unwrap_err().to_string().contains("earlier failure"));
        assert!(output.append(b"").is_ok(), "nothing to write is no failure");
        assert!(output.append(b"x").unwrap_err().to_string().contains("earlier failure"));
    }

    #[test]
    fn replace_leaves_no_temporary_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.json");
        replace(&path, b"one").unwrap();
        replace(&path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        remove(&path).unwrap();
        remove(&path).unwrap();
    }
}
