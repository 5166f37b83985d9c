//! Says calls aloud: runs the configured command with each text on its standard input, one at a time.
//!
//! On a thread of its own behind a short queue, so that speech holds nothing up: what nobody could hear in time any more is
//! dropped, alarms last. Decides nothing about what is said, and gives the text to no shell.

use std::collections::VecDeque;
use std::io::{ErrorKind, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use crate::document::Fault;
use crate::live::Call;

/// Calls that wait at most.
const WAITING_MAX: usize = 6;
/// A call that can wait is no use to anybody after this.
const FRESH: Duration = Duration::from_secs(6);
/// A command that has not ended by then is ended.
const PATIENCE: Duration = Duration::from_secs(20);
/// How often it is looked whether it has ended.
const LOOK_EVERY: Duration = Duration::from_millis(20);
/// Characters of a text that are said.
const TEXT_MAX: usize = 400;

/// What waits, and whether to stop.
#[derive(Default)]
struct Waiting {
    calls: VecDeque<(Instant, Call)>,
    stopping: bool,
}

#[derive(Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    woken: Condvar,
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Says calls aloud.
pub struct Speaker {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Speaker {
    /// With a program and its arguments; whether there is such a program is told when it is first to speak.
    ///
    /// # Errors
    /// If the machine gives no thread.
    pub fn start(command: Vec<String>) -> Result<Self, Fault> {
        let shared = Arc::new(Shared::default());
        let mut voice = Voice { shared: Arc::clone(&shared), command, said: None, patience: PATIENCE };
        let thread = Builder::new().name("speech".into()).spawn(move || voice.keep());
        let thread = thread.map_err(|error| Fault::whole("speech", format!("no thread to speak on: {error}")))?;
        Ok(Self { shared, thread: Some(thread) })
    }

    /// Leaves a call to be said; returns at once.
    pub fn say(&self, call: Call) {
        let mut waiting = self.shared.waiting();
        waiting.push(Instant::now(), call);
        drop(waiting);
        self.shared.woken.notify_one();
    }
}

impl Drop for Speaker {
    fn drop(&mut self) {
        self.shared.waiting().stopping = true;
        self.shared.woken.notify_one();
        // It looks up often, and ends what it runs.
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Waiting {
    /// Takes a call in: an alarm before those that can wait, and once while it waits. Where there is no room the oldest that can
    /// wait goes, the oldest alarm where there is none.
    fn push(&mut self, now: Instant, call: Call) {
        if self.calls.iter().any(|(_, waits)| *waits == call) {
            return;
        }
        let behind_alarms = self.calls.iter().take_while(|(_, waits)| waits.alarm).count();
        let place = if call.alarm { behind_alarms } else { self.calls.len() };
        self.calls.insert(place, (now, call));
        if self.calls.len() > WAITING_MAX {
            let oldest = self.calls.iter().position(|(_, waits)| !waits.alarm).unwrap_or(0);
            self.calls.remove(oldest);
        }
    }

    /// The next one that is still worth saying.
    fn take(&mut self, now: Instant) -> Option<Call> {
        loop {
            let (since, call) = self.calls.pop_front()?;
            if call.alarm || now.saturating_duration_since(since) < FRESH {
                return Some(call);
            }
        }
    }
}

/// What runs the command, on its thread.
struct Voice {
    shared: Arc<Shared>,
    command: Vec<String>,
    /// What was last said to be wrong with the command.
    said: Option<String>,
    patience: Duration,
}

impl Voice {
    fn keep(&mut self) {
        while let Some(call) = self.next() {
            let wrong = self.speak(&call.text).err();
            if let Some(wrong) = wrong.as_ref().filter(|wrong| self.said.as_ref() != Some(wrong)) {
                tracing::error!("{wrong}");
            }
            self.said = wrong;
        }
    }

    fn next(&self) -> Option<Call> {
        let mut waiting = self.shared.waiting();
        loop {
            if waiting.stopping {
                return None;
            }
            if let Some(call) = waiting.take(Instant::now()) {
                return Some(call);
            }
            waiting = self.shared.woken.wait(waiting).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// Runs the command on one text; what is wrong with it, in words.
    fn speak(&self, text: &str) -> Result<(), String> {
        let Some((program, arguments)) = self.command.split_first() else { return Ok(()) };
        let wrong = |what: String| format!("speech command '{program}': {what}");
        let mut command = Command::new(program);
        command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null());
        // In a group of its own, so that what it starts can be ended with it.
        let child = command.process_group(0).spawn();
        let mut child = child.map_err(|error| match error.kind() {
            ErrorKind::NotFound => wrong("there is no such program; install it or name another under [speech]".into()),
            _ => wrong(format!("it can't be started: {error}")),
        })?;
        if let Some(mut input) = child.stdin.take() {
            let text: String = text.chars().take(TEXT_MAX).collect();
            // A pipe takes this much at once; a command that reads nothing of it is its own business.
            let _ = writeln!(input, "{text}");
        }
        match self.ended(&mut child) {
            Some(status) if status.success() => Ok(()),
            Some(status) => Err(wrong(format!("it ended with {status}"))),
            None if self.shared.waiting().stopping => Ok(()),
            None => Err(wrong(format!("it had not ended after {} s and was ended", self.patience.as_secs()))),
        }
    }

    /// Waits for a command; `None` where it had to be ended.
    fn ended(&self, child: &mut Child) -> Option<std::process::ExitStatus> {
        let until = Instant::now() + self.patience;
        while Instant::now() < until && !self.shared.waiting().stopping {
            match child.try_wait() {
                Ok(Some(status)) => return Some(status),
                Ok(None) => std::thread::sleep(LOOK_EVERY),
                Err(_) => break,
            }
        }
        let group = i32::try_from(child.id()).ok().and_then(rustix::process::Pid::from_raw);
        if let Some(group) = group {
            let _ = rustix::process::kill_process_group(group, rustix::process::Signal::KILL);
        }
        let _ = child.kill();
        let _ = child.wait();
        None
    }
}

#[cfg(test)]
mod tests;
