//! The merge against a naive sort, whatever the batches; clocks set back.

use super::*;
use crate::observation::{Bus, FrameFlags};
use proptest::prelude::*;

/// One observation: raw stamp, bus, identifier, payload length; every seventh an item.
type Seen = (i64, u8, u32, usize);

const NAMES: [&str; 3] = ["vcan2", "can0", "can1"];

fn names() -> BusNames {
    let mut names = BusNames::default();
    NAMES.iter().for_each(|name| assert!(names.intern(name).is_some()));
    names
}

fn push(batch: &mut Batch, serial: usize, (at, bus, id, len): Seen) {
    let mut payload = [0u8; 64];
    payload[..8].copy_from_slice(&(serial as u64).to_le_bytes());
    if serial % 7 == 3 {
        batch.rest.push(Stamped { at: Steady(at), item: Item::Supply(serial as f64) });
    } else {
        batch.push(Steady(at), Bus(bus), id, FrameFlags(0), &payload[..len]);
    }
}

/// Through the merge, cut into batches of `size`; an item ends a batch, as readers do.
fn merged(seen: &[Seen], size: usize) -> Batch {
    let (mut merge, mut out, mut batch, names) = (Merge::default(), Batch::default(), Batch::default(), names());
    for (serial, one) in seen.iter().enumerate() {
        push(&mut batch, serial, *one);
        if batch.frames.len() >= size || !batch.rest.is_empty() {
            merge.push(&mut batch, &names);
            merge.ready(&mut out);
        }
    }
    merge.push(&mut batch, &names);
    merge.finish(&mut out);
    out
}

/// A frame as it can be compared: stamp, bus name, identifier, payload.
type Plain = (i64, &'static str, u32, Vec<u8>);

fn plain(batch: &Batch) -> Vec<Plain> {
    let one = |frame: &Frame| (frame.at.0, NAMES[usize::from(frame.bus.0)], frame.id, batch.payload(frame).to_vec());
    batch.frames.iter().map(one).collect()
}

/// The rule as the document states it, by brute force.
fn naive(seen: &[Seen]) -> (Vec<Plain>, usize) {
    let (mut top, mut shift, mut backs, mut all) = (i64::MIN, 0, 0, Batch::default());
    for (serial, (raw, bus, id, len)) in seen.iter().copied().enumerate() {
        if top != i64::MIN && raw + shift < top - 200_000 {
            shift = top - raw;
            backs += 1;
        }
        top = top.max(raw + shift);
        push(&mut all, serial, (raw + shift, bus, id, len));
    }
    let mut all = plain(&all);
    all.sort_by(|one, two| (one.0, one.1, one.2).cmp(&(two.0, two.1, two.2)));
    (all, backs)
}

fn seen() -> impl Strategy<Value = Vec<Seen>> {
    let step =
        prop_oneof![6 => 0i64..3, 6 => 0i64..50_000, 4 => -150_000i64..0, 1 => -900_000i64..0, 1 => 0i64..900_000];
    let lens = prop_oneof![Just(8usize), Just(0), Just(12), Just(64)];
    let steps = prop::collection::vec((step, 0u8..3, 0u32..3, lens), 0..150);
    (steps, any::<bool>()).prop_map(|(steps, classic)| {
        let mut at = 1_000_000_000;
        let stamped = |(step, bus, id, len): (i64, u8, u32, usize)| {
            at += step;
            (at, bus, id, if classic { len.min(8) } else { len })
        };
        steps.into_iter().map(stamped).collect()
    })
}

proptest! {
    #[test]
    fn the_order_is_that_of_a_naive_sort(seen in seen(), size in 1usize..40) {
        let (expected, backs) = naive(&seen);
        let out = merged(&seen, size);
        prop_assert_eq!(plain(&out), expected);
        let count = |wanted: fn(&Item) -> bool| out.rest.iter().filter(|stamped| wanted(&stamped.item)).count();
        prop_assert_eq!(count(|item| matches!(item, Item::Trouble(_))), backs);
        prop_assert_eq!(count(|item| matches!(item, Item::Anchor(_))), backs + usize::from(!seen.is_empty()));
        prop_assert_eq!(count(|item| matches!(item, Item::Supply(_))), (0..seen.len()).filter(|n| n % 7 == 3).count());
        prop_assert!(out.rest.is_sorted_by_key(|stamped| stamped.at));
    }

    #[test]
    fn the_batch_size_changes_nothing(seen in seen(), size in 1usize..40) {
        prop_assert_eq!(merged(&seen, size), merged(&seen, 1000));
    }

    #[test]
    fn no_stamps_overflow(stamps in prop::collection::vec(prop_oneof![any::<i64>(), Just(i64::MIN), Just(i64::MAX)], 0..20)) {
        let seen: Vec<Seen> = stamps.into_iter().map(|at| (at, 0, 1, 8)).collect();
        let out = merged(&seen, 3);
        prop_assert!(out.frames.is_sorted_by_key(|frame| frame.at));
    }
}

#[test]
fn a_clock_set_back_moves_what_follows() {
    let second = 1_000_000;
    let out = merged(&[(100 * second, 0, 1, 8), (101 * second, 0, 1, 8), (50 * second, 0, 1, 8)], 1);
    let stamps: Vec<i64> = out.frames.iter().map(|frame| frame.at.0 / second).collect();
    assert_eq!(stamps, [100, 101, 101]);
    let out = merged(&[(100 * second, 0, 1, 8), (99 * second, 0, 1, 8), (101 * second, 0, 1, 8)], 1);
    let rest: Vec<(i64, Item)> = out.rest.iter().map(|one| (one.at.0 / second, one.item.clone())).collect();
    let told = Item::Trouble("the recording's clock was set back by 1 s".into());
    assert_eq!(
        rest,
        [(100, Item::Anchor(WallClock(100 * second))), (100, told), (100, Item::Anchor(WallClock(99 * second))),]
    );
    let stamps: Vec<i64> = out.frames.iter().map(|frame| frame.at.0 / second).collect();
    assert_eq!(stamps, [100, 100, 102]);
}

#[test]
fn memory_does_not_grow_with_the_recording() {
    let (mut merge, mut out, mut batch, names) = (Merge::default(), Batch::default(), Batch::default(), names());
    for at in 0..1_000_000i64 {
        batch.push(Steady(at * 1000), Bus(0), 1, FrameFlags(FrameFlags::FD), &[7; 64]);
        if at % 10 == 0 {
            merge.push(&mut batch, &names);
            merge.ready(&mut out);
            out.clear();
        }
    }
    assert!(merge.frames.capacity() < 2_000 && merge.long.capacity() < 100_000);
}

#[test]
fn live_stamps_never_move_the_clock_and_what_is_late_is_counted() {
    let (mut merge, mut out, names) = (Merge::live(), Batch::default(), names());
    let mut batch = Batch::default();
    push(&mut batch, 0, (1_000_000, 0, 1, 8));
    push(&mut batch, 1, (900_000, 1, 2, 8));
    merge.push(&mut batch, &names);
    merge.ready_before(Steady(950_000), &mut out);
    assert_eq!(plain(&out), [(900_000, "can0", 2, 1_u64.to_le_bytes().to_vec())]);
    // An hour of silence is handed out by time alone, and a frame that comes back from it moves nothing.
    merge.ready_before(Steady(3_600_000_000), &mut out);
    assert_eq!((out.frames.len(), merge.take_late()), (2, 0));
    push(&mut batch, 2, (2_000_000, 0, 3, 8));
    push(&mut batch, 4, (3_600_000_001, 0, 4, 8));
    merge.push(&mut batch, &names);
    merge.finish(&mut out);
    let stamps: Vec<i64> = out.frames.iter().map(|frame| frame.at.0).collect();
    assert_eq!(stamps, [900_000, 1_000_000, 3_600_000_000, 3_600_000_001]);
    assert_eq!((merge.take_late(), merge.take_late()), (1, 0));
    // Nobody says what the world's clock is but those who read it.
    assert!(out.rest.is_empty());
}
