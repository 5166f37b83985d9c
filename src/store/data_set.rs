//! The data set: a folder of vehicles, each a folder of runs, laid out as Hive partitions (`vehicle=NAME/run=NAME`).
//!
//! Finds runs and makes room for new ones; reads no table.

use std::path::{Path, PathBuf};

use super::parts::entries;
use super::run_file::{self, RunFile};
use super::{StoreError, disk, journal};

/// Where runs are made that count only when they are whole.
const UNFINISHED: &str = ".unfinished";

/// What is wrong with a file that has another digest.
pub(super) const NOT_AS_LISTED: &str = "it is not the file that run.json lists";

/// A data set.
#[derive(Clone, Debug)]
pub struct DataSet {
    root: PathBuf,
}

/// A run's folder.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct RunFolder {
    /// The vehicle's name; empty if the folder does not lie in a data set.
    pub vehicle: String,
    /// The run's name.
    pub run: String,
    /// Where it is.
    pub path: PathBuf,
}

impl DataSet {
    /// Opens a data set; a folder without vehicles is an empty one.
    pub fn open(root: &Path) -> Result<Self, StoreError> {
        match std::fs::metadata(root) {
            Ok(found) if found.is_dir() => Ok(Self { root: root.to_owned() }),
            Ok(_) => Err(StoreError::refused(root, "is not a folder")),
            Err(error) => Err(StoreError::io(root, "open", error)),
        }
    }

    /// Opens a data set, made if it is not there.
    pub fn create(root: &Path) -> Result<Self, StoreError> {
        disk::create_folder(root)?;
        Self::open(root)
    }

    /// Where it is.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// A vehicle's folder, there or not.
    pub fn vehicle_folder(&self, vehicle: &str) -> PathBuf {
        self.root.join(format!("vehicle={vehicle}"))
    }

    /// The vehicles' names, sorted.
    pub fn vehicles(&self) -> Result<Vec<String>, StoreError> {
        named(&self.root, "vehicle=").map(|found| found.into_iter().map(|(name, _)| name).collect())
    }

    /// All runs, finished or not, sorted by vehicle and run.
    pub fn runs(&self) -> Result<Vec<RunFolder>, StoreError> {
        let mut runs = Vec::new();
        for vehicle in self.vehicles()? {
            runs.extend(self.runs_of(&vehicle)?);
        }
        runs.sort();
        Ok(runs)
    }

    /// The runs of one vehicle, finished or not, sorted; none if it is not there. Looks at no other vehicle's.
    pub fn runs_of(&self, vehicle: &str) -> Result<Vec<RunFolder>, StoreError> {
        let found = named(&self.vehicle_folder(vehicle), "run=")?;
        let mut runs: Vec<RunFolder> =
            found.into_iter().map(|(run, path)| RunFolder { vehicle: vehicle.to_owned(), run, path }).collect();
        runs.sort();
        Ok(runs)
    }

    /// Runs being made aside, by programs that run or that were cut.
    pub fn left_over(&self) -> Result<Vec<PathBuf>, StoreError> {
        entries(&self.root.join(UNFINISHED))
    }

    /// Room for a run that is to appear only when it is whole. Left-overs of programs that no longer run are removed.
    pub fn stage(&self, vehicle: &str, run: &str) -> Result<Staged, StoreError> {
        let room = self.root.join(UNFINISHED);
        for left in entries(&room)? {
            let name = left.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            let running = name.split_once('-').is_some_and(|(process, _)| Path::new("/proc").join(process).exists());
            if !running {
                disk::remove_folder(&left)?;
            }
        }
        let own = room.join(format!("{}-{vehicle}-{run}", std::process::id()));
        disk::remove_folder(&own)?;
        let folder = own.join(format!("run={run}"));
        disk::create_folder(&folder)?;
        Ok(Staged { folder, own, room, target: self.vehicle_folder(vehicle).join(format!("run={run}")) })
    }
}

/// A run being made aside; removed again if it is dropped before [`Self::publish`].
#[derive(Debug)]
pub struct Staged {
    folder: PathBuf,
    own: PathBuf,
    room: PathBuf,
    target: PathBuf,
}

impl Staged {
    /// Where the run is made.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Moves the whole run to its place, durable when this returns. Refused if a run of that name is there by now.
    pub fn publish(self) -> Result<RunFolder, StoreError> {
        if self.target.exists() {
            return Err(StoreError::refused(&self.target, "is there already; nothing was changed"));
        }
        let vehicle_folder = self.target.parent().unwrap_or(&self.room).to_owned();
        disk::create_folder(&vehicle_folder)?;
        for folder in all_folders(&self.folder)? {
            disk::sync_folder(&folder)?;
        }
        disk::rename(&self.folder, &self.target)?;
        disk::sync_folder(&vehicle_folder)?;
        if let Some(root) = vehicle_folder.parent() {
            disk::sync_folder(root)?;
        }
        RunFolder::open(&self.target)
    }
}

impl Drop for Staged {
    fn drop(&mut self) {
        // What cannot be removed now is removed when the next run is staged.
        let _ = disk::remove_folder(&self.own);
        let _ = std::fs::remove_dir(&self.room);
    }
}

fn all_folders(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut folders = vec![folder.to_owned()];
    for entry in entries(folder)? {
        if entry.is_dir() {
            folders.extend(all_folders(&entry)?);
        }
    }
    Ok(folders)
}

impl RunFolder {
    /// Opens a run's folder by its path, in a data set or alone.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        if !path.is_dir() {
            let error = std::io::Error::from(std::io::ErrorKind::NotFound);
            return Err(StoreError::io(path, "open the run", error));
        }
        // Of `DATA/vehicle=NAME/run=NAME/.` too the names are wanted.
        let whole = std::fs::canonicalize(path).map_err(|error| StoreError::io(path, "open", error))?;
        let name = |folder: Option<&Path>| {
            folder.and_then(Path::file_name).map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
        };
        let (run, vehicle) = (name(Some(&whole)), name(whole.parent()));
        Ok(Self {
            vehicle: vehicle.strip_prefix("vehicle=").unwrap_or_default().to_owned(),
            run: run.strip_prefix("run=").unwrap_or(&run).to_owned(),
            path: path.to_owned(),
        })
    }

    /// Whether it is still being recorded, or was cut and not yet put right.
    pub fn is_unfinished(&self) -> bool {
        self.path.join(journal::FOLDER).exists() || !self.path.join(run_file::NAME).exists()
    }

    /// Whether a table's files are, byte for byte, those that `run.json` lists; a difference is an error that names the file.
    ///
    /// Pages are under a checksum of their own; this covers the rest of each file too. Reads every byte.
    pub fn check(&self, file: &RunFile, table_folder: &str) -> Result<(), StoreError> {
        for table in file.tables.iter().filter(|table| table.folder == table_folder) {
            for listed in &table.files {
                let path = self.path.join(table_folder).join(&listed.name);
                if !listed.is_of(&path)? {
                    return Err(StoreError::damaged(&path, NOT_AS_LISTED));
                }
            }
        }
        Ok(())
    }

    /// Reads its `run.json`.
    pub fn read_run_file(&self) -> Result<RunFile, StoreError> {
        RunFile::load(&self.path)
    }
}

/// The folders inside `folder` whose names begin with `key`, each with what follows, sorted.
fn named(folder: &Path, key: &str) -> Result<Vec<(String, PathBuf)>, StoreError> {
    let mut found = Vec::new();
    for path in entries(folder)? {
        let name = path.file_name().and_then(|name| name.to_str()).and_then(|name| name.strip_prefix(key));
        if let Some(name) = name.map(str::to_owned)
            && path.is_dir()
        {
            found.push((name, path));
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::run_file::tests::example;

    #[test]
    fn a_staged_run_appears_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let data = DataSet::create(&folder.path().join("data")).unwrap();
        let stale = data.root().join(".unfinished/999999999-old");
        std::fs::create_dir_all(&stale).unwrap();

        let staged = data.stage("blue-car", "20270314T061502Z").unwrap();
        assert!(!stale.exists(), "left-overs of a program that is gone are removed");
        std::fs::write(staged.folder().join("x"), "x").unwrap();
        assert_eq!(data.runs().unwrap(), []);
        drop(staged);
        assert!(!data.root().join(".unfinished").exists());

        let staged = data.stage("blue-car", "20270314T061502Z").unwrap();
        let second = data.stage("blue-car", "other").unwrap();
        assert_eq!(data.left_over().unwrap().len(), 2);
        example().save(staged.folder()).unwrap();
        let run = staged.publish().unwrap();
        assert_eq!((&*run.vehicle, &*run.run), ("blue-car", "20270314T061502Z"));
        assert!(!run.is_unfinished());
        assert_eq!(run.read_run_file().unwrap(), example());
        assert_eq!(data.vehicles().unwrap(), ["blue-car"]);
        second.publish().unwrap();
        let runs = data.runs().unwrap();
        assert_eq!(
            runs.iter().map(|run| (&*run.run, run.is_unfinished())).collect::<Vec<_>>(),
            [("20270314T061502Z", false), ("other", true)]
        );
        assert!(data.stage("blue-car", "other").unwrap().publish().unwrap_err().to_string().contains("already"));
        std::fs::create_dir(runs[0].path.join(journal::FOLDER)).unwrap();
        assert!(runs[0].is_unfinished(), "a journal means that something is still to be done");
    }

    #[test]
    fn a_changed_file_is_found() {
        use crate::digest::Digest;
        use crate::store::run_file::FileDigest;
        use crate::store::table_files::TableFiles;
        let folder = tempfile::tempdir().unwrap();
        let run = RunFolder::open(folder.path()).unwrap();
        std::fs::create_dir(folder.path().join("supply")).unwrap();
        std::fs::write(folder.path().join("supply/part-00000.parquet"), "abc").unwrap();
        // FIPS 180-2, appendix B.1: SHA-256 of "abc", as layouts before 4 list it.
        let digest = Digest::Sha256("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad".into());
        let files = vec![FileDigest { name: "part-00000.parquet".into(), digest }];
        let mut file = example();
        file.tables.push(TableFiles { folder: "supply".into(), rows: 1, bytes: 3, files });
        run.check(&file, "supply").unwrap();
        run.check(&file, "trace").unwrap();
        std::fs::write(folder.path().join("supply/part-00000.parquet"), "abd").unwrap();
        assert!(run.check(&file, "supply").unwrap_err().to_string().contains("supply/part-00000.parquet: damaged"));
    }

    #[test]
    fn what_is_not_there_is_said_with_its_path() {
        let folder = tempfile::tempdir().unwrap();
        let none = folder.path().join("none");
        assert!(DataSet::open(&none).unwrap_err().to_string().contains("none: cannot open"));
        assert!(RunFolder::open(&none).unwrap_err().to_string().contains("none: cannot open"));
        std::fs::write(&none, "").unwrap();
        assert!(DataSet::open(&none).unwrap_err().to_string().contains("not a folder"));
    }
}
