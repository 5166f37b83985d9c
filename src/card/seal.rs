//! The seal of a card: digests and keys of card, map and rules at one moment, and what changed since.
//!
//! Reads the files that it digests, writes none and reads no clock. A seal is a tester's statement against himself; it is
//! no signature. `docs/card.md` says what it proves.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use serde::Deserialize;
use toml::Value;

use super::Card;
use crate::digest::{Hasher, sha256};
use crate::document::{Document, Fault};
use crate::time::{Span, WallClock};

/// Keys of the card that are rules: what counts, what is left out, what counts as held.
const RULES: [&str; 8] = [
    "counting.",
    "leave_out",
    "driving.leave_out",
    "driving.target",
    "driving.tolerance",
    "distance",
    "state_of_charge",
    "full_charge",
];
/// Longer values are cut where changes are told.
const VALUE_CHARS: usize = 48;

/// A file as it was when it was sealed.
#[derive(Clone, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SealedFile {
    /// Its name without folder.
    pub name: String,
    /// SHA-256 of its bytes in hex.
    pub sha256: String,
    /// Its keys and values; none of a DBC.
    #[serde(default)]
    pub keys: BTreeMap<String, String>,
}

/// What was sealed, and when.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Seal {
    /// When.
    pub at: WallClock,
    /// By which program.
    pub program: String,
    /// The code of the seal that this one replaces.
    pub follows: Option<String>,
    /// SHA-256 of the rules.
    pub rules: String,
    /// The card.
    pub card: SealedFile,
    /// The map that it names.
    pub map: Option<SealedFile>,
    /// The DBC that the map names.
    pub dbc: Option<SealedFile>,
    /// SHA-256 of the map's bytes followed by its DBC's: as runs name their map.
    pub map_and_dbc: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    sealed_at: String,
    program: String,
    follows: Option<String>,
    rules_sha256: String,
    map_and_dbc_sha256: Option<String>,
    card: SealedFile,
    map: Option<SealedFile>,
    dbc: Option<SealedFile>,
}

/// What happened to a key or a file after it was sealed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ChangeKind {
    /// Now there, with this value.
    Added(String),
    /// No longer there; it had this value.
    Removed(String),
    /// From one value to another.
    Changed(String, String),
    /// Its bytes changed and none of its keys: comments, layout, or a file without keys.
    Bytes,
}

/// A change after sealing.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Change {
    /// `card`, `map`, `DBC` or `rules`.
    pub of: &'static str,
    /// Which key; none where the file as a whole changed.
    pub key: Option<String>,
    /// What happened.
    pub kind: ChangeKind,
}

/// Whether a test is sealed.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Verdict {
    /// Sealed before the counted start.
    pub is_sealed: bool,
    /// Why, or why not.
    pub why: String,
    /// When, if there is a seal.
    pub at: Option<WallClock>,
    /// The seal's code.
    pub code: Option<String>,
    /// What changed since, in the order of rules, card, map, DBC; `None` where that is not known.
    pub changes: Option<Vec<Change>>,
}

impl Seal {
    /// What there is to seal of a card's file: itself, its map and the map's DBC as they are now.
    pub fn gather(path: &Path, at: WallClock, follows: Option<String>) -> Result<Self, Fault> {
        let document = Document::read(path)?;
        let folder = path.parent().unwrap_or(Path::new(""));
        let card = sealed_text(path, &document)?;
        let (read, _) = Card::parse(&document, folder);
        let mut seal = Self {
            at,
            program: concat!("drawdown ", env!("CARGO_PKG_VERSION")).into(),
            follows,
            rules: rules_digest(&card.keys),
            card,
            map: None,
            dbc: None,
            map_and_dbc: None,
        };
        if let Some(map) = read.and_then(|card| card.map) {
            let document = Document::read(&map)?;
            let mut both = Hasher::sha256();
            both.update(document.text.as_bytes());
            if let Some(dbc) = dbc_of(&document) {
                let path = map.parent().unwrap_or(Path::new("")).join(dbc);
                let bytes = std::fs::read(&path).map_err(|error| Fault::io(&path, "read", &error))?;
                both.update(&bytes);
                seal.dbc = Some(SealedFile { name: name_of(&path), sha256: sha256(&bytes), keys: BTreeMap::new() });
            }
            seal.map = Some(sealed_text(&map, &document)?);
            seal.map_and_dbc = Some(both.finish().hex().to_owned());
        }
        Ok(seal)
    }

    /// The seal's file.
    pub fn to_text(&self) -> String {
        let mut text = String::from(
            "# The seal of a test card, written by `drawdown card seal`. A change of any byte here changes its code.\n",
        );
        let mut line = |key: &str, value: &str| text.push_str(&format!("{key} = {}\n", quoted(value)));
        line("sealed_at", &self.at.iso());
        line("program", &self.program);
        if let Some(follows) = &self.follows {
            line("follows", follows);
        }
        line("rules_sha256", &self.rules);
        if let Some(both) = &self.map_and_dbc {
            line("map_and_dbc_sha256", both);
        }
        for (table, file) in [("card", Some(&self.card)), ("map", self.map.as_ref()), ("dbc", self.dbc.as_ref())] {
            let Some(file) = file else { continue };
            text.push_str(&format!("\n[{table}]\nname = {}\nsha256 = {}\n", quoted(&file.name), quoted(&file.sha256)));
            if !file.keys.is_empty() {
                text.push_str(&format!("\n[{table}.keys]\n"));
                for (key, value) in &file.keys {
                    text.push_str(&format!("{} = {}\n", quoted(key), quoted(value)));
                }
            }
        }
        text
    }

    /// Reads a seal's file.
    pub fn parse(document: &Document) -> Result<Self, Fault> {
        let (written, mut faults) = document.parse_toml::<Written>();
        let remedy = "it is no seal, or was edited; keep it as it was written";
        let Some(written) = written.filter(|_| faults.is_empty()) else {
            let fault =
                if faults.is_empty() { Fault::whole(&document.name, "cannot be read") } else { faults.remove(0) };
            return Err(fault.remedy(remedy));
        };
        let Some(at) = WallClock::parse_iso(&written.sealed_at) else {
            let fault = document.fault_at_key("sealed_at", format!("'{}' is no moment", written.sealed_at));
            return Err(fault.remedy(remedy));
        };
        let Written { program, follows, rules_sha256: rules, map_and_dbc_sha256: map_and_dbc, card, map, dbc, .. } =
            written;
        Ok(Self { at, program, follows, rules, card, map, dbc, map_and_dbc })
    }

    /// What is different now.
    pub fn changes(&self, now: &Self) -> Vec<Change> {
        let mut changes = Vec::new();
        if self.rules != now.rules {
            changes.push(Change { of: "rules", key: None, kind: ChangeKind::Bytes });
        }
        changes_of("card", Some(&self.card), Some(&now.card), &mut changes);
        changes_of("map", self.map.as_ref(), now.map.as_ref(), &mut changes);
        changes_of("DBC", self.dbc.as_ref(), now.dbc.as_ref(), &mut changes);
        changes
    }
}

fn changes_of(of: &'static str, then: Option<&SealedFile>, now: Option<&SealedFile>, changes: &mut Vec<Change>) {
    let (then, now) = match (then, now) {
        (None, None) => return,
        (Some(then), None) => {
            return changes.push(Change { of, key: None, kind: ChangeKind::Removed(then.name.clone()) });
        }
        (None, Some(now)) => return changes.push(Change { of, key: None, kind: ChangeKind::Added(now.name.clone()) }),
        (Some(then), Some(now)) => (then, now),
    };
    let before = changes.len();
    for (key, was) in &then.keys {
        let kind = match now.keys.get(key) {
            None => ChangeKind::Removed(was.clone()),
            Some(is) if is != was => ChangeKind::Changed(was.clone(), is.clone()),
            Some(_) => continue,
        };
        changes.push(Change { of, key: Some(key.clone()), kind });
    }
    for (key, is) in now.keys.iter().filter(|(key, _)| !then.keys.contains_key(*key)) {
        changes.push(Change { of, key: Some(key.clone()), kind: ChangeKind::Added(is.clone()) });
    }
    if changes.len() == before && then.sha256 != now.sha256 {
        changes.push(Change { of, key: None, kind: ChangeKind::Bytes });
    }
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let cut = |value: &str| match value.char_indices().nth(VALUE_CHARS) {
            Some((end, _)) => format!("{}...", &value[..end]),
            None => value.to_owned(),
        };
        let of = self.of;
        match (&self.key, &self.kind) {
            (Some(key), ChangeKind::Added(now)) => write!(f, "{of}: {key} was added, {}", cut(now)),
            (Some(key), ChangeKind::Removed(was)) => write!(f, "{of}: {key} was removed, {}", cut(was)),
            (Some(key), ChangeKind::Changed(was, now)) => {
                write!(f, "{of}: {key} was changed from {} to {}", cut(was), cut(now))
            }
            (Some(key), ChangeKind::Bytes) => write!(f, "{of}: {key} was changed"),
            (None, ChangeKind::Added(name)) => write!(f, "{of}: {name} was not sealed"),
            (None, ChangeKind::Removed(name)) => write!(f, "{of}: {name} is no longer named"),
            (None, ChangeKind::Changed(was, now)) => write!(f, "{of}: {was} was replaced by {now}"),
            (None, ChangeKind::Bytes) if of == "rules" => write!(f, "rules: what counts was changed after sealing"),
            (None, ChangeKind::Bytes) if of == "DBC" => write!(f, "DBC: the file was changed"),
            (None, ChangeKind::Bytes) => write!(f, "{of}: comments or layout were changed, no key"),
        }
    }
}

/// A seal's code, short enough to be published before the test: the first 64 bits of its digest, as `3f9a-1c02-77de-0b1e`.
pub fn code(seal_file: &[u8]) -> String {
    let digest = sha256(seal_file);
    let groups: Vec<&str> = (0..4).filter_map(|at| digest.get(at * 4..at * 4 + 4)).collect();
    groups.join("-")
}

/// Whether a test is sealed: by the seal and its code, by what its files are now, and by when counting started.
pub fn judge(seal: Option<(&Seal, String)>, now: Option<&Seal>, counted_start: Option<WallClock>) -> Verdict {
    let Some((seal, code)) = seal else {
        return Verdict { why: "there is no seal beside the card or in its runs".into(), ..Verdict::default() };
    };
    let at = seal.at.second();
    let (is_sealed, why) = match counted_start {
        None => (false, format!("the seal is of {at}, but when counting started is not known")),
        Some(start) if seal.at >= start => {
            (false, format!("the seal is of {at}, and counting started at {}", start.second()))
        }
        Some(start) => (true, format!("sealed at {at}, {} before counting started", ago(start - seal.at))),
    };
    let changes = now.map(|now| seal.changes(now));
    Verdict { is_sealed, why, at: Some(seal.at), code: Some(code), changes }
}

fn ago(span: Span) -> String {
    let minutes = (span.seconds() / 60.0).floor();
    match minutes {
        0.0..1.0 => "less than a minute".into(),
        1.0..120.0 => format!("{minutes} min"),
        minutes if minutes < 2_880.0 => format!("{} h", (minutes / 60.0).floor()),
        minutes => format!("{} days", (minutes / 1_440.0).floor()),
    }
}

fn sealed_text(path: &Path, document: &Document) -> Result<SealedFile, Fault> {
    let table: toml::Table = toml::from_str(&document.text).map_err(|error| {
        let what = error.message().trim_end().replace('\n', "; ");
        document.fault(error.span().map_or(0, |span| span.start), what)
    })?;
    let mut keys = BTreeMap::new();
    flatten("", &table, &mut keys);
    Ok(SealedFile { name: name_of(path), sha256: sha256(document.text.as_bytes()), keys })
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// The DBC that a map's text names, as it names it.
pub fn dbc_of(map: &Document) -> Option<String> {
    toml::from_str::<toml::Table>(&map.text).ok()?.get("dbc")?.as_str().map(str::to_owned)
}

fn flatten(path: &str, table: &toml::Table, keys: &mut BTreeMap<String, String>) {
    for (key, value) in table {
        flatten_value(&if path.is_empty() { key.clone() } else { format!("{path}.{key}") }, value, keys);
    }
}

/// Tables in a list go by their names where they have different ones, so that one more in between changes no other.
fn flatten_value(path: &str, value: &Value, keys: &mut BTreeMap<String, String>) {
    match value {
        Value::Table(table) if !table.is_empty() => flatten(path, table, keys),
        Value::Array(list) if !list.is_empty() && list.iter().all(Value::is_table) => {
            let name = |item: &Value| item.get("name").and_then(Value::as_str).map(str::to_owned);
            let mut names: Vec<Option<String>> = list.iter().map(name).collect();
            names.sort();
            let distinct = names.windows(2).all(|pair| pair[0] != pair[1]) && !names.contains(&None);
            for (index, item) in list.iter().enumerate() {
                let which = name(item).filter(|_| distinct).unwrap_or_else(|| (index + 1).to_string());
                flatten_value(&format!("{path}[{which}]"), item, keys);
            }
        }
        value => {
            keys.insert(path.to_owned(), text_of(value));
        }
    }
}

/// A value as one would write it.
pub(super) fn text_of(value: &Value) -> String {
    match value {
        Value::String(text) => quoted(text),
        Value::Integer(number) => number.to_string(),
        Value::Float(number) => number.to_string(),
        Value::Boolean(yes) => yes.to_string(),
        Value::Datetime(moment) => moment.to_string(),
        Value::Array(list) => format!("[{}]", list.iter().map(text_of).collect::<Vec<_>>().join(", ")),
        Value::Table(table) => {
            let entries = table.iter().map(|(key, value)| format!("{} = {}", quoted(key), text_of(value)));
            format!("{{ {} }}", entries.collect::<Vec<_>>().join(", "))
        }
    }
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from('"');
    for char in text.chars() {
        match char {
            '"' | '\\' => out.extend(['\\', char]),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            char if char.is_control() => out.push_str(&format!("\\u{:04X}", u32::from(char))),
            char => out.push(char),
        }
    }
    out + "\""
}

fn rules_digest(keys: &BTreeMap<String, String>) -> String {
    let mut digest = Hasher::sha256();
    for (key, value) in keys.iter().filter(|(key, _)| RULES.iter().any(|rule| key.starts_with(rule))) {
        digest.update(format!("{key} = {value}\n").as_bytes());
    }
    digest.finish().hex().to_owned()
}
