//! What is half made when Ctrl-C comes: it is removed before the program ends, so that nothing half-written is left.
//!
//! No command of its own. What a command that reads on for hours makes of Ctrl-C, it says itself (`ingest`, `watch`, `rehearse`).

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, Once, PoisonError};
use std::time::Duration;

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
        let left: Vec<String> =
            half_made.iter().filter(|path| !is_removed(path)).map(|path| path.display().to_string()).collect();
        let said = match left.is_empty() {
            true => "stopped; nothing half-written is left".into(),
            false => format!("stopped; half-written and to be removed by hand: {}", left.join(", ")),
        };
        // Who closed standard error wants no word, and an end all the same.
        let _ = writeln!(std::io::stderr(), "{said}");
        std::process::exit(ENDED_BY + signal);
    });
}

/// Removes what is half made. What makes it goes on meanwhile, so it is looked at again until nothing comes any more.
fn is_removed(path: &Path) -> bool {
    const LOOKS: usize = 200;
    let mut quiet = 0;
    for _ in 0..LOOKS {
        // What cannot be removed is told.
        let _ = if path.is_dir() { disk::remove_folder(path) } else { disk::remove(path) };
        quiet = if path.exists() { 0 } else { quiet + 1 };
        if quiet == 3 {
            return true;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_half_made_goes_though_it_is_written_on() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("half");
        std::fs::create_dir_all(path.join("inside")).unwrap();
        let writer = std::thread::spawn({
            let path = path.clone();
            move || {
                for number in 0..20 {
                    let _ = std::fs::create_dir_all(path.join("inside"));
                    let _ = std::fs::write(path.join("inside").join(number.to_string()), "half");
                }
            }
        });
        writer.join().unwrap();
        assert!(is_removed(&path) && !path.exists());
        std::fs::write(&path, "half").unwrap();
        assert!(is_removed(&path) && is_removed(&path));
    }

    #[test]
    fn what_is_made_is_known_until_it_is_done() {
        let path = Path::new("/nowhere/making-of-a-test");
        let one = Making::of(path);
        assert!(making().iter().any(|known| known == path));
        drop(one);
        assert!(!making().iter().any(|known| known == path));
    }
}
