//! The kernel's stamps, which are wall-clock time, as time that never jumps.
//!
//! The kernel stamps a frame when it arrives, but on the clock that people and time servers set. Each time frames are taken,
//! both clocks are read; their difference places the stamps of these frames. Where the wall clock was set meanwhile, the
//! difference before fits the frames stamped before it was set: a frame must have arrived after the last taking and before
//! now. Reads no clock itself.

use crate::time::{Span, Steady, WallClock};

/// How far outside its bounds a placed stamp may lie: the two clocks are read one after the other, not at once.
const SLACK: Span = Span::of_millis(1);
/// How long before its bounds it may lie where the clock was set and nothing fits better: between its stamp and its place in the
/// queue a frame waits for the kernel, on a busy computer for tens of milliseconds. Time servers set clocks by more than this, and slew by less
/// (common practice, no source).
const WAITED: Span = Span::of_millis(100);

/// Both clocks, read around one taking of frames from the kernel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Reading {
    /// Before the kernel was asked for frames.
    pub begun: Steady,
    /// After it gave them.
    pub now: Steady,
    /// The wall clock at `now`.
    pub wall: WallClock,
    /// Whether the kernel had no more.
    pub drained: bool,
}

impl Reading {
    /// Steady less wall clock.
    fn offset(&self) -> Span {
        Span(self.now.0.saturating_sub(self.wall.0))
    }
}

/// Places the stamps of one source.
///
/// What is placed never goes back and never lies after `now`. Where the wall clock was not set since the last taking, or once
/// and by more than the time between and `WAITED`, it is the kernel's moment; else it is wrong by no more than those two.
#[derive(Clone, Debug)]
pub struct KernelClock {
    /// Steady less wall clock, at this taking.
    offset: Span,
    /// The same before the kernel's queue was begun to be emptied.
    before: Span,
    last: Reading,
    /// Nothing in the queue arrived earlier.
    floor: Steady,
    /// The latest stamp placed.
    top: Steady,
    clamped: u64,
}

impl KernelClock {
    /// For a source opened at this moment, by both clocks: nothing of it arrived earlier.
    pub fn new(opened: Steady, wall: WallClock) -> Self {
        let last = Reading { begun: opened, now: opened, wall, drained: true };
        let offset = last.offset();
        Self { offset, before: offset, last, floor: opened, top: opened, clamped: 0 }
    }

    /// Takes the clocks as they were read at this taking, before its frames are placed.
    pub fn sample(&mut self, reading: Reading) {
        if self.last.drained {
            // What comes now was not in the queue when the last taking began.
            self.floor = self.last.begun;
            self.before = self.offset;
        }
        self.offset = reading.offset();
        self.last = reading;
    }

    /// When a frame with this stamp arrived.
    pub fn place(&mut self, stamp: WallClock) -> Steady {
        let latest = self.last.now + SLACK;
        let by_now = Steady(stamp.0.saturating_add(self.offset.0));
        let at =
            if (self.floor - SLACK..=latest).contains(&by_now) { by_now } else { self.place_doubtful(stamp, latest) };
        // Not `clamp`, which panics where a steady clock that stands still makes the bounds cross.
        self.top = at.min(self.last.now).max(self.top);
        self.top
    }

    /// Where a stamp belongs that the difference now does not put where it can be.
    #[cold]
    fn place_doubtful(&mut self, stamp: WallClock, latest: Steady) -> Steady {
        let placed = [self.offset, self.before].map(|offset| Steady(stamp.0.saturating_add(offset.0)));
        let since = |earliest: Steady| placed.into_iter().find(|at| (earliest..=latest).contains(at));
        // Where the clock was not set there is no doubt, however long the frame waited.
        let was_set = (self.offset - self.before).0.saturating_abs() > SLACK.0;
        let oldest = if was_set { self.floor } else { self.top.min(self.floor) } - WAITED;
        since(self.floor - SLACK).or_else(|| since(oldest)).unwrap_or_else(|| {
            self.clamped += 1;
            placed[0].max(self.floor)
        })
    }

    /// How many stamps fitted neither difference since this was last asked.
    pub fn take_clamped(&mut self) -> u64 {
        std::mem::take(&mut self.clamped)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const HOUR: i64 = 3_600_000_000;

    /// Takings every 10 ms; the wall clock starts at this offset and is set by `step` at `step_at` (steady us).
    struct World {
        clock: KernelClock,
        start: i64,
        step: i64,
        step_at: i64,
        taken: i64,
    }

    impl World {
        fn new(start: i64, step: i64, step_at: i64) -> Self {
            let clock = KernelClock::new(Steady(0), WallClock(start + if step_at <= 0 { step } else { 0 }));
            Self { clock, start, step, step_at, taken: 0 }
        }

        fn wall(&self, at: i64) -> WallClock {
            WallClock(at + self.start + if at >= self.step_at { self.step } else { 0 })
        }

        /// Takes what arrived at these moments, at `now`; returns where they were placed.
        fn take(&mut self, now: i64, arrivals: &[i64], drained: bool) -> Vec<i64> {
            let wall = self.wall(now);
            self.clock.sample(Reading { begun: Steady(now - 50), now: Steady(now), wall, drained });
            self.taken = now;
            arrivals.iter().map(|at| self.clock.place(self.wall(*at)).0).collect()
        }
    }

    #[test]
    fn a_clock_set_by_an_hour_either_way_moves_nothing() {
        for step in [HOUR, -HOUR, 10 * 365 * 24 * HOUR, -50 * 365 * 24 * HOUR] {
            let mut world = World::new(1_800_000_000_000_000, step, 15_000);
            assert_eq!(world.take(10_000, &[1_000, 9_000], true), [1_000, 9_000]);
            assert_eq!(world.take(20_000, &[11_000, 14_999, 15_000, 19_999], true), [11_000, 14_999, 15_000, 19_999]);
            assert_eq!(world.take(30_000, &[20_500], true), [20_500]);
            assert_eq!(world.clock.take_clamped(), 0);
        }
    }

    #[test]
    fn a_queue_emptied_in_several_takings_keeps_the_difference_from_before() {
        let mut world = World::new(0, -HOUR, 1_500_000);
        world.take(10_000, &[], true);
        // Nothing was taken for three seconds; the clock was set meanwhile, and the queue needs three takings.
        assert_eq!(world.take(3_000_000, &[20_000, 1_000_000], false), [20_000, 1_000_000]);
        assert_eq!(world.take(3_000_300, &[1_400_000, 1_600_000], false), [1_400_000, 1_600_000]);
        assert_eq!(world.take(3_000_600, &[2_900_000], true), [2_900_000]);
        assert_eq!(world.clock.take_clamped(), 0);
    }

    #[test]
    fn a_frame_that_waited_for_the_kernel_keeps_its_stamp() {
        let mut world = World::new(5_000_000, HOUR, 35_000);
        assert_eq!(world.take(10_000, &[9_000], true), [9_000]);
        assert_eq!(world.take(20_000, &[], true), [0; 0]);
        assert_eq!(world.take(30_000, &[9_100, 25_000], true), [9_100, 25_000]);
        assert_eq!(world.take(40_000, &[25_100, 39_000], true), [25_100, 39_000]);
        assert_eq!(world.take(900_000, &[], true), [0; 0]);
        assert_eq!(world.take(910_000, &[], true), [0; 0]);
        assert_eq!(world.take(920_000, &[40_500, 919_000], true), [40_500, 919_000]);
        assert_eq!(world.clock.take_clamped(), 0);
    }

    #[test]
    fn what_fits_nothing_is_put_at_the_nearest_bound_and_counted() {
        let mut world = World::new(0, 0, 0);
        world.take(10_000, &[9_000], true);
        world.take(20_000, &[], true);
        assert_eq!(world.clock.place(WallClock(HOUR)).0, 20_000);
        assert_eq!(world.clock.place(WallClock(i64::MIN)).0, 20_000, "never back");
        assert_eq!(world.clock.take_clamped(), 2);
        assert_eq!(world.clock.take_clamped(), 0);
    }

    #[test]
    fn without_any_reading_a_stamp_still_has_a_place() {
        assert_eq!(KernelClock::new(Steady(7), WallClock(-5)).place(WallClock(123)), Steady(7));
    }

    proptest! {
        /// Any one step, by anything: within the time since the last taking; exact where the step is longer than that.
        #[test]
        fn one_step_moves_no_frame_by_more_than_a_taking(
            start in -HOUR * 24 * 365 * 80..HOUR * 24 * 365 * 80,
            step in prop_oneof![-HOUR..HOUR, -20_000i64..20_000, -HOUR * 9_000..HOUR * 9_000],
            step_at in 0i64..1_000_000,
            gaps in prop::collection::vec((1i64..30_000, prop::collection::vec(0.0..1.0, 0..20)), 1..80),
        ) {
            let mut world = World::new(start, step, step_at);
            let (mut now, mut last) = (100, 0);
            for (gap, places) in gaps {
                let before = now;
                now += gap;
                let mut arrivals: Vec<i64> = places.iter().map(|place| before + (place * gap as f64) as i64).collect();
                arrivals.sort_unstable();
                let bound = gap + 50 + SLACK.0;
                for (true_at, at) in arrivals.clone().into_iter().zip(world.take(now, &arrivals, true)) {
                    prop_assert!(at >= last && at <= now);
                    prop_assert!((at - true_at).abs() <= bound, "{at} for {true_at}");
                    if step.abs() > bound + SLACK.0 {
                        prop_assert_eq!(at, true_at);
                    }
                    last = at;
                }
            }
            if step.abs() > 40_000 {
                prop_assert_eq!(world.clock.take_clamped(), 0);
            }
        }

        /// Whatever is said: never back, never after now, no panic.
        #[test]
        fn never_back_and_never_late_whatever_the_clocks_say(
            first: i64,
            readings in prop::collection::vec((any::<i64>(), any::<i64>(), any::<bool>(), prop::collection::vec(any::<i64>(), 0..4)), 0..40),
        ) {
            let mut clock = KernelClock::new(Steady(0), WallClock(first));
            let (mut now, mut last) = (0i64, Steady(0));
            for (step, wall, drained, stamps) in readings {
                let begun = Steady(now);
                now = now.saturating_add(step.rem_euclid(1 << 40));
                clock.sample(Reading { begun, now: Steady(now), wall: WallClock(wall), drained });
                for stamp in stamps {
                    let at = clock.place(WallClock(stamp));
                    prop_assert!(at >= last && at.0 <= now);
                    last = at;
                }
            }
        }
    }
}
