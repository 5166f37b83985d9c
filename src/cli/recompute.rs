//! The figures of an unpacked bundle, formed again by this program: from its own files alone, whatever its card names.
//!
//! No command of its own. What a bundle holds was written by others: no path of its card, map or manifest is followed out of its
//! folder, no text of absurd length is read, and a table that makes the Parquet crate panic is a fault.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Component, Path, PathBuf};

use serde_json::Value;

use super::seals::{self, Finished};
use crate::card::{self, Card};
use crate::course::Course;
use crate::document::{Document, Fault};
use crate::format;
use crate::reduce::again::{Line, Verdict};
use crate::reduce::input::Fix;
use crate::reduce::unplaced::{self, Steps};
use crate::reduce::{self, Options};
use crate::store::bundle::Manifest;
use crate::store::bundle::archive;
use crate::store::run_file::RunFile;

/// No text of a test is longer, bytes.
const TEXT_MAX: u64 = 64 << 20;

/// Figures formed again.
pub struct Recomputed {
    /// As `drawdown reduce --json` gives them.
    pub value: Value,
    /// What could not be formed again, by the begin of its path in the JSON, and why.
    pub not_possible: Vec<(String, String)>,
    /// The step from positions to metres, taken again where positions are told.
    pub steps: Steps,
    /// What was wrong with card, course or runs.
    pub faults: Vec<String>,
}

/// Forms the figures of an unpacked bundle.
pub fn of(folder: &Path, manifest: &Manifest) -> Result<Recomputed, Fault> {
    for (name, path) in archive::files(folder)? {
        let length = std::fs::metadata(&path).map_or(0, |found| found.len());
        if !name.ends_with(".parquet") && length > TEXT_MAX {
            return Err(Fault::whole(name, "is too long for a text").remedy("do not trust this bundle"));
        }
    }
    // A damaged or hostile table can make the Parquet crate panic; that is told, without a trace of its own.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let formed = catch_unwind(AssertUnwindSafe(|| form(folder, manifest)));
    std::panic::set_hook(hook);
    formed.unwrap_or_else(|_| {
        let fault = Fault::whole("the bundle", "holds a table that cannot be read");
        Err(fault.remedy("ask for another copy of it"))
    })
}

fn form(folder: &Path, manifest: &Manifest) -> Result<Recomputed, Fault> {
    let mut faults = Vec::new();
    let (mut options, mut card) = (Options::default(), None);
    options.checkpoints =
        manifest.checkpoints.iter().copied().filter(|at| (0.0..100.0).contains(at)).take(100).collect();
    let windows =
        manifest.charge_windows.iter().copied().filter(|(from, to)| 0.0 <= *from && from < to && *to <= 100.0);
    options.charge_windows = windows.take(100).collect();
    let card_path = manifest.card.as_ref().map(|name| folder.join(name));
    if let Some(path) = &card_path {
        let (read, said) = Card::load(path);
        faults.extend(said);
        card = read;
    }
    if let Some(name) = &manifest.course {
        let (read, said) = Course::load(&folder.join(name));
        faults.extend(said);
        options.course = read;
    }
    let folders: Vec<PathBuf> = manifest.runs.iter().map(|run| folder.join(run)).collect();
    let loaded = reduce::load::counted(&folders, card.as_ref());
    faults.extend(loaded.faults);
    if loaded.runs.is_empty() {
        return Err(Fault::whole("the bundle", "holds no run that can be read").remedy("ask for another copy of it"));
    }
    let mut reduction = reduce::reduce(&loaded.runs, card.as_ref(), &options);
    let mut told: Vec<(String, Vec<Fix>)> = Vec::new();
    for run in folders.iter().filter(|_| manifest.positions) {
        if let (Ok(file), Ok(fixes)) = (RunFile::load(run), reduce::load::fixes(run)) {
            told.push((file.run, fixes));
        }
    }
    let steps = unplaced::steps(&loaded.runs, card.as_ref(), &options, &told);
    let mut not_possible = Vec::new();
    let mut is_sealed = false;
    if let Some((path, card)) = card_path.as_ref().zip(card.as_ref()) {
        let finished: Vec<Finished> = folders.iter().filter_map(|run| Finished::load(run).ok()).collect();
        // Without a seal there is nothing to judge it by.
        is_sealed = seals::path_of(path).exists() || folders.iter().any(|run| seals::path_in(run).exists());
        match if is_sealed { sealed_inside(folder, path, card) } else { Ok(()) } {
            Ok(()) => {
                let counted = reduction.counted.map(|(start, _)| start);
                let (verdict, said) = seals::judged(path, &finished, counted);
                reduction.seal = Some(verdict);
                reduction.problems.extend(said);
            }
            Err(why) => not_possible.push(("seal".to_owned(), why)),
        }
    }
    let changed = manifest.originals.iter().filter(|original| original.changed && is_sealed);
    if let Some(text) =
        changed.map(|original| &original.name).find(|name| Some(*name) == manifest.card.as_ref() || is_map(name))
    {
        not_possible.push((
            "seal".to_owned(),
            format!("words of {text} were changed, so it is no longer the file that was sealed"),
        ));
    }
    let mut value = reduction.to_value();
    let beside =
        card_path.as_deref().and_then(Path::parent).map(|beside| (format!("{}/", beside.display()), String::new()));
    let paths: Vec<_> = beside.into_iter().chain([(folder.display().to_string(), ".".to_owned())]).collect();
    relabel(&mut value, &paths);
    let faults = faults.iter().map(|fault| fault.to_string().replace(&*folder.display().to_string(), "."));
    Ok(Recomputed { value, not_possible, steps, faults: faults.collect() })
}

/// Whether a name is that of a map or a DBC beside the card.
fn is_map(name: &str) -> bool {
    name.starts_with(super::bundle::BESIDE_THE_CARD) && (name.ends_with(".toml") || name.ends_with(".dbc"))
}

/// Whether all that a seal is judged by lies in the bundle: the map that the card names, and the DBC that the map names.
fn sealed_inside(folder: &Path, path: &Path, card: &Card) -> Result<(), String> {
    let Some(map) = &card.map else { return Ok(()) };
    let inside = |path: &Path| inside(folder, path).filter(|path| path.is_file());
    let map = inside(map).ok_or("the map that the card names is not in the bundle")?;
    let document = Document::read(&map).map_err(|_| "the map that the card names cannot be read")?;
    if let Some(dbc) = card::dbc_of(&document) {
        let beside = map.parent().unwrap_or(path).join(dbc);
        inside(&beside).ok_or("the DBC that the map names is not in the bundle")?;
    }
    Ok(())
}

/// A path without `.` and `..`, if it lies in the folder.
pub fn inside(folder: &Path, path: &Path) -> Option<PathBuf> {
    let (folder, path) = (plain(folder), plain(path));
    path.starts_with(&folder).then_some(path)
}

/// A path without `.`, and `..` at its begin alone.
pub fn plain(path: &Path) -> PathBuf {
    let mut plain = PathBuf::new();
    for part in path.components() {
        match part {
            Component::ParentDir if plain.components().next_back().is_none_or(|last| last == Component::ParentDir) => {
                plain.push("..");
            }
            Component::ParentDir => drop(plain.pop()),
            Component::CurDir => {}
            other => plain.push(other),
        }
    }
    plain
}

/// Replaces begins of paths in every text of a result.
pub fn relabel(value: &mut Value, paths: &[(String, String)]) {
    match value {
        Value::String(text) => {
            for (from, to) in paths.iter().filter(|(from, _)| !from.is_empty()) {
                *text = with_begin(text, from, to);
            }
        }
        Value::Array(values) => values.iter_mut().for_each(|value| relabel(value, paths)),
        Value::Object(fields) => fields.values_mut().for_each(|value| relabel(value, paths)),
        _ => {}
    }
}

/// A text in which a path that is `from`, or begins with it, begins with `to`; within a word or another path it stays.
fn with_begin(text: &str, from: &str, to: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = 0;
    for (at, _) in text.match_indices(from) {
        let before = text[..at].chars().next_back();
        let after = text[at + from.len()..].chars().next();
        let begins = before.is_none_or(|c| c.is_whitespace() || "\"'`(".contains(c));
        let ends = from.ends_with('/') || after.is_none_or(|c| "/:\"'`)".contains(c));
        if begins && ends && at >= rest {
            out += &text[rest..at];
            out += to;
            rest = at + from.len();
        }
    }
    out + &text[rest..]
}

/// A line of the comparison, for people.
pub fn told(line: &Line) -> String {
    let shown = |value: &Option<Value>| match value {
        None => "nothing".to_owned(),
        Some(Value::Object(figure)) => format!("{} ± {}", figure["value"], figure["u95"]),
        Some(value) => {
            let text = value.to_string();
            match text.char_indices().nth(100) {
                Some((end, _)) => format!("{}...", &text[..end]),
                None => text,
            }
        }
    };
    let figure = &line.figure;
    match &line.verdict {
        Verdict::Equal => format!("{figure}: equal, {}", shown(&line.published)),
        Verdict::Near => format!("{figure}: equal within 1e-12, {}", shown(&line.published)),
        Verdict::Differs(off) => {
            let off = off.map_or(String::new(), |off| format!(", relative difference {}", parts(off)));
            format!("{figure}: published {}, now {}{off}", shown(&line.published), shown(&line.again))
        }
        Verdict::Missing => format!("{figure}: published {}, now not measured", shown(&line.published)),
        Verdict::Surplus => format!("{figure}: not published, now {}", shown(&line.again)),
        Verdict::NotPossible(why) => format!("{figure}: not formed again: {why}"),
    }
}

/// A relative difference, for people.
fn parts(off: f64) -> String {
    if off.is_finite() && off >= 1e-3 { format::share(off) } else { format!("{off:.1e}") }
}

#[cfg(test)]
mod tests {
    use super::with_begin;

    #[test]
    fn begins_of_paths_alone_are_replaced() {
        let text = "2027-03-14T06:15:02.5Z: ./run.json: bad; 16.9 kWh/100 km.";
        assert_eq!(with_begin(text, ".", "./data/run=1"), text.replace("./run", "./data/run=1/run"));
        assert_eq!(with_begin("a: of a car, 'a/run.json'", "a", "R"), "R: of a car, 'R/run.json'");
        assert_eq!(with_begin("/t/card.toml:3: x; b/t/c", "/t/", ""), "card.toml:3: x; b/t/c");
        assert_eq!(with_begin("éa é", "a", "R"), "éa é");
    }
}
