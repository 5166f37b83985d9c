//! `manifest.json`: what a bundle holds, what was left out of the test, and by what version and options its figures were formed.
//!
//! Plain data, and the check of a folder against it; forms no figure. Its own SHA-256 is the bundle's: who has it published can show that it is his.

use std::collections::BTreeSet;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::digest::{self, Digest, Hasher};
use crate::store::{StoreError, disk};

/// The file's name in the bundle.
pub const MANIFEST: &str = "manifest.json";
/// Version of its shape.
pub const SCHEMA: u32 = 2;

/// Everything that `manifest.json` says.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Manifest {
    /// Version of this shape, [`SCHEMA`].
    pub schema: u32,
    /// The program and its version.
    pub program: String,
    /// Version of the data set's layout.
    pub data_schema: u32,
    /// Version of the shape of the figures.
    pub figures_schema: u32,
    /// The figures as published, by their name in the bundle.
    pub figures: String,
    /// The checkpoints asked for, percent.
    pub checkpoints: Vec<f64>,
    /// The windows of the state of charge whose charging time was asked for, percent.
    pub charge_windows: Vec<(f64, f64)>,
    /// The card; null where there was none.
    pub card: Option<String>,
    /// The course; null where the card names none.
    pub course: Option<String>,
    /// The runs' folders, in the order in which they were named.
    pub runs: Vec<String>,
    /// Whether positions are in it.
    pub positions: bool,
    /// What was trimmed of them around start and end of every run, km by the way driven; null where no positions are in it.
    pub trimmed_km: Option<f64>,
    /// Whether the raw frames are in it.
    pub frames: bool,
    /// What was left out or changed and what cannot be recomputed for that, in plain words.
    pub says: Vec<String>,
    /// Every file but this one, sorted by name.
    pub members: Vec<Member>,
    /// Files of the test that were left out or changed, as they were.
    pub originals: Vec<Original>,
}

/// A file of the bundle.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Member {
    /// Its name in the bundle.
    pub name: String,
    /// Its length.
    pub bytes: u64,
    /// SHA-256 of its bytes.
    #[serde(flatten)]
    pub digest: Digest,
}

/// A file that was left out or changed.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Original {
    /// The name that it would have in the bundle.
    pub name: String,
    /// As `run.json` has it of a table's file, SHA-256 of all others.
    #[serde(flatten)]
    pub digest: Digest,
    /// Whether something stands in its place.
    pub changed: bool,
}

/// A bundle that was unpacked: what its manifest says, and what is wrong with its files.
#[derive(Clone, PartialEq, Debug)]
pub struct Packed {
    /// The manifest.
    pub manifest: Manifest,
    /// The first 16 digits of its SHA-256.
    pub code: String,
    /// Files that are not what the manifest lists, in plain words.
    pub faults: Vec<String>,
}

impl Manifest {
    /// Lists every file of a folder but the manifest.
    pub fn list(&mut self, folder: &Path) -> Result<(), StoreError> {
        self.members.clear();
        for (name, path) in super::archive::files(folder)? {
            if name != MANIFEST {
                let (bytes, digest) = crate::store::digest(&path, Hasher::sha256())?;
                self.members.push(Member { name, bytes, digest });
            }
        }
        Ok(())
    }

    /// Writes it into a bundle's folder; gives the bundle's code.
    pub fn save(&self, folder: &Path) -> Result<String, StoreError> {
        let path = folder.join(MANIFEST);
        let text = serde_json::to_string_pretty(self)
            .map_err(|error| StoreError::refused(&path, format!("cannot be written: {error}")))?;
        let text = text + "\n";
        disk::replace(&path, text.as_bytes())?;
        Ok(code(text.as_bytes()))
    }
}

/// A bundle's code by the bytes of its manifest.
fn code(bytes: &[u8]) -> String {
    digest::sha256(bytes)[..16].to_owned()
}

/// A manifest may be this long, bytes.
const LONGEST: u64 = 16 << 20;

impl Packed {
    /// Reads the manifest of an unpacked bundle and holds every file against it; `unpacked` are the files that came out.
    ///
    /// # Errors
    /// If there is no manifest that can be read; a file that differs is a fault.
    pub fn read(folder: &Path, unpacked: &[String]) -> Result<Self, StoreError> {
        let path = folder.join(MANIFEST);
        let length = std::fs::metadata(&path).map_err(|error| StoreError::io(&path, "read", error))?.len();
        if length > LONGEST {
            return Err(StoreError::refused(&path, "is too long for a list of files"));
        }
        let bytes = std::fs::read(&path).map_err(|error| StoreError::io(&path, "read", error))?;
        #[derive(Deserialize)]
        struct Version {
            schema: u32,
        }
        let Version { schema } = serde_json::from_slice(&bytes).map_err(|error| StoreError::damaged(&path, error))?;
        if schema > SCHEMA {
            let what = format!("has shape {schema}, this program knows up to {SCHEMA}; use a newer one");
            return Err(StoreError::refused(&path, what));
        }
        let manifest: Manifest = serde_json::from_slice(&bytes).map_err(|error| StoreError::damaged(&path, error))?;
        let mut faults = Vec::new();
        let mut listed = BTreeSet::from([MANIFEST]);
        for member in &manifest.members {
            if !listed.insert(&*member.name) {
                faults.push(format!("{}: is listed twice", member.name));
            } else if !unpacked.contains(&member.name) {
                faults.push(format!("{}: is listed and not there", member.name));
            } else if crate::store::digest(&folder.join(&member.name), Hasher::like(&member.digest))?
                != (member.bytes, member.digest.clone())
            {
                faults.push(format!("{}: is not the file that was packed: its digest differs", member.name));
            }
        }
        let surplus = unpacked.iter().filter(|name| !listed.contains(&***name));
        faults.extend(surplus.map(|name| format!("{name}: is not listed")));
        // What the manifest names is read as a path of this folder.
        let mut named = manifest.card.iter().chain(&manifest.course).chain(std::iter::once(&manifest.figures));
        if let Some(name) = named.find(|name| !listed.contains(&***name)) {
            return Err(StoreError::refused(&path, format!("names '{name}', which it does not list")));
        }
        if manifest.runs.iter().collect::<BTreeSet<_>>().len() < manifest.runs.len() {
            return Err(StoreError::refused(&path, "names a run twice"));
        }
        let held = |run: &&String| unpacked.contains(&format!("{run}/run.json"));
        if let Some(run) = manifest.runs.iter().find(|run| !held(run)) {
            return Err(StoreError::refused(&path, format!("names the run '{run}', which the bundle does not hold")));
        }
        Ok(Self { manifest, code: code(&bytes), faults })
    }
}
