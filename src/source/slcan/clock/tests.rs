//! Stamps against a simulated adapter and line whose true times are known. No adapter is read.

use proptest::prelude::*;

use super::*;

/// Frames of an adapter whose clock runs `ppm` fast and whose line delays by `delay` microseconds: true time, stamp, arrival.
fn frames(ppm: f64, spacing_us: i64, count: i64, delay: impl Fn(i64) -> i64) -> Vec<(Steady, u16, Steady)> {
    let mut last = i64::MIN;
    (0..count)
        .map(|index| {
            let truth = 5_000_000 + index * spacing_us;
            let adapter_ms = (truth as f64 * (1.0 + ppm * 1e-6) / 1_000.0).floor() as i64 + 59_000;
            last = last.max(truth + delay(truth));
            (Steady(truth), (adapter_ms % WRAP_MS) as u16, Steady(last))
        })
        .collect()
}

/// How far the placed times are from the truth, least and most, after the first `skip`.
fn errors(frames: &[(Steady, u16, Steady)], skip: usize) -> (i64, i64) {
    let mut clock = AdapterClock::default();
    let errors: Vec<i64> = frames
        .iter()
        .map(|(truth, stamp, arrival)| (clock.place(Some(*stamp), *arrival).0 - *truth).0)
        .skip(skip)
        .collect();
    (*errors.iter().min().unwrap(), *errors.iter().max().unwrap())
}

/// A delay of 0.5 ms after the next multiple of 16 ms, as a USB converter with a latency timer gives it.
fn usb(truth: i64) -> i64 {
    500 + (16_000 - truth % 16_000) % 16_000
}

#[test]
fn the_lines_jitter_is_gone() {
    // 3 minutes: three wraps. A millisecond, which the stamp lacks, either way, and late by the line's shortest way. (Late by
    // the millisecond too, since this converter hands over in step with the adapter's clock.)
    for ppm in [0.0, 50.0, -50.0, 100.0, -90.0] {
        let frames = frames(ppm, 1_037, 180_000, usb);
        let arrivals = frames.iter().map(|(truth, _, arrival)| (*arrival - *truth).0).max().unwrap();
        assert!(arrivals > 16_000, "{arrivals}");
        let (least, most) = errors(&frames, 1_000);
        assert!(least >= -1_000 && most <= 1_700, "{ppm} ppm: {least} to {most} us");
    }
}

#[test]
fn a_sparse_bus_over_hours_and_a_long_silence() {
    // One frame each 20 s or so for 5 hours: the least delay comes back seldom, the allowance (100 ppm) is what is lost meanwhile.
    let (least, most) = errors(&frames(30.0, 20_003_700, 900, usb), 20);
    assert!(least >= -1_000 && most <= 16_500, "{least} to {most} us");
    // Longer than the stamps can be counted on: it begins anew, at arrival.
    let mut clock = AdapterClock::default();
    assert_eq!(clock.place(Some(10), Steady(0)), (Steady(0), Told::Sound));
    let later = Steady(0) + Span::of_seconds(3_600);
    assert_eq!(clock.place(Some(59_999), later), (later, Told::Sound));
    // 5 ms later by 1 ms of the adapter's, and by what its clock may have lost in 5 ms.
    assert_eq!(clock.place(Some(0), later + Span::of_millis(5)), (later + Span(1_001), Told::Sound));
}

#[test]
fn a_clock_out_of_bounds_is_set_right_and_named() {
    // 0.5 % slow, as a clock without a crystal: 25 ms in the 5 s between reviews, and each review looks back as far.
    let frames = frames(-5_000.0, 1_000, 120_000, |_| 500);
    let (least, most) = errors(&frames, 0);
    assert!(least >= -60_000 && most <= 600, "{least} to {most} us");
    let mut clock = AdapterClock::default();
    let slow = frames.iter().filter(|(_, stamp, arrival)| clock.place(Some(*stamp), *arrival).1 == Told::Slow).count();
    assert!((20..=24).contains(&slow), "{slow} times in 120 s");
    // Fast costs nothing: every frame shows it.
    let (least, most) = errors(&super::tests::frames(5_000.0, 1_000, 120_000, |_| 500), 0);
    assert!(least >= -1_000 && most <= 600, "{least} to {most} us");
}

#[test]
fn an_adapter_that_starts_anew_or_frames_held_up_cost_one_frame() {
    let mut clock = AdapterClock::default();
    let mut anew = Vec::new();
    for index in 0..40_000_i64 {
        // From 30 s on nothing is read for 0.4 s.
        let arrival = Steady((if (30_000..30_400).contains(&index) { 30_400 } else { index }) * 1_000);
        // Its clock jumps from 15 s to 5 s.
        let stamp = if index < 15_000 { index } else { index - 10_000 };
        let (at, told) = clock.place(Some(stamp as u16), arrival);
        if told == Told::Anew {
            anew.push(index);
        } else if !(30_000..30_400).contains(&index) {
            assert!(arrival - at <= Span::of_millis(1), "{index}: {:?}", arrival - at);
        }
    }
    assert_eq!(anew, [15_000, 30_000]);
}

#[test]
fn stamps_that_are_not_of_60_s_are_not_used() {
    let mut clock = AdapterClock::default();
    assert_eq!(clock.place(Some(59_999), Steady(1_000)), (Steady(1_000), Told::Sound));
    assert_eq!(clock.place(Some(60_000), Steady(9_000)), (Steady(9_000), Told::Unusable));
    assert_eq!(clock.place(Some(1), Steady(20_000)), (Steady(20_000), Told::Sound));
}

#[test]
fn without_stamps_arrival_counts() {
    let mut clock = AdapterClock::default();
    for at in [5, 5, 1_000, 70_000_000] {
        assert_eq!(clock.place(None, Steady(at)), (Steady(at), Told::Sound));
    }
}

proptest! {
    #[test]
    fn never_later_than_arrival_never_backwards_never_far(
        steps in prop::collection::vec((any::<Option<u16>>(), 0..40_000_000_i64), 1..200),
        small in any::<bool>(),
    ) {
        let (mut clock, mut arrival, mut last) = (AdapterClock::default(), Steady(0), Steady(i64::MIN));
        for (stamp, step) in steps {
            arrival = arrival + Span(if small { step % 5_000 } else { step });
            let (at, _) = clock.place(stamp, arrival);
            prop_assert!(at <= arrival && at >= last && arrival - at <= DELAY_MAX);
            last = at;
        }
    }
}
