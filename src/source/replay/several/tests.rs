//! Several files: one after another, side by side, damaged.

use super::*;
use crate::observation::Item;
use proptest::prelude::*;

/// A file's name, how much of it could not be read, the first faults.
type Spoilt = (String, u64, Vec<Fault>);

fn line(second: usize, bus: &str, id: u32) -> String {
    format!("({}.000000) {bus} {id:03X}#01\n", 1_700_000_000 + second)
}

/// Writes the logs, replays them with a batch size, and gives everything with the order of the frames' identifiers.
fn replay(logs: &[String], size: usize) -> (Batch, BusNames, Vec<Spoilt>) {
    let folder = tempfile::tempdir().unwrap();
    let write = |(index, log): (usize, &String)| {
        let path = folder.path().join(format!("{index}.log"));
        std::fs::write(&path, log).unwrap();
        path
    };
    let paths: Vec<PathBuf> = logs.iter().enumerate().map(write).collect();
    let mut replay = Replay::open(&paths, None, size).unwrap();
    let mut out = Batch::default();
    while replay.next(&mut out).unwrap() {}
    let size: usize = logs.iter().map(String::len).sum();
    assert_eq!(replay.progress(), Progress { done: size as u64, total: Some(size as u64) });
    let damage = replay
        .damage()
        .into_iter()
        .map(|(name, count, first)| (name.rsplit('/').next().unwrap_or_default().to_owned(), count, first));
    (out, replay.names().clone(), damage.collect())
}

fn ids(batch: &Batch) -> Vec<u32> {
    batch.frames.iter().map(|frame| frame.id).collect()
}

#[test]
fn files_are_read_in_the_order_of_their_first_stamps() {
    let late: String = (10..20).map(|n| line(n, "can0", n as u32)).collect();
    let early: String = (0..10).map(|n| line(n, "can1", n as u32)).collect();
    let (batch, names, damage) = replay(&[late, format!("{early}rubbish\n")], 3);
    assert_eq!(ids(&batch), (0..20).collect::<Vec<_>>());
    assert_eq!(names.names(), ["can1", "can0"]);
    assert_eq!(
        damage.iter().map(|(name, count, _)| (name.as_str(), *count)).collect::<Vec<_>>(),
        [("1.log", 1), ("0.log", 0)]
    );
    assert_eq!(batch.rest.len(), 1);
}

#[test]
fn files_that_overlap_are_read_side_by_side() {
    let even: String = (0..50).map(|n| line(2 * n, "can1", 2 * n as u32)).collect();
    let odd: String = (0..50).map(|n| line(2 * n + 1, "can0", 2 * n as u32 + 1)).collect();
    let (batch, ..) = replay(&[even, odd], 7);
    assert_eq!(ids(&batch), (0..100).collect::<Vec<_>>());
    assert!(batch.rest.iter().all(|one| matches!(one.item, Item::Anchor(_))), "{:?}", batch.rest);
}

#[test]
fn a_file_with_nothing_in_it_does_no_harm() {
    let (batch, ..) = replay(&["(\n".into(), line(1, "can0", 1)], 7);
    assert_eq!(ids(&batch), [1]);
    assert!(replay(&["(\n".into()], 7).0.is_empty());
}

proptest! {
    #[test]
    fn the_batch_size_changes_nothing(
        logs in prop::collection::vec(prop::collection::vec((0usize..30, 0usize..3, 0u32..5), 1..30), 1..4), size in 1usize..10,
    ) {
        let text = |log: &Vec<(usize, usize, u32)>| -> String {
            log.iter().map(|(second, bus, id)| line(*second, ["can2", "can0", "can1"][*bus], *id)).collect()
        };
        let logs: Vec<String> = logs.iter().map(text).collect();
        let one = replay(&logs, size);
        prop_assert_eq!(&one.0.frames.len(), &logs.iter().map(|log| log.lines().count()).sum::<usize>());
        prop_assert!(one.0.frames.is_sorted_by_key(|frame| (frame.at, one.1.name(frame.bus).to_owned(), frame.id)));
        let two = replay(&logs, 1000);
        // Folders differ from replay to replay, and with them the names in the faults.
        prop_assert_eq!((&one.0, &one.1), (&two.0, &two.1));
        prop_assert!(one.2.iter().chain(&two.2).all(|(_, count, _)| *count == 0));
    }
}
