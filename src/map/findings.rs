//! What is wrong with a map, gathered in one go over its two files.
//!
//! Decides nothing but the order: a person reads a file from the top.

use std::collections::BTreeSet;

use crate::document::{Fault, Place, Severity};

/// A line (counted from 1; 0 is the file as a whole) of the map or of its DBC.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct At {
    pub file: File,
    pub line: u64,
}

/// Which of the two files.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum File {
    Map,
    Dbc,
}

/// The faults so far.
#[derive(Debug)]
pub(super) struct Findings {
    map_name: String,
    dbc_name: String,
    faults: Vec<(At, Fault)>,
    /// Whether a fault stops all work with the map.
    pub stopped: bool,
    /// Whether the map's text was read whole; where it was not, a missing key may be one that was misspelt.
    pub read_whole: bool,
    left_out: BTreeSet<String>,
}

impl Findings {
    pub fn new(map_name: &str) -> Self {
        Self {
            map_name: map_name.to_owned(),
            dbc_name: String::new(),
            faults: Vec::new(),
            stopped: false,
            read_whole: true,
            left_out: BTreeSet::new(),
        }
    }

    pub fn name_dbc(&mut self, name: &str) {
        self.dbc_name = name.to_owned();
    }

    /// A fault that leaves something out.
    pub fn error(&mut self, at: At, what: impl Into<String>, remedy: impl Into<String>) {
        let fault = self.fault(at, what).remedy(remedy);
        self.faults.push((at, fault));
    }

    /// Said, and nothing or little is left out.
    pub fn warn(&mut self, at: At, what: impl Into<String>, remedy: impl Into<String>) {
        let fault = self.fault(at, what).remedy(remedy).warning();
        self.faults.push((at, fault));
    }

    /// A fault with which no work with the map is possible.
    pub fn stop(&mut self, at: At, what: impl Into<String>, remedy: impl Into<String>) {
        self.stopped = true;
        self.error(at, what, remedy);
    }

    /// A key that must be given and is not.
    pub fn missing(&mut self, at: At, what: impl Into<String>, remedy: impl Into<String>) {
        if self.read_whole {
            self.error(at, what, remedy);
        }
    }

    /// A fault in words of its own, already placed in the map's file.
    pub fn push(&mut self, fault: Fault) {
        let line = if let Place::Line(line) = fault.place { line } else { 0 };
        self.stopped |= fault.severity == Severity::Error;
        self.faults.push((At { file: File::Map, line }, fault));
    }

    /// Remembers a message, or a signal as `MESSAGE.Signal`, that was left out.
    pub fn leave_out(&mut self, name: &str) {
        self.left_out.insert(name.to_owned());
    }

    /// Whether a message or signal was left out, so that a role that wants it is told why.
    pub fn is_left_out(&self, name: &str) -> bool {
        self.left_out.contains(name)
    }

    /// How people call a place, seen from another: the line alone within one file.
    pub fn name_of(&self, at: At, seen_from: At) -> String {
        if at.file == seen_from.file {
            format!("line {}", at.line)
        } else {
            format!("{}:{}", self.file(at.file), at.line)
        }
    }

    /// The faults in the files' order.
    pub fn into_faults(mut self) -> Vec<Fault> {
        self.faults.sort_by_key(|(at, _)| *at);
        self.faults.into_iter().map(|(_, fault)| fault).collect()
    }

    fn file(&self, file: File) -> &str {
        match file {
            File::Map => &self.map_name,
            File::Dbc => &self.dbc_name,
        }
    }

    fn fault(&self, at: At, what: impl Into<String>) -> Fault {
        let place = if at.line == 0 { Place::Whole } else { Place::Line(at.line) };
        Fault::at(self.file(at.file), place, what)
    }
}
