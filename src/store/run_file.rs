//! `run.json`: what a run is, what it was made from and by, and what came of it.
//!
//! Plain data, written whole or not at all, and sealed: its last key is the SHA-256 of all before it. Does not compute any
//! of it (the recorder does). Key order is the order of the fields here; what is not a finite number is null.

use std::collections::BTreeMap;
use std::path::{Component, Path};

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::parts::entries;
use super::set_aside::SetAside;
use super::table_files::TableFiles;
use super::{StoreError, disk};
use crate::digest::{self, Digest, Hasher};
use crate::document::Fault;
use crate::schema::SCHEMA_VERSION;

/// The file's name inside the run's folder.
pub const NAME: &str = "run.json";
/// How the name of a source begins that drove an invented car live: what comes of it is no measurement.
pub const REHEARSAL: &str = "rehearsal of ";
/// The folder inside the run's that holds copies of the map, its DBC and the configuration.
pub const SOURCE_FILES: &str = "source-files";
/// What stands before the digest that ends the file.
const SEAL: &str = ",\n  \"sha256\": \"";

/// Everything that `run.json` says.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RunFile {
    /// Version of the data set's layout, [`SCHEMA_VERSION`].
    pub schema: u32,
    /// The program and its version.
    pub program: String,
    /// The vehicle's name.
    pub vehicle: String,
    /// The run's name; it never changes.
    pub run: String,
    /// Wall-clock time of the first observation, ISO 8601 UTC, by the best anchor; null where no clock said it.
    pub start_utc: Option<String>,
    /// From the first observation to the last, s.
    pub duration_s: f64,
    /// Why it ended.
    pub ended: Ended,
    /// Which program wrote it.
    pub made_by: MadeBy,
    /// The map file's name, and the SHA-256 of its bytes followed by its DBC's.
    pub map: FileDigest,
    /// Which role counts as the state of charge where no card says.
    pub soc_counts: String,
    /// What it was made from: recordings with their digests, or interfaces without.
    pub sources: Vec<Source>,
    /// The run's own copies of map, DBC and configuration.
    #[serde(default)]
    pub source_files: Vec<FileDigest>,
    /// What the world's clocks said.
    pub anchors: Vec<Anchor>,
    /// Counts of the decoder: frames, samples, values left out and why.
    pub counts: Value,
    /// Stretches in which a role was unobserved.
    pub gaps: Value,
    /// The roles mapped, and how well each is known.
    pub roles: Vec<RoleUsed>,
    /// Buses in order of first appearance.
    pub buses: Vec<String>,
    /// What went wrong while recording.
    pub troubles: Vec<Trouble>,
    /// What could not be read of each recording.
    pub damage: Vec<Damage>,
    /// The run's own files that were found damaged and put aside: what they held is missing.
    #[serde(default)]
    pub set_aside: Vec<SetAside>,
    /// The tables that have rows.
    pub tables: Vec<TableFiles>,
    /// Tables that the run had and that were given up for room on the disk; absent where there is none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub removed: Vec<RemovedTable>,
    /// What a bundle left out of the run and changed in it; absent in a run that was recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bundled: Option<Bundled>,
    /// The ledger's sums at the end, in the units of the trace.
    pub sums: Value,
    /// The same by phase.
    pub by_phase: Value,
}

/// What a bundle did to a run: everything by which it can be shown that a run is the original of this one.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Bundled {
    /// SHA-256 of the original's `run.json`.
    pub original_run_json_sha256: String,
    /// Files of the run that were left out or changed, by their path in the run's folder, as they were.
    pub originals: Vec<FileDigest>,
    /// What was done, in plain words.
    pub done: Vec<String>,
    /// Whether positions are in it, outside the trimmed ends.
    pub positions: bool,
    /// What stands in for the places of the fixes beside the table `way`.
    pub way: Value,
}

/// A table that was given up for room on the disk.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct RemovedTable {
    /// Its folder inside the run's.
    pub folder: String,
    /// The rows it had.
    pub rows: u64,
    /// The bytes its files had.
    pub bytes: u64,
    /// When, by the computer's clock, ISO 8601 UTC.
    pub utc: String,
    /// Why.
    pub why: String,
}

/// Why a run ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum Ended {
    /// Nothing was heard for the set time.
    #[serde(rename = "quiet")]
    Quiet,
    /// The recording was at its end.
    #[serde(rename = "end of recording")]
    EndOfRecording,
    /// The program was told to stop.
    #[serde(rename = "stopped")]
    Stopped,
    /// It was cut, and put right from its journal on the next start.
    #[serde(rename = "recovered")]
    Recovered,
}

/// Which program wrote a run.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MadeBy {
    /// `drawdown ingest`.
    Ingest,
    /// `drawdownd`.
    Daemon,
}

/// A file's name and the digest of its bytes: BLAKE3 of a table's file, since layout 4, SHA-256 of what is short.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct FileDigest {
    /// The name without folder.
    pub name: String,
    /// Under the key that names its algorithm.
    #[serde(flatten)]
    pub digest: Digest,
}

impl FileDigest {
    /// Whether a file is, byte for byte, the one that this tells of.
    pub fn is_of(&self, path: &Path) -> Result<bool, StoreError> {
        Ok(super::digest(path, Hasher::like(&self.digest))?.1 == self.digest)
    }
}

/// Something that a run was made from.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Source {
    /// A file's name without folder, or an interface's name.
    pub name: String,
    /// Under the key that names its algorithm; absent for what is no file.
    #[serde(flatten, with = "digest::optional")]
    pub digest: Option<Digest>,
    /// How a source that is read live fared; absent for recordings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub live: Option<LiveSource>,
}

/// How a source that is read live fared: in `run.json` since the run began, on the status socket since the daemon did.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct LiveSource {
    /// `starting`, `reading`, `stopped`, or why it could not be read at last.
    pub condition: String,
    /// Frames handed on.
    pub frames: u64,
    /// Other observations handed on.
    pub items: u64,
    /// How often it could no longer be read.
    pub lost: u64,
    /// What went wrong or was left out, by name.
    pub counts: BTreeMap<String, u64>,
    /// Its polls, since the run began or the interface came up.
    pub polls: Vec<LivePoll>,
    /// Why nothing was asked at last; null where polls were on their way, or where it has none.
    pub closed: Option<String>,
}

/// How a poll fared.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct LivePoll {
    /// Its name in the map.
    pub name: String,
    /// `on time`, `stretched`, `backed off`, `unsupported` or `barred`.
    pub state: String,
    /// The period wanted, us.
    pub wanted_us: i64,
    /// The mean period of its last replies, us; null with fewer than two.
    pub achieved_us: Option<i64>,
    /// The smoothed round trip, us; null before the first reply.
    pub round_trip_us: Option<i64>,
    /// Requests, and how they ended.
    pub asked: u64,
    /// See `asked`.
    pub answered: u64,
    /// See `asked`.
    pub refused: u64,
    /// See `asked`.
    pub silent: u64,
}

impl Source {
    /// A file, or what else is known by its name alone.
    pub fn named(name: impl Into<String>, digest: Option<Digest>) -> Self {
        Self { name: name.into(), digest, live: None }
    }
}

/// What the world's clock said at a moment of the run.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Anchor {
    /// Run time, us.
    pub t_us: i64,
    /// ISO 8601 UTC.
    pub utc: String,
}

/// A role and how well it is known.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RoleUsed {
    /// As maps write it: `pack_current`, or `pack_current.2` for the second of several packs.
    pub role: String,
    /// `MESSAGE.Signal`, or `MESSAGE.First - MESSAGE.Second`.
    pub signal: String,
    /// The role's unit in this data set.
    pub unit: String,
    /// `value in this unit = value in the map's unit * factor + offset`.
    pub factor: f64,
    /// See `factor`.
    pub offset: f64,
    /// Its tolerance.
    pub tolerance: RoleTolerance,
    /// `cyclic` or `on change`.
    pub sent: String,
}

/// One standard uncertainty of a role.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RoleTolerance {
    /// In parts.
    pub gain: f64,
    /// In the role's unit.
    pub offset: f64,
    /// What it rests on.
    pub basis: String,
}

/// Something that went wrong.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Trouble {
    /// Run time, us.
    pub t_us: i64,
    /// What.
    pub text: String,
}

/// What could not be read of a recording.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Damage {
    /// The recording's name without folder.
    pub source: String,
    /// How many lines or packets.
    pub count: u64,
    /// The first few, each with place and reason.
    pub first: Vec<String>,
}

impl Damage {
    /// Of recordings' damage (name, count, first faults): those that have any.
    pub fn of(recordings: Vec<(String, u64, Vec<Fault>)>) -> Vec<Self> {
        let damaged = recordings.into_iter().filter(|(_, count, _)| *count > 0);
        damaged
            .map(|(name, count, first)| Self {
                source: Path::new(&name).file_name().map_or(name.clone(), |name| name.to_string_lossy().into_owned()),
                count,
                first: first.iter().map(Fault::to_string).collect(),
            })
            .collect()
    }
}

impl RunFile {
    /// Whether an invented car was driven: what comes of it is no measurement.
    pub fn is_rehearsal(&self) -> bool {
        self.sources.iter().any(|source| source.digest.is_none() && source.name.starts_with(REHEARSAL))
    }

    /// The file's text: pretty JSON with a line end, its last key the SHA-256 of every byte before that key's comma.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        let text = serde_json::to_string_pretty(self)?;
        let body = text.strip_suffix("\n}").unwrap_or(&text);
        Ok(format!("{body}{}", seal(body.as_bytes())))
    }

    /// Writes it into a run's folder, whole or not at all, durable when this returns.
    pub fn save(&self, run_folder: &Path) -> Result<(), StoreError> {
        let path = run_folder.join(NAME);
        let text = self.to_json().map_err(|error| StoreError::refused(&path, format!("cannot be written: {error}")))?;
        disk::replace(&path, text.as_bytes())
    }

    /// Reads it from a run's folder.
    pub fn load(run_folder: &Path) -> Result<Self, StoreError> {
        #[derive(Deserialize)]
        struct Version {
            schema: u32,
        }
        let path = run_folder.join(NAME);
        let bytes = std::fs::read(&path).map_err(|error| StoreError::io(&path, "read", error))?;
        let Version { schema } = serde_json::from_slice(&bytes).map_err(|error| StoreError::damaged(&path, error))?;
        if schema > SCHEMA_VERSION {
            let what = format!("has layout {schema}, this program knows up to {SCHEMA_VERSION}; use a newer one");
            return Err(StoreError::refused(&path, what));
        }
        if !is_sealed(&bytes) {
            return Err(StoreError::damaged(&path, "it is not as it was written: its own SHA-256 differs"));
        }
        let file: Self = serde_json::from_slice(&bytes).map_err(|error| StoreError::damaged(&path, error))?;
        match file.strange_name() {
            Some(name) => Err(StoreError::damaged(&path, format!("it names a file outside the run's folder: {name}"))),
            None => Ok(file),
        }
    }

    /// A name of a table or file that leads out of the run's folder: no recorder writes one.
    fn strange_name(&self) -> Option<&str> {
        let tables = self.tables.iter().flat_map(|t| std::iter::once(&t.folder).chain(t.files.iter().map(|f| &f.name)));
        let files = self.source_files.iter().chain([&self.map]).map(|file| &file.name);
        let leads_out = |name: &&String| Path::new(name).components().any(|part| !matches!(part, Component::Normal(_)));
        tables.chain(files).find(leads_out).map(String::as_str)
    }
}

/// The end of a file whose text so far is `body`.
fn seal(body: &[u8]) -> String {
    format!("{SEAL}{}\"\n}}\n", digest::sha256(body))
}

/// Whether a file ends in the digest of what stands before it.
fn is_sealed(bytes: &[u8]) -> bool {
    let length = SEAL.len() + 64 + "\"\n}\n".len();
    let split = bytes.len().checked_sub(length).and_then(|at| bytes.split_at_checked(at));
    split.is_some_and(|(body, end)| seal(body).as_bytes() == end)
}

/// Digests of the run's own copies of map, DBC and configuration, sorted by name.
pub fn source_digests(run_folder: &Path) -> Result<Vec<FileDigest>, StoreError> {
    let files = entries(&run_folder.join(SOURCE_FILES))?;
    let digest = |path: &std::path::PathBuf| {
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(FileDigest { name, digest: super::digest(path, Hasher::sha256())?.1 })
    };
    files.iter().filter(|path| path.is_file() && !disk::is_temporary(path)).map(digest).collect()
}

/// Keeps copies of the files that a run's figures rest on; a second file of one name gets a number before its name.
/// Returns them under the names that they have there.
pub fn keep_source_files(run_folder: &Path, files: &[(String, Vec<u8>)]) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
    let folder = run_folder.join(SOURCE_FILES);
    let mut taken: Vec<String> = Vec::new();
    let mut kept = Vec::new();
    for (name, bytes) in files {
        let name = Path::new(name).file_name().map_or("unnamed".into(), |name| name.to_string_lossy().into_owned());
        let mut free = name.clone();
        let mut count = 1;
        while taken.contains(&free.to_lowercase()) {
            count += 1;
            free = format!("{count}-{name}");
        }
        taken.push(free.to_lowercase());
        disk::replace(&folder.join(&free), bytes)?;
        kept.push((free, bytes.clone()));
    }
    Ok(kept)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn example() -> RunFile {
        RunFile {
            schema: SCHEMA_VERSION,
            program: "drawdown 0.1.0".into(),
            vehicle: "blue-car".into(),
            run: "20270314T061502Z".into(),
            start_utc: Some("2027-03-14T06:15:02.123456Z".into()),
            duration_s: 12.5,
            ended: Ended::EndOfRecording,
            made_by: MadeBy::Ingest,
            map: FileDigest { name: "blue.toml".into(), digest: Digest::Sha256("00".into()) },
            soc_counts: "soc".into(),
            sources: vec![Source::named("drive.log", Some(Digest::Blake3("11".into())))],
            source_files: vec![],
            anchors: vec![Anchor { t_us: 0, utc: "2027-03-14T06:15:02.123456Z".into() }],
            counts: serde_json::json!({"frames": 3, "mean": f64::NAN}),
            gaps: serde_json::json!([]),
            roles: vec![RoleUsed {
                role: "pack_current".into(),
                signal: "PACK.Current".into(),
                unit: "A".into(),
                factor: -1.0,
                offset: 0.0,
                tolerance: RoleTolerance { gain: 0.02, offset: 1.0, basis: "assumed".into() },
                sent: "cyclic".into(),
            }],
            buses: vec!["vcan0".into()],
            troubles: vec![],
            damage: vec![Damage { source: "drive.log".into(), count: 1, first: vec!["line 7: no hash".into()] }],
            set_aside: vec![],
            tables: vec![],
            removed: vec![],
            bundled: None,
            sums: serde_json::json!({"energy_out": 1.0}),
            by_phase: serde_json::json!({}),
        }
    }

    #[test]
    fn what_is_saved_is_loaded() {
        let folder = tempfile::tempdir().unwrap();
        let file = example();
        file.save(folder.path()).unwrap();
        assert_eq!(RunFile::load(folder.path()).unwrap(), file);
        let text = std::fs::read_to_string(folder.path().join(NAME)).unwrap();
        assert!(text.starts_with("{\n  \"schema\": 4,\n  \"program\""), "{text}");
        assert!(text.contains("\"mean\": null"));
        assert!(text.contains("\"ended\": \"end of recording\""));
    }

    /// Parts of `run.json` as layouts 1 to 3 wrote them.
    #[test]
    fn digests_of_before_are_read_and_strange_ones_refused() {
        let source = |text: &str| serde_json::from_str::<Source>(text);
        let of = |digest| Source::named("drive.log", digest);
        assert_eq!(source(r#"{"name": "drive.log", "sha256": "11"}"#).unwrap(), of(Some(Digest::Sha256("11".into()))));
        assert_eq!(source(r#"{"name": "drive.log", "sha256": null}"#).unwrap(), of(None));
        assert_eq!(source(r#"{"name": "drive.log"}"#).unwrap(), of(None));
        assert!(source(r#"{"name": "drive.log", "sha256": 5}"#).is_err());
        assert!(source(r#"{"name": "drive.log", "sha256": "11", "blake3": "22"}"#).is_err());
        let table =
            r#"{"folder": "trace", "rows": 1, "bytes": 2, "files": [{"name": "part-00000.parquet", "sha256": "33"}]}"#;
        let table: TableFiles = serde_json::from_str(table).unwrap();
        assert_eq!(table.files[0].digest, Digest::Sha256("33".into()));
    }

    /// A whole file of layout 3, sealed then.
    #[test]
    fn a_run_of_before_is_loaded() {
        let folder = tempfile::tempdir().unwrap();
        let text = serde_json::to_string_pretty(&example()).unwrap();
        let text = text.replace("\"schema\": 4", "\"schema\": 3").replace("\"blake3\"", "\"sha256\"");
        let body = text.strip_suffix("\n}").unwrap();
        std::fs::write(folder.path().join(NAME), format!("{body}{}", seal(body.as_bytes()))).unwrap();
        let loaded = RunFile::load(folder.path()).unwrap();
        assert_eq!((loaded.schema, &loaded.sources[0].digest), (3, &Some(Digest::Sha256("11".into()))));
        assert_eq!(loaded.map, example().map);
    }

    #[test]
    fn a_newer_layout_is_refused_and_damage_is_named() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(NAME), r#"{"schema": 99, "all": "new"}"#).unwrap();
        let said = RunFile::load(folder.path()).unwrap_err().to_string();
        assert!(said.contains("layout 99") && said.contains(NAME), "{said}");
        std::fs::write(folder.path().join(NAME), r#"{"schema": 1, "veh"#).unwrap();
        let said = RunFile::load(folder.path()).unwrap_err().to_string();
        assert!(said.contains("damaged"), "{said}");

        // FIPS 180-4 says what SHA-256 is; that every byte is under it is held here.
        let sound = example().to_json().unwrap().into_bytes();
        for byte in 0..sound.len() {
            let mut damaged = sound.clone();
            damaged[byte] ^= 1 << (byte % 7);
            std::fs::write(folder.path().join(NAME), &damaged).unwrap();
            assert!(RunFile::load(folder.path()).is_err(), "byte {byte}");
            std::fs::write(folder.path().join(NAME), &sound[..byte]).unwrap();
            assert!(RunFile::load(folder.path()).is_err(), "cut at {byte}");
        }
    }

    #[test]
    fn source_files_keep_their_names_and_never_leave_their_folder() {
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str| (name.to_owned(), name.as_bytes().to_vec());
        keep_source_files(folder.path(), &[file("a.toml"), file("../A.toml"), file("..")]).unwrap();
        let mut names: Vec<_> = std::fs::read_dir(folder.path().join(SOURCE_FILES))
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        assert_eq!(names, ["2-A.toml", "a.toml", "unnamed"]);
    }
}
