//! Runs cut at every step of recording, ending and recovering; runs of which one file is damaged.

use std::collections::BTreeMap;

use super::*;
use crate::observation::{Fix, FrameFlags, Mark, MarkKind};
use crate::store::data_set::RunFolder;
use crate::store::parts::entries;
use crate::store::run_file::MadeBy;
use crate::store::start::{self, Done};
use crate::store::verify;

const MAP: &str = "dbc = 'far/away/pack.dbc'\n[roles.pack_voltage]\nsignal = 'PACK.Volts'\n\
    [roles.pack_current]\nsignal = 'PACK.Amps'\n";
const DBC: &str = "VERSION \"\"\nBU_: X\nBO_ 256 PACK: 4 X\n SG_ Volts : 0|16@1+ (0.1,0) [0|6000] \"V\" X\n \
    SG_ Amps : 16|16@1- (0.1,0) [-1000|1000] \"A\" X\n";

pub(crate) fn plan(durability: Durability) -> Arc<Plan> {
    let dbc = Some(("far/away/pack.dbc".to_owned(), DBC.to_owned()));
    let map = crate::map::from_text("car.toml", MAP, dbc).map.expect("a map");
    let mut plan = Plan::new(Arc::new(map), "heron", MadeBy::Daemon, Vec::new());
    plan.durability = durability;
    plan.files.push(("config.toml".into(), b"vehicle = 'heron'".to_vec()));
    plan.sync_every = Some(Span::of_seconds(1));
    Arc::new(plan)
}

/// A scratch folder, in memory where there is one: thousands of syncs to a disk take minutes.
pub(crate) fn scratch() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

/// The observations of one second of run time.
pub(crate) fn second(s: i64) -> (Batch, BusNames) {
    let mut names = BusNames::default();
    let bus = names.intern("can0").expect("a bus");
    let mut batch = Batch::default();
    for tick in 0..2 {
        let at = Steady(7_000_000 + s * 1_000_000 + tick * 500_000);
        let (volts, amps) = (4_000 - (s as u16), (((s * 37 + tick * 11) % 900) as i16 - 200).to_le_bytes());
        let payload = [volts.to_le_bytes(), amps].concat();
        batch.push(at, bus, 0x100, FrameFlags(0), &payload);
    }
    let fix = Fix { latitude_deg: Some(50.0), longitude_deg: Some(8.0 + s as f64 * 1e-4), mode: 3, ..Fix::default() };
    let at = Steady(7_000_000 + s * 1_000_000 + 300_000);
    batch.rest.push(Stamped { at, item: Item::Fix(fix) });
    if s % 100 == 0 {
        let mark = Mark { kind: MarkKind::Note, value: None, text: format!("after {s} s") };
        batch.rest.push(Stamped { at, item: Item::Mark(mark) });
    }
    (batch, names)
}

/// Records seconds of a run, a sync after each.
pub(crate) fn record(folder: &Path, seconds: i64) -> Result<Recorder, StoreError> {
    let mut recorder = Recorder::begin(folder, &plan(Durability::Journal), Steady(7_000_000), WallClock(0))?;
    for s in 0..seconds {
        let (mut batch, names) = second(s);
        recorder.take(&mut batch, &names)?;
        recorder.sync()?;
    }
    Ok(recorder)
}

pub(crate) fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for path in entries(folder).unwrap() {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            found.extend(files(&path).into_iter().map(|(inside, bytes)| (format!("{name}/{inside}"), bytes)));
        } else {
            found.insert(name, std::fs::read(&path).unwrap());
        }
    }
    found
}

pub(crate) fn write(folder: &Path, files: &BTreeMap<String, Vec<u8>>) {
    let _ = std::fs::remove_dir_all(folder);
    for (name, bytes) in files {
        let path = folder.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
}

/// A run cut after so many seconds.
fn cut_run(folder: &Path, seconds: i64) -> BTreeMap<String, Vec<u8>> {
    drop(record(folder, seconds).unwrap());
    files(folder)
}

#[test]
fn a_recovery_cut_at_any_step_ends_in_the_same_bytes() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=R");
    let cut = cut_run(&run, 310);
    let recovered = Recorder::recover(&run).unwrap();
    assert_eq!((recovered.ended, recovered.duration_s), (Ended::Recovered, 309.5));
    assert_eq!(recovered.set_aside, []);
    let said = &recovered.troubles[0].text;
    assert!(said.starts_with("cut: recorded until 309.500 s") && said.contains("at most 1 s"), "{said}");
    let expected = files(&run);
    assert!(
        expected.contains_key("trace/part-00000-00001.parquet")
            && !expected.keys().any(|name| name.contains("journal"))
    );

    let mut steps = 0;
    loop {
        write(&run, &cut);
        disk::cut::after(Some(steps));
        let first = Recorder::recover(&run);
        // The second recovery is cut as well, elsewhere, the third is not.
        disk::cut::after(Some((steps * 7 + 3) % 60));
        let second = first.is_err().then(|| Recorder::recover(&run));
        disk::cut::after(None);
        if second.is_some() {
            start::one(&RunFolder::open(&run).unwrap()).unwrap();
        }
        let found = files(&run);
        let differs: Vec<&String> =
            expected.keys().chain(found.keys()).filter(|name| expected.get(*name) != found.get(*name)).collect();
        assert!(differs.is_empty(), "cut after {steps} steps: {differs:?}");
        if first.is_ok() {
            break;
        }
        steps += 1;
    }
    assert!(steps > 50, "only {steps} steps were cut");
}

#[test]
fn a_recording_cut_at_any_step_is_recovered_to_what_was_synced() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=R");
    // Around the first part boundary, at the beginning and at the end, every step; between them every 97th.
    let mut steps = 0;
    loop {
        let _ = std::fs::remove_dir_all(&run);
        disk::cut::after(Some(steps));
        let mut synced = -1;
        let result = Recorder::begin(&run, &plan(Durability::Journal), Steady(7_000_000), WallClock(0)).and_then(
            |mut recorder| {
                for s in 0..303 {
                    let (mut batch, names) = second(s);
                    recorder.take(&mut batch, &names)?;
                    recorder.sync()?;
                    synced = s;
                }
                recorder.finish(Ended::Quiet, None)
            },
        );
        disk::cut::after(None);
        if run.exists() {
            match start::one(&RunFolder::open(&run).unwrap()) {
                Ok(Some(Done::Recovered(file))) => {
                    let frames = file.counts["frames"].as_u64().unwrap() as i64;
                    // The second that was being written may be there or not; what was synced is.
                    assert!(frames >= 2 * (synced + 1) && frames <= 2 * (synced + 2), "{steps}: {frames}, {synced}");
                    assert_eq!(file.set_aside, [], "{steps}");
                    let report = verify::run(&RunFolder::open(&run).unwrap(), &mut |_| ()).unwrap();
                    assert!(report.is_sound(), "{steps}: {:?}", report.faults);
                }
                Ok(Some(Done::NothingRecorded)) => assert!(synced < 0 && !run.exists(), "{steps}: {synced}"),
                Ok(None) => assert!(synced == 302 && run.join("run.json").exists(), "{steps}"),
                other => panic!("{steps}: {other:?}"),
            }
        } else {
            assert!(synced < 0, "{steps}");
        }
        if result.is_ok() {
            break;
        }
        steps += if (1..298).contains(&synced) { 97 } else { 1 };
    }
}

#[test]
fn one_damaged_file_costs_itself_alone_and_is_kept_aside() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=R");
    let cut = cut_run(&run, 640);
    Recorder::recover(&run).unwrap();
    let expected = files(&run);
    let energy = |files: &BTreeMap<String, Vec<u8>>| {
        let file: serde_json::Value = serde_json::from_slice(&files["run.json"]).unwrap();
        (file["sums"].clone(), file["counts"].clone(), file["duration_s"].clone())
    };
    for (name, bytes) in &cut {
        // Digests and the open journal have tests of their own; the journal's damage costs what it held.
        let tail = name.ends_with(".zst");
        let mut damaged = cut.clone();
        let half = bytes.len() / 2;
        damaged.get_mut(name).unwrap()[half] ^= 0x20;
        write(&run, &damaged);
        let done = start::one(&RunFolder::open(&run).unwrap());
        let Ok(Some(Done::Recovered(file))) = done else { panic!("{name}: {done:?}") };
        assert_eq!(file.set_aside.len(), 1, "{name}: {:?}", file.set_aside);
        assert_eq!(file.set_aside[0].file, *name);
        let found = files(&run);
        assert_eq!(found[&format!("set-aside/{name}")], damaged[name], "{name}: kept as it was found");
        if !tail {
            assert_eq!(energy(&found), energy(&expected), "{name}");
        }
        let table = |name: &str| name.rsplit_once('/').map_or(String::new(), |(folder, _)| folder.to_owned());
        for (other, bytes) in expected.iter().filter(|(other, _)| other.ends_with(".parquet")) {
            if !tail && table(other) != table(name) {
                assert!(found[other] == *bytes, "{name}: {other} is another");
            }
        }
    }
}

#[test]
fn a_run_without_a_sound_state_or_run_json_keeps_its_tables() {
    let scratch = scratch();
    let run = scratch.path().join("vehicle=heron/run=R");
    let mut cut = cut_run(&run, 640);
    for (name, bytes) in &mut cut {
        if name.starts_with("journal/state") {
            bytes.truncate(20);
        }
    }
    write(&run, &cut);
    let opened = RunFolder::open(&run).unwrap();
    let done = start::one(&opened);
    let Ok(Some(Done::Recovered(file))) = done else { panic!("{done:?}") };
    assert_eq!((file.duration_s, &*file.vehicle, file.roles.len()), (599.5, "heron", 2));
    assert!(file.set_aside.iter().any(|aside| aside.file == "journal/part-00002.zst"), "{:?}", file.set_aside);
    let net = file.sums["energy_out"].as_f64().unwrap();
    assert!(net > 0.0);
    assert!(matches!(start::one(&opened), Ok(None)), "said once");

    // A finished run whose run.json is damaged.
    write(&run, &cut_run(&scratch.path().join("vehicle=heron/run=S"), 640));
    Recorder::recover(&run).unwrap();
    let path = run.join("run.json");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("639.5", "639.6")).unwrap();
    let done = start::one(&opened);
    let Ok(Some(Done::SetAside(aside))) = done else { panic!("{done:?}") };
    assert_eq!(aside[0].file, "run.json");
    let file = RunFile::load(&run).unwrap();
    assert_eq!((file.duration_s, file.tables.len()), (639.5, 5));

    // And one of which a table's file lost its end.
    let path = run.join("fixes/part-00000-00002.parquet");
    std::fs::write(&path, "short").unwrap();
    let done = start::one(&opened);
    assert!(matches!(&done, Ok(Some(Done::SetAside(aside))) if aside.len() == 2), "{done:?}");
    assert_eq!(RunFile::load(&run).unwrap().tables.len(), 4);
    assert!(matches!(start::one(&opened), Ok(None)));
}
