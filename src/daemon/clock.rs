//! The clock that paces the daemon, so that tests can bring their own.
//!
//! Never stamps an observation: sources do.

use std::time::{Duration, Instant};

use crate::time::{Span, Steady};

/// A clock that never jumps, and a way to wait on it.
pub trait Clock {
    /// Now.
    fn now(&self) -> Steady;
    /// Waits for about this long.
    fn wait(&self, span: Span);
}

/// The machine's monotonic clock.
#[derive(Debug)]
pub struct SystemClock {
    started: Instant,
}

impl SystemClock {
    /// A clock that starts at 0 now.
    #[expect(clippy::new_without_default, reason = "a clock that starts by default would hide when")]
    pub fn new() -> Self {
        Self { started: Instant::now() }
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Steady {
        Steady(i64::try_from(self.started.elapsed().as_micros()).unwrap_or(i64::MAX))
    }

    fn wait(&self, span: Span) {
        std::thread::sleep(Duration::from_micros(u64::try_from(span.0).unwrap_or(0)));
    }
}
