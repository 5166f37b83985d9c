//! The journal under cuts, flipped bytes and random batches; and what it costs.

use proptest::prelude::*;

use super::*;
use crate::observation::{Bus, FrameFlags, Item, Mark, MarkKind, Reply, Row, Stamped};
use crate::observation::{CanId, Fix};
use crate::store::writer::tests::{cpu_seconds, drive};
use crate::time::WallClock;

fn blocks(path: &Path) -> (Vec<(Batch, BusNames)>, Option<Torn>) {
    let mut sound = Vec::new();
    for block in read(path).unwrap() {
        match block {
            Ok(block) => sound.push(block),
            Err(torn) => return (sound, Some(torn)),
        }
    }
    (sound, None)
}

fn small() -> (Vec<Batch>, BusNames) {
    let mut names = BusNames::default();
    let bus = names.intern("vcan0").unwrap();
    let long: Vec<u8> = (0..64).collect();
    let batches = (0..4i64)
        .map(|second| {
            let mut batch = Batch::default();
            for n in 0..20 {
                let at = Steady(second * 1_000_000 + n * 50_000);
                batch.push(at, bus, 0x100 + (n as u32 % 3), FrameFlags(0), &long[..8]);
            }
            batch.push(Steady(second * 1_000_000 + 990_000), bus, 0x1234_5678, FrameFlags(9), &long);
            batch.rest.push(Stamped { at: Steady(second * 1_000_000 + 5), item: Item::Supply(12.5) });
            batch
        })
        .collect();
    (batches, names)
}

#[test]
fn what_is_synced_comes_back_from_any_cut_and_any_flipped_byte() {
    let folder = tempfile::tempdir().unwrap();
    let (batches, names) = small();
    let mut journal = Journal::create(folder.path(), 3).unwrap();
    let path = path(folder.path(), 3);
    let mut ends = vec![0u64];
    for batch in &batches {
        journal.append(batch, &names, Steady(0)).unwrap();
        journal.sync().unwrap();
        ends.push(std::fs::metadata(&path).unwrap().len());
    }
    let written: Vec<(Batch, BusNames)> = batches.iter().map(|batch| (batch.clone(), names.clone())).collect();
    assert_eq!(blocks(&path), (written.clone(), None));

    let sound = std::fs::read(&path).unwrap();
    for cut in 0..sound.len() {
        std::fs::write(&path, &sound[..cut]).unwrap();
        let (found, torn) = blocks(&path);
        let whole = ends.iter().filter(|end| **end <= cut as u64).count() - 1;
        assert_eq!(found, written[..whole], "cut at {cut}");
        let at = (ends[whole] != cut as u64).then_some(ends[whole]);
        assert_eq!(torn.map(|torn| torn.byte), at, "cut at {cut}");
    }
    for byte in 0..sound.len() {
        let mut flipped = sound.clone();
        flipped[byte] ^= 1 << (byte % 8);
        std::fs::write(&path, &flipped).unwrap();
        let (found, torn) = blocks(&path);
        let whole = ends.iter().filter(|end| **end <= byte as u64).count() - 1;
        assert!(found.len() >= whole, "byte {byte}: {} blocks", found.len());
        assert_eq!(found, written[..found.len()], "byte {byte}: what is read is what was written");
        assert!(torn.is_some() || found.len() == written.len(), "byte {byte} is lost without a word");
    }
}

#[test]
fn a_damaged_block_costs_itself_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (batches, names) = small();
    let mut journal = Journal::create(folder.path(), 0).unwrap();
    let path = path(folder.path(), 0);
    let mut ends = vec![0u64];
    for batch in &batches {
        journal.append(batch, &names, Steady(0)).unwrap();
        journal.sync().unwrap();
        ends.push(std::fs::metadata(&path).unwrap().len());
    }
    let sound = std::fs::read(&path).unwrap();
    for byte in 0..ends[3] as usize {
        let hit = ends.iter().filter(|end| **end <= byte as u64).count() - 1;
        let mut zeroed = sound.clone();
        // What is zero already is no damage.
        if std::mem::replace(&mut zeroed[byte], 0) == 0 {
            continue;
        }
        std::fs::write(&path, &zeroed).unwrap();
        let all: Vec<Block> = read(&path).unwrap().collect();
        let found: Vec<&Batch> = all.iter().flatten().map(|(batch, _)| batch).collect();
        let expected: Vec<&Batch> =
            batches.iter().enumerate().filter(|(number, _)| *number != hit).map(|(_, batch)| batch).collect();
        let torn = all.iter().find_map(|block| block.as_ref().err());
        if found.len() == batches.len() {
            // A flag or checksum of the frame's own: what it holds is whole.
            assert!(found.iter().zip(&batches).all(|(found, batch)| *found == batch), "byte {byte}");
        } else {
            assert_eq!(found, expected, "byte {byte}");
            let torn = torn.unwrap_or_else(|| panic!("byte {byte} is lost without a word"));
            assert_eq!((torn.byte, torn.until), (ends[hit], Some(ends[hit + 1])), "byte {byte}");
        }
    }
}

#[test]
fn stamps_count_from_the_run_s_zero_and_unsynced_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let (batches, names) = small();
    let mut journal = Journal::create(folder.path(), 0).unwrap();
    journal.append(&batches[1], &names, Steady(1_000_000)).unwrap();
    assert_eq!(blocks(&path(folder.path(), 0)), (vec![], None));
    journal.sync().unwrap();
    journal.append(&batches[2], &names, Steady(1_000_000)).unwrap();
    drop(journal);
    let (found, torn) = blocks(&path(folder.path(), 0));
    assert_eq!((found.len(), torn), (1, None));
    assert_eq!(found[0].0.rest[0].at, Steady(5));
    assert_eq!(found[0].0.frames[1].at, Steady(50_000));
    remove(folder.path(), 0).unwrap();
    assert_eq!(blocks(&path(folder.path(), 0)), (vec![], None));
}

#[test]
fn a_long_batch_is_cut_between_two_moments() {
    let folder = tempfile::tempdir().unwrap();
    let mut batch = Batch::default();
    for n in 0..200_000i64 {
        batch.push(Steady(n / 3), Bus(0), 1, FrameFlags(0), &[n as u8]);
    }
    for n in 0..70_000i64 {
        batch.rest.push(Stamped { at: Steady(n), item: Item::Supply(n as f64) });
    }
    let mut journal = Journal::create(folder.path(), 0).unwrap();
    journal.append(&batch, &BusNames::default(), Steady(0)).unwrap();
    journal.sync().unwrap();
    let (found, torn) = blocks(&path(folder.path(), 0));
    assert_eq!(torn, None);
    assert!(found.len() > 1);
    let mut joined = Batch::default();
    let mut last = Steady(-1);
    for (block, _) in found {
        for first in [block.frames.first().map(|frame| frame.at), block.rest.first().map(|item| item.at)] {
            assert!(first.is_none_or(|first| first > last), "{first:?} after {last:?}");
        }
        last = block.frames.last().map_or(last, |frame| frame.at).max(block.rest.last().map_or(last, |item| item.at));
        joined.frames.extend(block.frames);
        joined.rest.extend(block.rest);
    }
    assert!(joined == batch);
}

#[test]
fn a_block_that_unpacks_without_end_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.zst");
    std::fs::write(&path, zstd::bulk::compress(&vec![0; BLOCK_LIMIT + 1], 1).unwrap()).unwrap();
    let (found, torn) = blocks(&path);
    assert!(found.is_empty() && torn.is_some_and(|torn| torn.reason.contains("more than")));
}

fn item() -> impl Strategy<Value = Item> {
    let text = "[a-z é]{0,20}";
    prop_oneof![
        (any::<f32>(), text).prop_map(|(value, text)| {
            let value = value.is_finite().then_some(f64::from(value));
            Item::Mark(Mark { kind: MarkKind::TripFigure, value, text })
        }),
        any::<Option<f64>>()
            .prop_filter("equal to itself", |v| v.is_none_or(|v| !v.is_nan()))
            .prop_map(|speed_mps| { Item::Fix(Fix { speed_mps, mode: 3, satellites: Some(9), ..Fix::default() }) }),
        (any::<u32>(), proptest::collection::vec(any::<u8>(), 0..30)).prop_map(|(id, payload)| {
            Item::Reply(Reply { bus: Bus(1), from: CanId::Extended(id), request: vec![0x22], payload })
        }),
        (text, -1e9..1e9f64).prop_map(|(table, value)| Item::Row(Row { table, values: vec![value, 0.0] })),
        any::<i64>().prop_map(|us| Item::Anchor(WallClock(us))),
        text.prop_map(Item::Trouble),
    ]
}

fn batch() -> impl Strategy<Value = Batch> {
    let frame = (any::<i32>(), 0..3u8, 0..4u32, 0..64u8, proptest::collection::vec(any::<u8>(), 0..64));
    let items = proptest::collection::vec((any::<i32>(), item()), 0..5);
    (proptest::collection::vec(frame, 0..60), items).prop_map(|(frames, items)| {
        let mut batch = Batch::default();
        for (at, bus, id, flags, payload) in frames {
            let payload = if flags & FrameFlags::REMOTE != 0 { &payload[..payload.len().min(8)] } else { &payload };
            batch.push(Steady(at.into()), Bus(bus), id, FrameFlags(flags), payload);
            let frame = batch.frames.last_mut().unwrap();
            if frame.flags.has(FrameFlags::REMOTE) {
                frame.data = [0; 8];
            }
        }
        batch.rest.extend(items.into_iter().map(|(at, item)| Stamped { at: Steady(at.into()), item }));
        batch
    })
}

proptest! {
    #[test]
    fn any_batch_comes_back(batch in batch()) {
        let names = BusNames::default();
        let (back, names_back) = block::unpack(&block::pack(&batch, &names), 100).unwrap();
        prop_assert_eq!(back, batch);
        prop_assert_eq!(names_back, names);
    }

    #[test]
    fn no_block_panics(batch in batch(), at in any::<prop::sample::Index>(), byte in any::<u8>(), cut in any::<prop::sample::Index>()) {
        let mut packed = block::pack(&batch, &BusNames::default());
        let at = at.index(packed.len());
        packed[at] = byte;
        let _ = block::unpack(&packed, 100);
        packed.truncate(cut.index(packed.len()));
        let _ = block::unpack(&packed, 100);
    }

    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = block::unpack(&bytes, 100);
        let mut with_version = vec![1];
        with_version.extend(bytes);
        let _ = block::unpack(&with_version, 100);
    }
}

/// Not a test: prints what the journal costs. `cargo test --release --lib store::journal -- --ignored --nocapture`
#[test]
#[ignore = "prints figures"]
fn measures() {
    let (log, names) = drive(1, 1_000_000);
    for rate in [2_000i64, 4_500, 13_000] {
        let folder = tempfile::tempdir().unwrap();
        let mut journal = Journal::create(folder.path(), 0).unwrap();
        let (mut busy, mut syncs) = (0.0, 0);
        for second in log.frames.chunks(rate as usize) {
            let mut batch = Batch::default();
            for frame in second {
                // The log runs at 2,000 frames a second; its time is squeezed to the rate.
                batch.push(Steady(frame.at.0 * 2_000 / rate), frame.bus, frame.id, frame.flags, log.payload(frame));
            }
            let start = cpu_seconds();
            journal.append(&batch, &names, Steady(0)).unwrap();
            journal.write_block().unwrap();
            busy += cpu_seconds() - start;
            syncs += 1;
        }
        let bytes = std::fs::metadata(path(folder.path(), 0)).unwrap().len() as f64;
        let frames = log.frames.len() as f64;
        println!(
            "{rate} f/s, {syncs} blocks: {:.2} B/frame, {:.0} B/block, {:.3} us/frame",
            bytes / frames,
            bytes / f64::from(syncs),
            busy * 1e6 / frames
        );
    }
}
