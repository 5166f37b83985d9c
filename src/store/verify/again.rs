//! What the checks that compute again need: a run, its map, and which of its tables are there in full.
//!
//! Reads nothing.

use std::collections::BTreeSet;

use crate::map::Map;
use crate::store::data_set::RunFolder;
use crate::store::run_file::RunFile;

/// A finished run of which every page was read.
pub(super) struct Again<'a> {
    pub run: &'a RunFolder,
    pub file: &'a RunFile,
    pub map: &'a Map,
    /// The folders of tables that are as they were written.
    pub sound: &'a BTreeSet<String>,
}

impl Again<'_> {
    /// Whether `run.json` lists a table.
    pub fn lists(&self, folder: &str) -> bool {
        self.file.tables.iter().any(|table| table.folder == folder)
    }

    /// Whether a table can be relied on: listed and sound, or not listed because it never had a row.
    pub fn is_whole(&self, folder: &str) -> bool {
        let inside = format!("{folder}/");
        let aside = self.file.set_aside.iter().any(|aside| aside.file.starts_with(&inside));
        !aside && (self.sound.contains(folder) || !self.lists(folder))
    }

    /// The run's last moment, us.
    pub fn end(&self) -> i64 {
        (self.file.duration_s * 1e6).round() as i64
    }

    /// What to do about rows that do not follow from others; another program may have counted otherwise.
    pub fn remedy(&self) -> String {
        let now = concat!("drawdown ", env!("CARGO_PKG_VERSION"));
        if self.file.program == now {
            "keep the folder and compare with another copy of it".into()
        } else {
            format!("it was recorded by {}, this is {now}: verify it with that version too", self.file.program)
        }
    }
}
