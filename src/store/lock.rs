//! One recorder a data set: a lock on its file `.recording`, held as long as the recorder lives.
//!
//! The kernel lets go of the lock (flock(2)) when its holder ends, however that ends, so nothing is ever left to be removed.
//! Guards against a second daemon alone: reading, and ingest, which makes its runs aside, need no lock.

use std::fs::{File, TryLockError};

use super::StoreError;
use super::data_set::DataSet;

/// The file that is locked; it is empty and stays.
const NAME: &str = ".recording";

/// The right to record into a data set.
#[derive(Debug)]
pub struct RecordingLock(#[expect(dead_code, reason = "the lock is held as long as the file is open")] Option<File>);

impl RecordingLock {
    /// Takes the lock of a data set. Where the file or a lock can't be had at all (a full disk, a file system without locks),
    /// recording matters more: that is said, and goes on without.
    ///
    /// # Errors
    /// If another program holds it.
    pub fn take(data_set: &DataSet) -> Result<Self, StoreError> {
        let path = data_set.root().join(NAME);
        let file = match File::options().write(true).create(true).truncate(false).open(&path) {
            Ok(file) => file,
            Err(error) => {
                tracing::warn!("{}: cannot open: {error}; nothing keeps a second daemon away", path.display());
                return Ok(Self(None));
            }
        };
        match file.try_lock() {
            Ok(()) => Ok(Self(Some(file))),
            Err(TryLockError::WouldBlock) => {
                let what = "another daemon records into this data set; stop it, or give this one another data folder";
                Err(StoreError::refused(data_set.root(), what))
            }
            Err(TryLockError::Error(error)) => {
                tracing::warn!("{}: cannot lock: {error}; nothing keeps a second daemon away", path.display());
                Ok(Self(None))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_one_records_into_a_data_set_at_a_time() {
        let folder = tempfile::tempdir().unwrap();
        let data = DataSet::create(folder.path()).unwrap();
        let first = RecordingLock::take(&data).unwrap();
        let refused = RecordingLock::take(&data).unwrap_err().to_string();
        assert!(refused.contains("another daemon records into this data set; stop it"), "{refused}");
        // util-linux: flock(1) asks the same kernel.
        let flock = |folder: &std::path::Path| {
            let file = folder.join(NAME);
            std::process::Command::new("flock").arg("--nonblock").arg(file).arg("true").status().unwrap().success()
        };
        assert!(!flock(folder.path()));
        drop(first);
        assert!(flock(folder.path()));
        RecordingLock::take(&data).unwrap();
        assert_eq!(data.runs().unwrap(), [], "the file is no run");
    }

    #[test]
    fn a_lock_that_can_not_be_had_keeps_nobody_from_recording() {
        let folder = tempfile::tempdir().unwrap();
        let data = DataSet::create(folder.path()).unwrap();
        // Not to be opened for writing, by anybody.
        std::fs::create_dir(folder.path().join(NAME)).unwrap();
        RecordingLock::take(&data).unwrap();
        RecordingLock::take(&data).unwrap();
    }
}
