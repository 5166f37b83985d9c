//! One recording taken by one thread and by several, whatever its batches: the same runs, file for file.

use std::collections::BTreeMap;
use std::path::Path;

use super::*;
use crate::observation::{Bus, CanId, Fix, FrameFlags, Mark, MarkKind, Reply, Row};
use crate::store::recorder::tests::{files, scratch};
use crate::store::run_file::MadeBy;
use crate::workers::Workers;

const MAP: &str = "
    [[message]]
    name = 'PACK'
    id = 0x100
    length = 4
    signal = [
        { name = 'Volts', start = 0, length = 16, scale = 0.1, unit = 'V', range = [0, 6000] },
        { name = 'Amps', start = 16, length = 16, type = 'signed', scale = 0.1, unit = 'A' },
    ]
    [[message]]
    name = 'LONG'
    id = 0x101
    bus = 'can1'
    length = 48
    signal = [{ name = 'Speed', start = 320, length = 16, scale = 0.01, unit = 'km/h' }]
    [[poll]]
    name = 'REST'
    request_id = 0x7E4
    response_id = 0x7EC
    service = 1
    identifier = 0x5B
    period_s = 10
    signal = [{ name = 'Soc', start = 0, length = 8, scale = 0.5, unit = '%' }]
    [[table]]
    name = 'trip'
    time = { column = 't', format = 'seconds', start = '2027-03-14T06:15:02Z' }
    signal = [{ name = 'Air', column = 'air', unit = 'degC' }]
    [roles.pack_voltage]
    signal = 'PACK.Volts'
    [roles.pack_current]
    signal = 'PACK.Amps'
    [roles.speed]
    signal = 'LONG.Speed'
    [roles.soc]
    signal = 'REST.Soc'
";

/// What one frame in so many is.
const KINDS: i64 = 11;

/// Observations of three drives with silences between them, the first over two part boundaries; a bus that is first heard on the way.
fn recording() -> Vec<(Batch, BusNames)> {
    let mut names = BusNames::default();
    names.intern("can0");
    let (mut all, mut batch) = (Vec::new(), Batch::default());
    let drives = [(0, 700_000), (900_000, 950_000), (1_100_000, 1_130_000)];
    for n in drives.into_iter().flat_map(|(from, to): (i64, i64)| from / 25..to / 25) {
        let at = Steady(5_000_000 + n * 25_000);
        if n == 4_322 {
            names.intern("can1");
        }
        let bus = Bus((n % 2).min(names.names().len() as i64 - 1) as u8);
        let bytes: Vec<u8> = (0..48).map(|byte| (n * 7 + byte * 13) as u8).collect();
        match n % KINDS {
            0 => batch.push(at, bus, 0x101, FrameFlags(FrameFlags::FD), &bytes),
            1 => batch.push(at, bus, 0x100, FrameFlags(FrameFlags::REMOTE), &[]),
            2 => batch.push(at, bus, 0x100 + n as u32 % 9, FrameFlags(0), &bytes[..2]),
            _ => batch.push(at, bus, 0x100, FrameFlags(0), &[0xA0, 0x0F, bytes[0], bytes[1] & 0x03]),
        }
        let item = match n % 97 {
            3 => Some(Item::Fix(Fix {
                latitude_deg: Some(40.0 + n as f64 * 1e-6),
                longitude_deg: Some(5.0),
                mode: 3,
                ..Fix::default()
            })),
            20 => Some(Item::Reply(Reply {
                bus,
                from: CanId::Standard(0x7EC),
                request: vec![1, 0x5B],
                payload: vec![0x41, 0x5B, bytes[0]],
            })),
            40 => Some(Item::Row(Row { table: "trip".into(), values: vec![n as f64 * 0.001] })),
            41 => Some(Item::Supply(12.5)),
            60 => Some(Item::Mark(Mark { kind: MarkKind::Note, value: None, text: format!("note {n}") })),
            80 => Some(Item::Trouble(format!("trouble {n}"))),
            _ => None,
        };
        batch.rest.extend(item.map(|item| Stamped { at: Steady(at.0 + n % 3 - 1), item }));
        // Of any length, so that runs and parts end within batches.
        if n % 1_009 == 0 {
            all.push((std::mem::take(&mut batch), names.clone()));
        }
    }
    all.push((batch, names));
    all
}

/// Every file of the data set that comes of it.
fn taken(data: &Path, workers: &Workers) -> BTreeMap<String, Vec<u8>> {
    let loaded = crate::map::from_text("car.toml", MAP, None);
    let map = loaded.map.unwrap_or_else(|| panic!("{:?}", loaded.faults));
    let mut plan = super::super::recorder::Plan::new(Arc::new(map), "heron", MadeBy::Ingest, Vec::new());
    plan.workers = workers.clone();
    let settings = Settings { data: data.to_owned(), quiet: Span::of_seconds(60), gateway: None, plan: Arc::new(plan) };
    let mut session = Session::open(settings).expect("a data set");
    for (mut batch, names) in recording() {
        session.take(&mut batch, &names).expect("taken");
        assert!(batch.is_empty());
    }
    session.finish(Ended::EndOfRecording).expect("runs");
    files(data)
}

#[test]
fn who_helps_changes_no_file() {
    let scratch = scratch();
    let alone = taken(&scratch.path().join("alone"), &Workers::alone());
    let runs: Vec<&String> = alone.keys().filter(|name| name.ends_with("run.json")).collect();
    assert_eq!(runs.len(), 3, "{runs:?}");
    let same = |helped: &BTreeMap<String, Vec<u8>>, who: &str| {
        assert_eq!(helped.keys().collect::<Vec<_>>(), alone.keys().collect::<Vec<_>>());
        for (name, bytes) in helped {
            assert!(*bytes == alone[name], "{name} of {who}");
        }
    };
    let data = |name: &str| scratch.path().join(name);
    same(&Workers::with(4, |workers| taken(&data("four"), workers)), "four threads");
    // The other of two threads does something else throughout, so that as many batches as may be are on their way at any time.
    let late = Workers::with(2, |workers| {
        let (tell, told) = std::sync::mpsc::channel::<()>();
        let other = workers.start(move || told.recv().is_ok());
        let late = taken(&data("two"), workers);
        drop(tell);
        other.take();
        late
    });
    same(&late, "two threads, one of them busy");
    // What went in came out: counts are those of what was made.
    let given: Vec<Batch> = recording().into_iter().map(|(batch, _)| batch).collect();
    let frames: usize = given.iter().map(|batch| batch.frames.len()).sum();
    let rows: usize =
        given.iter().flat_map(|batch| &batch.rest).filter(|item| matches!(item.item, Item::Row(_))).count();
    let told = |key: &str| -> u64 {
        let of_run = |name: &&String| {
            let run: serde_json::Value = serde_json::from_slice(&alone[*name]).expect("JSON");
            key.split('.')
                .fold(&run["counts"], |value, key| &value[key])
                .as_u64()
                .unwrap_or_else(|| panic!("{}", run["counts"]))
        };
        runs.iter().map(of_run).sum()
    };
    assert_eq!((told("frames"), told("messages.trip.frames")), (frames as u64, rows as u64));
}
