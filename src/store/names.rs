//! Names of vehicles, runs and messages: what a folder of the data set may be called.
//!
//! Touches no disk but to see which names are taken.

use std::path::Path;

use crate::time::WallClock;

/// Whether a name may be a folder of the data set: 1 to 64 of `A-Z a-z 0-9 _ -`.
pub fn valid_name(name: &str) -> bool {
    (1..=64).contains(&name.len())
        && name.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_' || byte == b'-')
}

/// A name for a run that starts at `start`: `20270314T061502Z`, with `-2`, `-3` ... if a run of that name (ignoring
/// case) is in the vehicle's folder.
pub fn free_run_name(vehicle_folder: &Path, start: WallClock) -> String {
    let taken: Vec<String> = std::fs::read_dir(vehicle_folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.file_name().to_string_lossy().to_lowercase())
        .collect();
    let free = |name: &String| !taken.contains(&format!("run={name}").to_lowercase());
    let base = start.run_name();
    std::iter::once(base.clone()).chain((2u64..).map(|count| format!("{base}-{count}"))).find(free).unwrap_or(base)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names() {
        for good in ["a", "PACK_FAST", "car-2", &"x".repeat(64)] {
            assert!(valid_name(good), "{good}");
        }
        for bad in ["", ".", "a/b", "a b", "é", "a=b", &"x".repeat(65)] {
            assert!(!valid_name(bad), "{bad}");
        }
    }

    #[test]
    fn a_taken_run_name_gets_a_suffix() {
        let folder = tempfile::tempdir().unwrap();
        let start = WallClock::parse_iso("2027-03-14T06:15:02.9Z").unwrap();
        assert_eq!(free_run_name(&folder.path().join("none"), start), "20270314T061502Z");
        std::fs::create_dir(folder.path().join("run=20270314t061502z")).unwrap();
        assert_eq!(free_run_name(folder.path(), start), "20270314T061502Z-2");
        std::fs::create_dir(folder.path().join("run=20270314T061502Z-2")).unwrap();
        assert_eq!(free_run_name(folder.path(), start), "20270314T061502Z-3");
    }
}
