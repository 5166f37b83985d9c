//! Tests of the writer and reader together, and what they cost.

use std::path::Path;

use proptest::prelude::*;

use super::*;
use crate::ledger::{Phase, Sums};
use crate::observation::{Batch, FrameFlags};
use crate::store::reader::{read_floats, read_marks};
use crate::time::Steady;

/// A pseudo-random sequence (Vigna's splitmix64), so that the log is the same everywhere.
pub(crate) struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
}

/// A bus log: 25 identifiers on 3 buses, 8 bytes each: slowly varying 16-bit values with noise, a counter, a checksum.
pub(crate) fn drive(seed: u64, frames: usize) -> (Batch, BusNames) {
    let mut noise = Noise(seed);
    let mut names = BusNames::default();
    let buses: Vec<Bus> = ["vcan0", "vcan1", "vcan2"].iter().filter_map(|name| names.intern(name)).collect();
    // 2,000 frames a second in all: 15 identifiers at 10 ms, 5 at 12.5 ms, 5 at 50 ms.
    let periods: Vec<i64> = (0..25)
        .map(|id| {
            if id < 15 {
                10_000
            } else if id < 20 {
                12_500
            } else {
                50_000
            }
        })
        .collect();
    let mut due: std::collections::BinaryHeap<std::cmp::Reverse<(i64, usize)>> =
        (0..25).map(|id| std::cmp::Reverse((noise.below(10_000) as i64, id))).collect();
    let mut values = [[20_000f64; 3]; 25];
    let mut counters = [0u8; 25];
    let mut batch = Batch::default();
    while batch.frames.len() < frames {
        let Some(std::cmp::Reverse((at, id))) = due.pop() else { break };
        let mut payload = [0u8; 8];
        for (index, value) in values[id].iter_mut().enumerate() {
            let step = (noise.below(2_001) as f64 - 1_000.0) / 1_000.0;
            *value = (*value + step * if index == 0 { 8.0 } else { 1.0 }).clamp(0.0, 65_535.0);
            payload[index * 2..index * 2 + 2].copy_from_slice(&(*value as u16).to_be_bytes());
        }
        counters[id] = (counters[id] + 1) & 15;
        payload[6] = counters[id];
        payload[7] = payload[..7].iter().fold(0x5a, |sum: u8, byte| sum.rotate_left(1) ^ byte);
        batch.push(Steady(at), buses[id % 3], 0x100 + 16 * id as u32, FrameFlags(0), &payload);
        due.push(std::cmp::Reverse((at + periods[id] + noise.below(120) as i64 - 60, id)));
    }
    batch.frames.sort_by_key(|frame| frame.at);
    (batch, names)
}

/// A frame as [`expected_frames`] and the files give it.
type Row = (i64, String, i32, i32, i32, Vec<u8>);

/// What the frames file must hold, by sorting with comparisons: groups end with the minute and with the part.
fn expected_frames(batch: &Batch, names: &BusNames, boundaries: &[usize]) -> Vec<Vec<Row>> {
    let mut groups: Vec<Vec<Row>> = Vec::new();
    let mut minute = None;
    for (index, frame) in batch.frames.iter().enumerate() {
        let this = frame.at.0.div_euclid(60_000_000);
        if boundaries.contains(&index) || minute.is_none_or(|minute| this > minute) {
            groups.push(Vec::new());
            minute = Some(this);
        }
        let mut payload = batch.payload(frame).to_vec();
        payload.resize(payload.len().max(8), 0);
        let row = (
            frame.at.0,
            names.name(frame.bus).to_owned(),
            frame.id as i32,
            i32::from(frame.flags.0),
            i32::from(frame.len),
            payload,
        );
        groups.last_mut().unwrap().push(row);
    }
    for group in &mut groups {
        group.sort_by(|a, b| (&a.1, a.2, a.0).cmp(&(&b.1, b.2, b.0)));
    }
    groups
}

/// What the frames file holds, by the Parquet crate's own row reader.
fn frames_read(path: &Path) -> Vec<Vec<Row>> {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::RowAccessor;
    let reader = SerializedFileReader::new(std::fs::File::open(path).unwrap()).unwrap();
    let group = |index: usize| {
        let group = reader.get_row_group(index).unwrap();
        let rows = group.get_row_iter(None).unwrap().map(|row| {
            let row = row.unwrap();
            let mut payload = row.get_bytes(5).unwrap().data().to_vec();
            if let Ok(tail) = row.get_bytes(6) {
                payload.extend_from_slice(tail.data());
            }
            let int = |column| row.get_int(column).unwrap();
            (row.get_long(0).unwrap(), row.get_string(1).unwrap().clone(), int(2), int(3), int(4), payload)
        });
        rows.collect()
    };
    (0..reader.num_row_groups()).map(group).collect()
}

fn only_file(folder: &Path) -> std::path::PathBuf {
    let (parts, covered) = parts::list(folder).unwrap();
    assert_eq!((parts.len(), covered.len()), (1, 0), "one file in {}", folder.display());
    parts[0].path.clone()
}

fn any_frames() -> impl Strategy<Value = (Batch, BusNames, Vec<usize>)> {
    let id = prop_oneof![0..4u32, 0x7fe..0x802u32, 0x1fff_fffe..0x2000_0000u32];
    let frame = (0..40_000_000i64, 0..3u8, id, 0..64u8, proptest::collection::vec(any::<u8>(), 0..=64), any::<bool>());
    let cuts = proptest::collection::vec(1..120usize, 0..3);
    (proptest::collection::vec(frame, 1..120), cuts).prop_map(|(frames, cuts)| {
        let mut names = BusNames::default();
        // Not in the order of the alphabet: rows are ordered by name.
        for name in ["c", "a", "b"] {
            names.intern(name);
        }
        let mut batch = Batch::default();
        let mut at = 0;
        for (step, bus, id, flags, mut payload, classic) in frames {
            at += match step % 5 {
                0 => 0,
                // No source steps back, but the order is the writer's to keep.
                1 => -at.min(step / 100),
                _ => step,
            };
            payload.truncate(if classic { 8 } else { 64 });
            let payload = if flags & FrameFlags::REMOTE == 0 { &payload[..] } else { &[] };
            batch.push(Steady(at), Bus(bus), id, FrameFlags(flags), payload);
        }
        (batch, names, cuts)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn frames_come_back_ordered((batch, names, cuts) in any_frames()) {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = RunWriter::create(folder.path(), vec![], true).unwrap();
        writer.set_sync_parts(false);
        writer.set_buses(&names);
        for (index, frame) in batch.frames.iter().enumerate() {
            if cuts.contains(&index) {
                writer.close_parts().unwrap();
            }
            writer.frame(RunTime(frame.at.0), frame, batch.payload(frame)).unwrap();
        }
        let tables = writer.finish().unwrap();
        prop_assert_eq!(tables[0].rows, batch.frames.len() as u64);
        let path = only_file(&folder.path().join("frames"));
        prop_assert_eq!(frames_read(&path), expected_frames(&batch, &names, &cuts));
    }

    #[test]
    fn samples_come_back(
        rows in proptest::collection::vec((any::<i64>(), 0..4u8, any::<[f64; 3]>(), 0..10u8), 1..300),
        cuts in proptest::collection::vec(1..300usize, 0..4),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let signals = ["a", "b", "c"].map(|name| (name, "V", ""));
        let mut writer = RunWriter::create(folder.path(), vec![tables::samples("M", signals)], true).unwrap();
        let mut names = BusNames::default();
        names.intern("x");
        names.intern("y");
        writer.set_buses(&names);
        let mut expected = Vec::new();
        for (index, (at, bus, mut values, holes)) in rows.into_iter().enumerate() {
            if cuts.contains(&index) {
                writer.close_parts().unwrap();
            }
            for (column, value) in values.iter_mut().enumerate() {
                *value = if holes & (1 << column) != 0 { f64::NAN } else { *value };
            }
            let bus = if bus < 2 { Bus(bus) } else { NO_BUS };
            writer.sample(0, RunTime(at), bus, &values).unwrap();
            let kept = values.map(|value| value.is_finite().then(|| value.to_bits()));
            expected.push((at, names.names().get(usize::from(bus.0)).cloned().unwrap_or_default(), kept));
        }
        writer.finish().unwrap();
        only_file(&folder.path().join("samples/message=M"));
        let mut found = Vec::new();
        read_floats(folder.path(), "samples/message=M", &["c", "bus", "a", "b"], |chunk| {
            for (row, at) in chunk.t_us.iter().enumerate() {
                let bus = chunk.names[1][chunk.columns[1][row] as usize].clone();
                let cell = |column: usize| {
                    let value = chunk.columns[column][row];
                    (!value.is_nan()).then(|| value.to_bits())
                };
                found.push((*at, bus, [cell(2), cell(3), cell(0)]));
            }
        }).unwrap();
        prop_assert_eq!(found, expected);
    }

    #[test]
    fn any_moments_come_back(times in proptest::collection::vec(any::<i64>(), 1..700), shift in 0..63u32) {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = RunWriter::create(folder.path(), vec![], false).unwrap();
        let times: Vec<i64> = times.iter().map(|at| at >> shift).collect();
        for at in &times {
            writer.supply(RunTime(*at), 12.0).unwrap();
        }
        writer.finish().unwrap();
        let mut found = Vec::new();
        read_floats(folder.path(), "supply", &[], |chunk| found.extend_from_slice(chunk.t_us)).unwrap();
        prop_assert_eq!(found, times);
    }
}

fn trace_row(at: i64) -> TraceRow {
    let sums = Sums {
        energy_out: at as f64,
        energy_in: f64::NAN,
        energy_charged: 0.0,
        charge_out: 1.0,
        charge_in: 2.0,
        charge_charged: 3.0,
        distance: 4.0,
        time_unobserved: 0.0,
    };
    let phase = [Phase::Stand, Phase::Drive, Phase::Charge][(at / 1_000_000 % 3) as usize];
    TraceRow {
        at: RunTime(at),
        phase,
        sums,
        roles: [f64::NAN; Role::COUNT],
        latitude_deg: 1.5,
        longitude_deg: f64::NAN,
    }
}

fn note(text: &str) -> Mark {
    Mark { kind: MarkKind::Note, value: None, text: text.into() }
}

/// Writes the observations of part `part` of a small run with every table.
fn write_part(writer: &mut RunWriter, part: i64) {
    let mut names = BusNames::default();
    let bus = names.intern("vcan0").unwrap();
    writer.set_buses(&names);
    let start = part * 300_000_000;
    for n in 0..3_000i64 {
        let at = RunTime(start + n * 100_000);
        let mut batch = Batch::default();
        batch.push(Steady(0), bus, 0x100 + (n % 5) as u32, FrameFlags(0), &n.to_le_bytes());
        writer.frame(at, &batch.frames[0], batch.payload(&batch.frames[0])).unwrap();
        writer.sample(0, at, bus, &[n as f64 * 0.1, f64::NAN]).unwrap();
        writer.trace(&trace_row(at.0)).unwrap();
    }
    writer.fix(RunTime(start + 1), &Fix { speed_mps: Some(3.5), mode: 3, ..Fix::default() }).unwrap();
    let reply = Reply { bus, from: CanId::Extended(0x18da_f110), request: vec![0x22], payload: vec![0x62, 1] };
    writer.reply(RunTime(start + 2), &reply).unwrap();
    writer.supply(RunTime(start + 3), 12.6).unwrap();
    writer.mark(RunTime(start + 4), &note(&format!("part {part}"))).unwrap();
}

fn tables_of_two() -> Vec<Table> {
    vec![tables::samples("M", [("a", "V", ""), ("b", "A", "")]), tables::samples("NEVER", [("a", "V", "")])]
}

fn whole_run(folder: &Path) -> Vec<TableFiles> {
    let mut writer = RunWriter::create(folder, tables_of_two(), true).unwrap();
    for part in 0..4 {
        write_part(&mut writer, part);
        writer.close_parts().unwrap();
    }
    writer.finish().unwrap()
}

fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in parts::entries(from).unwrap() {
        let target = to.join(entry.file_name().unwrap());
        if entry.is_dir() {
            copy_folder(&entry, &target);
        } else {
            std::fs::copy(&entry, target).unwrap();
        }
    }
}

#[test]
fn a_cut_at_any_step_ends_in_the_same_bytes() {
    let scratch = tempfile::tempdir().unwrap();
    let run = |name: &str| scratch.path().join(name).join("run=R");
    let expected = whole_run(&run("whole"));
    let folders: Vec<&str> = expected.iter().map(|table| &*table.folder).collect();
    assert_eq!(folders, ["frames", "samples/message=M", "trace", "fixes", "polls", "supply", "marks"]);
    assert_eq!(expected[0].files[0].name, "part-00000-00003.parquet");

    // Cut in part 2, with its files unfinished.
    let mut writer = RunWriter::create(&run("cut"), tables_of_two(), true).unwrap();
    for part in 0..2 {
        write_part(&mut writer, part);
        writer.close_parts().unwrap();
    }
    write_part(&mut writer, 2);
    writer.give_out(Whose::Frames).unwrap();
    drop(writer);
    // Cut after part 2 was finished but before the state said so.
    copy_folder(&run("cut"), &run("ahead"));
    let mut writer = RunWriter::resume(&run("ahead"), tables_of_two(), true, 2).unwrap();
    write_part(&mut writer, 2);
    writer.close_parts().unwrap();
    drop(writer);
    for name in ["cut", "ahead"] {
        let mut writer = RunWriter::resume(&run(name), tables_of_two(), true, 2).unwrap();
        for part in 2..4 {
            assert_eq!(i64::from(writer.part()), part);
            write_part(&mut writer, part);
            writer.close_parts().unwrap();
        }
        // Before the merge: what follows cuts it at every step.
        copy_folder(&run(name), &run("parts"));
        assert_eq!(writer.finish().unwrap(), expected, "{name}");
    }

    // Cut in the merge: some tables merged, of one the parts still beside the merged file, of one a temporary file.
    std::fs::copy(
        run("whole").join("frames/part-00000-00003.parquet"),
        run("parts").join("frames/part-00000-00003.parquet"),
    )
    .unwrap();
    std::fs::write(run("parts").join("trace/part-00000-00003.parquet.tmp"), "half").unwrap();
    let mut rows = 0;
    read_floats(&run("parts"), "frames", &[], |chunk| rows += chunk.t_us.len()).unwrap();
    assert_eq!(rows, 12_000, "covered parts are not read twice");
    let refused = RunWriter::resume(&run("parts"), tables_of_two(), true, 3).err().unwrap().to_string();
    assert!(refused.contains("part-00000-00003.parquet"), "{refused}");
    let writer = RunWriter::resume(&run("parts"), tables_of_two(), true, 4).unwrap();
    assert_eq!(writer.finish().unwrap(), expected);
    // And once more, all merged.
    let writer = RunWriter::resume(&run("parts"), tables_of_two(), true, 4).unwrap();
    assert_eq!(writer.finish().unwrap(), expected);
}

#[test]
fn every_table_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path().join("run=R");
    whole_run(&folder);
    let marks = read_marks(&folder).unwrap();
    let texts: Vec<&str> = marks.iter().map(|(_, mark)| &*mark.text).collect();
    assert_eq!(texts, ["part 0", "part 1", "part 2", "part 3"]);
    assert_eq!(marks[1], (RunTime(300_000_004), note("part 1")));

    let mut rows = 0;
    read_floats(&folder, "trace", &["phase", "energy_out", "energy_in", "latitude", "speed"], |chunk| {
        for (row, at) in chunk.t_us.iter().enumerate() {
            let expected = trace_row(*at);
            assert_eq!(chunk.names[0][chunk.columns[0][row] as usize], expected.phase.key());
            assert_eq!((chunk.columns[1][row], chunk.columns[3][row]), (*at as f64, 1.5));
            assert!(chunk.columns[2][row].is_nan() && chunk.columns[4][row].is_nan());
        }
        rows += chunk.t_us.len();
    })
    .unwrap();
    assert_eq!(rows, 12_000);
    let groups = crate::store::merge::metadata(&only_file(&folder.join("trace"))).unwrap().num_row_groups();
    assert_eq!(groups, 1, "short row groups are joined");

    let mut fixes = Vec::new();
    read_floats(&folder, "fixes", &["mode", "satellites", "speed"], |chunk| {
        fixes.extend((0..chunk.t_us.len()).map(|row| [0, 1, 2].map(|column| chunk.columns[column][row].to_string())));
    })
    .unwrap();
    assert_eq!(fixes, vec![["3", "NaN", "3.5"]; 4]);
    read_floats(&folder, "no-such-table", &["x"], |_| panic!("no rows")).unwrap();
    let said = read_floats(&folder, "supply", &["current"], |_| ()).unwrap_err().to_string();
    assert!(said.contains("supply/part-00000-00003.parquet") && said.contains("'current'"), "{said}");
}

#[test]
fn damage_is_named_and_never_panics() {
    let folder = tempfile::tempdir().unwrap();
    let signals = [("a", "V", ""), ("b", "A", "")];
    let mut writer = RunWriter::create(folder.path(), vec![tables::samples("M", signals)], false).unwrap();
    let mut names = BusNames::default();
    writer.set_buses({
        names.intern("vcan0");
        names.intern("vcan1");
        &names
    });
    for n in 0..200i64 {
        let b = if n % 7 == 0 { f64::NAN } else { n as f64 };
        writer.sample(0, RunTime(n * 100_000), Bus((n / 100) as u8), &[12.0 + n as f64 * 0.01, b]).unwrap();
    }
    writer.finish().unwrap();
    let table = "samples/message=M";
    let path = only_file(&folder.path().join(table));
    let sound = std::fs::read(&path).unwrap();
    let read = || {
        let mut found = Vec::new();
        read_floats(folder.path(), table, &["bus", "a", "b"], |chunk| {
            for (row, at) in chunk.t_us.iter().enumerate() {
                let bus = chunk.names[0][chunk.columns[0][row] as usize].clone();
                found.push((*at, bus, chunk.columns[1][row].to_bits(), chunk.columns[2][row].to_bits()));
            }
        })
        .map(|()| found)
    };
    let expected = read().unwrap();
    assert_eq!(expected.len(), 200);
    let mut unnoticed = Vec::new();
    for byte in 0..sound.len() {
        let mut damaged = sound.clone();
        damaged[byte] ^= 1 << (byte % 8);
        std::fs::write(&path, damaged).unwrap();
        match read() {
            Ok(found) if found != expected => unnoticed.push(byte),
            Ok(_) => {}
            Err(error) => assert!(error.to_string().contains("part-00000.parquet"), "{error}"),
        }
        if byte % 7 == 0 {
            std::fs::write(&path, &sound[..byte]).unwrap();
            assert!(read().is_err(), "cut at {byte}");
        }
    }
    // Pages are under zstd's checksum. Names of columns and their places in the footer are not, so that a flipped bit
    // may swap two columns: only the digest in `run.json` covers every byte.
    println!("{} of {} flipped bits change values unnoticed: {unnoticed:?}", unnoticed.len(), sound.len());
    assert!(unnoticed.len() * 200 < sound.len(), "{unnoticed:?}");
}

fn sizes(folder: &Path) -> u64 {
    crate::store::parts::table_folders(folder)
        .unwrap()
        .iter()
        .flat_map(|table| std::fs::read_dir(table).unwrap())
        .map(|entry| entry.unwrap().metadata().unwrap().len())
        .sum()
}

/// Seconds that this thread has been on a CPU (Linux: Documentation/scheduler/sched-stats.rst), so that other work on the
/// machine counts less.
pub(crate) fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    text.split(' ').next().unwrap().parse::<f64>().unwrap() / 1e9
}

/// Not a test: prints what writing costs. `cargo test --release --lib store::writer -- --ignored --nocapture`
#[test]
#[ignore = "prints figures"]
fn measures() {
    let (batch, names) = drive(1, 5_000_000);
    let seconds = batch.frames.last().unwrap().at.0 as f64 / 1e6;
    println!("{} frames, {seconds:.0} s", batch.frames.len());
    for sync in [false, true, false] {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = RunWriter::create(folder.path(), vec![], true).unwrap();
        writer.set_sync_parts(sync);
        writer.set_buses(&names);
        let start = cpu_seconds();
        let mut boundary = 300 * US_PER_S;
        for frame in &batch.frames {
            if frame.at.0 >= boundary {
                writer.close_parts().unwrap();
                boundary += 300 * US_PER_S;
            }
            writer.frame(RunTime(frame.at.0), frame, batch.payload(frame)).unwrap();
        }
        writer.close_parts().unwrap();
        let written = cpu_seconds() - start;
        let tables = writer.finish().unwrap();
        let all = cpu_seconds() - start;
        let count = batch.frames.len() as f64;
        println!(
            "sync {sync}: write {:.1} Mf/s ({:.4} us/frame), with merge {:.1} Mf/s, {:.3} B/frame",
            count / written / 1e6,
            written * 1e6 / count,
            count / all / 1e6,
            tables[0].bytes as f64 / count
        );
        let start = cpu_seconds();
        let mut rows = 0;
        read_floats(folder.path(), "frames", &["id", "len"], |chunk| rows += chunk.t_us.len()).unwrap();
        println!("read t, id, len: {:.1} M rows/s", rows as f64 / (cpu_seconds() - start) / 1e6);
    }
    samples_measured(&batch, &names);
    memory_measured(&batch, &names);
}

fn samples_measured(batch: &Batch, names: &BusNames) {
    let tables: Vec<Table> = (0..25)
        .map(|id| {
            let signals = ["a", "b", "c", "counter", "check"].map(|name| (name, "V", "a signal"));
            tables::samples(&format!("M{id}"), signals)
        })
        .collect();
    let folder = tempfile::tempdir().unwrap();
    let mut writer = RunWriter::create(folder.path(), tables, false).unwrap();
    writer.set_buses(names);
    writer.set_sync_parts(false);
    let start = cpu_seconds();
    let mut boundary = 300 * US_PER_S;
    for frame in &batch.frames {
        if frame.at.0 >= boundary {
            writer.close_parts().unwrap();
            boundary += 300 * US_PER_S;
        }
        let word = |at: usize| f64::from(u16::from_be_bytes([frame.data[at], frame.data[at + 1]]));
        let row =
            [word(0) * 0.1, word(2) * 0.01 - 40.0, word(4) * 0.5, f64::from(frame.data[6]), f64::from(frame.data[7])];
        writer.sample((frame.id as usize - 0x100) / 16, RunTime(frame.at.0), frame.bus, &row).unwrap();
    }
    writer.close_parts().unwrap();
    let written = cpu_seconds() - start;
    writer.finish().unwrap();
    let all = cpu_seconds() - start;
    let samples = batch.frames.len() as f64 * 5.0;
    println!(
        "samples: write {:.1} M/s, with merge {:.1} M/s, {:.3} B/sample",
        samples / written / 1e6,
        samples / all / 1e6,
        sizes(folder.path()) as f64 / samples
    );
    let start = cpu_seconds();
    let mut rows = 0;
    read_floats(folder.path(), "samples/message=M0", &["a", "b", "c"], |chunk| rows += chunk.t_us.len()).unwrap();
    println!("read t + 3 floats: {:.1} M rows/s", rows as f64 / (cpu_seconds() - start) / 1e6);
}

/// Resident memory now, MB.
fn resident_mb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = text.lines().find(|line| line.starts_with("VmRSS")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

fn memory_measured(batch: &Batch, names: &BusNames) {
    let signals = ["a", "b", "c", "counter", "check"].map(|name| (name, "V", "a signal"));
    let messages = (0..25).map(|id| tables::samples(&format!("M{id}"), signals)).collect();
    let folder = tempfile::tempdir().unwrap();
    let before = resident_mb();
    let mut writer = RunWriter::create(folder.path(), messages, true).unwrap();
    writer.set_buses(names);
    let (mut most, mut boundary, mut tenth) = (before, 300 * US_PER_S, 0);
    for (index, frame) in batch.frames.iter().enumerate() {
        if frame.at.0 >= boundary {
            writer.close_parts().unwrap();
            boundary += 300 * US_PER_S;
        }
        writer.frame(RunTime(frame.at.0), frame, batch.payload(frame)).unwrap();
        let values = [0, 2, 4, 6, 7].map(|byte| f64::from(frame.data[byte]) + index as f64);
        writer.sample((frame.id as usize - 0x100) / 16, RunTime(frame.at.0), frame.bus, &values).unwrap();
        if frame.at.0 >= tenth {
            writer.trace(&trace_row(frame.at.0)).unwrap();
            tenth += 100_000;
        }
        if index % 10_000 == 0 {
            most = most.max(resident_mb());
        }
    }
    writer.finish().unwrap();
    println!("memory: {:.1} MB more while writing, {:.1} MB after the merge", most - before, resident_mb() - before);
}
