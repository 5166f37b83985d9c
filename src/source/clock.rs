//! The one clock that stamps what is read live and paces the daemon, so that tests can bring their own.
//!
//! Decides nothing. Recordings bring their own stamps and need none of it.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
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
    /// All that is invented up to a moment is handed on: a clock that stands still for a rehearsal may run so far. The world's
    /// clocks wait for nobody.
    fn grant(&self, _until: Steady) {}
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

/// A clock that runs so many times as fast as another, for a rehearsal: whoever lives by it lives so many times as fast.
///
/// The world's clock beside it starts at what the other says and runs as fast, so that the two keep step. Once a moment was
/// granted it stands still there until a later one is: a machine that can't keep up makes a rehearsal slower, not late.
pub struct ScaledClock {
    clock: Arc<dyn Clock>,
    factor: f64,
    began: (Steady, WallClock),
    state: Mutex<Scaled>,
}

/// Where a scaled clock is.
struct Scaled {
    /// A moment of the other clock, and what it was here.
    from: (Steady, Steady),
    granted: Steady,
}

impl ScaledClock {
    /// A clock on another, that runs `factor` times as fast (1 for what is no positive number).
    pub fn new(clock: Arc<dyn Clock>, factor: f64) -> Self {
        let factor = if factor.is_finite() && factor > 0.0 { factor } else { 1.0 };
        let began = (clock.now(), clock.wall());
        let state = Mutex::new(Scaled { from: (began.0, began.0), granted: Steady::MAX });
        Self { clock, factor, began, state }
    }

    fn state(&self) -> MutexGuard<'_, Scaled> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Clock for ScaledClock {
    fn now(&self) -> Steady {
        let mut state = self.state();
        let other = self.clock.now();
        let (from, here) = state.from;
        let now = here + Span(((other - from).0 as f64 * self.factor) as i64);
        if now > state.granted {
            let stands = here.max(state.granted);
            state.from = (other, stands);
            return stands;
        }
        now
    }

    fn wall(&self) -> WallClock {
        self.began.1 + (self.now() - self.began.0)
    }

    fn grant(&self, until: Steady) {
        // What has passed until now has, whatever is granted from here on.
        self.now();
        self.state().granted = until;
    }

    fn wait(&self, span: Span) {
        // A wait of nothing would spin.
        self.clock.wait(Span(((span.0 as f64 / self.factor).ceil() as i64).max(1)));
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicI64, Ordering};

    use super::*;

    #[derive(Default)]
    struct Hand(AtomicI64);

    impl Clock for Hand {
        fn now(&self) -> Steady {
            Steady(self.0.load(Ordering::SeqCst))
        }
        fn wall(&self) -> WallClock {
            WallClock(7_000 + self.0.load(Ordering::SeqCst))
        }
        fn wait(&self, span: Span) {
            self.0.fetch_add(span.0, Ordering::SeqCst);
        }
    }

    #[test]
    fn it_stands_still_where_nothing_more_is_granted_and_goes_on_from_there() {
        let hand = Arc::new(Hand(AtomicI64::new(1_000)));
        let clock = ScaledClock::new(Arc::clone(&hand) as Arc<dyn Clock>, 10.0);
        let after = |us: i64| {
            hand.wait(Span(us));
            (clock.now().0, clock.wall().0 - 7_000)
        };
        assert_eq!(after(10), (1_100, 1_100));
        clock.grant(Steady(1_250));
        assert_eq!([after(10), after(10), after(500)], [(1_200, 1_200), (1_250, 1_250), (1_250, 1_250)]);
        clock.grant(Steady(1_400));
        assert_eq!([after(10), after(10)], [(1_350, 1_350), (1_400, 1_400)]);
        // It never goes back.
        clock.grant(Steady(0));
        assert_eq!(after(10), (1_400, 1_400));
        clock.grant(Steady::MAX);
        assert_eq!(after(10), (1_500, 1_500));
    }

    proptest::proptest! {
        #[test]
        fn a_scaled_clock_keeps_step_and_waits_as_long_as_it_says(
            factor in 0.5..500.0f64,
            from in 0..1_000_000_000i64,
            waits in proptest::collection::vec(0..10_000_000i64, 1..20),
        ) {
            let hand = Arc::new(Hand(AtomicI64::new(from)));
            let clock = ScaledClock::new(Arc::clone(&hand) as Arc<dyn Clock>, factor);
            proptest::prop_assert_eq!((clock.now(), clock.wall()), (Steady(from), WallClock(7_000 + from)));
            for wait in waits {
                let (now, wall) = (clock.now(), clock.wall());
                clock.wait(Span(wait));
                let (passed, passed_wall) = ((clock.now() - now).0, (clock.wall() - wall).0);
                proptest::prop_assert_eq!(passed, passed_wall);
                // Whole microseconds of the other clock are `factor` here.
                let most = wait as f64 + factor.max(1.0) + 1.0;
                proptest::prop_assert!(passed >= wait - 1 && passed as f64 <= most + factor, "{} for {}", passed, wait);
            }
            let real = hand.now() - Steady(from);
            proptest::prop_assert!(((clock.now() - Steady(from)).0 as f64 - real.0 as f64 * factor).abs() <= 1.0);
        }
    }
}
