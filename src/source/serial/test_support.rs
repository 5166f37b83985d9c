//! Both ends of a serial cable for tests: a pseudo-terminal at a path that stays, so that it can be pulled and plugged in.
//!
//! Not a device: it has no rate, and what is written arrives at once.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use serialport::{SerialPort, TTYPort};

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
