//! The one clock that stamps what is read live and paces the daemon, so that tests can bring their own.
//!
//! Decides nothing. Recordings bring their own stamps and need none of it.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::time::{Span, Steady, WallClock};

/// A clock that never jumps, the world's clock beside it, and a way to wait.
pub trait Clock: Send + Sync {
    /// Now, on the clock that never jumps.
    fn now(&self) -> Steady;
    /// Now, by the world's clock, which may be wrong and may be set.
    fn wall(&self) -> WallClock;
    /// Waits for about this long.
    fn wait(&self, span: Span);
}

/// The machine's monotonic clock, and its wall clock.
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

    fn wall(&self) -> WallClock {
        let whole = |duration: Duration| i64::try_from(duration.as_micros()).unwrap_or(i64::MAX);
        WallClock(match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(after) => whole(after),
            Err(before) => -whole(before.duration()),
        })
    }

    fn wait(&self, span: Span) {
        std::thread::sleep(Duration::from_micros(u64::try_from(span.0).unwrap_or(0)));
    }
}
