//! Days of driving and sleeping through the daemon's own loop, with time compressed: memory, file handles, and every run.
//!
//! Opens no interface; the traffic is made up and the clock runs as fast as the loop turns.

use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex};

use drawdown::daemon::{Config, Drive, Notify, open_keeper};
use drawdown::document::Document;
use drawdown::map::Map;
use drawdown::observation::{Batch, Fix, Item, Stamped};
use drawdown::source::Clock;
use drawdown::source::live::{Failure, Live, Outlet};
use drawdown::store::data_set::DataSet;
use drawdown::store::run_file::Ended;
use drawdown::time::{Span, Steady, WallClock};

use super::traffic::Traffic;

/// A drive, and the sleep after it.
const DRIVE: Span = Span::of_seconds(40 * 60);
const SLEEP: Span = Span::of_seconds(80 * 60);
/// Asleep, the clock takes longer steps than it is asked to.
const ASLEEP_STEP: Span = Span::of_seconds(1);

/// What memory may have grown by in the whole trial, kB, but for one step: looks differ by up to 0.7 MB, however long it goes on.
const GREW_MAX_KB: f64 = 2_048.0;
/// What it may be at most, kB.
const RSS_MAX_KB: f64 = 32_768.0;

/// A clock that moves on when the main loop waits and the bus has said all until then.
struct Compressed {
    state: Mutex<Moment>,
    moved: Condvar,
    main: std::thread::ThreadId,
}

struct Moment {
    now: i64,
    said_until: i64,
    ended: bool,
}

impl Clock for Compressed {
    fn now(&self) -> Steady {
        Steady(self.state.lock().expect("the clock").now)
    }
    fn wall(&self) -> WallClock {
        WallClock(self.now().0 + 1_800_000_000_000_000)
    }
    fn wait(&self, span: Span) {
        let mut state = self.state.lock().expect("the clock");
        if std::thread::current().id() == self.main {
            while state.said_until < state.now && !state.ended {
                state = self.moved.wait(state).expect("the clock");
            }
            let asleep = state.now % (DRIVE + SLEEP).0 > DRIVE.0 + 120_000_000;
            state.now += if asleep { ASLEEP_STEP.0 } else { span.0 };
            self.moved.notify_all();
            if state.ended {
                // The end is waited for in real time.
                drop(state);
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
        } else {
            let until = state.now + span.0;
            while state.now < until && !state.ended {
                state = self.moved.wait(state).expect("the clock");
            }
        }
    }
}

struct Car {
    clock: Arc<Compressed>,
    traffic: Traffic,
    sent: Arc<AtomicU64>,
    next: Steady,
}

impl Live for Car {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        outlet.reading();
        let mut batch = Batch::default();
        while !outlet.stopping() {
            let now = outlet.now();
            while self.next < now {
                if self.next.0 % (DRIVE + SLEEP).0 < DRIVE.0 {
                    self.sent.fetch_add(self.traffic.round(self.next, &mut batch), Ordering::SeqCst);
                    if self.next.0 % 1_000_000 == 0 {
                        let fix = Fix { latitude_deg: Some(47.0), longitude_deg: Some(8.0), ..Fix::default() };
                        batch.rest.push(Stamped { at: self.next, item: Item::Fix(fix) });
                    }
                }
                self.next = self.next + Span::of_millis(10);
            }
            // Ten milliseconds are stamped past their beginning.
            batch.frames.sort_by_key(|frame| frame.at);
            outlet.send(&mut batch);
            let mut state = self.clock.state.lock().expect("the clock");
            state.said_until = now.0;
            self.clock.moved.notify_all();
            while state.now <= now.0 && !state.ended {
                state = self.clock.moved.wait(state).expect("the clock");
            }
            let ended = state.ended;
            drop(state);
            if ended {
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
        }
        Ok(())
    }
}

/// Drives and sleeps for `hours`; prints a table and, last, one JSON object. Whether the promise held.
pub fn soak(folder: &Path, map: &Arc<Map>, hours: i64) -> bool {
    let text = "vehicle = 'heron'\ndata = 'DATA'\nmap = 'map.toml'\nfree_space_floor_mb = 0\nstatus_socket = 'status'\n[[source]]\nkind = 'socketcan'\ninterface = 'vcan0'\n";
    let (config, faults) = Config::from_document(&Document::from_text("soak.toml", text), folder);
    assert!(faults.is_empty(), "{faults:?}");
    let config = config.expect("a configuration");
    let moment = Moment { now: 0, said_until: 0, ended: false };
    let clock =
        Arc::new(Compressed { state: Mutex::new(moment), moved: Condvar::new(), main: std::thread::current().id() });
    let sent = Arc::new(AtomicU64::new(0));
    // A seventh of a full bus.
    let traffic = Traffic::new(1, 7, 1);
    let names = traffic.names();
    let car = Car { clock: Arc::clone(&clock), traffic, sent: Arc::clone(&sent), next: Steady(0) };
    let stop = AtomicBool::new(false);
    let watch = Arc::clone(&clock);
    let end = Span::of_seconds(hours * 3_600).0;
    let any_clock: Arc<dyn Clock> = Arc::clone(&clock) as Arc<dyn Clock>;
    let keeper = open_keeper(&config, map, &any_clock).expect("a keeper");
    let sources: Vec<(String, Box<dyn Live>)> = vec![("vcan0".into(), Box::new(car))];
    let drive = Drive::begin(&config, map, keeper, (sources, names), any_clock, Notify::default()).expect("a drive");
    let mut seen = Vec::new();
    let data = config.data.clone();
    std::thread::scope(|scope| {
        let (stop, seen, data) = (&stop, &mut seen, &data);
        scope.spawn(move || {
            // Looked at in the middle of each sleep, when the last run's files are made.
            let mut look = DRIVE.0 + SLEEP.0 / 2;
            loop {
                let mut state = watch.state.lock().expect("the clock");
                if state.now >= look {
                    // Time stands still until the last run's files are made, which takes as long as it takes.
                    wait_for_files(data);
                    seen.push((look as f64 / 3.6e9, resident_kb(), handles()));
                    look += (DRIVE + SLEEP).0;
                }
                if state.now >= end {
                    state.ended = true;
                    stop.store(true, Ordering::SeqCst);
                    watch.moved.notify_all();
                    return;
                }
                drop(watch.moved.wait(state));
            }
        });
        drive.record(stop).finish(Ended::Stopped, None);
    });
    report(&config, hours, &seen, sent.load(Ordering::SeqCst))
}

/// Waits until no run has a journal, and for what is let go of behind that; for a minute at most.
fn wait_for_files(data: &Path) {
    let unfinished = || {
        let runs = DataSet::open(data).and_then(|data| data.runs()).expect("runs");
        runs.iter().any(drawdown::store::data_set::RunFolder::is_unfinished)
    };
    let began = std::time::Instant::now();
    while unfinished() && began.elapsed().as_secs() < 60 {
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    std::thread::sleep(std::time::Duration::from_millis(100));
}

fn report(config: &Config, hours: i64, seen: &[(f64, f64, usize)], sent: u64) -> bool {
    println!("{:>8} {:>14} {:>8}", "hour", "resident kB", "handles");
    seen.iter().for_each(|(hour, kb, handles)| println!("{hour:>8.1} {kb:>14.0} {handles:>8}"));
    let runs = DataSet::open(&config.data).and_then(|data| data.runs()).expect("runs");
    let (mut sound, mut kept, mut late) = (0, 0, 0);
    for run in &runs {
        let Ok(file) = run.read_run_file() else { continue };
        kept += file.counts["frames"].as_u64().unwrap_or(0);
        late += file.troubles.len();
        let whole = file.tables.iter().all(|table| run.check(&file, &table.folder).is_ok());
        sound += usize::from(whole && !run.is_unfinished() && file.troubles.is_empty());
    }
    // The first two drives fill the pools that later ones use.
    let settled: Vec<_> = seen.iter().skip(2).collect();
    let slope = slope(settled.iter().map(|(hour, kb, _)| (*hour, *kb)));
    let grew = grew_but_for_one_step(settled.iter().map(|(_, kb, _)| *kb).collect());
    let handles_grew = settled.last().map_or(0, |last| last.2 as i64 - settled[0].2 as i64);
    let peak = seen.iter().map(|(_, kb, _)| *kb).fold(0.0, f64::max);
    println!("{sent} frames sent, {kept} kept; {late} troubles");
    println!(
        "{{\"trial\": \"soak\", \"hours\": {hours}, \"drives\": {}, \"rss_slope_kb_per_h\": {slope:.2}, \"rss_grew_kb\": {grew:.0}, \"rss_kb\": {peak:.0}, \"handles_grew\": {handles_grew}, \"frames_sent\": {sent}, \"frames_kept\": {kept}, \"runs\": {}, \"runs_sound\": {sound}}}",
        runs.len(),
        runs.len(),
    );
    sound == runs.len() && kept == sent && handles_grew <= 0 && grew <= GREW_MAX_KB && peak <= RSS_MAX_KB
}

/// From the first look to the last, less the largest growth from one to the next: the allocator takes a pool of some megabytes once,
/// at whatever time that falls. What leaks grows at every look.
fn grew_but_for_one_step(looks: Vec<f64>) -> f64 {
    let step = looks.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max);
    looks.last().zip(looks.first()).map_or(0.0, |(last, first)| last - first - step)
}

/// Least squares.
fn slope(points: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    let n = points.clone().count() as f64;
    let (x, y) = points.clone().fold((0.0, 0.0), |sum, (x, y)| (sum.0 + x / n, sum.1 + y / n));
    let (over, under) =
        points.fold((0.0, 0.0), |sum, (px, py)| (sum.0 + (px - x) * (py - y), sum.1 + (px - x) * (px - x)));
    if under > 0.0 { over / under } else { 0.0 }
}

fn resident_kb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(f64::NAN)
}

fn handles() -> usize {
    std::fs::read_dir("/proc/self/fd").map_or(0, Iterator::count)
}
