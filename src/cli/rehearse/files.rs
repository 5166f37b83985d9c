//! What is driven in a rehearsal: scenario, course and map, each a file that was named or the demo's own, which the program brings.
//!
//! Reads and copies; drives nothing.

use std::path::{Path, PathBuf};

use super::{Arguments, Kind};
use crate::course::Course;
use crate::document::{Document, Fault};
use crate::map::Loaded;
use crate::rehearsal::{Rehearsal, Scenario};

/// A file of the demo, with the name it is known by.
type Own = (&'static str, &'static str);

const SCENARIO: Own = ("demo-scenario.toml", include_str!("../../../recordings/demo-scenario.toml"));
const MAP: Own = ("demo.toml", include_str!("../../../signal-maps/demo.toml"));
const DBC: Own = ("demo.dbc", include_str!("../../../signal-maps/demo.dbc"));

/// What was given; `None` stands for the demo's.
#[derive(Clone, PartialEq, Debug)]
pub struct Given {
    /// The scenario.
    pub scenario: Option<PathBuf>,
    /// The course; the scenario's own where none.
    pub course: Option<PathBuf>,
    /// The signal map.
    pub map: Option<PathBuf>,
}

impl Given {
    /// What the arguments name; `map`: that of a configuration.
    pub fn of(arguments: &Arguments, kind: Kind, map: Option<&Path>) -> Self {
        let what = || Some(arguments.what.clone());
        let map = arguments.map.clone().or(map.map(Path::to_owned));
        match kind {
            Kind::Course => Self { scenario: arguments.scenario.clone(), course: what(), map },
            Kind::Scenario => Self { scenario: what(), course: None, map },
        }
    }

    /// The scenario, and what is wrong with it.
    pub fn scenario(&self) -> (Option<Scenario>, Vec<Fault>) {
        match &self.scenario {
            Some(path) => Scenario::load(path),
            None => Scenario::parse(Document::from_text(SCENARIO.0, SCENARIO.1)),
        }
    }

    /// The map, and what is wrong with it.
    pub fn map(&self) -> Loaded {
        match &self.map {
            Some(path) => crate::map::load(path),
            None => crate::map::from_text(MAP.0, MAP.1, Some((DBC.0.into(), DBC.1.into()))),
        }
    }

    /// The course's file.
    pub fn course_path(&self, scenario: &Scenario) -> PathBuf {
        let folder = self.scenario.as_deref().and_then(Path::parent).unwrap_or(Path::new(""));
        self.course.clone().unwrap_or_else(|| folder.join(&scenario.course))
    }

    /// The car at its start.
    ///
    /// # Errors
    /// Every fault of all three files.
    pub fn rehearsal(&self) -> Result<Rehearsal, Vec<Fault>> {
        let (scenario, mut faults) = self.scenario();
        let course = scenario.as_ref().and_then(|scenario| {
            let (course, more) = Course::load(&self.course_path(scenario));
            faults.extend(more);
            course
        });
        let loaded = self.map();
        faults.extend(loaded.faults);
        match (scenario, course, loaded.map) {
            (Some(scenario), Some(course), Some(map)) if !faults.iter().any(Fault::is_error) => match self.course {
                Some(_) => Rehearsal::elsewhere(&scenario, &course, &map),
                None => Rehearsal::new(&scenario, &course, &map),
            },
            _ => Err(faults),
        }
    }

    /// The same with files for all, seen from anywhere: the demo's are copied into a folder.
    ///
    /// # Errors
    /// If a file can't be written, or a path can't be made absolute.
    pub fn in_files(&self, folder: &Path) -> Result<Self, Fault> {
        let whole = |path: &PathBuf| std::path::absolute(path).map_err(|error| Fault::io(path, "find", &error));
        let scenario = match &self.scenario {
            Some(path) => whole(path)?,
            None => copied(folder, SCENARIO)?,
        };
        let map = match &self.map {
            Some(path) => whole(path)?,
            None => copied(folder, DBC).and_then(|_| copied(folder, MAP))?,
        };
        let course = self.course.as_ref().map(whole).transpose()?;
        Ok(Self { scenario: Some(scenario), course, map: Some(map) })
    }
}

fn copied(folder: &Path, (name, text): Own) -> Result<PathBuf, Fault> {
    let path = std::path::absolute(folder.join(name)).map_err(|error| Fault::io(folder, "find", &error))?;
    std::fs::write(&path, text).map_err(|error| Fault::io(&path, "write", &error))?;
    Ok(path)
}
