//! A file that a command writes for its user: whole or not at all, and never over another without being told.
//!
//! No command of its own, and knows nothing of what is in the file.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::interrupt::Making;
use crate::document::Fault;
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

/// Whether a file may be written: it is not there, or is to be replaced.
pub fn is_free(path: &Path, replace: bool) -> Result<(), Fault> {
    if path.is_dir() {
        return Err(Fault::whole(path.display().to_string(), "is a folder").remedy("name a file"));
    }
    if path.exists() && !replace {
        let fault = Fault::whole(path.display().to_string(), "is there already");
        return Err(fault.remedy("name another file, or add --replace"));
    }
    Ok(())
}

/// Writes by `make`, which is given the path to write to: beside the file under another name, which it then loses.
pub fn write(to: &Output, replace: bool, make: impl FnOnce(&Path) -> Result<(), Fault>) -> Result<(), Fault> {
    let Output::File(path) = to else {
        let place = disk::temp_name(&std::env::temp_dir().join(format!("drawdown-{}", std::process::id())));
        let _making = Making::of(&place);
        let made = make(&place).and_then(|()| {
            let mut file = std::fs::File::open(&place).map_err(|error| Fault::io(&place, "read", &error))?;
            let mut out = io::stdout().lock();
            let copied = io::copy(&mut file, &mut out).and_then(|_| out.flush());
            copied.map_err(|error| Fault::whole("standard output", format!("cannot write: {error}")))
        });
        let _ = disk::remove(&place);
        return made;
    };
    is_free(path, replace)?;
    let temp = disk::temp_name(path);
    let _making = Making::of(&temp);
    let made = make(&temp).and_then(|()| {
        // Someone may have written it meanwhile.
        is_free(path, replace)?;
        Ok(disk::rename(&temp, path)?)
    });
    if made.is_err() {
        let _ = disk::remove(&temp);
    }
    made
}
