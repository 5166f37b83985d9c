//! A file that a command writes for its user: whole or not at all, and never over another without being told.
//!
//! No command of its own, and knows nothing of what is in the file.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::interrupt::Making;
use crate::document::Fault;
use crate::store::bundle::archive::Aside;
use crate::store::disk;

/// Where something is written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Output {
    /// A file.
    File(PathBuf),
    /// Standard output, written `-`.
    Standard,
}

impl Output {
    /// As the user wrote it.
    pub fn of(path: &Path) -> Self {
        if path.as_os_str() == "-" { Self::Standard } else { Self::File(path.to_owned()) }
    }
}

/// Whether a file may be written: it is not there, or is to be replaced, and its folder is there.
pub fn is_free(path: &Path, replace: bool) -> Result<(), Fault> {
    if path.is_dir() {
        return Err(Fault::whole(path.display().to_string(), "is a folder").remedy("name a file"));
    }
    let folder = folder_of(path);
    if !folder.is_dir() {
        let fault = Fault::whole(path.display().to_string(), format!("there is no folder {}", folder.display()));
        return Err(fault.remedy("make it first, or name another"));
    }
    if path.exists() && !replace {
        return Err(is_there(path));
    }
    Ok(())
}

fn is_there(path: &Path) -> Fault {
    let fault = Fault::whole(path.display().to_string(), "is there already");
    fault.remedy("name another file, or add --replace")
}

/// The folder that a file lies in.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Writes by `make`, which is given the path to write to: in a folder of this command's own, from which the file goes to its
/// place when it is whole and on the disk.
pub fn write(to: &Output, replace: bool, make: impl FnOnce(&Path) -> Result<(), Fault>) -> Result<(), Fault> {
    let (folder, name) = match to {
        Output::Standard => (std::env::temp_dir(), "output".into()),
        Output::File(path) => {
            is_free(path, replace)?;
            (folder_of(path).to_owned(), path.file_name().unwrap_or_default().to_owned())
        }
    };
    let aside = Aside::make(&folder)?;
    let _making = Making::of(aside.path());
    let place = aside.path().join(name);
    // People know the file by the name that they gave.
    let told = |fault: Fault| match to {
        Output::File(path) => {
            Fault { file: fault.file.replace(&*place.to_string_lossy(), &path.to_string_lossy()), ..fault }
        }
        Output::Standard => fault,
    };
    make(&place).map_err(told)?;
    match to {
        Output::File(path) => moved(&place, path, replace),
        Output::Standard => {
            let mut file = File::open(&place).map_err(|error| Fault::io(&place, "read", &error))?;
            let mut out = io::stdout().lock();
            let copied = io::copy(&mut file, &mut out).and_then(|_| out.flush());
            copied.map_err(|error| not_printed(&error))
        }
    }
}

/// Writes bytes: at once to standard output, else as [`write()`] does.
pub fn write_bytes(to: &Output, replace: bool, bytes: &[u8]) -> Result<(), Fault> {
    if *to == Output::Standard {
        let mut out = io::stdout().lock();
        return out.write_all(bytes).and_then(|()| out.flush()).map_err(|error| not_printed(&error));
    }
    write(to, replace, |place| std::fs::write(place, bytes).map_err(|error| Fault::io(place, "write", &error)))
}

fn not_printed(error: &io::Error) -> Fault {
    Fault::whole("standard output", format!("cannot write: {error}"))
}

/// A whole file to its place, durable when this returns; over another only to replace it.
fn moved(from: &Path, to: &Path, replace: bool) -> Result<(), Fault> {
    let synced = File::open(from).and_then(|file| file.sync_all());
    synced.map_err(|error| Fault::io(to, "write", &error))?;
    // A link is refused where something is by now; some file systems know none.
    match if replace { Err(io::ErrorKind::Unsupported.into()) } else { std::fs::hard_link(from, to) } {
        Ok(()) => {}
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => return Err(is_there(to)),
        Err(_) => {
            is_free(to, replace)?;
            disk::rename(from, to)?;
        }
    }
    Ok(disk::sync_folder(folder_of(to))?)
}
