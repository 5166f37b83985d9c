//! A finished run's files: those that `run.json` lists are there byte for byte and in the one schema, and no others.
//!
//! Computes no sample and no sum.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::{COPY_AGAIN, Report, reason};
use crate::digest::Hasher;
use crate::map::Map;
use crate::schema::{Table, tables};
use crate::store::data_set::RunFolder;
use crate::store::parts::{entries, table_folders};
use crate::store::run_file::{RunFile, SOURCE_FILES};
use crate::store::schema_of::FileSchema;
use crate::store::table_files::TableFiles;
use crate::store::{StoreError, check_file, digest, disk, journal, reader};

/// Of a file whose digest is another.
const OTHER_BYTES: &str = "its digest is not the one in run.json";

/// Checks all files; the folders of the tables that are sound.
pub(super) fn check(
    run: &RunFolder,
    file: &RunFile,
    map: Option<&Map>,
    report: &mut Report,
    progress: &mut dyn FnMut(u64),
) -> Result<BTreeSet<String>, StoreError> {
    source_files(run, file, report);
    let mut sound = BTreeSet::new();
    for table in &file.tables {
        let faults = report.faults.len();
        one_table(run, file, table, schema(run, &table.folder, map)?.as_ref(), report, progress);
        if report.faults.len() == faults {
            sound.insert(table.folder.clone());
        }
        report.rows += table.rows;
        report.bytes += table.bytes;
    }
    unlisted(run, file, report)?;
    left_over(run, report)?;
    Ok(sound)
}

/// The run's own copies of map, DBC and configuration.
fn source_files(run: &RunFolder, file: &RunFile, report: &mut Report) {
    for listed in &file.source_files {
        let path = run.path.join(SOURCE_FILES).join(&listed.name);
        match listed.is_of(&path) {
            Ok(true) => {}
            Ok(false) => report.damaged(&path, OTHER_BYTES.into(), COPY_AGAIN),
            Err(error) => report.damaged(&path, reason(&error), COPY_AGAIN),
        }
    }
}

/// The schema of a table by its folder; `None` for samples that no map tells of.
fn schema(run: &RunFolder, folder: &str, map: Option<&Map>) -> Result<Option<FileSchema>, StoreError> {
    let fixed = [
        tables::frames(),
        tables::trace(),
        tables::fixes(),
        tables::polls(),
        tables::supply(),
        tables::marks(),
        tables::way(),
    ];
    let of_map = map.into_iter().flat_map(|map| map.messages.iter().map(|message| message.table()));
    let table: Option<Table> = fixed.into_iter().chain(of_map).find(|table| table.folder == folder);
    table.map(|table| FileSchema::new(table, &run.path)).transpose()
}

fn one_table(
    run: &RunFolder,
    file: &RunFile,
    table: &TableFiles,
    schema: Option<&FileSchema>,
    report: &mut Report,
    progress: &mut dyn FnMut(u64),
) {
    let folder = run.path.join(&table.folder);
    let remedy = remedy(file, &table.folder);
    if schema.is_none() {
        report.notes.push(format!("{}: no map tells its columns, which were not held against it", table.folder));
    }
    let (mut rows, mut bytes) = (0, 0);
    let mut moments = Moments::new(&table.folder, (file.duration_s * 1e6).round() as i64);
    let faults = report.faults.len();
    for listed in &table.files {
        let path = folder.join(&listed.name);
        let (length, digest) = match digest(&path, Hasher::like(&listed.digest)) {
            Ok(found) => found,
            Err(error) => {
                report.damaged(&path, reason(&error), &remedy);
                continue;
            }
        };
        bytes += length;
        progress(length);
        let read = check_file::pages(&path, schema, |times| moments.take(times));
        match read {
            Ok(found) if digest == listed.digest => rows += found,
            Ok(_) => report.damaged(&path, OTHER_BYTES.into(), &remedy),
            Err(error) if digest == listed.digest => report.damaged(&path, reason(&error), &remedy),
            Err(error) => {
                let what = format!("{OTHER_BYTES}; {}", reason(&error));
                report.damaged(&path, what, &remedy);
            }
        }
    }
    if report.faults.len() > faults {
        return;
    }
    if (rows, bytes) != (table.rows, table.bytes) {
        let what = format!("has {rows} rows in {bytes} bytes, run.json says {} in {}", table.rows, table.bytes);
        report.fault(&folder, what, COPY_AGAIN);
    }
    let order = if table.folder == "frames" { frames_in_order(&run.path) } else { Ok(None) };
    match order.map(|found| moments.wrong.or(found)) {
        Ok(None) => {}
        Ok(Some(what)) => report.fault(&folder, what, "keep the folder; what rests on this table cannot be relied on"),
        Err(error) => report.faults.push(error.into()),
    }
}

/// What to do about a damaged table: what the run's own frames give can be made again.
fn remedy(file: &RunFile, folder: &str) -> String {
    let has_frames = file.tables.iter().any(|table| table.folder == "frames");
    if has_frames && (folder == "trace" || folder.starts_with("samples/")) {
        let (map, vehicle) = (&file.map.name, &file.vehicle);
        format!(
            "copy it again from where it was recorded, or make the run again from its frames: \
            `drawdown ingest RUN --map RUN/{SOURCE_FILES}/{map} --vehicle {vehicle} --into NEW`"
        )
    } else {
        COPY_AGAIN.into()
    }
}

/// The run times of a table, as they come.
struct Moments {
    frames: bool,
    last: i64,
    end: i64,
    wrong: Option<String>,
}

impl Moments {
    fn new(folder: &str, end: i64) -> Self {
        Self { frames: folder == "frames", last: 0, end, wrong: None }
    }

    /// A row group's. Within one of frames the order is another; between groups it is time.
    fn take(&mut self, times: &[i64]) {
        let (least, most) = (times.iter().min(), times.iter().max());
        let (Some(&least), Some(&most)) = (least, most) else { return };
        let wrong = if least < 0 || most > self.end {
            let outside = if least < 0 { least } else { most };
            Some(format!("a row at {outside} us, the run goes from 0 to {} us", self.end))
        } else if least < self.last || !(self.frames || times.is_sorted()) {
            Some(format!("a row at {least} us or after it is earlier than one before it"))
        } else {
            None
        };
        self.last = self.last.max(most);
        self.wrong = self.wrong.take().or(wrong);
    }
}

/// What is wrong with the order of the frames: by bus name, identifier, time within a row group.
fn frames_in_order(run_folder: &Path) -> Result<Option<String>, StoreError> {
    let mut wrong = None;
    reader::read_floats(run_folder, "frames", &["bus", "id"], |chunk| {
        let [buses, ids] = chunk.columns else { return };
        let names = &chunk.names[0];
        let key = |row: usize| (names.get(buses[row] as usize), ids[row] as i64, chunk.t_us[row]);
        let bad = (1..chunk.t_us.len()).find(|row| key(row - 1) > key(*row));
        if let Some(row) = bad.filter(|_| wrong.is_none()) {
            wrong = Some(format!("the frame at {} us stands out of order in its row group", chunk.t_us[row]));
        }
    })?;
    Ok(wrong)
}

/// Files in the tables' folders that `run.json` does not list.
fn unlisted(run: &RunFolder, file: &RunFile, report: &mut Report) -> Result<(), StoreError> {
    let listed: BTreeSet<PathBuf> = file
        .tables
        .iter()
        .flat_map(|table| table.files.iter().map(|listed| run.path.join(&table.folder).join(&listed.name)))
        .collect();
    let removed: Vec<PathBuf> = file.removed.iter().map(|table| run.path.join(&table.folder)).collect();
    for table in table_folders(&run.path)? {
        if removed.contains(&table) {
            report.notes.push(format!("{} was given up for room; a cut left it there", table.display()));
            continue;
        }
        for path in entries(&table)? {
            if !listed.contains(&path) && !disk::is_temporary(&path) {
                report.fault(&path, "run.json does not list it", "move it out of the run's folder");
            }
        }
    }
    Ok(())
}

/// Left-overs that are no fault: what a program that was cut would have removed.
pub(super) fn left_over(run: &RunFolder, report: &mut Report) -> Result<(), StoreError> {
    let mut folders = table_folders(&run.path)?;
    folders.extend([run.path.clone(), run.path.join(SOURCE_FILES), run.path.join(journal::FOLDER)]);
    for folder in folders {
        for path in entries(&folder)? {
            let inside = path.strip_prefix(&run.path).unwrap_or(&path).display();
            if disk::is_temporary(&path) {
                report.notes.push(format!("{inside} is a left-over of a cut; the daemon's next start removes it"));
            } else if path.ends_with(".journal-dropped") {
                report
                    .notes
                    .push(format!("{inside} is the journal of the finished run; the daemon's next start removes it"));
            }
        }
    }
    Ok(())
}
