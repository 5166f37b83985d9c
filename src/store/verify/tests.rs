//! Sound runs are sound; whatever is changed in one, by accident or with its digests made to fit, is named.

use super::*;
use crate::store::recorder::tests::{files, plan, record, scratch, second, write};
use crate::store::recorder::{Durability, Recorder};
use crate::store::run_file::Ended;
use crate::store::start::Done;
use crate::time::{Steady, WallClock};

fn checked(folder: &Path) -> Report {
    super::run(&RunFolder::open(folder).unwrap(), &mut |_| ()).unwrap()
}

fn said(report: &Report) -> String {
    report.faults.iter().map(|fault| format!("{fault}\n")).collect()
}

/// A finished run of so many seconds.
fn whole_run(folder: &Path, seconds: std::ops::Range<i64>, durability: Durability) {
    let origin = Steady(7_000_000 + seconds.start * 1_000_000);
    let mut recorder = Recorder::begin(folder, &plan(durability), origin, WallClock(5)).unwrap();
    for s in seconds {
        let (mut batch, names) = second(s);
        recorder.take(&mut batch, &names).unwrap();
    }
    recorder.finish(Ended::Quiet, None).unwrap();
}

#[test]
fn what_was_written_is_sound() {
    let scratch = scratch();
    let run = |name: &str| scratch.path().join(format!("vehicle=heron/run={name}"));
    whole_run(&run("a"), 0..620, Durability::AtTheEnd);
    whole_run(&run("b"), 0..620, Durability::Journal);
    drop(record(&run("c"), 620).unwrap());
    let open = checked(&run("c"));
    assert_eq!((said(&open), open.kind, open.duration_s), (String::new(), Kind::Unfinished, Some(619.5)));
    assert_eq!(open.notes, ["part 2 so far: 20 blocks with 40 frames in its journal"]);
    Recorder::recover(&run("c")).unwrap();
    for name in ["a", "b", "c"] {
        let mut bytes = 0;
        let opened = RunFolder::open(&run(name)).unwrap();
        let report = super::run(&opened, &mut |more| bytes += more).unwrap();
        assert_eq!(said(&report), "", "{name}");
        assert_eq!((report.kind, report.duration_s), (Kind::Finished, Some(619.5)), "{name}");
        assert!(
            report.notes.iter().all(|note| note.starts_with("cut: ")),
            "nothing was passed over: {:?}",
            report.notes
        );
        assert_eq!(bytes, expected_bytes(&opened), "{name}");
    }
    std::fs::create_dir_all(run("d").join("source-files")).unwrap();
    let empty = checked(&run("d"));
    assert!(empty.is_sound() && empty.kind == Kind::Nothing);
}

#[test]
fn any_damaged_file_is_named() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=a");
    whole_run(&run, 0..40, Durability::AtTheEnd);
    let whole = files(&run);
    drop(record(&scratch.path().join("vehicle=heron/run=b"), 310).unwrap());
    let open = files(&scratch.path().join("vehicle=heron/run=b"));
    for (sound, is_open) in [(&whole, false), (&open, true)] {
        for (name, bytes) in sound {
            // The last block of a journal may be damaged by the cut itself: that is a note.
            let end = if name.ends_with(".zst") { bytes.len() / 2 } else { bytes.len() };
            for step in 0..4 {
                let mut changed = sound.clone();
                let bytes = changed.get_mut(name).unwrap();
                match step {
                    0 => bytes[end / 3] ^= 4,
                    1 => bytes[end - 1] ^= 0x80,
                    2 => bytes[end / 2..end].fill(0xa5),
                    _ if is_open && name.ends_with(".zst") => continue,
                    _ => bytes.truncate(end / 2),
                }
                write(&run, &changed);
                let said = said(&checked(&run));
                assert!(said.contains(name.as_str()), "{name}, {step}: {said}");
            }
        }
        write(&run, sound);
        assert_eq!(said(&checked(&run)), "");
    }
}

/// Puts a file of another run in place of one and makes `run.json` fit.
fn exchange(run: &Path, other: &Path, folder: &str) {
    let mut file = RunFile::load(run).unwrap();
    let table = file.tables.iter_mut().find(|table| table.folder == folder).unwrap();
    let mine = run.join(folder).join(&table.files[0].name);
    std::fs::copy(parts_of(other, folder), &mine).unwrap();
    table.files[0].digest = crate::store::digest(&mine, crate::digest::Hasher::of_much()).unwrap().1;
    table.count_again(run).unwrap();
    file.save(run).unwrap();
}

fn parts_of(run: &Path, folder: &str) -> PathBuf {
    crate::store::parts::list(&run.join(folder)).unwrap().0[0].path.clone()
}

#[test]
fn tables_that_do_not_follow_from_each_other_are_named() {
    let scratch = scratch();
    let run = |name: &str| scratch.path().join(name).join("run=R");
    whole_run(&run("a"), 0..50, Durability::AtTheEnd);
    whole_run(&run("b"), 50..100, Durability::AtTheEnd);
    let sound = files(&run("a"));
    let cases = [
        (
            "samples/message=PACK",
            "samples/message=PACK: row at 0 us, column 'Volts': 395 is there, its raw row gives 400",
        ),
        ("frames", "samples/message=PACK: row at 0 us, column 'Volts': 400 is there"),
        ("trace", "trace: row at"),
        ("fixes", "trace: row at"),
    ];
    for (folder, expected) in cases {
        write(&run("a"), &sound);
        exchange(&run("a"), &run("b"), folder);
        let said = said(&checked(&run("a")));
        assert!(said.contains(expected), "{folder}: {said}");
    }
    let change = |change: &dyn Fn(&mut RunFile)| {
        write(&run("a"), &sound);
        let mut file = RunFile::load(&run("a")).unwrap();
        change(&mut file);
        file.save(&run("a")).unwrap();
        said(&checked(&run("a")))
    };
    let more = |file: &mut RunFile| {
        let energy = file.sums["energy_out"].as_f64().unwrap();
        file.sums["energy_out"] = serde_json::json!(energy * (1.0 + 1e-11));
    };
    assert!(change(&more).contains("'sums' is not what the samples give"));
    let counts = |file: &mut RunFile| file.counts["messages"]["PACK"]["frames"] = serde_json::json!(99);
    assert!(change(&counts).contains("counts of message 'PACK'"));
    let shorter = |file: &mut RunFile| file.duration_s -= 1.0;
    assert!(change(&shorter).contains("frames: a row at 49500000 us, the run goes from 0 to 48500000 us"));
    let longer = |file: &mut RunFile| file.duration_s += 1.0;
    assert!(change(&longer).contains("trace: "), "its last row is not where the run ends");
}

#[test]
fn what_does_not_belong_is_named_and_left_overs_are_noted() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=a");
    whole_run(&run, 0..40, Durability::AtTheEnd);
    std::fs::write(run.join("trace/part-00009.parquet.tmp"), "half").unwrap();
    let report = checked(&run);
    assert!(report.is_sound() && report.notes[0].contains("trace/part-00009.parquet.tmp is a left-over"));
    std::fs::copy(run.join("trace/part-00000.parquet"), run.join("trace/part-00001.parquet")).unwrap();
    let said_now = said(&checked(&run));
    assert!(said_now.contains("trace/part-00001.parquet: run.json does not list it"), "{said_now}");
    std::fs::remove_file(run.join("trace/part-00001.parquet")).unwrap();
    std::fs::remove_file(run.join("trace/part-00000.parquet")).unwrap();
    assert!(said(&checked(&run)).contains("trace/part-00000.parquet: cannot open"));
}

#[test]
fn what_is_put_aside_is_said_and_the_rest_is_checked() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=a");
    whole_run(&run, 0..40, Durability::AtTheEnd);
    let frames = run.join("frames/part-00000.parquet");
    let mut bytes = std::fs::read(&frames).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&frames, bytes).unwrap();
    let opened = RunFolder::open(&run).unwrap();
    let report = checked(&run);
    let done = set_aside(&opened, &report).unwrap();
    assert!(matches!(&done, Some(Done::SetAside(aside)) if aside[0].file == "frames/part-00000.parquet"), "{done:?}");
    let after = checked(&run);
    assert_eq!(after.faults.len(), 1, "{}", said(&after));
    assert!(said(&after).contains("set-aside/frames/part-00000.parquet: was put aside: its digest"));
    assert!(after.notes[0].contains("raw frames are not all there"), "{:?}", after.notes);
    assert!(set_aside(&opened, &after).unwrap().is_none(), "nothing more to do");
}
