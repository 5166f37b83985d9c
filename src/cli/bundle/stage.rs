//! The files of a bundle, laid out in a folder aside before they are packed.
//!
//! Card, map, DBC and course keep their places to each other, so that the card's seal can be judged; runs become a data set. Packs
//! nothing, and computes nothing but which paths lead where.

use std::path::{Component, Path, PathBuf};

use serde_json::Value;

use super::super::{recompute, seals};
use super::BESIDE_THE_CARD;
use crate::card;
use crate::cli::test::Reduced;
use crate::course::{Course, Position};
use crate::digest::{Digest, Hasher};
use crate::document::private::without_vehicle_numbers;
use crate::document::{Document, Fault};
use crate::geodesy::geodesic;
use crate::reduce::unplaced::{self, Unplaced};
use crate::store::bundle::scrub::{without_coordinates, without_positions};
use crate::store::bundle::{Asked, InPlace, Manifest, Original, strip, words_in};
use crate::store::data_set::RunFolder;
use crate::store::run_file::RunFile;
use crate::store::trim::{self, Window};
use crate::store::{digest, disk};

/// The published figures.
pub const FIGURES: &str = "figures.json";
/// What a person reads first.
const READ_ME: &str = "read-me.txt";

/// Takes out of words what is nobody's business.
pub fn scrub(text: &str) -> String {
    without_coordinates(&without_vehicle_numbers(text))
}

/// The same of a card, whose texts also name files: of a path from the root of a disk the last part alone, since the rest says
/// whose computer it was.
fn scrub_card(text: &str) -> String {
    let last = Path::new(text).file_name().filter(|_| text.starts_with('/') || text.starts_with("~/"));
    scrub(&last.map_or(text.into(), |last| last.to_string_lossy()))
}

/// A bundle's folder while it is filled.
pub struct Stage<'a> {
    folder: &'a Path,
    test: &'a Reduced,
    /// The card's folder in the bundle.
    base: PathBuf,
    /// The card's name in the bundle.
    pub card: Option<String>,
    /// The course's.
    pub course: Option<String>,
    /// The runs' folders.
    pub runs: Vec<String>,
    /// What was left out or changed.
    pub originals: Vec<Original>,
    /// What was done, beyond what the options say.
    done: Vec<String>,
}

impl<'a> Stage<'a> {
    pub fn new(folder: &'a Path, test: &'a Reduced) -> Self {
        let base = PathBuf::from(BESIDE_THE_CARD);
        let (runs, originals, done) = (Vec::new(), Vec::new(), Vec::new());
        Self { folder, test, base, card: None, course: None, runs, originals, done }
    }

    /// The one folder that everything in the archive lies in.
    pub fn name(&self) -> String {
        let of_card =
            self.test.path.as_deref().and_then(Path::file_stem).map(|stem| stem.to_string_lossy().into_owned());
        let name = of_card.unwrap_or_else(|| {
            let run = self.runs.first().and_then(|run| run.rsplit("run=").next()).unwrap_or("test");
            format!("{}-{run}", self.test.reduction.vehicle)
        });
        let plain = |c: char| if c.is_ascii_alphanumeric() || "_-".contains(c) { c } else { '-' };
        scrub(&name).chars().map(plain).take(32).collect()
    }

    /// The card, its seal, its map and the map's DBC.
    pub fn card(&mut self) -> Result<(), Fault> {
        let Some(path) = &self.test.path else { return Ok(()) };
        let map = self.test.card.as_ref().and_then(|card| card.map.clone());
        let dbc = map.as_deref().and_then(dbc_beside);
        let course = self.test.card.as_ref().and_then(|card| card.course.clone());
        let beside: Vec<PathBuf> = map.into_iter().chain(dbc).filter(|path| path.is_file()).collect();
        let deepest =
            beside.iter().chain(&course).filter_map(|file| from_card(path, file)).map(|file| depth(&file)).max();
        (0..deepest.unwrap_or(0)).for_each(|_| self.base.push("card"));
        let name = path.file_name().unwrap_or_default();
        self.card = Some(self.words(path, &self.base.join(name), &scrub_card)?);
        let seal = seals::path_of(path);
        if seal.is_file() {
            let name = seal.file_name().unwrap_or_default();
            self.words(&seal, &self.base.join(name), &scrub_card)?;
        }
        // Named by a path of this computer, the map lies beside the card, whose text then says so; its DBC goes with it.
        let text = std::fs::read_to_string(path).unwrap_or_default();
        let is_moved = beside.first().is_some_and(|map| map.is_absolute() && text.contains(&*map.to_string_lossy()));
        for file in beside {
            let name = PathBuf::from(file.file_name().unwrap_or_default());
            let place = from_card(path, &file).filter(|_| !is_moved);
            let place = place.and_then(|from_card| inside(&self.base.join(from_card)));
            let place = place.unwrap_or_else(|| self.base.join(name));
            self.words(&file, &place, &scrub)?;
        }
        Ok(())
    }

    /// A text at its place, its words scrubbed; gives its name in the bundle.
    fn words(&mut self, from: &Path, place: &Path, scrub: &dyn Fn(&str) -> String) -> Result<String, Fault> {
        let bytes = std::fs::read(from).map_err(|error| Fault::io(from, "read", &error))?;
        // A file's name is a word too; where card or map names the file, it is scrubbed there alike.
        let place = PathBuf::from(scrub(&place.to_string_lossy()));
        let place = place.as_path();
        let name = from.file_name().unwrap_or_default().to_string_lossy();
        let told = words_in(&name, &bytes, scrub);
        self.put(
            from,
            place,
            &bytes,
            &told,
            "what tells a place, a vehicle number or a folder of this computer was left out",
        )
    }

    fn put(&mut self, from: &Path, place: &Path, before: &[u8], told: &[u8], done: &str) -> Result<String, Fault> {
        let name = place.to_string_lossy().into_owned();
        if before != told {
            let digest = digest(from, Hasher::sha256())?.1;
            self.originals.push(Original { name: name.clone(), digest, changed: true });
            self.done.push(format!("{name}: {done}"));
        }
        disk::replace(&self.folder.join(place), told)?;
        Ok(name)
    }

    /// The course; with the positions of its places only where they tell no more than the bundle does.
    pub fn course(&mut self, positions: Option<f64>) -> Result<(), Fault> {
        let card = self.test.path.as_ref().zip(self.test.card.as_ref());
        let Some((card, path)) = card.and_then(|(path, card)| Some((path, card.course.as_deref()?))) else {
            return Ok(());
        };
        let Some(course) = self.test.options.course.as_ref() else { return Ok(()) };
        let document = Document::read(path)?;
        let tells = positions.is_none_or(|trim_km| self.is_near_an_end(course, trim_km * 1e3));
        let told = if tells { without_positions(&document.text).unwrap_or_default() } else { document.text.clone() };
        let told = String::from_utf8_lossy(&words_in("course.toml", told.as_bytes(), &scrub)).into_owned();
        if tells && positions.is_some() && course.places.iter().any(|place| place.position.is_some()) {
            self.done.push("the course has a place near a start or an end: its positions were left out".into());
        }
        let name = PathBuf::from(path.file_name().unwrap_or_default());
        let place = from_card(card, path).and_then(|from_card| inside(&self.base.join(from_card)));
        let place = PathBuf::from(scrub(&place.unwrap_or_else(|| self.base.join(name)).to_string_lossy()));
        let done = "the positions of its places were left out, and words that tell one";
        self.course = Some(self.put(path, &place, document.text.as_bytes(), told.as_bytes(), done)?);
        Ok(())
    }

    /// Whether a place of the course lies where positions are trimmed.
    fn is_near_an_end(&self, course: &Course, trim: f64) -> bool {
        let place = |at: Position| (at.latitude_deg, at.longitude_deg);
        let ends = self.test.runs.iter().flat_map(|run| run.fixes.first().into_iter().chain(run.fixes.last()));
        let ends: Vec<(f64, f64)> = ends.map(|fix| (fix.latitude, fix.longitude)).collect();
        let near = |at: Position| ends.iter().any(|end| geodesic(place(at), *end) < trim);
        course.places.iter().filter_map(|place| place.position).any(near)
    }

    /// The runs, each stripped.
    pub fn runs(&mut self, kept: &[(String, Unplaced)], frames: bool, trim_km: Option<f64>) -> Result<(), Fault> {
        for folder in &self.test.folders {
            let run = RunFolder::open(folder)?;
            let Ok(file) = RunFile::load(folder) else {
                self.done.push(format!("{} cannot be read and is not in the bundle", run.run));
                continue;
            };
            let name = format!("data/vehicle={}/run={}", file.vehicle, file.run);
            if scrub(&name) != name {
                let fault = Fault::whole(folder.display().to_string(), "its vehicle is named by a vehicle number");
                return Err(fault.remedy("ingest it again with another --vehicle"));
            }
            if self.runs.contains(&name) {
                continue;
            }
            let unplaced = kept.iter().find(|(known, _)| *known == file.run).map(|(_, unplaced)| unplaced);
            let in_place = in_place(unplaced.unwrap_or(&Unplaced::default()));
            let positions: Option<Window> = trim_km.map(|km| trim::window(folder, km * 1e3)).transpose()?;
            let bundled =
                strip(&run, &self.folder.join(&name), &Asked { frames, positions, scrub: &scrub }, &in_place)?;
            let run_json = Original {
                name: format!("{name}/run.json"),
                digest: Digest::Sha256(bundled.original_run_json_sha256),
                changed: true,
            };
            let originals = bundled.originals.into_iter().map(|original| {
                let name = format!("{name}/{}", original.name);
                Original { changed: self.folder.join(&name).exists(), name, digest: original.digest }
            });
            self.originals.push(run_json);
            self.originals.extend(originals);
            for done in bundled.done {
                if !self.done.contains(&done) {
                    self.done.push(done);
                }
            }
            self.runs.push(name);
        }
        self.originals.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(())
    }

    /// The published figures, as they were formed from the runs as recorded.
    pub fn figures(&self) -> Result<Value, Fault> {
        let mut value = self.test.reduction.to_value();
        let mut paths: Vec<(String, String)> = Vec::new();
        for folder in &self.test.folders {
            let Ok(file) = RunFile::load(folder) else { continue };
            let name = format!("./data/vehicle={}/run={}", file.vehicle, file.run);
            paths.push((folder.display().to_string(), name));
        }
        let beside = self.test.path.as_deref().and_then(Path::parent).map(|folder| folder.display().to_string());
        paths.extend(beside.filter(|folder| !folder.is_empty()).map(|folder| (format!("{folder}/"), String::new())));
        recompute::relabel(&mut value, &paths);
        scrubbed(&mut value);
        let path = self.folder.join(FIGURES);
        let text = serde_json::to_string_pretty(&value).map_err(|error| Fault::whole(FIGURES, error.to_string()))?;
        disk::replace(&path, format!("{text}\n").as_bytes())?;
        Ok(value)
    }

    /// What was left out, and what cannot be checked for that.
    pub fn says(&self, positions: Option<f64>, frames: bool) -> Vec<String> {
        let mut says = self.done.clone();
        let has_fixes = self.test.runs.iter().any(|run| !run.fixes.is_empty());
        says.push(match positions {
            _ if !has_fixes => "there were no satellite fixes".into(),
            None => "every figure is formed again from this, but for the step from positions to metres, places along the course and \
                     sums of directions: that was made when the bundle was packed, by the same program"
                .into(),
            Some(km) => format!(
                "positions within {km} km of way from the start and the end of each run were left out; all figures rest on the \
                 metres between fixes that were formed when the bundle was packed, by the same program; outside the trimmed way \
                 the step from positions to metres is taken again too"
            ),
        });
        if !frames {
            says.push("the step from raw frames to samples cannot be checked".into());
        }
        says
    }

    /// What this is and how to use it, for who opens the archive.
    pub fn read_me(&self, manifest: &Manifest) -> Result<(), Fault> {
        let mut text = format!(
            "A test of an electric car, packed by {} so that anyone can form its figures again:\n\n  drawdown reproduce FILE\n\n\
             The published figures are figures.json. The runs are Parquet in Hive partitions; every file and its SHA-256 is\n\
             listed in manifest.json. Unpacked, any reader of Parquet opens the tables, and the figures are formed by\n\n",
            manifest.program
        );
        let card = manifest.card.as_ref().map_or(String::new(), |card| format!("--card {card} "));
        text += &format!("  drawdown reduce {card}{}\n\nWhat was left out or changed:\n\n", manifest.runs.join(" "));
        manifest.says.iter().for_each(|said| text += &format!("- {said}\n"));
        disk::replace(&self.folder.join(READ_ME), text.as_bytes())?;
        Ok(())
    }
}

/// Scrubs every text of a result.
fn scrubbed(value: &mut Value) {
    match value {
        Value::String(text) => *text = scrub(text),
        Value::Array(values) => values.iter_mut().for_each(scrubbed),
        Value::Object(fields) => fields.values_mut().for_each(scrubbed),
        _ => {}
    }
}

fn in_place(unplaced: &Unplaced) -> InPlace {
    let row = |row: &unplaced::Row| {
        let (name, numbers) = row.cells();
        ((row.t * 1e6).round() as i64, name, numbers)
    };
    InPlace {
        rows: unplaced.rows.iter().map(row).collect(),
        names: &unplaced::BY,
        sums: serde_json::to_value(&unplaced.sums).unwrap_or_default(),
    }
}

/// Where the DBC lies that a map names.
fn dbc_beside(map: &Path) -> Option<PathBuf> {
    Some(map.parent()?.join(card::dbc_of(&Document::read(map).ok()?)?))
}

/// A file's path from the card's folder; `None` where only this computer knows it.
fn from_card(card: &Path, file: &Path) -> Option<PathBuf> {
    let folder = card.parent().unwrap_or(Path::new(""));
    let from_card = file.strip_prefix(folder).ok()?;
    from_card.is_relative().then(|| recompute::plain(from_card))
}

/// How many folders up a path begins.
fn depth(path: &Path) -> usize {
    path.components().take_while(|part| *part == Component::ParentDir).count()
}

/// A path of the bundle without `..`, if it stays among what lies beside the card.
fn inside(path: &Path) -> Option<PathBuf> {
    recompute::inside(Path::new(BESIDE_THE_CARD), path)
}
