//! What is half made when Ctrl-C comes: it is removed before the program ends, so that nothing half-written is left.
//!
//! No command of its own. What a command that reads on for hours makes of Ctrl-C, it says itself (`ingest`, `watch`, `rehearse`).

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, Once, PoisonError};

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::iterator::Signals;

use crate::store::disk;

static MAKING: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());
static LISTENING: Once = Once::new();
/// A shell's status for a program that a signal ended.
const ENDED_BY: i32 = 128;

/// A file or folder that is being made; forgotten when this goes.
#[derive(Debug)]
pub struct Making(PathBuf);

fn making() -> MutexGuard<'static, Vec<PathBuf>> {
    // A list of paths is whole after any panic.
    MAKING.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Making {
    /// From now on Ctrl-C and SIGTERM remove it, there or not.
    pub fn of(path: &Path) -> Self {
        LISTENING.call_once(listen);
        making().push(path.to_owned());
        Self(path.to_owned())
    }
}

impl Drop for Making {
    fn drop(&mut self) {
        making().retain(|path| *path != self.0);
    }
}

fn listen() {
    // Where no handler can be set, a signal ends the process at once and leaves its temporary file.
    let Ok(mut signals) = Signals::new([SIGINT, SIGTERM]) else { return };
    std::thread::spawn(move || {
        let Some(signal) = signals.forever().next() else { return };
        // The lock is held to the end, so that nothing new begins.
        let half_made = making();
        for path in half_made.iter() {
            // What cannot be removed has a temporary name and says so.
            let _ = if path.is_dir() { disk::remove_folder(path) } else { disk::remove(path) };
        }
        eprintln!("stopped; nothing half-written is left");
        std::process::exit(ENDED_BY + signal);
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_made_is_known_until_it_is_done() {
        let path = Path::new("/nowhere/making-of-a-test");
        let one = Making::of(path);
        assert!(making().iter().any(|known| known == path));
        drop(one);
        assert!(!making().iter().any(|known| known == path));
    }
}
