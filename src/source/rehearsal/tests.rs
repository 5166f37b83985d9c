//! The live car against the same car recorded: frame for frame, fix for fix, and where the machine is too slow.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use super::*;
use crate::course::Course;
use crate::document::Document;
use crate::rehearsal::{Order, Scenario};
use crate::source::Clock;
use crate::source::live::Shared;
use crate::time::WallClock;

/// A clock that runs only while it is waited on.
struct Waited(AtomicI64);

impl Clock for Waited {
    fn now(&self) -> Steady {
        Steady(self.0.load(Ordering::SeqCst))
    }
    fn wall(&self) -> WallClock {
        WallClock(0)
    }
    fn wait(&self, span: Span) {
        self.0.fetch_add(span.0.max(1), Ordering::SeqCst);
    }
}

const START: i64 = 5_000_000;

/// The demo's car with a small pack, so that it ends soon.
fn car() -> Rehearsal {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = include_str!("../../../recordings/demo-scenario.toml")
        .replace("capacity_ah = 148", "capacity_ah = 26")
        .replace("displayed_bottom_percent = 4.2", "displayed_bottom_percent = 70")
        .replace("start_s = 4321.7", "start_s = 300.0");
    let scenario = Scenario::parse(Document::from_text("short.toml", text)).0.expect("a scenario");
    let course = Course::load(&root.join("recordings/demo-course.toml")).0.expect("the demo's course");
    let map = crate::map::load(&root.join("signal-maps/demo.toml")).map.expect("the demo's map");
    Rehearsal::elsewhere(&scenario, &course, &map).expect("a car")
}

fn settings(truth: Option<PathBuf>) -> Settings {
    Settings { rehearsal: car(), names: BusNames::default(), speed: 20.0, truth }
}

/// Drives live to the end; all that was handed on.
fn live(settings: Settings, shared: &Arc<Shared>) -> (Batch, Outlet) {
    let outlet = Outlet::new("rehearsal", shared);
    let (mut all, mut some) = (Batch::default(), Batch::default());
    std::thread::scope(|scope| {
        scope.spawn(|| InventedCar::new(settings).run(&outlet));
        let mut over = false;
        while !over {
            over = shared.is_over();
            shared.queue.take(&mut some);
            some.frames.iter().for_each(|frame| all.push_frame(frame, some.payload(frame)));
            all.rest.append(&mut some.rest);
            some.clear();
        }
        shared.stop();
    });
    (all, outlet)
}

#[test]
fn what_is_driven_live_is_what_would_be_recorded() {
    let folder = tempfile::tempdir().expect("a folder");
    let truth = folder.path().join("truth.json");
    let shared = Arc::new(Shared::new(Arc::new(Waited(AtomicI64::new(START)))));
    let (all, outlet) = live(settings(Some(truth.clone())), &shared);
    let mut recorded = car();
    recorded.begin_at(Steady(START) + Span::of_millis(60 * 20));
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    while recorded.step(&mut batch, &mut names) {}
    assert_eq!((all.frames.len(), all.rest.len()), (batch.frames.len(), batch.rest.len()));
    assert!(batch.frames.len() > 50_000 && batch.rest.len() > 500, "frames and fixes");
    assert!(all == batch);
    let written = std::fs::read_to_string(truth).expect("a truth");
    assert!(written == serde_json::to_string_pretty(&recorded.truth()).expect("text") + "\n");
    assert!(recorded.truth().reached_charger, "displayed 0 sends it to the charger");
    let state = outlet.state();
    assert_eq!((state.frames, state.counts.len()), (batch.frames.len() as u64, 0));
}

#[test]
fn orders_that_the_outlet_carries_are_followed() {
    let shared = Arc::new(Shared::new(Arc::new(Waited(AtomicI64::new(START)))));
    shared.set_order(Some(Order::Turn("Tollen Cross".into())));
    let (all, _) = live(settings(None), &shared);
    // Tollen Cross at 3.5 km lies at 122.9559 degrees west, its turn goes half of 0.9 km further.
    let east = all.rest.iter().filter_map(|stamped| match &stamped.item {
        crate::observation::Item::Fix(fix) => fix.longitude_deg,
        _ => None,
    });
    let furthest = east.fold(f64::MIN, f64::max);
    let past = (furthest + 122.955_937) * 111_320.0 * 47.99_f64.to_radians().cos();
    assert!((300.0..500.0).contains(&past), "{past} m past it to the east");
}

#[test]
fn a_machine_too_slow_hands_on_nothing_late() {
    let clock = Arc::new(Waited(AtomicI64::new(START)));
    let shared = Arc::new(Shared::new(Arc::clone(&clock) as Arc<dyn Clock>));
    let outlet = Outlet::new("rehearsal", &shared);
    let mut car = InventedCar::new(settings(None));
    car.settings.rehearsal.begin_at(outlet.now());
    let mut batch = Batch::default();
    for stall_ms in [10, 1_500, 1_000, 9_000] {
        clock.wait(Span::of_millis(stall_ms));
        let now = outlet.now();
        car.catch_up(now, &outlet);
        assert!(car.settings.rehearsal.now() >= now);
        assert!(car.drive_to(now + car.scaled(LEAD), &mut batch, &outlet));
        assert!(batch.first().is_none_or(|first| first >= now), "{stall_ms} ms");
        batch.clear();
    }
    // 60 ms of the machine are 1.2 s here, first gained by 10 ms of standing: two stalls were longer, by 0.3 s and by 7.8 s, and 1.2 s is gained anew each time.
    let stood: u64 = outlet.state().counts.values().sum();
    assert!((11_690..=11_730).contains(&stood), "{stood} ms");
}
