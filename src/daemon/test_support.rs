//! What the daemon's own tests share: a clock moved by hand, a configuration, frames, and what a data set holds.
//!
//! Nothing of it is in the program.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use super::{Config, Keeper, open_keeper};
use crate::document::Document;
use crate::map::Map;
use crate::observation::{Batch, Bus, BusNames, FrameFlags};
use crate::source::Clock;
use crate::store::data_set::{DataSet, RunFolder};
use crate::store::run_file::RunFile;
use crate::time::{Span, Steady, WallClock};

/// A clock that moves only when it is moved or waited on; the world's clock beside it can be set.
#[derive(Default)]
pub struct Hand {
    now: AtomicI64,
    wall_ahead: AtomicI64,
}

impl Hand {
    pub fn move_on(&self, span: Span) {
        self.now.fetch_add(span.0, Ordering::SeqCst);
    }
    pub fn set_wall(&self, iso: &str) {
        let wall = WallClock::parse_iso(iso).expect("a time");
        self.wall_ahead.store(wall.0 - self.now.load(Ordering::SeqCst), Ordering::SeqCst);
    }
    pub fn step_wall(&self, by: Span) {
        self.wall_ahead.fetch_add(by.0, Ordering::SeqCst);
    }
}

impl Clock for Hand {
    fn now(&self) -> Steady {
        Steady(self.now.load(Ordering::SeqCst))
    }
    fn wall(&self) -> WallClock {
        WallClock(self.now.load(Ordering::SeqCst) + self.wall_ahead.load(Ordering::SeqCst))
    }
    fn wait(&self, _: Span) {
        // Time does not pass, other threads do.
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
}

/// A scratch folder, in memory where there is such a place: thousands of syncs take no time there.
pub fn scratch() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).expect("a scratch folder")
}

pub fn map() -> Arc<Map> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("signal-maps/demo.toml");
    Arc::new(crate::map::load(&path).map.expect("the demo's map"))
}

/// A configuration for a data set in `folder`, with lines of its own.
pub fn config(folder: &Path, lines: &str) -> Config {
    let text = format!(
        "vehicle = 'heron'\ndata = 'DATA'\nmap = 'demo.toml'\nfree_space_floor_mb = 0\n{lines}\n[[source]]\nkind = 'socketcan'\ninterface = 'can0'\n"
    );
    let (config, faults) = Config::from_document(&Document::from_text("car.toml", &text), folder);
    assert!(faults.is_empty(), "{faults:?}");
    config.expect("a configuration")
}

pub fn keeper(config: &Config, clock: &Arc<Hand>) -> Keeper {
    open_keeper(config, &map(), &(Arc::clone(clock) as Arc<dyn Clock>)).expect("a keeper")
}

pub fn names() -> BusNames {
    let mut names = BusNames::default();
    names.intern("can0");
    names
}

/// `count` frames, `period` apart, of an identifier that the demo's map knows and of one that it does not.
pub fn frames(from: Steady, count: i64, period: Span) -> Batch {
    let mut batch = Batch::default();
    for index in 0..count {
        let at = from + Span(period.0 * index);
        let id = if index % 2 == 0 { 0x21A } else { 0x155 };
        batch.push(at, Bus(0), id, FrameFlags::default(), &(at.0 as u64).to_le_bytes());
    }
    batch
}

/// Every run of a data set by name; all finished, and the frames of each as many as it says.
pub fn runs(config: &Config) -> Vec<RunFile> {
    let runs = DataSet::open(&config.data).and_then(|data| data.runs()).expect("runs");
    runs.iter().map(sound).collect()
}

fn sound(run: &RunFolder) -> RunFile {
    assert!(!run.is_unfinished(), "{} is not finished", run.path.display());
    let file = run.read_run_file().expect("run.json");
    let rows: u64 = file.tables.iter().filter(|table| table.folder == "frames").map(|table| table.rows).sum();
    assert_eq!(rows, frames_of(&file), "{}", run.path.display());
    file.tables.iter().for_each(|table| run.check(&file, &table.folder).expect("the files listed"));
    file
}

pub fn frames_of(file: &RunFile) -> u64 {
    file.counts["frames"].as_u64().expect("frames")
}
