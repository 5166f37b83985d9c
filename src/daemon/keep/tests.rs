//! Faults of the disk and of the writer at every place where the store writes: nothing stops, nothing is lost or doubled.

use std::io::ErrorKind;

use super::*;
use crate::daemon::test_support::{Hand, config, frames, frames_of, keeper, names, runs, scratch};
use crate::store::data_set::RunFolder;
use crate::store::disk::faults::{self, Fault};

/// Frames of a drive, and how they come.
const SECONDS: i64 = 640;
const PERIOD: Span = Span::of_millis(100);
const AT_A_TIME: i64 = 5;

/// Drives for [`SECONDS`]: past two part boundaries. Holds back what comes while the keeper waits, as the queue would.
fn drive(keeper: &mut Keeper, clock: &Hand, mut each: impl FnMut(&Keeper, i64)) -> u64 {
    let (mut sent, mut held) = (0, Batch::default());
    held.rest.push(Stamped { at: clock.now(), item: Item::Anchor(clock.wall()) });
    let step = Span(PERIOD.0 * AT_A_TIME);
    for index in 0..Span::of_seconds(SECONDS).0 / step.0 {
        let from = clock.now();
        append(&mut held, &frames(from, AT_A_TIME, PERIOD));
        sent += AT_A_TIME as u64;
        clock.move_on(step);
        let mut limit = None;
        if keeper.waits().is_none() {
            keeper.take(&mut held, &names());
            limit = Some(clock.now());
        }
        keeper.turn(limit);
        each(keeper, index);
    }
    // Whatever waits now has time to go on.
    for _ in 0..100 {
        clock.move_on(Span::of_seconds(1));
        keeper.turn(None);
    }
    keeper.take(&mut held, &names());
    sent
}

/// Drives with a fault; the runs that come of it.
fn driven_with(
    part: &'static str,
    after: u32,
    times: u32,
    error: Option<ErrorKind>,
) -> Vec<crate::store::run_file::RunFile> {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    clock.set_wall("2027-03-14T06:15:02Z");
    let mut first = keeper(&config, &clock);
    faults::set(Fault { folder: config.data.clone(), part, after, times, error });
    let sent = drive(&mut first, &clock, |_, _| {});
    first.finish(Ended::Stopped, None);
    faults::clear(&config.data);
    // What could not be put right meanwhile is on the next start.
    keeper(&config, &clock).finish(Ended::Stopped, None);
    let found = runs(&config);
    let kept: u64 = found.iter().map(frames_of).sum();
    assert_eq!(kept, sent, "{part} after {after}, {times} times {error:?}: {} runs", found.len());
    found
}

#[test]
fn without_a_fault_a_drive_is_one_run() {
    let runs = driven_with("never", 0, 0, None);
    assert_eq!((runs.len(), runs[0].ended, runs[0].troubles.len()), (1, Ended::Stopped, 0));
}

#[test]
fn a_panic_wherever_the_store_writes_ends_a_run_and_not_the_recording() {
    for part in ["frames/part", "trace/part", "samples/", "journal/part", "journal/state", "run.json", "source-files"] {
        for after in [0, 4] {
            let runs = driven_with(part, after, 1, None);
            assert!(runs.len() <= 2, "{part} after {after}: {} runs", runs.len());
        }
    }
}

#[test]
fn a_disk_that_fails_or_fills_wherever_the_store_writes_loses_nothing_that_waited() {
    for part in ["frames/part", "trace/part", "samples/", "journal/part", "journal/state", "run.json", "source-files"] {
        for (after, times) in [(0, 1), (1, 7)] {
            for error in [ErrorKind::StorageFull, ErrorKind::Other] {
                driven_with(part, after, times, Some(error));
            }
        }
    }
}

#[test]
fn the_writers_panic_is_said_and_the_run_at_fault_is_recovered_at_once() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    clock.set_wall("2027-03-14T06:15:02Z");
    let mut keeper = keeper(&config, &clock);
    faults::set(Fault { folder: config.data.clone(), part: "frames/part", after: 0, times: 1, error: None });
    let sent =
        drive(&mut keeper, &clock, |keeper, _| assert!(keeper.waits().is_none(), "a single fault is not waited for"));
    keeper.wait_for_upkeep(&|| false);
    let first = config.data.join("vehicle=heron/run=20270314T061502Z");
    assert!(first.join("run.json").exists() && !first.join("journal").exists(), "recovered while recording goes on");
    keeper.finish(Ended::Stopped, None);
    let runs = runs(&config);
    assert_eq!((runs.len(), runs[0].ended, runs[1].ended), (2, Ended::Recovered, Ended::Stopped));
    assert_eq!(runs.iter().map(frames_of).sum::<u64>(), sent);
    // The first row group is written when the second minute begins.
    assert!((runs[0].duration_s - 60.0).abs() < 1.0, "{}", runs[0].duration_s);
    let said = &runs[1].troubles[0].text;
    assert!(said.contains("as the test wants") && said.contains("please report it"), "{said}");
}

#[test]
fn a_full_disk_is_said_and_waited_for() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    let mut keeper = keeper(&config, &clock);
    let data = &config.data;
    let full = Some(ErrorKind::StorageFull);
    let mut waited = 0;
    // Full from second 100 to second 160.
    let sent = drive(&mut keeper, &clock, |keeper, index| {
        match index {
            200 => faults::set(Fault { folder: data.clone(), part: "", after: 0, times: u32::MAX, error: full }),
            320 => faults::clear(data),
            _ => {}
        }
        if let Some(why) = keeper.waits() {
            assert!(why.starts_with("the disk is full: ") && why.ends_with("recording waits"), "{why}");
            waited += 1;
        }
    });
    // In steps of half a second; the disk is looked at every 3 s.
    assert!((118..=128).contains(&waited), "{waited}");
    keeper.finish(Ended::Stopped, None);
    let runs = runs(&config);
    assert_eq!((runs.len(), runs.iter().map(frames_of).sum::<u64>()), (2, sent));
    assert_eq!(runs[1].troubles.len(), 1, "said once: {:?}", runs[1].troubles);
}

#[test]
fn a_fault_that_comes_again_and_again_is_waited_for_ever_longer() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    let mut keeper = keeper(&config, &clock);
    // Nothing can be begun at all.
    faults::set(Fault { folder: config.data.clone(), part: "source-files", after: 0, times: u32::MAX, error: None });
    let mut tries = 0;
    let mut waits = false;
    drive(&mut keeper, &clock, |keeper, _| {
        tries += u32::from(waits && keeper.waits().is_none());
        waits = keeper.waits().is_some();
    });
    assert!(waits, "it is not given up");
    assert!(tries < 60, "{tries} tries");
    faults::clear(&config.data);
    keeper.finish(Ended::Stopped, None);
}

#[test]
fn what_a_cut_left_is_waited_for_and_damage_of_finished_runs_is_found_behind_it() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    clock.set_wall("2027-03-14T06:15:02Z");
    let mut first = keeper(&config, &clock);
    drive(&mut first, &clock, |_, _| {});
    first.finish(Ended::Stopped, None);
    let mut second = keeper(&config, &clock);
    let mut more = frames(clock.now(), 50, PERIOD);
    more.rest.push(Stamped { at: clock.now(), item: Item::Anchor(clock.wall()) });
    second.take(&mut more, &names());
    second.sync();
    // As a cut leaves it.
    drop(second);
    let found = DataSet::open(&config.data).and_then(|data| data.runs()).unwrap();
    assert_eq!(found.iter().map(RunFolder::is_unfinished).collect::<Vec<_>>(), [false, true]);
    let mut files = std::fs::read_dir(found[0].path.join("trace")).unwrap();
    let damaged = files.next().unwrap().unwrap().path();
    std::fs::File::options().write(true).open(&damaged).unwrap().set_len(10).unwrap();
    let third = keeper(&config, &clock);
    third.wait_for_cut_runs(&|| false);
    assert!(!found[1].is_unfinished(), "a replay may begin");
    third.wait_for_upkeep(&|| false);
    assert!(!damaged.exists(), "put aside");
    third.finish(Ended::Stopped, None);
    assert_eq!(runs(&config).iter().map(|run| run.set_aside.len()).collect::<Vec<_>>(), [1, 0]);
}
