//! A serial cable with a played adapter at its far end: a pseudo-terminal at a path that stays, served by a thread.
//!
//! Has no rate: what is written arrives at once.

use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::symlink;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serialport::{SerialPort, TTYPort};

use super::adapter::Adapter;

/// The cable, and what hangs at its far end.
pub struct Cable {
    folder: tempfile::TempDir,
    adapter: Arc<Mutex<Adapter>>,
    started: Instant,
    /// The thread that serves it, and what ends that thread; `None`: pulled.
    served: Option<(JoinHandle<()>, Arc<AtomicBool>)>,
}

impl Cable {
    /// Plugged in.
    pub fn new(adapter: Adapter) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let mut cable = Self { folder, adapter: Arc::new(Mutex::new(adapter)), started: Instant::now(), served: None };
        cable.plug_in();
        cable
    }

    /// The near end.
    pub fn path(&self) -> PathBuf {
        self.folder.path().join("port")
    }

    /// What hangs at the far end.
    pub fn adapter(&self) -> MutexGuard<'_, Adapter> {
        self.adapter.lock().expect("the adapter's thread to be sound")
    }

    pub fn plug_in(&mut self) {
        let (mut far, near) = TTYPort::pair().expect("a pseudo-terminal");
        symlink(near.name().expect("a name"), self.path()).expect("a link");
        far.set_timeout(Duration::from_millis(2)).expect("a time-out");
        self.adapter().power_on();
        let (adapter, started, end) = (Arc::clone(&self.adapter), self.started, Arc::new(AtomicBool::new(false)));
        let ending = Arc::clone(&end);
        let thread = std::thread::spawn(move || {
            // Held, so that the far end does not end when the near one is closed.
            let _near = near;
            let mut buffer = [0; 256];
            while !ending.load(Ordering::Relaxed) {
                let count = far.read(&mut buffer).unwrap_or(0);
                let now_us = started.elapsed().as_micros() as i64;
                let mut adapter = adapter.lock().expect("the test to be sound");
                adapter.receive(now_us, &buffer[..count]);
                let said = adapter.speak(now_us);
                drop(adapter);
                write(&mut far, &said, &ending);
            }
        });
        self.served = Some((thread, end));
    }

    /// Pulls it: whoever has the near end open loses it.
    pub fn pull(&mut self) {
        if let Some((thread, end)) = self.served.take() {
            end.store(true, Ordering::Relaxed);
            thread.join().expect("the adapter's thread to end");
            std::fs::remove_file(self.path()).expect("the path to go");
        }
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        if let Some((thread, end)) = self.served.take() {
            end.store(true, Ordering::Relaxed);
            let _ = thread.join();
        }
    }
}

/// Writes all of it, however slowly it is read.
fn write(far: &mut TTYPort, mut bytes: &[u8], ending: &AtomicBool) {
    while !bytes.is_empty() && !ending.load(Ordering::Relaxed) {
        match far.write(bytes) {
            Ok(count) => bytes = &bytes[count..],
            Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock) => {}
            Err(_) => return,
        }
    }
}
