//! Whole drives from sources made for the test: faults while recording, and clocks that are wrong, late, or stepped.

use std::io::ErrorKind;
use std::sync::atomic::AtomicU64;
use std::time::{Duration, Instant};

use super::*;
use crate::daemon::test_support::{Hand, config, frames, frames_of, keeper, map, names, runs, scratch};
use crate::daemon::{open_keeper, status};
use crate::observation::Bus as BusIndex;
use crate::source::live::{Failure, Live, Outlet};
use crate::source::{Clock, SystemClock};
use crate::store::disk::faults::{self, Fault};
use crate::store::run_file::{Ended, RunFile};
use crate::time::WallClock;

/// Sends a frame a millisecond by its own clock until stopped, and counts.
struct Bus(Arc<AtomicU64>);

impl Live for Bus {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        outlet.reading();
        let mut next = outlet.now();
        while !outlet.stopping() {
            let now = outlet.now();
            let count = (now - next).0 / 1_000;
            outlet.send(&mut frames(next, count, Span::of_millis(1)));
            self.0.fetch_add(count as u64, Ordering::SeqCst);
            next = next + Span::of_millis(count);
            outlet.pause(Span::of_millis(5));
        }
        Ok(())
    }
}

fn wait_for(what: &str, mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < Duration::from_secs(20), "{what} did not happen");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A disk that fills, an asker of the status socket, a code that panics at a sync: all of it is recorded.
#[test]
fn a_drive_outlives_a_full_disk_and_a_panic_and_nothing_is_lost() {
    let folder = scratch();
    let config = config(folder.path(), "sync_every_s = 0.1\nstatus_socket = 'status'\n");
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
    let keeper = open_keeper(&config, &map(), &clock).unwrap();
    let sent = Arc::new(AtomicU64::new(0));
    let sources: Vec<(String, Box<dyn Live>)> = vec![("can0".into(), Box::new(Bus(Arc::clone(&sent))))];
    let drive = Drive::begin(&config, &map(), keeper, (sources, names()), clock, Notify::default()).unwrap();
    let stop = AtomicBool::new(false);
    let (socket, data) = (config.status_socket.clone().unwrap(), config.data.clone());
    std::thread::scope(|scope| {
        let stop = &stop;
        scope.spawn(move || {
            let ask = || status::ask(&socket).ok();
            let run = || ask().and_then(|status| status.run).map(|run| run.name);
            let mut first = None;
            wait_for("a run", || {
                first = run();
                first.is_some()
            });
            faults::set(Fault { folder: data.clone(), part: "journal/part", after: 1, times: 1, error: None });
            wait_for("a following run", || run().is_some_and(|name| Some(name) != first));
            faults::set(Fault {
                folder: data.clone(),
                part: "journal/",
                after: 0,
                times: u32::MAX,
                error: Some(ErrorKind::StorageFull),
            });
            let full =
                |status: status::Status| status.keeping.waits.is_some_and(|why| why.starts_with("the disk is full"));
            wait_for("the fault", || ask().is_some_and(full));
            faults::clear(&data);
            wait_for("the end of the fault", || {
                ask().is_some_and(|status| status.keeping.waits.is_none() && status.run.is_some())
            });
            stop.store(true, Ordering::SeqCst);
        });
        drive.record(stop).finish(Ended::Stopped, None);
    });
    faults::clear(&config.data);
    keeper_again(&config);
    let runs = runs(&config);
    assert_eq!(runs.iter().map(frames_of).sum::<u64>(), sent.load(Ordering::SeqCst), "{} runs", runs.len());
    assert!(runs.len() >= 3, "{} runs", runs.len());
    let said: Vec<&str> = runs.iter().flat_map(|run| &run.troubles).map(|trouble| &*trouble.text).collect();
    assert!(said.iter().any(|text| text.contains("as the test wants")), "{said:?}");
    assert!(said.iter().any(|text| text.starts_with("the disk is full")), "{said:?}");
}

/// Hands on 40 s of two buses, each in its own long stretches, all at once.
struct Backlog(i64);

impl Live for Backlog {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        outlet.reading();
        let from = outlet.now() - Span::of_seconds(41);
        let period = Span(Span::of_seconds(40).0 / self.0);
        for first in (0..self.0).step_by(1_000) {
            for bus in 0..2 {
                let mut stretch = frames(from + Span(period.0 * first), 1_000, period);
                stretch.frames.iter_mut().for_each(|frame| frame.bus = BusIndex(bus));
                outlet.send(&mut stretch);
            }
        }
        while !outlet.stopping() {
            outlet.pause(Span::of_millis(5));
        }
        Ok(())
    }
}

#[test]
fn looks_begin_at_multiples_of_their_period_and_never_at_once() {
    // Into a period, ms, and what is waited then.
    for (into, waits) in [(0, 50), (1, 49), (40, 10), (41, 59), (49, 51), (-1, 51), (-10, 10), (1_000_030, 20)] {
        assert_eq!(to_next_look(Steady(into * 1_000)), Span::of_millis(waits), "{into}");
    }
}

/// What gathered while the disk stood still is recorded in pieces: whole, in order, nothing of it late.
#[test]
fn a_backlog_of_many_pieces_is_recorded_as_it_came() {
    const FRAMES: i64 = 200_000;
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
    let keeper = open_keeper(&config, &map(), &clock).unwrap();
    let sources: Vec<(String, Box<dyn Live>)> = vec![("can0".into(), Box::new(Backlog(FRAMES)))];
    let mut two = names();
    two.intern("can1");
    let drive = Drive::begin(&config, &map(), keeper, (sources, two), clock, Notify::default()).unwrap();
    let queue = Arc::clone(&drive.shared);
    wait_for("the backlog", || queue.queue.report().0 as i64 == 2 * FRAMES);
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            wait_for("an empty queue", || queue.queue.report().0 == 0);
            stop.store(true, Ordering::SeqCst);
        });
        drive.record(&stop).finish(Ended::Stopped, None);
    });
    let runs = runs(&config);
    assert_eq!((runs.len(), frames_of(&runs[0]) as i64), (1, 2 * FRAMES));
    assert!(runs[0].troubles.is_empty(), "{:?}", runs[0].troubles);
    assert!(PIECE_FRAMES < FRAMES as usize, "several pieces");
}

#[test]
fn a_second_daemon_on_the_same_data_set_is_refused_and_changes_nothing() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    let mut first = keeper(&config, &clock);
    stretch(&mut first, &mut Anchors::default(), &clock, 5);
    let refused = open_keeper(&config, &map(), &(Arc::clone(&clock) as Arc<dyn Clock>)).err().unwrap().to_string();
    assert!(refused.contains("DATA") && refused.contains("another daemon records into this data set"), "{refused}");
    stretch(&mut first, &mut Anchors::default(), &clock, 5);
    first.finish(Ended::Stopped, None);
    let runs = runs(&config);
    assert_eq!((runs.len(), runs[0].ended, frames_of(&runs[0])), (1, Ended::Stopped, 100));
}

/// The next start puts right what is left.
fn keeper_again(config: &Config) {
    keeper(config, &Arc::new(Hand::default())).finish(Ended::Stopped, None);
}

/// A stretch of a drive by hand: one frame each 100 ms, both clocks looked at as the loop does.
fn stretch(keeper: &mut Keeper, anchors: &mut Anchors, clock: &Hand, seconds: i64) {
    for _ in 0..seconds * 10 {
        let now = clock.now();
        let mut batch = frames(now, 1, Span(1));
        batch.rest.extend(anchors.look(now, clock.wall()));
        keeper.take(&mut batch, &names());
        keeper.turn(Some(now));
        clock.move_on(Span::of_millis(100));
    }
}

/// Drives for 60 s, lets something happen to the wall clock, and drives for 60 s more; the run that comes of it.
fn clock_that(starts: &str, happens: impl FnOnce(&Hand)) -> RunFile {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    clock.move_on(Span::of_seconds(7_000));
    clock.set_wall(starts);
    let (mut keeper, mut anchors) = (keeper(&config, &clock), Anchors::default());
    stretch(&mut keeper, &mut anchors, &clock, 60);
    happens(&clock);
    stretch(&mut keeper, &mut anchors, &clock, 60);
    keeper.finish(Ended::Stopped, None);
    let mut runs = runs(&config);
    assert_eq!(runs.len(), 1, "run time does not hear of it");
    let run = runs.remove(0);
    assert_eq!((run.duration_s, frames_of(&run)), (119.9, 1_200));
    run
}

#[test]
fn a_clock_that_starts_in_1970_and_is_set_late_corrects_the_start_and_nothing_else() {
    let run = clock_that("1970-01-01T00:00:12Z", |clock| clock.set_wall("2027-03-14T06:16:02Z"));
    assert_eq!(run.start_utc.as_deref(), Some("2027-03-14T06:15:02.000000Z"));
    assert_eq!(run.run, "19700101T000012Z", "the folder keeps its name");
    assert_eq!(run.anchors.len(), 2, "{:?}", run.anchors);
}

#[test]
fn a_clock_stepped_forth_and_back_leaves_the_last_word() {
    let hour = Span::of_seconds(3_600);
    let forth = clock_that("2027-03-14T06:15:02Z", |clock| clock.step_wall(hour));
    assert_eq!(forth.start_utc.as_deref(), Some("2027-03-14T07:15:02.000000Z"));
    let back = clock_that("2027-03-14T06:15:02Z", |clock| clock.step_wall(-hour));
    assert_eq!(back.start_utc.as_deref(), Some("2027-03-14T05:15:02.000000Z"));
    let both = clock_that("2027-03-14T06:15:02Z", |clock| {
        clock.step_wall(hour);
        clock.step_wall(-hour);
    });
    assert_eq!(both.start_utc.as_deref(), Some("2027-03-14T06:15:02.000000Z"));
}

#[test]
fn a_leap_second_and_a_new_day_move_nothing() {
    // 23:59:60 was inserted at the end of 2016 (IERS Bulletin C 52): the clock reads 23:59:59 twice.
    let leap = clock_that("2016-12-31T23:59:00Z", |clock| clock.step_wall(Span::of_seconds(-1)));
    assert_eq!(leap.start_utc.as_deref(), Some("2016-12-31T23:59:00.000000Z"));
    let midnight = clock_that("2027-03-14T23:59:30Z", |_| {});
    assert_eq!(
        (&*midnight.run, midnight.start_utc.as_deref()),
        ("20270314T235930Z", Some("2027-03-14T23:59:30.000000Z"))
    );
}

#[test]
fn two_starts_that_both_think_it_is_1970_are_two_runs() {
    let folder = scratch();
    let config = config(folder.path(), "");
    for _ in 0..3 {
        let clock = Arc::new(Hand::default());
        clock.set_wall("1970-01-01T00:00:12Z");
        let mut keeper = keeper(&config, &clock);
        stretch(&mut keeper, &mut Anchors::default(), &clock, 5);
        keeper.finish(Ended::Stopped, None);
    }
    let names: Vec<String> = runs(&config).into_iter().map(|run| run.run).collect();
    assert_eq!(names, ["19700101T000012Z", "19700101T000012Z-2", "19700101T000012Z-3"]);
}

#[test]
fn a_crash_goes_on_as_a_following_run_though_the_clock_stands_before_the_first() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    clock.set_wall("2027-03-14T06:15:02Z");
    let mut before = keeper(&config, &clock);
    stretch(&mut before, &mut Anchors::default(), &clock, 5);
    // As a crash does: nothing is ended or synced, and the kernel lets go of the lock.
    drop(before);
    clock.set_wall("2027-03-14T06:15:01Z");
    let mut after = keeper(&config, &clock);
    stretch(&mut after, &mut Anchors::default(), &clock, 5);
    after.finish(Ended::Stopped, None);
    let runs = runs(&config);
    let told: Vec<_> = runs.iter().map(|run| (&*run.run, run.ended, frames_of(run))).collect();
    assert_eq!(
        told,
        [("20270314T061501Z", Ended::Stopped, 50), ("20270314T061502Z", Ended::Recovered, 41)],
        "of the first, what came after its last sync is lost: nine tenths of a second"
    );
    let start = |run: &RunFile| run.start_utc.as_deref().and_then(WallClock::parse_iso).unwrap();
    assert!(start(&runs[0]) < start(&runs[1]), "a clock that says so is believed");
}
