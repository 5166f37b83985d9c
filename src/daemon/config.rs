//! The daemon's configuration: a TOML file, its defaults with units, its faults with line and remedy.
//!
//! Opens nothing that it names.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use crate::document::{Document, Fault};
use crate::store::names::valid_name;
use crate::store::run_file;
use crate::time::Span;

/// What the daemon was told, checked; paths are relative to where the daemon runs.
#[derive(Clone, PartialEq, Debug)]
pub struct Config {
    /// The configuration's own file: name and bytes, copied into every run.
    pub file: (String, Vec<u8>),
    /// The car's name in the data set.
    pub vehicle: String,
    /// The data set's folder.
    pub data: PathBuf,
    /// The signal map.
    pub map: PathBuf,
    /// Whether raw frames are kept.
    pub record_frames: bool,
    /// Silence that ends a run.
    pub quiet: Span,
    /// How often what was observed reaches stable storage.
    pub sync_every: Span,
    /// Where observations come from.
    pub sources: Vec<Source>,
}

/// Where observations come from.
#[derive(Clone, PartialEq, Debug)]
pub enum Source {
    /// Recordings, one after another.
    Replay {
        /// The files, in any order.
        recordings: Vec<PathBuf>,
        /// How fast.
        pace: Pace,
    },
}

/// How fast a recording is replayed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
pub enum Pace {
    /// As it was recorded.
    #[serde(rename = "real time")]
    RealTime,
    /// As fast as the machine goes.
    #[serde(rename = "fast")]
    Fast,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    vehicle: Spanned<String>,
    data: PathBuf,
    map: PathBuf,
    #[serde(default = "yes")]
    record_frames: bool,
    quiet_s: Option<Spanned<f64>>,
    sync_every_s: Option<Spanned<f64>>,
    #[serde(default)]
    source: Vec<Spanned<WrittenSource>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, tag = "kind", rename_all = "lowercase")]
enum WrittenSource {
    Replay { recordings: Vec<PathBuf>, pace: Pace },
}

fn yes() -> bool {
    true
}

/// Silence that ends a run where the configuration says nothing, s.
const QUIET_S: f64 = 60.0;
/// How often observations reach stable storage where the configuration says nothing, s.
const SYNC_EVERY_S: f64 = 1.0;

impl Config {
    /// The sources as `run.json` names them.
    pub fn named_sources(&self) -> Vec<run_file::Source> {
        let files = self.sources.iter().flat_map(|Source::Replay { recordings, .. }| recordings);
        files.map(|path| run_file::Source { name: file_name(&path.to_string_lossy()), sha256: None }).collect()
    }

    /// Reads a configuration; paths in it are relative to its own folder.
    pub fn load(path: &Path) -> (Option<Self>, Vec<Fault>) {
        match Document::read(path) {
            Ok(document) => Self::from_document(&document, path.parent().unwrap_or(Path::new(""))),
            Err(fault) => (None, vec![fault]),
        }
    }

    /// Reads a configuration from memory.
    pub fn from_document(document: &Document, folder: &Path) -> (Option<Self>, Vec<Fault>) {
        let (written, mut faults) = document.parse_toml::<Written>();
        let Some(written) = written else { return (None, faults) };
        if !valid_name(written.vehicle.get_ref()) {
            let what = format!("'{}' can't name a vehicle", written.vehicle.get_ref());
            faults.push(document.fault(written.vehicle.span().start, what).remedy("use 1 to 64 of A-Z a-z 0-9 _ -"));
        }
        let mut seconds = |written: Option<Spanned<f64>>, default: f64, range: std::ops::RangeInclusive<f64>| {
            let Some(written) = written else { return Span::from_seconds(default) };
            if !range.contains(written.get_ref()) {
                let (what, remedy) = (
                    format!("{} s is out of range", written.get_ref()),
                    format!("use {} to {} s", range.start(), range.end()),
                );
                faults.push(document.fault(written.span().start, what).remedy(remedy));
            }
            Span::from_seconds(*written.get_ref())
        };
        let quiet = seconds(written.quiet_s, QUIET_S, 1.0..=86_400.0);
        let sync_every = seconds(written.sync_every_s, SYNC_EVERY_S, 0.1..=60.0);
        if written.source.is_empty() {
            faults.push(Fault::whole(&document.name, "no source is given").remedy("add a [[source]] with its kind"));
        }
        let sources = written.source.into_iter().map(|source| source.into_inner().within(folder)).collect();
        let config = Self {
            file: (file_name(&document.name), document.text.clone().into_bytes()),
            vehicle: written.vehicle.into_inner(),
            data: folder.join(written.data),
            map: folder.join(written.map),
            record_frames: written.record_frames,
            quiet,
            sync_every,
            sources,
        };
        (Some(config), faults)
    }
}

impl WrittenSource {
    fn within(self, folder: &Path) -> Source {
        match self {
            Self::Replay { recordings, pace } => {
                Source::Replay { recordings: recordings.iter().map(|path| folder.join(path)).collect(), pace }
            }
        }
    }
}

fn file_name(path: &str) -> String {
    Path::new(path).file_name().map_or_else(|| path.to_owned(), |name| name.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn load(text: &str) -> (Option<Config>, Vec<String>) {
        let document = Document::from_text("car.toml", text);
        let (config, faults) = Config::from_document(&document, Path::new("etc"));
        (config, faults.iter().map(Fault::to_string).collect())
    }

    const SOUND: &str = "vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\n[[source]]\nkind = 'replay'\nrecordings = ['a.log']\npace = 'fast'\n";

    #[test]
    fn paths_are_relative_to_the_file_and_defaults_stand() {
        let (config, faults) = load(SOUND);
        let config = config.unwrap();
        assert_eq!((faults.len(), config.quiet, config.sync_every), (0, Span::of_seconds(60), Span::of_seconds(1)));
        assert_eq!(config.data, Path::new("etc/DATA"));
        let recordings = vec![PathBuf::from("etc/a.log")];
        assert_eq!(config.sources, [Source::Replay { recordings, pace: Pace::Fast }]);
    }

    #[test]
    fn everything_wrong_is_said_with_its_line() {
        let text = SOUND.replace("heron", "my heron").replace("[[source]]", "quiet_s = 0\nsync_evry_s = 1\n[[source]]");
        assert_eq!(
            load(&text).1,
            [
                "car.toml:5: unknown key 'sync_evry_s'; did you mean 'sync_every_s'?",
                "car.toml:1: 'my heron' can't name a vehicle; use 1 to 64 of A-Z a-z 0-9 _ -",
                "car.toml:4: 0 s is out of range; use 1 to 86400 s",
            ]
        );
        assert_eq!(
            load("vehicle = 'a'\ndata = 'D'\nmap = 'm'\n").1,
            ["car.toml: no source is given; add a [[source]] with its kind"]
        );
    }
}
