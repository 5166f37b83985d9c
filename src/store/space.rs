//! Room on the disk: how much is left, and raw frames of the oldest runs given up for it.
//!
//! Deletes nothing but the `frames` tables of finished runs, one run after the other, each noted in its `run.json` first.
//! Decides no limit and reads no clock.

use std::path::Path;

use super::data_set::{DataSet, RunFolder};
use super::run_file::RemovedTable;
use super::{StoreError, disk};
use crate::time::WallClock;

/// The table that may go.
const FRAMES: &str = "frames";

/// Bytes that this program may still write to the file system that holds a path.
pub fn free_bytes(path: &Path) -> Result<u64, StoreError> {
    let found =
        rustix::fs::statvfs(path).map_err(|error| StoreError::io(path, "ask for free space of", error.into()))?;
    Ok(found.f_bavail.saturating_mul(found.f_frsize))
}

/// Removes raw frames of the oldest finished runs, one run after the other, until `free` says that `floor` bytes are left
/// or no frames are; those runs with the bytes that went. `now` is noted as the time.
///
/// A cut leaves a run whose note says more than was done; the next call does the rest.
pub fn make_room(
    data_set: &DataSet,
    floor: u64,
    now: WallClock,
    free: &mut dyn FnMut() -> Result<u64, StoreError>,
) -> Result<Vec<(RunFolder, u64)>, StoreError> {
    let mut removed = Vec::new();
    if free()? >= floor {
        return Ok(removed);
    }
    for run in oldest_first(data_set)? {
        if free()? >= floor {
            break;
        }
        let bytes = remove_frames(&run, now)?;
        removed.push((run, bytes));
    }
    Ok(removed)
}

/// Finished runs that hold frames, by their start. A run whose clock never knew the date counts as old as it thinks it is.
fn oldest_first(data_set: &DataSet) -> Result<Vec<RunFolder>, StoreError> {
    let mut found = Vec::new();
    for run in data_set.runs()? {
        if run.path.join(FRAMES).is_dir()
            && !run.is_unfinished()
            // A run that can't be read is left alone: what is known of it may be needed to mend it.
            && let Ok(file) = run.read_run_file()
        {
            found.push((file.start_utc.unwrap_or_default(), run));
        }
    }
    found.sort();
    Ok(found.into_iter().map(|(_, run)| run).collect())
}

/// Removes a finished run's raw frames: first it is noted, then they go. Bytes that went.
fn remove_frames(run: &RunFolder, now: WallClock) -> Result<u64, StoreError> {
    let mut file = run.read_run_file()?;
    let (frames, others) = file.tables.into_iter().partition(|table| table.folder == FRAMES);
    file.tables = others;
    let frames: Vec<_> = frames;
    let bytes = frames.iter().map(|table| table.bytes).sum();
    let why = "free space was below the floor";
    file.removed.extend(frames.into_iter().map(|table| RemovedTable {
        folder: table.folder,
        rows: table.rows,
        bytes: table.bytes,
        utc: now.iso(),
        why: why.into(),
    }));
    file.save(&run.path)?;
    disk::remove_folder(&run.path.join(FRAMES))?;
    disk::sync_folder(&run.path)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::run_file::{FileDigest, tests::example};
    use crate::store::table_files::TableFiles;

    fn run(data: &DataSet, name: &str, start: &str) -> RunFolder {
        let folder = data.vehicle_folder("blue-car").join(format!("run={name}"));
        std::fs::create_dir_all(folder.join("frames")).unwrap();
        std::fs::create_dir_all(folder.join("trace")).unwrap();
        std::fs::write(folder.join("frames/part-00000.parquet"), [0; 1_000]).unwrap();
        std::fs::write(folder.join("trace/part-00000.parquet"), [0; 10]).unwrap();
        let mut file = example();
        (file.run, file.start_utc) = (name.into(), Some(start.into()));
        let digest =
            || FileDigest { name: "part-00000.parquet".into(), digest: crate::digest::Digest::Blake3("00".into()) };
        for (table, bytes) in [("frames", 1_000), ("trace", 10)] {
            file.tables.push(TableFiles { folder: table.into(), rows: 5, bytes, files: vec![digest()] });
        }
        file.save(&folder).unwrap();
        RunFolder::open(&folder).unwrap()
    }

    #[test]
    fn frames_of_the_oldest_finished_runs_go_one_run_after_the_other_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let data = DataSet::create(folder.path()).unwrap();
        // By start, not by name: the middle run's clock was set late.
        let late = run(&data, "20270101T000000Z", "2027-03-03T00:00:00.000000Z");
        let old = run(&data, "20270202T000000Z", "2027-02-02T00:00:00.000000Z");
        let new = run(&data, "20270304T000000Z", "2027-03-04T00:00:00.000000Z");
        let open = run(&data, "20260101T000000Z", "2026-01-01T00:00:00.000000Z");
        std::fs::create_dir(open.path.join("journal")).unwrap();
        let held = |run: &RunFolder| run.path.join("frames").exists();
        let now = WallClock::parse_iso("2027-04-01T12:00:00Z").unwrap();
        // 200 bytes free, 1,000 more with each run's frames.
        let runs = [&old, &late, &new, &open];
        let mut free = || Ok(200 + 1_000 * runs.iter().filter(|run| !held(run)).count() as u64);

        assert_eq!(make_room(&data, 200, now, &mut free).unwrap(), []);
        assert_eq!(make_room(&data, 1_000, now, &mut free).unwrap(), [(old.clone(), 1_000)]);
        assert_eq!(make_room(&data, 1_100, now, &mut free).unwrap(), []);
        let file = old.read_run_file().unwrap();
        assert_eq!(file.tables.iter().map(|table| &*table.folder).collect::<Vec<_>>(), ["trace"]);
        let removed = &file.removed[0];
        assert_eq!((&*removed.folder, removed.rows, &*removed.utc), ("frames", 5, "2027-04-01T12:00:00.000000Z"));

        // A cut after the note: the next call does the rest, and notes nothing twice.
        std::fs::create_dir(old.path.join("frames")).unwrap();
        let went: Vec<_> = make_room(&data, 1_000_000, now, &mut free).unwrap();
        assert_eq!(went.iter().map(|(run, _)| run).collect::<Vec<_>>(), [&old, &late, &new]);
        assert_eq!(old.read_run_file().unwrap().removed.len(), 1);
        assert!(held(&open), "an unfinished run is never touched");
        assert!([&old, &late, &new].iter().all(|run| run.path.join("trace/part-00000.parquet").exists()));
    }

    #[test]
    fn free_space_is_the_file_systems() {
        let folder = tempfile::tempdir().unwrap();
        // GNU coreutils: `df` takes it from the same file system by statfs(2).
        let output =
            std::process::Command::new("df").args(["-B1", "--output=avail"]).arg(folder.path()).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let said: f64 = text.lines().last().unwrap().trim().parse().unwrap();
        let found = free_bytes(folder.path()).unwrap() as f64;
        // Others write meanwhile.
        assert!((found - said).abs() < 0.05 * said.max(1e9), "{found} and {said}");
        assert!(free_bytes(&folder.path().join("none")).is_err());
    }
}
