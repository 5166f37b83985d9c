//! A run without what is nobody's business: positions, raw frames and replies, columns that no role reads, words that tell a place
//! or a vehicle number.
//!
//! The run that comes of it is a run like any other, its `run.json` sealed; `bundled` in it names every file of the original that
//! was left out or changed, with its digest. Forms nothing of what stands in for the positions: that is given.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;

use super::rewrite;
use super::scrub::{self, Syntax};
use crate::digest::{Digest, Hasher, sha256};
use crate::map::{self, Map};
use crate::schema::{ColumnKind, SCHEMA_VERSION, Table, tables};
use crate::store::data_set::RunFolder;
use crate::store::run_file::{self, Bundled, FileDigest, RunFile, SOURCE_FILES};
use crate::store::table_files::TableFiles;
use crate::store::trim::Window;
use crate::store::{StoreError, digest, disk};

/// The copy of the card's seal among a run's source files.
const SEAL: &str = "seal.toml";

/// What stands in for the places of a run's fixes.
#[derive(Clone, Debug, Default)]
pub struct InPlace {
    /// Rows of the table `way`: run time in us, the place of its name among [`InPlace::names`], the numbers in the order of its columns.
    pub rows: Vec<(i64, u8, [f64; 8])>,
    /// The names.
    pub names: &'static [&'static str],
    /// The rest, for `run.json`.
    pub sums: Value,
}

/// What is asked for.
#[derive(Clone, Copy)]
pub struct Asked<'a> {
    /// With raw frames and replies, and with them every column of the samples.
    pub frames: bool,
    /// With positions inside this window.
    pub positions: Option<Window>,
    /// Takes out of words what must not be told.
    pub scrub: &'a dyn Fn(&str) -> String,
}

/// Writes the run into the folder `to`, which is named like its own; gives what was left out or changed.
pub fn strip(run: &RunFolder, to: &Path, asked: &Asked<'_>, in_place: &InPlace) -> Result<Bundled, StoreError> {
    let path = run.path.join(run_file::NAME);
    let file = RunFile::load(&run.path)?;
    if file.bundled.is_some() {
        return Err(StoreError::refused(&path, "comes out of a bundle; pack the run that was recorded"));
    }
    let original = digest(&path, Hasher::sha256())?.1;
    let map = map::load_copy(&run.path.join(SOURCE_FILES).join(&file.map.name)).map;
    let mut strip = Strip { run, to, asked, file: &file, map, tables: Vec::new(), originals: Vec::new(), words: false };
    strip.all_tables(in_place)?;
    let (source_files, map) = strip.source_files()?;
    let Strip { tables, originals, words, .. } = strip;
    let bundled = Bundled {
        original_run_json_sha256: original.hex().to_owned(),
        originals,
        done: done(&file, asked, words),
        positions: asked.positions.is_some(),
        way: in_place.sums.clone(),
    };
    // Its tables are laid out, and told, as those of today.
    let mut stripped =
        RunFile { schema: SCHEMA_VERSION, tables, source_files, bundled: Some(bundled.clone()), ..file.clone() };
    if let Some(digest) = map {
        stripped.map.digest = digest;
    }
    words_of(&mut stripped, asked.scrub);
    stripped.save(to)?;
    Ok(bundled)
}

/// What was done, for people.
fn done(file: &RunFile, asked: &Asked<'_>, words: bool) -> Vec<String> {
    let has = |folder: &str| file.tables.iter().any(|table| table.folder == folder);
    let mut done = Vec::new();
    if has("fixes") {
        done.push(match asked.positions {
            None => "positions were left out; the table way holds the metres between them",
            Some(_) => {
                "positions around start and end were left out; the table way holds the metres between all of them"
            }
        });
    }
    if !asked.frames {
        if has("frames") || has("polls") {
            done.push("raw frames and replies were left out");
        }
        done.push("samples hold the signals of roles alone");
    }
    if has("supply") {
        done.push("the supply voltage was left out: no figure rests on it");
    }
    if words {
        done.push("words that tell a place or a vehicle number were left out");
    }
    done.into_iter().map(str::to_owned).collect()
}

/// What is done to a row: its run time, its numbers, its texts; whether anything was changed.
type Change<'a> = &'a mut dyn FnMut(i64, &mut [f64], &mut [String]) -> bool;

/// A run while it is stripped.
struct Strip<'a> {
    run: &'a RunFolder,
    to: &'a Path,
    asked: &'a Asked<'a>,
    file: &'a RunFile,
    map: Option<Map>,
    tables: Vec<TableFiles>,
    originals: Vec<FileDigest>,
    words: bool,
}

impl Strip<'_> {
    fn all_tables(&mut self, in_place: &InPlace) -> Result<(), StoreError> {
        let used = used(self.file);
        for table in &self.file.tables {
            let folder = &*table.folder;
            let kept = match folder {
                "trace" => self.placed(table, tables::trace())?,
                "fixes" if self.asked.positions.is_some() => self.placed(table, tables::fixes())?,
                "marks" => self.marks(table)?,
                "frames" | "polls" if self.asked.frames => self.copied(table)?,
                _ => match folder.strip_prefix("samples/message=").and_then(|message| used.get(message)) {
                    Some(_) if self.asked.frames => self.copied(table)?,
                    Some(columns) => self.samples(table, columns)?,
                    None => self.left_out(table),
                },
            };
            self.tables.extend(kept);
        }
        let way = rewrite::made(self.to, tables::way(), in_place.names, &in_place.rows)?;
        self.tables.extend(way);
        Ok(())
    }

    fn left_out(&mut self, table: &TableFiles) -> Option<TableFiles> {
        let inside = |file: &FileDigest| FileDigest { name: format!("{}/{}", table.folder, file.name), ..file.clone() };
        self.originals.extend(table.files.iter().map(inside));
        None
    }

    fn copied(&mut self, table: &TableFiles) -> Result<Option<TableFiles>, StoreError> {
        self.run.check(self.file, &table.folder)?;
        for file in &table.files {
            let name = format!("{}/{}", table.folder, file.name);
            if let Some(folder) = self.to.join(&name).parent() {
                disk::create_folder(folder)?;
            }
            disk::copy(&self.run.path.join(&name), &self.to.join(&name))?;
        }
        Ok(Some(table.clone()))
    }

    /// Writes a table with changed cells; one in which nothing changed is copied as it is.
    fn changed(
        &mut self,
        table: &TableFiles,
        schema: Table,
        change: Change<'_>,
    ) -> Result<Option<TableFiles>, StoreError> {
        self.run.check(self.file, &table.folder)?;
        let mut any = false;
        let written = rewrite::table(&self.run.path, self.to, schema, &mut |at, numbers, texts| {
            any |= change(at, numbers, texts);
        })?;
        if any {
            self.left_out(table);
            return Ok(written);
        }
        disk::remove_folder(&self.to.join(&table.folder))?;
        self.copied(table)
    }

    /// A table with positions, of which those of the window stay.
    fn placed(&mut self, table: &TableFiles, schema: Table) -> Result<Option<TableFiles>, StoreError> {
        let numbers = schema.columns.iter().filter(|c| matches!(c.kind, ColumnKind::Float | ColumnKind::Integer));
        let places = ["latitude", "longitude", "track"];
        let places: Vec<usize> =
            numbers.enumerate().filter(|(_, column)| places.contains(&&*column.name)).map(|(at, _)| at).collect();
        let window = self.asked.positions;
        self.changed(table, schema, &mut |at, numbers, _| {
            window.is_none_or(|window| !window.holds(at)) && take_out(numbers, &places)
        })
    }

    fn samples(&mut self, table: &TableFiles, used: &BTreeSet<String>) -> Result<Option<TableFiles>, StoreError> {
        let message = table.folder.strip_prefix("samples/message=").unwrap_or_default();
        let of_map = self.map.iter().flat_map(|map| &map.messages).find(|known| known.name == message);
        // Without its map, only what the roles read is known to be there.
        let schema = of_map.map_or_else(
            || tables::samples(message, used.iter().map(|name| (&**name, "", "as the map said"))),
            |message| message.table(),
        );
        let told = self.told(&schema);
        let words = told != schema;
        self.words |= words;
        let signals = schema.columns.iter().filter(|column| column.kind == ColumnKind::Float);
        let surplus: Vec<usize> =
            signals.enumerate().filter(|(_, column)| !used.contains(&column.name)).map(|(at, _)| at).collect();
        let is_new = of_map.is_none() || words;
        self.changed(table, told, &mut |_, numbers, _| take_out(numbers, &surplus) || is_new)
    }

    /// A table's columns with what map or DBC say of them scrubbed: it stands in the files' metadata.
    fn told(&self, schema: &Table) -> Table {
        let scrub = self.asked.scrub;
        let mut told = schema.clone();
        told.meaning = scrub(&told.meaning);
        for column in &mut told.columns {
            (column.unit, column.meaning) = (scrub(&column.unit), scrub(&column.meaning));
        }
        told
    }

    fn marks(&mut self, table: &TableFiles) -> Result<Option<TableFiles>, StoreError> {
        let scrub = self.asked.scrub;
        let mut any = false;
        let kept = self.changed(table, tables::marks(), &mut |_, _, texts| {
            let changed = texts.iter_mut().fold(false, |any, text| {
                let told = scrub(text);
                let changed = told != *text;
                *text = told;
                any || changed
            });
            any |= changed;
            changed
        })?;
        self.words |= any;
        Ok(kept)
    }

    /// The map, its DBC and the seal; the map's new digest where its words were changed. The configuration is left out.
    fn source_files(&mut self) -> Result<(Vec<FileDigest>, Option<Digest>), StoreError> {
        let of_map: Vec<String> =
            self.map.iter().flat_map(|map| &map.files).map(|(name, _)| base(name).to_owned()).collect();
        let mut kept = Vec::new();
        let mut bytes_of = BTreeMap::new();
        let mut any = false;
        for file in &self.file.source_files {
            let name = format!("{SOURCE_FILES}/{}", file.name);
            if !of_map.contains(&file.name) && file.name != self.file.map.name && file.name != SEAL {
                self.originals.push(FileDigest { name, ..file.clone() });
                continue;
            }
            let path = self.run.path.join(&name);
            let bytes = match std::fs::read(&path) {
                Ok(bytes) => bytes,
                // A run that lost its copy is packed without it: figures do not rest on it.
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                    self.originals.push(FileDigest { name, ..file.clone() });
                    continue;
                }
                Err(error) => return Err(StoreError::io(&path, "read", error)),
            };
            let told = words_in(&file.name, &bytes, self.asked.scrub);
            let told_name = (self.asked.scrub)(&file.name);
            let digest = Digest::Sha256(sha256(&told));
            if told != bytes {
                (self.words, any) = (true, true);
                self.originals.push(FileDigest { name: format!("{SOURCE_FILES}/{told_name}"), ..file.clone() });
            }
            disk::replace(&self.to.join(SOURCE_FILES).join(&told_name), &told)?;
            kept.push(FileDigest { name: told_name, digest });
            bytes_of.insert(file.name.clone(), told);
        }
        let mut both = Hasher::sha256();
        of_map.iter().filter_map(|name| bytes_of.get(name)).for_each(|bytes| both.update(bytes));
        Ok((kept, any.then(|| both.finish())))
    }
}

/// A file's text with its words scrubbed; what is no text is left as it is.
pub fn words_in(name: &str, bytes: &[u8], scrub: &dyn Fn(&str) -> String) -> Vec<u8> {
    let syntax = if name.to_lowercase().ends_with(".dbc") { Syntax::Dbc } else { Syntax::Toml };
    match std::str::from_utf8(bytes) {
        Ok(text) => scrub::in_words(text, syntax, scrub).into_bytes(),
        // A DBC of another encoding: byte for byte as Latin-1, which every byte is.
        Err(_) => {
            let text: String = bytes.iter().map(|byte| char::from(*byte)).collect();
            let told = scrub::in_words(&text, syntax, scrub);
            told.chars().map(|c| u8::try_from(c).unwrap_or(b'?')).collect()
        }
    }
}

fn base(name: &str) -> &str {
    name.rsplit('/').next().unwrap_or(name)
}

/// Makes cells null; whether any of them held something.
fn take_out(numbers: &mut [f64], places: &[usize]) -> bool {
    places.iter().fold(false, |any, at| {
        let held = numbers.get(*at).is_some_and(|number| number.is_finite());
        numbers.get_mut(*at).into_iter().for_each(|number| *number = f64::NAN);
        any || held
    })
}

/// The signals that roles read, by message.
fn used(file: &RunFile) -> BTreeMap<String, BTreeSet<String>> {
    let mut used: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for signal in file.roles.iter().flat_map(|role| role.signal.split(" - ")) {
        if let Some((message, signal)) = signal.split_once('.') {
            used.entry(message.to_owned()).or_default().insert(signal.to_owned());
        }
    }
    used
}

/// Scrubs the words of `run.json`.
fn words_of(file: &mut RunFile, scrub: &dyn Fn(&str) -> String) {
    let words = file.sources.iter_mut().map(|source| &mut source.name).chain([&mut file.map.name]);
    let words = words.chain(file.troubles.iter_mut().map(|trouble| &mut trouble.text));
    let words = words.chain(file.damage.iter_mut().flat_map(|d| std::iter::once(&mut d.source).chain(&mut d.first)));
    let words = words.chain(file.set_aside.iter_mut().map(|aside| &mut aside.why));
    words.for_each(|text| *text = scrub(text));
}
