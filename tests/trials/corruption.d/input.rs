//! The runs that the trial `corruption` damages: small, invented, of every kind that a data set may hold.
//!
//! Makes and keeps them in memory; damages nothing.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use drawdown::observation::{Batch, BusNames, CanId, Fix, FrameFlags, Item, Mark, MarkKind, Reply, Stamped};
use drawdown::store::StoreError;
use drawdown::store::recorder::{Durability, Plan, Recorder};
use drawdown::store::run_file::{Ended, MadeBy};
use drawdown::time::{Span, Steady, WallClock};

/// A run's files by their paths inside its folder.
pub type Files = BTreeMap<String, Vec<u8>>;

const MAP: &str = r#"dbc = "heron.dbc"
[[poll]]
name = "WARMTH"
request_id = 0x7E4
response_id = 0x7EC
service = 1
identifier = 0x46
period_s = 5
[[poll.signal]]
name = "Outside"
start = 7
length = 8
byte_order = "big"
offset = -40
unit = "degC"
[roles.pack_voltage]
signal = "PACK.Volts"
tolerance = { gain = 0.005, offset = 0.2, basis = "data sheet" }
[roles.pack_current]
signal = "PACK.Amps"
positive = "charge"
tolerance = { gain = 0.01, offset = 0.5, basis = "data sheet" }
[roles.speed]
signal = "MOTION.Pace"
[roles.soc]
signal = "MOTION.Charge"
[roles.ambient_temperature]
signal = "WARMTH.Outside"
"#;

const DBC: &str = "VERSION \"\"\nBU_: X\nBO_ 256 PACK: 4 X\n SG_ Volts : 0|16@1+ (0.1,0) [0|6000] \"V\" X\n \
    SG_ Amps : 16|16@1- (0.1,0) [-1000|1000] \"A\" X\nBO_ 512 MOTION: 3 X\n SG_ Pace : 0|16@1+ (0.01,0) [0|300] \"km/h\" X\n \
    SG_ Charge : 16|8@1+ (0.5,0) [0|100] \"%\" X\n";

const ORIGIN: Steady = Steady(1_000_000);

/// Which run.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Base {
    /// Finished, with raw frames, three parts long.
    Whole,
    /// Finished by a daemon, without raw frames.
    NoFrames,
    /// Cut after two parts and 40 s.
    CutLate,
    /// Cut after 45 s, in its first part.
    CutEarly,
}

impl Base {
    pub const ALL: [Self; 4] = [Self::Whole, Self::NoFrames, Self::CutLate, Self::CutEarly];

    /// Whether it was cut.
    pub fn is_cut(self) -> bool {
        matches!(self, Self::CutLate | Self::CutEarly)
    }

    fn seconds(self) -> i64 {
        if self == Self::CutEarly { 45 } else { 640 }
    }

    /// Its files.
    pub fn make(self, folder: &Path) -> Result<Files, StoreError> {
        match self {
            Self::CutLate | Self::CutEarly => drop(record(folder, self, self.seconds())?),
            _ => drop(record(folder, self, self.seconds())?.finish(Ended::Quiet, None)?),
        }
        Ok(read(folder))
    }

    /// The first seconds of the same drive as a finished run; at a part boundary, as one that was cut when the first
    /// observation behind it had come and was not yet synced: such a run goes up to the boundary.
    pub fn prefix(self, folder: &Path, seconds: i64) -> Result<(), StoreError> {
        let seconds = seconds.min(self.seconds());
        let mut recorder = record(folder, self, seconds)?;
        if seconds % 300 > 0 {
            return recorder.finish(Ended::Recovered, None).map(drop);
        }
        let (mut batch, names) = second(seconds);
        recorder.take(&mut batch, &names)?;
        drop(recorder);
        Recorder::recover(folder).map(drop)
    }
}

fn record(folder: &Path, base: Base, seconds: i64) -> Result<Recorder, StoreError> {
    let map = drawdown::map::from_text("heron.toml", MAP, Some(("heron.dbc".into(), DBC.into()))).map;
    let map = map.unwrap_or_else(|| panic!("the trial's own map is faulty"));
    let mut plan = Plan::new(Arc::new(map), "heron", MadeBy::Daemon, Vec::new());
    plan.durability = if base == Base::Whole { Durability::AtTheEnd } else { Durability::Journal };
    plan.record_frames = base != Base::NoFrames;
    plan.sync_every = Some(Span::of_seconds(1));
    plan.files.push(("daemon.toml".into(), b"vehicle = 'heron'\n".to_vec()));
    let mut recorder = Recorder::begin(folder, &Arc::new(plan), ORIGIN, WallClock(1_805_000_000_000_000))?;
    for s in 0..seconds {
        let (mut batch, names) = second(s);
        recorder.take(&mut batch, &names)?;
        recorder.sync()?;
    }
    Ok(recorder)
}

/// The observations of one second.
fn second(s: i64) -> (Batch, BusNames) {
    let mut names = BusNames::default();
    let buses = ["can0", "can1"].map(|name| names.intern(name).unwrap_or_default());
    let at = |tick: i64, step: i64| Steady(ORIGIN.0 + s * 1_000_000 + tick * step);
    let mut frames = Vec::new();
    for tick in 0..4 {
        let amps = (((s * 37 + tick * 11) % 900) as i16 - 700).to_le_bytes();
        let volts = (4_000 - s as u16).to_le_bytes();
        frames.push((at(tick, 250_000), buses[0], 0x100, [volts, amps].concat()));
    }
    for tick in 0..2 {
        let pace = 11_000 + ((s * 13 + tick) % 200) as u16;
        let charge = 190 - (s / 20) as u8;
        frames.push((at(tick, 500_000), buses[1], 0x200, [&pace.to_le_bytes()[..], &[charge]].concat()));
    }
    frames.push((at(7, 100_000), buses[0], 0x333, vec![s as u8; 8]));
    frames.sort_by_key(|(at, bus, ..)| (*at, *bus));
    let mut batch = Batch::default();
    for (at, bus, id, payload) in frames {
        batch.push(at, bus, id, FrameFlags(0), &payload);
    }
    let mut put = |tick: i64, item: Item| batch.rest.push(Stamped { at: at(tick, 100_000), item });
    let fix = Fix {
        latitude_deg: Some(50.0 + s as f64 * 2.7e-4),
        longitude_deg: Some(8.0),
        speed_mps: Some(30.0),
        mode: 3,
        ..Fix::default()
    };
    put(1, Item::Fix(fix));
    if s % 10 == 0 {
        put(2, Item::Supply(13.4 + (s % 7) as f64 * 0.01));
    }
    if s % 5 == 0 {
        let payload = vec![0x41, 0x46, 60 + (s / 100) as u8];
        let (from, request) = (CanId::Standard(0x7EC), vec![1, 0x46]);
        put(3, Item::Reply(Reply { bus: buses[0], from, request, payload }));
    }
    if s % 60 == 0 {
        put(4, Item::Mark(Mark { kind: MarkKind::Note, value: None, text: format!("after {s} s") }));
    }
    (batch, names)
}

/// Every file below a folder.
pub fn read(folder: &Path) -> Files {
    let mut found = Files::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if let (Ok(inside), Ok(bytes)) = (path.strip_prefix(folder), fs::read(&path)) {
                found.insert(inside.to_string_lossy().into_owned(), bytes);
            }
        }
    }
    found
}

/// Puts files where nothing else is.
pub fn write(folder: &Path, files: &Files) -> std::io::Result<()> {
    if folder.exists() {
        fs::remove_dir_all(folder)?;
    }
    for (name, bytes) in files {
        let path = folder.join(name);
        fs::create_dir_all(path.parent().unwrap_or(folder))?;
        fs::write(path, bytes)?;
    }
    Ok(())
}
