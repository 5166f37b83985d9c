//! The daemon's configuration: a TOML file, its defaults with units, its faults with line and remedy.
//!
//! Opens nothing that it names; [`sources`] reads the `[[source]]` tables, [`around`] those of the car, the page and the speech.

mod around;
mod sources;

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

pub use around::{CarSaid, Page, Speech};
pub use sources::{LiveSource, Pace, Source};

use crate::diag::permission::PollingRules;
use crate::document::{Document, Fault};
use crate::quantity::Volt;
use crate::store::activity::Gateway;
use crate::store::names::valid_name;
use crate::time::Span;

/// What the daemon was told, checked; paths are relative to the configuration's folder.
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
    /// Free space, bytes, below which raw frames of the oldest runs go.
    pub free_space_floor: u64,
    /// Where people may ask how it fares: a Unix socket.
    pub status_socket: Option<PathBuf>,
    /// What tells that the car is awake, where its bus shows no frame until asked.
    pub gateway: Option<Gateway>,
    /// Whether and when the car may be asked.
    pub polling: Polling,
    /// The road.
    pub course: Option<PathBuf>,
    /// The test card.
    pub card: Option<PathBuf>,
    /// What is known of the car before the drive.
    pub car: CarSaid,
    /// The page that browsers are shown.
    pub page: Option<Page>,
    /// What says things aloud.
    pub speech: Option<Speech>,
    /// Where observations come from.
    pub sources: Vec<Source>,
}

/// Whether and when the car may be asked. The default is never.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Polling {
    /// When.
    pub rules: PollingRules,
    /// Whether identifiers of 600 to 7FF beyond the standard's may be asked.
    pub other_identifiers: bool,
    /// Whether the vehicle number may be asked, which is personal.
    pub vehicle_number: bool,
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
    free_space_floor_mb: Option<Spanned<f64>>,
    status_socket: Option<PathBuf>,
    #[serde(default)]
    gateway: bool,
    supply_awake_v: Option<Spanned<f64>>,
    polling: Option<WrittenPolling>,
    course: Option<PathBuf>,
    card: Option<PathBuf>,
    car: Option<around::WrittenCar>,
    page: Option<around::WrittenPage>,
    speech: Option<around::WrittenSpeech>,
    #[serde(default)]
    source: Vec<Spanned<sources::Written>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPolling {
    on: bool,
    supply_min_v: Option<Spanned<f64>>,
    charging_period_s: Option<Spanned<f64>>,
    #[serde(default)]
    other_identifiers: bool,
    #[serde(default)]
    vehicle_number: bool,
}

fn yes() -> bool {
    true
}

/// Silence that ends a run where the configuration says nothing, s.
const QUIET_S: f64 = 60.0;
/// How often observations reach stable storage where the configuration says nothing, s.
const SYNC_EVERY_S: f64 = 1.0;
/// Free space below which raw frames of the oldest runs go where the configuration says nothing, MB.
const FREE_SPACE_FLOOR_MB: f64 = 200.0;
/// Supply voltages that can be meant, V: of 12 V and 24 V systems.
const SUPPLY_V: std::ops::RangeInclusive<f64> = 6.0..=32.0;

/// Checks values as it reads them, and keeps what is wrong with them.
struct Checks<'a> {
    document: &'a Document,
    faults: Vec<Fault>,
}

impl Checks<'_> {
    fn number(
        &mut self,
        written: Option<Spanned<f64>>,
        range: std::ops::RangeInclusive<f64>,
        unit: &str,
    ) -> Option<f64> {
        let written = written?;
        let value = *written.get_ref();
        if !range.contains(&value) {
            let what = format!("{value} {unit} is out of range");
            let remedy = format!("use {} to {} {unit}", range.start(), range.end());
            self.faults.push(self.document.fault(written.span().start, what).remedy(remedy));
        }
        Some(value)
    }

    fn seconds(&mut self, written: Option<Spanned<f64>>, range: std::ops::RangeInclusive<f64>) -> Option<Span> {
        self.number(written, range, "s").map(Span::from_seconds)
    }

    fn vehicle(&mut self, written: Spanned<String>) -> String {
        if !valid_name(written.get_ref()) {
            let what = format!("'{}' can't name a vehicle", written.get_ref());
            let fault = self.document.fault(written.span().start, what);
            self.faults.push(fault.remedy("use 1 to 64 of A-Z a-z 0-9 _ -"));
        }
        written.into_inner()
    }

    fn gateway(&mut self, on: bool, supply_awake_v: Option<Spanned<f64>>) -> Option<Gateway> {
        let place = supply_awake_v.as_ref().map(|written| written.span().start);
        let supply_awake_v = self.number(supply_awake_v, SUPPLY_V, "V");
        if let (false, Some(place)) = (on, place) {
            let fault =
                self.document.fault(place, "supply_awake_v means nothing where frames tell that the car is awake");
            self.faults.push(fault.remedy("add 'gateway = true' if the bus shows no frame until asked"));
        }
        on.then_some(Gateway { supply_awake_v })
    }

    fn polling(&mut self, written: Option<WrittenPolling>) -> Polling {
        let Some(written) = written else { return Polling::default() };
        let rules = PollingRules {
            on: written.on,
            supply_min: self.number(written.supply_min_v, SUPPLY_V, "V").map(Volt),
            charging_period: self.seconds(written.charging_period_s, 1.0..=86_400.0),
        };
        Polling { rules, other_identifiers: written.other_identifiers, vehicle_number: written.vehicle_number }
    }
}

impl Config {
    /// Reads a configuration; paths in it are relative to its own folder.
    pub fn load(path: &Path) -> (Option<Self>, Vec<Fault>) {
        match Document::read(path) {
            Ok(document) => Self::from_document(&document, path.parent().unwrap_or(Path::new(""))),
            Err(fault) => (None, vec![fault]),
        }
    }

    /// Reads a configuration from memory.
    pub fn from_document(document: &Document, folder: &Path) -> (Option<Self>, Vec<Fault>) {
        let (written, faults) = document.parse_toml::<Written>();
        let mut checks = Checks { document, faults };
        let Some(written) = written else { return (None, checks.faults) };
        let vehicle = checks.vehicle(written.vehicle);
        let quiet = checks.seconds(written.quiet_s, 1.0..=86_400.0).unwrap_or(Span::from_seconds(QUIET_S));
        let sync_every = checks.seconds(written.sync_every_s, 0.1..=60.0).unwrap_or(Span::from_seconds(SYNC_EVERY_S));
        let floor_mb = checks.number(written.free_space_floor_mb, 0.0..=1e7, "MB").unwrap_or(FREE_SPACE_FLOOR_MB);
        let gateway = checks.gateway(written.gateway, written.supply_awake_v);
        let polling = checks.polling(written.polling);
        let car = checks.car(written.car, folder);
        let page = checks.page(written.page, folder);
        let speech = checks.speech(written.speech);
        let sources = sources::check(document, folder, written.source, &mut checks.faults);
        let config = Self {
            file: (file_name(Path::new(&document.name)), document.text.clone().into_bytes()),
            vehicle,
            data: folder.join(written.data),
            map: folder.join(written.map),
            record_frames: written.record_frames,
            quiet,
            sync_every,
            free_space_floor: (floor_mb * 1e6) as u64,
            status_socket: written.status_socket.map(|path| folder.join(path)),
            gateway,
            polling,
            course: written.course.map(|path| folder.join(path)),
            card: written.card.map(|path| folder.join(path)),
            car,
            page,
            speech,
            sources,
        };
        (Some(config), checks.faults)
    }

    /// The sources that are read while the car drives.
    pub fn live(&self) -> impl Iterator<Item = &LiveSource> {
        self.sources.iter().filter_map(|source| if let Source::Live(live) = source { Some(live) } else { None })
    }

    /// What is read by name, as `run.json` says: recordings, interfaces, ports.
    pub fn source_names(&self) -> Vec<String> {
        let names = |source: &Source| match source {
            Source::Replay { recordings, .. } => recordings.iter().map(|path| file_name(path)).collect(),
            Source::Live(live) => vec![live.name()],
        };
        self.sources.iter().flat_map(names).collect()
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.to_string_lossy().into_owned(), |name| name.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests;
