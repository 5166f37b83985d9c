//! For tests of live sources: both ends of a serial cable that can be pulled and plugged in, and a source running on a thread.
//!
//! The cable is a pseudo-terminal, not a device: it has no rate, and what is written arrives at once.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serialport::{SerialPort, TTYPort};

use crate::observation::{Batch, Item};
use crate::source::clock::SystemClock;
use crate::source::live::{Car, Condition, Live, Outlet, Shared, State};
use crate::time::Span;

/// The far end of a port at [`Cable::path`].
pub struct Cable {
    folder: tempfile::TempDir,
    /// The far end, and one more holder of the near end, so that the far end does not see the near one closed.
    ends: Option<(TTYPort, TTYPort)>,
}

impl Cable {
    /// A port that is plugged in.
    pub fn new() -> Self {
        let mut cable = Self { folder: tempfile::tempdir().expect("a folder"), ends: None };
        cable.plug_in();
        cable
    }

    /// The near end's path.
    pub fn path(&self) -> PathBuf {
        self.folder.path().join("port")
    }

    /// Pulls it: the near end is gone for whoever has it open.
    pub fn pull(&mut self) {
        self.ends = None;
        std::fs::remove_file(self.path()).expect("the path to go");
    }

    /// Plugs it in at the same path.
    pub fn plug_in(&mut self) {
        let (far, near) = TTYPort::pair().expect("a pseudo-terminal");
        std::os::unix::fs::symlink(Path::new(&near.name().expect("a name")), self.path()).expect("a link");
        self.ends = Some((far, near));
    }

    fn far(&mut self) -> &mut TTYPort {
        &mut self.ends.as_mut().expect("a cable that is plugged in").0
    }

    /// Sends to the near end.
    pub fn send(&mut self, bytes: &[u8]) {
        self.far().write_all(bytes).expect("the near end to take it");
    }

    /// What the near end sent, waiting for so long; empty if nothing came.
    pub fn received(&mut self, wait: Duration) -> Vec<u8> {
        let mut buffer = [0; 256];
        self.far().set_timeout(wait).expect("a time-out");
        match self.far().read(&mut buffer) {
            Ok(count) => buffer[..count].to_vec(),
            Err(_) => Vec::new(),
        }
    }
}

/// A live source on a thread of its own, run again when it fails, and all that it handed on.
pub struct Running {
    shared: Arc<Shared>,
    outlet: Outlet,
    failures: Arc<Mutex<Vec<String>>>,
    thread: JoinHandle<()>,
    /// Whatever came so far.
    pub taken: Batch,
}

/// How soon a source has stopped: 100 ms, and as much for a machine that has other work.
pub const STOPPED_IN: Duration = Duration::from_millis(200);

/// How long a test waits for what must come, with other work on the machine.
const PATIENCE: Duration = Duration::from_secs(20);

impl Running {
    /// Starts it.
    pub fn start(mut source: impl Live + 'static) -> Self {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let outlet = Outlet::new("it", &shared);
        let failures = Arc::new(Mutex::new(Vec::new()));
        let (own, said) = (outlet.clone(), Arc::clone(&failures));
        let thread = std::thread::spawn(move || {
            while !own.stopping() {
                if let Err(failure) = source.run(&own) {
                    own.update(|state| state.condition = Condition::Waiting(failure.0.clone()));
                    said.lock().unwrap().push(failure.0);
                    own.pause(Span::of_millis(20));
                }
            }
        });
        Self { shared, outlet, failures, thread, taken: Batch::default() }
    }

    /// Tells it about the car.
    pub fn set_car(&self, car: Car) {
        self.shared.set_car(car);
    }

    /// Takes what it handed on; says whether it is as wanted.
    pub fn is(&mut self, wanted: impl Fn(&Self) -> bool) -> bool {
        let mut batch = Batch::default();
        self.shared.queue.take(&mut batch);
        for frame in &batch.frames {
            self.taken.push_frame(frame, batch.payload(frame));
        }
        self.taken.rest.append(&mut batch.rest);
        wanted(self)
    }

    /// Waits until it is as wanted, doing something meanwhile.
    pub fn until(&mut self, mut meanwhile: impl FnMut(), wanted: impl Fn(&Self) -> bool) {
        let begun = Instant::now();
        while !self.is(&wanted) {
            let state = self.state();
            assert!(begun.elapsed() < PATIENCE, "{state:?} {:?} {:?}", self.failures(), self.taken);
            meanwhile();
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// What is known of it.
    pub fn state(&self) -> State {
        self.outlet.state()
    }

    /// Whether it is open and read.
    pub fn is_reading(&self) -> bool {
        self.state().condition == Condition::Reading
    }

    /// How often this was counted.
    pub fn counted(&self, what: &str) -> u64 {
        self.state().counts.get(what).copied().unwrap_or(0)
    }

    /// Why it could not go on, each time.
    pub fn failures(&self) -> Vec<String> {
        self.failures.lock().unwrap().clone()
    }

    /// The troubles that it named.
    pub fn troubles(&self) -> Vec<&str> {
        self.taken
            .rest
            .iter()
            .filter_map(|stamped| if let Item::Trouble(text) = &stamped.item { Some(text.as_str()) } else { None })
            .collect()
    }

    /// Stops it; how long that took.
    pub fn stop(self) -> Duration {
        let begun = Instant::now();
        self.shared.stop();
        self.thread.join().expect("no panic");
        begun.elapsed()
    }
}
