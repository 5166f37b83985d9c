//! A run whose raw frames were given up for room on the disk: it verifies, reduces and is ingested no worse, but for frames.
//!
//! What a full disk does is shown on the bench (`bash tests/trials/disk`).

use std::fs;

use drawdown::store::data_set::DataSet;
use drawdown::store::space;
use drawdown::time::WallClock;

use crate::identity::{ingest, short_recording};
use crate::support::{companion, scratch, stdout};

#[test]
fn a_run_without_its_frames_is_sound_and_gives_the_same_figures() {
    let folder = scratch();
    let data = folder.path().join("DATA");
    ingest(&short_recording(folder.path(), 60_000), &data, &[]);
    let run = data.join("vehicle=heron/run=20270314T061502Z");
    let reduced = || stdout(companion().arg("reduce").arg(&run).arg("--json"));
    let before = reduced();

    let now = WallClock::parse_iso("2027-04-01T12:00:00Z").expect("a time");
    let held = DataSet::open(&data).expect("the data set");
    let free = &mut || Ok(0);
    assert_eq!(space::make_room(&held, 1, now, free).expect("room").len(), 1);
    assert!(!run.join("frames").exists() && run.join("samples").exists() && run.join("trace").exists());
    assert_eq!(space::make_room(&held, 1, now, free).expect("room").len(), 0, "nothing else ever goes");
    assert!(fs::read_to_string(run.join("run.json")).expect("run.json").contains("free space was below the floor"));

    assert_eq!(reduced(), before);
    stdout(companion().arg("verify").arg(&data));
}
