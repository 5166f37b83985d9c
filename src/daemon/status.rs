//! How the daemon fares, for those who ask: a Unix socket that reads one line at most, writes one JSON object, and closes.
//!
//! Who says nothing is told the status; what may be asked beside it is read by `requests`. One connection at a time, each with
//! a short time-out; only the socket's owner and group can connect. Never waited for by the recording.

use std::io::{ErrorKind, Read, Write};
use std::net::Shutdown;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::desk::Desk;
use super::requests::LINE_MAX;
use crate::document::Fault;
use crate::store::run_file::LiveSource;

/// The longest that a connection may take to be served.
const TIME_OUT: Duration = Duration::from_millis(500);
/// Who has said nothing for this long is told the status.
const SILENCE: Duration = Duration::from_millis(250);

/// How the daemon fares.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Status {
    /// The program and its version.
    pub program: String,
    /// The car's name in the data set.
    pub vehicle: String,
    /// When this was so, by the computer's clock, ISO 8601 UTC.
    pub utc: String,
    /// The run being recorded; null while the car sleeps.
    pub run: Option<RunStatus>,
    /// What may be asked of the car now, or why nothing.
    pub polling: String,
    /// Observations that belong to no run since the daemon began.
    pub outside_runs: u64,
    /// How keeping goes.
    #[serde(default)]
    pub keeping: Keeping,
    /// The sources with their names.
    pub sources: Vec<(String, LiveSource)>,
}

/// How keeping what was observed goes.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Keeping {
    /// Why nothing is recorded now; null while all is well.
    pub waits: Option<String>,
    /// Free space on the data set's disk, bytes; null before the first look.
    pub free_bytes: Option<u64>,
    /// Work to be done beside the recording: runs whose final files are still to be made.
    pub runs_to_finish: u64,
    /// Frames waiting to be recorded.
    pub queue_frames: u64,
    /// Frames that the map does not decode, dropped for want of room in the queue.
    pub dropped_undecoded: u64,
    /// The same of frames that it decodes.
    pub dropped_decoded: u64,
    /// The same of other observations.
    pub dropped_other: u64,
}

/// The run being recorded.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct RunStatus {
    /// Its name.
    pub name: String,
    /// How long it has gone on, s.
    pub duration_s: f64,
    /// `drive`, `stand` or `charge`; null in its first moments.
    pub phase: Option<String>,
    /// Net energy out of the pack so far, observed only, J; null where it is not measured.
    pub net_energy_j: Option<f64>,
    /// Distance so far, m; null where it is not measured.
    pub distance_m: Option<f64>,
    /// Time in which the pack's power was not observed, s; null where it never was.
    pub time_unobserved_s: Option<f64>,
    /// Seconds since the bus last said anything by itself.
    pub quiet_s: f64,
}

/// The socket and what it says at present.
pub struct StatusSocket {
    path: PathBuf,
    text: Arc<Mutex<Arc<str>>>,
    desk: Arc<OnceLock<Desk>>,
}

impl StatusSocket {
    /// Opens the socket and serves it on a thread; `None` if it can't be had, which is said and stops nothing else.
    ///
    /// # Errors
    /// If another daemon answers there.
    pub fn open(path: &Path) -> Result<Option<Self>, Fault> {
        if UnixStream::connect(path).is_ok() {
            let fault = Fault::whole(path.display().to_string(), "another daemon answers on this status socket");
            return Err(fault.remedy("stop it, or give this one another status_socket"));
        }
        Ok(Self::serve(path).map_err(|fault| tracing::error!("{fault}; nobody can ask how it fares")).ok())
    }

    /// Serves the socket; one that a dead daemon left is replaced.
    fn serve(path: &Path) -> Result<Self, Fault> {
        // Nothing answers there. Anything but a socket stays, and binding says that the path is taken.
        if std::fs::symlink_metadata(path).is_ok_and(|found| found.file_type().is_socket()) {
            std::fs::remove_file(path).map_err(|error| Fault::io(path, "replace", &error))?;
        }
        let io = |doing: &'static str| move |error: std::io::Error| Fault::io(path, doing, &error);
        let listener = UnixListener::bind(path).map_err(io("open as a socket"))?;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o660)).map_err(io("guard"))?;
        let text: Arc<Mutex<Arc<str>>> = Arc::new(Mutex::new("{}\n".into()));
        let desk: Arc<OnceLock<Desk>> = Arc::default();
        let (said, answering) = (Arc::clone(&text), Arc::clone(&desk));
        let serve = move || {
            for stream in listener.incoming().flatten() {
                // Sound: the text is changed as a whole, and the connection is dropped.
                let _ = catch_unwind(AssertUnwindSafe(|| say(stream, &said, answering.get())));
            }
        };
        std::thread::Builder::new()
            .name("status".into())
            .spawn(serve)
            .map_err(|error| Fault::whole("status socket", format!("no thread to serve it on: {error}")))?;
        Ok(Self { path: path.to_path_buf(), text, desk })
    }

    /// From now on answers what is asked beside the status; the first word counts.
    pub fn attend(&self, desk: Desk) {
        let _ = self.desk.set(desk);
    }

    /// Changes what it says.
    pub fn set(&self, status: &Status) {
        if let Ok(text) = serde_json::to_string(status) {
            *self.text.lock().unwrap_or_else(PoisonError::into_inner) = (text + "\n").into();
        }
    }
}

impl Drop for StatusSocket {
    fn drop(&mut self) {
        // The thread ends with the process; without its path nobody finds the socket.
        let _ = std::fs::remove_file(&self.path);
    }
}

fn say(mut stream: UnixStream, text: &Mutex<Arc<str>>, desk: Option<&Desk>) {
    let asked = line(&mut stream);
    let text = Arc::clone(&text.lock().unwrap_or_else(PoisonError::into_inner));
    let answer: Arc<str> = match (asked, desk) {
        (Asked::Nothing, _) | (Asked::Line(_), None) => text,
        (Asked::Line(line), Some(desk)) => desk.answer(&line, &text).into(),
        (Asked::TooLong, _) => {
            let what = format!("the line is longer than {LINE_MAX} bytes, or was not ended in time");
            let told = serde_json::json!({ "refused": what, "remedy": "write one short line, and end it" });
            format!("{told}\n").into()
        }
    };
    // Whoever does not take it in time goes without.
    let _ = stream.set_write_timeout(Some(TIME_OUT)).and_then(|()| stream.write_all(answer.as_bytes()));
}

/// What a connection asks.
enum Asked {
    Nothing,
    Line(Vec<u8>),
    TooLong,
}

/// Reads a line, ended by a line feed or by shutting down the writing side, in time.
fn line(stream: &mut UnixStream) -> Asked {
    let until = Instant::now() + TIME_OUT;
    let (mut line, mut bytes) = (Vec::new(), [0; 256]);
    loop {
        let left = until.saturating_duration_since(Instant::now());
        let patience = if line.is_empty() { left.min(SILENCE) } else { left };
        if patience.is_zero() || stream.set_read_timeout(Some(patience)).is_err() {
            return if line.is_empty() { Asked::Nothing } else { Asked::TooLong };
        }
        match stream.read(&mut bytes) {
            Ok(0) if line.is_empty() => return Asked::Nothing,
            Ok(0) => return Asked::Line(line),
            Ok(read) => {
                line.extend_from_slice(&bytes[..read]);
                let end = line.iter().position(|byte| *byte == b'\n');
                if end.unwrap_or(line.len()) > LINE_MAX {
                    return Asked::TooLong;
                }
                if let Some(end) = end {
                    line.truncate(end);
                    return Asked::Line(line);
                }
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(_) if line.is_empty() => return Asked::Nothing,
            Err(_) => return Asked::TooLong,
        }
    }
}

/// Asks a daemon how it fares.
///
/// # Errors
/// If none answers there in time, or not as this program does.
pub fn ask(path: &Path) -> Result<Status, Fault> {
    request(path, &serde_json::json!({ "ask": "status" }))
}

/// Asks a daemon something; what it says.
///
/// # Errors
/// If none answers there in time, or not as this program does.
pub fn request<T: DeserializeOwned>(path: &Path, ask: &serde_json::Value) -> Result<T, Fault> {
    let file = path.display().to_string();
    let mut stream = UnixStream::connect(path).map_err(|error| {
        let fault = Fault::whole(&file, format!("no daemon answers ({error})"));
        fault.remedy("give the daemon a status_socket, and --socket its path; the socket's group may ask")
    })?;
    let io = |error: std::io::Error| Fault::io(path, "ask", &error);
    stream.set_read_timeout(Some(4 * TIME_OUT)).map_err(io)?;
    stream.write_all(format!("{ask}\n").as_bytes()).map_err(io)?;
    stream.shutdown(Shutdown::Write).map_err(io)?;
    serde_json::from_reader(stream).map_err(|error| Fault::whole(file, format!("the answer can't be read: {error}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_set_is_said_to_those_who_may_ask() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("status");
        assert!(ask(&path).unwrap_err().to_string().contains("no daemon answers"));
        let socket = StatusSocket::open(&path).unwrap().unwrap();
        let status = Status { vehicle: "heron".into(), outside_runs: 3, ..Status::default() };
        socket.set(&status);
        // Somebody who connects and never reads keeps nobody else from it.
        let idle = UnixStream::connect(&path).unwrap();
        assert_eq!(ask(&path).unwrap(), status);
        // One of an earlier version says nothing and is told the status.
        assert_eq!(serde_json::from_reader::<_, Status>(&idle).unwrap(), status);
        let mut slow = UnixStream::connect(&path).unwrap();
        slow.write_all(b"{\"ask\": ").unwrap();
        let mut said = String::new();
        slow.read_to_string(&mut said).unwrap();
        assert!(said.contains("not ended in time"), "{said}");
        let mut long = UnixStream::connect(&path).unwrap();
        // What it says may be taken no more while it writes.
        let _ = long.write_all(&[b'x'; 4 * LINE_MAX]);
        assert_eq!(ask(&path).unwrap(), status);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o660);
        assert!(StatusSocket::open(&path).is_err_and(|fault| fault.to_string().contains("another daemon")));
        drop(socket);
        assert!(!path.exists());
    }

    #[test]
    fn a_socket_that_a_dead_daemon_left_is_replaced_and_a_file_is_not_destroyed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("status");
        drop(UnixListener::bind(&path).unwrap());
        assert!(path.exists());
        drop(StatusSocket::open(&path).unwrap().unwrap());
        std::fs::write(&path, "a diary").unwrap();
        assert!(StatusSocket::open(&path).unwrap().is_none());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "a diary");
    }
}
