//! The live car against the same car recorded: frame for frame, fix for fix, and where the machine is too slow.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use super::*;
use crate::course::Course;
use crate::document::Document;
use crate::rehearsal::{Order, Scenario};
use crate::source::live::Shared;
use crate::source::{Clock, ScaledClock};
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

/// A clock on a machine so slow that each look at it takes most of the lead.
struct Slow(AtomicI64);

impl Clock for Slow {
    fn now(&self) -> Steady {
        Steady(self.0.fetch_add(45_000, Ordering::SeqCst))
    }
    fn wall(&self) -> WallClock {
        WallClock(0)
    }
    fn wait(&self, span: Span) {
        self.0.fetch_add(span.0.max(1), Ordering::SeqCst);
    }
}

#[test]
fn a_machine_that_comes_to_what_is_granted_while_the_car_is_driven_goes_on() {
    let slow = Arc::new(Slow(AtomicI64::new(START)));
    let shared = Arc::new(Shared::new(Arc::new(ScaledClock::new(Arc::clone(&slow) as Arc<dyn Clock>, 20.0))));
    let outlet = Outlet::new("rehearsal", &shared);
    let mut car = InventedCar::new(settings(None));
    let mut some = Batch::default();
    // The drive is a few thousand looks; a car that waits for a clock that stands looks without end.
    let most = START + 1_000_000 * 45_000;
    std::thread::scope(|scope| {
        scope.spawn(|| car.run(&outlet));
        while !shared.is_over() && slow.0.load(Ordering::SeqCst) < most {
            shared.queue.take(&mut some);
            some.clear();
            std::thread::yield_now();
        }
        shared.stop();
    });
    assert!(shared.is_over(), "the car waits for a clock that waits for the car");
}

#[test]
fn a_machine_too_slow_hands_on_nothing_late() {
    let hand = Arc::new(Waited(AtomicI64::new(START)));
    let shared = Arc::new(Shared::new(Arc::new(ScaledClock::new(Arc::clone(&hand) as Arc<dyn Clock>, 20.0))));
    let outlet = Outlet::new("rehearsal", &shared);
    let car = settings(None);
    let (mut some, mut stalls, mut latest) = (Batch::default(), 0, Span(0));
    std::thread::scope(|scope| {
        scope.spawn(|| InventedCar::new(car).run(&outlet));
        while !shared.is_over() {
            // The machine does something else for a second: 20 s here, of which the car has driven 1.2 s.
            if stalls % 7 == 0 {
                hand.wait(Span::of_millis(1_000));
            }
            stalls += 1;
            let before = shared.clock.now();
            shared.queue.take(&mut some);
            some.clear();
            // Whatever comes from here on came after that.
            std::thread::yield_now();
            shared.queue.take(&mut some);
            latest = some.frames.iter().map(|frame| before - frame.at).fold(latest, Span::max);
            some.clear();
        }
        shared.stop();
    });
    // A step of the model is 10 ms: what is of it comes when it ends. The merge waits for 200 ms.
    assert!(latest <= Span::of_millis(10), "{latest:?} late");
    assert!(stalls > 20 && outlet.state().frames > 50_000);
}
