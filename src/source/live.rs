//! What is read while the car drives: what a live source is, the outlet that it hands observations to, and the bounded queue
//! behind it.
//!
//! Opens nothing, decides nothing about the car and starts no thread; the daemon supervises. A source knows its outlet and
//! nothing of the others.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::clock::Clock;
use super::queue::Queue;
use crate::diag::gate::Closed;
use crate::diag::permission::{Permission, Why};
use crate::diag::schedule::PollReport;
use crate::observation::{Batch, Item, Stamped};
use crate::rehearsal::Order;
use crate::time::{Span, Steady, WallClock};

/// The longest that a source is deaf to being told to stop.
pub const STOP_WAIT: Span = Span::of_millis(100);

/// A place that observations come from while the car drives.
pub trait Live: Send {
    /// Opens it and hands observations on until [`Outlet::stopping`].
    ///
    /// # Errors
    /// If it can't be opened or can't go on; it is run again after a while.
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure>;
}

/// Why a live source can't be read now: what is wrong, and what a person can do.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0}")]
pub struct Failure(pub String);

/// How a live source fares.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Condition {
    /// Not opened yet.
    #[default]
    Starting,
    /// Open and read.
    Reading,
    /// Not to be had now; it is tried again.
    Waiting(String),
    /// Told to stop.
    Stopped,
}

/// What is known of a live source, for `run.json` and for people.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct State {
    /// How it fares.
    pub condition: Condition,
    /// Frames handed on.
    pub frames: u64,
    /// Other observations handed on.
    pub items: u64,
    /// When it last handed anything on.
    pub heard: Option<Steady>,
    /// How often it could no longer be read.
    pub lost: u64,
    /// What went wrong or was left out, by name.
    pub counts: BTreeMap<String, u64>,
    /// Its polls, where it asks.
    pub polls: Vec<PollReport>,
    /// Why nothing may be asked now, where it asks.
    pub closed: Option<Closed>,
}

/// What every source may know of the car: whether it may be asked, and which run this is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Car {
    /// Whether polls may be sent.
    pub permission: Permission,
    /// Counts runs: what an interface remembers for a run is forgotten when this changes.
    pub run: u64,
}

/// What the sources of a process share.
pub struct Shared {
    /// The clock that stamps.
    pub clock: Arc<dyn Clock>,
    /// What was observed, on its way.
    pub queue: Queue,
    stopping: AtomicBool,
    car: Mutex<Car>,
    /// What an invented driver is told to do next.
    order: Mutex<Option<Order>>,
    /// An invented car has come to its end.
    over: AtomicBool,
}

impl Shared {
    /// Nothing observed, nothing may be asked.
    pub fn new(clock: Arc<dyn Clock>) -> Self {
        let car = Mutex::new(Car { permission: Permission::Denied(Why::Off), run: 0 });
        let (stopping, over) = (AtomicBool::new(false), AtomicBool::new(false));
        Self { clock, queue: Queue::default(), stopping, car, order: Mutex::default(), over }
    }

    /// Tells an invented driver what to do next; whoever has advice for a real one may say it here too.
    pub fn set_order(&self, order: Option<Order>) {
        *hold(&self.order) = order;
    }

    /// Whether an invented car was driven here and its bus sleeps for good.
    pub fn is_over(&self) -> bool {
        self.over.load(Ordering::Relaxed)
    }

    /// Tells every source to stop.
    pub fn stop(&self) {
        self.stopping.store(true, Ordering::Relaxed);
    }

    /// Tells every source about the car.
    pub fn set_car(&self, car: Car) {
        *hold(&self.car) = car;
    }
}

/// A value behind a lock whose holder may have panicked: every write to it is whole, so it is sound all the same.
fn hold<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Where one source hands on what it reads.
#[derive(Clone)]
pub struct Outlet {
    shared: Arc<Shared>,
    state: Arc<Mutex<State>>,
    name: Arc<str>,
}

impl Outlet {
    /// The outlet of the source of this name.
    pub fn new(name: &str, shared: &Arc<Shared>) -> Self {
        Self { shared: Arc::clone(shared), state: Arc::default(), name: name.into() }
    }

    /// The source's name, for people.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Now.
    pub fn now(&self) -> Steady {
        self.shared.clock.now()
    }

    /// What the world's clock says now.
    pub fn wall(&self) -> WallClock {
        self.shared.clock.wall()
    }

    /// Whether to stop.
    pub fn stopping(&self) -> bool {
        self.shared.stopping.load(Ordering::Relaxed)
    }

    /// Waits, but not past being told to stop.
    pub fn pause(&self, span: Span) {
        self.pause_until(self.now() + span);
    }

    /// Waits for a moment, but not past being told to stop.
    pub fn pause_until(&self, until: Steady) {
        while !self.stopping() && self.now() < until {
            self.shared.clock.wait((until - self.now()).min(STOP_WAIT));
        }
    }

    /// Waits until the next multiple of a period on the clock, but not past being told to stop. Sources that wait so wake at
    /// one moment, which costs the computer one interrupt from its rest instead of one a source.
    pub fn pause_to_tick(&self, period: Span) {
        self.pause(Span(period.0 - self.now().0.rem_euclid(period.0.max(1))));
    }

    /// What is known of the car.
    pub fn car(&self) -> Car {
        *hold(&self.shared.car)
    }

    /// What an invented driver is told to do next.
    pub fn order(&self) -> Option<Order> {
        hold(&self.shared.order).clone()
    }

    /// All that is invented up to a moment has been handed on.
    pub fn grant(&self, until: Steady) {
        self.shared.clock.grant(until);
    }

    /// The invented car has come to its end: nothing more comes from here.
    pub fn over(&self) {
        self.shared.over.store(true, Ordering::Relaxed);
    }

    /// Hands observations on, in order of arrival, and leaves the batch empty. What the queue has no room for is dropped and
    /// counted.
    pub fn send(&self, batch: &mut Batch) {
        if batch.is_empty() {
            return;
        }
        let (frames, items) = (batch.frames.len() as u64, batch.rest.len() as u64);
        let (frames_dropped, items_dropped) = self.shared.queue.push(batch);
        let now = self.now();
        self.update(|state| {
            state.frames += frames - frames_dropped;
            state.items += items - items_dropped;
            state.heard = Some(now);
        });
        self.count("dropped: the queue was full", frames_dropped + items_dropped);
    }

    /// Hands on something that went wrong, as a trouble of the run.
    pub fn trouble(&self, what: impl std::fmt::Display) {
        tracing::warn!("{}: {what}", self.name);
        let item = Item::Trouble(format!("{}: {what}", self.name));
        let mut batch = Batch { rest: vec![Stamped { at: self.now(), item }], ..Batch::default() };
        self.shared.queue.push(&mut batch);
    }

    /// Counts something that went wrong or was left out.
    pub fn count(&self, what: &str, times: u64) {
        if times > 0 {
            self.update(|state| match state.counts.get_mut(what) {
                Some(count) => *count = count.saturating_add(times),
                None => {
                    state.counts.insert(what.to_owned(), times);
                }
            });
        }
    }

    /// The source is open and read.
    pub fn reading(&self) {
        self.update(|state| state.condition = Condition::Reading);
    }

    /// Changes what is known of the source.
    pub fn update(&self, change: impl FnOnce(&mut State)) {
        change(&mut hold(&self.state));
    }

    /// What is known of the source.
    pub fn state(&self) -> State {
        hold(&self.state).clone()
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::observation::{Bus, FrameFlags};
    use crate::source::clock::SystemClock;

    #[test]
    fn what_is_sent_is_counted_and_kept() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let outlet = Outlet::new("can0", &shared);
        let mut batch = Batch::default();
        batch.push(Steady(1), Bus(0), 0x123, FrameFlags::default(), &[1, 2]);
        outlet.send(&mut batch);
        outlet.trouble("bus-off");
        outlet.count("unreadable lines", 2);
        outlet.count("unreadable lines", 1);
        let state = outlet.state();
        assert!(batch.is_empty() && state.heard.is_some());
        assert_eq!((state.frames, state.counts["unreadable lines"]), (1, 3));
        let mut taken = Batch::default();
        shared.queue.take(&mut taken);
        assert_eq!(taken.frames.len(), 1);
        assert_eq!(taken.rest[0].item, Item::Trouble("can0: bus-off".into()));
        let period = Span::of_millis(7);
        let before = outlet.now();
        outlet.pause_to_tick(period);
        // Told to go on at a tick or after it, never in the period that it was in.
        assert!(outlet.now().0.div_euclid(period.0) > before.0.div_euclid(period.0));
        assert_eq!(outlet.car().permission, Permission::Denied(Why::Off));
        assert!(!outlet.stopping());
        shared.stop();
        assert!(outlet.stopping());
    }
}
