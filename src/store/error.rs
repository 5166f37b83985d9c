//! What can go wrong in the store, each naming its file.
//!
//! Decides nothing: whether work goes on is the caller's to say.

use std::io;
use std::path::{Path, PathBuf};

use parquet::errors::ParquetError;

use crate::document::Fault;

/// A failure of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The operating system refused an operation.
    #[error("{}: cannot {operation}: {error}", path.display())]
    Io {
        /// On which file or folder.
        path: PathBuf,
        /// Which operation.
        operation: &'static str,
        /// Why.
        error: io::Error,
    },
    /// A file is not what it should be.
    #[error("{}: damaged: {what}", path.display())]
    Damaged {
        /// Which file.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
    },
    /// What was asked cannot be done.
    #[error("{}: {what}", path.display())]
    Refused {
        /// On which file or folder.
        path: PathBuf,
        /// Why not.
        what: String,
    },
}

impl StoreError {
    pub(super) fn io(path: &Path, operation: &'static str, error: io::Error) -> Self {
        Self::Io { path: path.to_owned(), operation, error }
    }

    pub(super) fn damaged(path: &Path, what: impl ToString) -> Self {
        Self::Damaged { path: path.to_owned(), what: what.to_string() }
    }

    pub(super) fn refused(path: &Path, what: impl ToString) -> Self {
        Self::Refused { path: path.to_owned(), what: what.to_string() }
    }

    /// A failure while writing Parquet: almost always the disk's.
    pub(super) fn writing(path: &Path, error: ParquetError) -> Self {
        match error {
            ParquetError::External(inner) => match inner.downcast::<io::Error>() {
                Ok(error) => Self::io(path, "write", *error),
                Err(other) => Self::io(path, "write", io::Error::other(other)),
            },
            other => Self::io(path, "write", io::Error::other(other)),
        }
    }
}

/// As people read it, with a remedy.
impl From<StoreError> for Fault {
    fn from(error: StoreError) -> Self {
        match &error {
            StoreError::Io { path, operation, error } => Self::io(path, operation, error),
            StoreError::Damaged { path, what } => Self::whole(path.display().to_string(), format!("damaged: {what}"))
                .remedy("copy it again from where it was recorded; the run's other files are still read"),
            StoreError::Refused { path, what } => Self::whole(path.display().to_string(), what.clone()),
        }
    }
}
