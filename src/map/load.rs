//! From a map's file, or its text, to the checked map and everything wrong with it.
//!
//! Opens the map and the DBC that it names, nothing else.

use std::path::{Path, PathBuf};

use super::checked::{Loaded, Map};
use super::findings::{At, File, Findings};
use super::from_written::Reader;
use super::written::MapForm;
use super::{check, dbc, roles};
use crate::digest::Hasher;
use crate::document::{Document, Fault};

/// Reads a signal map and the DBC that it names, a path seen from the map's folder.
pub fn load(path: &Path) -> Loaded {
    let document = match Document::read(path) {
        Ok(document) => document,
        Err(fault) => return Loaded { map: None, faults: vec![fault] },
    };
    let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
    build(&document, |named| {
        let path: PathBuf = folder.join(named);
        let bytes = std::fs::read(&path).map_err(|error| Fault::io(&path, "read", &error))?;
        Ok((path.display().to_string(), bytes))
    })
}

/// Reads a copy of a signal map whose DBC was copied beside it, whatever folder the map names.
pub fn load_copy(path: &Path) -> Loaded {
    let document = match Document::read(path) {
        Ok(document) => document,
        Err(fault) => return Loaded { map: None, faults: vec![fault] },
    };
    build(&document, |named| {
        let path = path.with_file_name(file_name(named));
        let bytes = std::fs::read(&path).map_err(|error| Fault::io(&path, "read", &error))?;
        Ok((path.display().to_string(), bytes))
    })
}

/// Reads a map from memory: its name and text, and name and text of the DBC that it wants, if any.
pub fn from_text(name: &str, text: &str, dbc: Option<(String, String)>) -> Loaded {
    build(&Document::from_text(name, text), |named| match &dbc {
        Some((name, text)) => Ok((name.clone(), text.clone().into_bytes())),
        None => Err(Fault::whole(named, "this DBC was not given with the map").remedy("give it")),
    })
}

fn build(document: &Document, read_dbc: impl Fn(&str) -> Result<(String, Vec<u8>), Fault>) -> Loaded {
    let mut findings = Findings::new(&document.name);
    let (form, faults) = document.parse_toml::<MapForm>();
    findings.read_whole = faults.is_empty();
    faults.into_iter().for_each(|fault| findings.push(fault));
    let Some(form) = form else { return Loaded { map: None, faults: findings.into_faults() } };

    let mut files = vec![(file_name(&document.name), document.text.clone().into_bytes())];
    let mut drafts = Vec::new();
    if let Some(named) = &form.dbc {
        match read_dbc(named.get_ref()) {
            Ok((name, bytes)) => {
                findings.name_dbc(&name);
                drafts = dbc::messages(&dbc::text_of(&bytes), &mut findings);
                files.push((file_name(&name), bytes));
            }
            Err(fault) => {
                let at = At { file: File::Map, line: document.line_of(named.span().start) };
                let remedy =
                    fault.remedy.clone().unwrap_or_else(|| "check the path, seen from the map's folder".into());
                findings.stop(at, format!("{}: {}", fault.file, fault.what), remedy);
                // Without it every role that needs it would be reported too.
                return Loaded { map: None, faults: findings.into_faults() };
            }
        }
    }
    drafts.extend(Reader { document, findings: &mut findings }.messages(&form));
    let messages = check::messages(drafts, &mut findings);
    let roles = roles::bind(&form, document, &messages, &mut findings);
    let soc_counts = roles::soc_counts(&form, &roles, document, &mut findings);
    if findings.read_whole && !findings.stopped {
        roles::warn_of_missing(&roles, &mut findings);
    }
    let digest = digest(&files);
    let map = Map { name: file_name(&document.name), digest, messages, roles, soc_counts, files };
    Loaded { map: (!findings.stopped).then_some(map), faults: findings.into_faults() }
}

fn file_name(path: &str) -> String {
    Path::new(path).file_name().map_or_else(|| path.to_owned(), |name| name.to_string_lossy().into_owned())
}

fn digest(files: &[(String, Vec<u8>)]) -> String {
    let mut hash = Hasher::sha256();
    files.iter().for_each(|(_, bytes)| hash.update(bytes));
    hash.finish().hex().to_owned()
}
