//! Part files of a table: their names, and which of them count.
//!
//! `part-00003.parquet` holds part 3; `part-00000-00011.parquet` holds parts 0 to 11, merged. A file whose parts another
//! file covers is a left-over of a merge that was cut short: it is never read, and removed on the next start.

use std::path::{Path, PathBuf};

use super::StoreError;

/// A part file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Part {
    /// The first part in it.
    pub from: u32,
    /// The last part in it.
    pub to: u32,
    /// Where it is.
    pub path: PathBuf,
}

/// The file name of parts `from` to `to`.
pub fn file_name(from: u32, to: u32) -> String {
    if from == to { format!("part-{from:05}.parquet") } else { format!("part-{from:05}-{to:05}.parquet") }
}

fn parse(name: &str) -> Option<(u32, u32)> {
    let range = name.strip_prefix("part-")?.strip_suffix(".parquet")?;
    let number = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse().ok()).flatten();
    let (from, to) = match range.split_once('-') {
        Some((from, to)) => (number(from)?, number(to)?),
        None => (number(range)?, number(range)?),
    };
    (from <= to).then_some((from, to))
}

/// The part files of a table in order, and those that others cover. A folder that is not there has none.
pub fn list(folder: &Path) -> Result<(Vec<Part>, Vec<Part>), StoreError> {
    let mut all = Vec::new();
    for entry in entries(folder)? {
        if let Some((from, to)) = entry.file_name().and_then(|name| name.to_str()).and_then(parse) {
            all.push(Part { from, to, path: entry });
        }
    }
    all.sort_by_key(|part| (part.from, std::cmp::Reverse(part.to)));
    let mut next = 0;
    Ok(all.into_iter().partition(|part| {
        let counts = part.from >= next;
        next = next.max(part.to.saturating_add(1));
        counts
    }))
}

/// The paths in a folder, sorted; none if it is not there.
pub(super) fn entries(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let reading = match std::fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other.map_err(|error| StoreError::io(folder, "list", error))?,
    };
    let mut paths = reading
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| StoreError::io(folder, "list", error))?;
    paths.sort();
    Ok(paths)
}

/// The folders inside a run's that hold a table, sorted: `frames`, `samples/message=PACK_FAST`, ...
pub fn table_folders(run_folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut tables = Vec::new();
    for entry in entries(run_folder)? {
        match entry.file_name().and_then(|name| name.to_str()) {
            Some("frames" | "trace" | "fixes" | "polls" | "supply" | "marks" | "way") => tables.push(entry),
            Some("samples") => tables.extend(entries(&entry)?),
            _ => {}
        }
    }
    Ok(tables)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn covered_parts_do_not_count() {
        let folder = tempfile::tempdir().unwrap();
        for name in [
            "part-00000.parquet",
            "part-00000-00002.parquet",
            "part-00001.parquet",
            "part-00003.parquet",
            "part-1-0.parquet",
            "x",
            "part-00004.parquet.tmp",
        ] {
            std::fs::write(folder.path().join(name), "").unwrap();
        }
        let (counting, covered) = list(folder.path()).unwrap();
        let ranges = |parts: &[Part]| parts.iter().map(|part| (part.from, part.to)).collect::<Vec<_>>();
        assert_eq!(ranges(&counting), [(0, 2), (3, 3)]);
        assert_eq!(ranges(&covered), [(0, 0), (1, 1)]);
        assert_eq!(list(&folder.path().join("none")).unwrap(), (vec![], vec![]));
    }
}
