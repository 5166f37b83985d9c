//! Decoding against cantools (PyPI), the reference library for DBC files: every signal of random frames over DBC files
//! written for the purpose, equal to the last bit or one unit in the last place.

use std::path::PathBuf;

use drawdown::decode::{Batches, Decoder};
use drawdown::map::{Map, Message, Origin, encode, from_text, load};
use drawdown::observation::{Batch, Bus, CanId, FrameFlags};
use drawdown::time::Steady;
use drawdown::workers::Workers;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use crate::support::{oracle, root, run, scratch};

/// Frames in all, at least.
const FRAMES: usize = 110_000;

fn dbc_files() -> Vec<PathBuf> {
    let folder = std::fs::read_dir(root().join("tests/dbc")).unwrap();
    let mut files: Vec<PathBuf> = folder.map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

/// The map of a DBC file without its ranges, which cantools does not apply when it decodes.
fn map_of(dbc: &std::path::Path) -> Map {
    let folder = scratch();
    let path = folder.path().join("map.toml");
    std::fs::write(&path, format!("dbc = '{}'\n", dbc.display())).unwrap();
    let loaded = load(&path);
    let faults: Vec<_> = loaded.faults.iter().filter(|fault| fault.file != path.display().to_string()).collect();
    assert!(faults.is_empty(), "{}: {faults:?}", dbc.display());
    let mut map = loaded.map.unwrap();
    for signal in map.messages.iter_mut().flat_map(|message| &mut message.signals) {
        signal.range = None;
    }
    map
}

fn frame_of(message: &Message) -> (u32, u8, usize) {
    match &message.origin {
        Origin::Frame { id: CanId::Standard(id), length, .. } => (u32::from(*id), 0, usize::from(*length)),
        Origin::Frame { id: CanId::Extended(id), length, .. } => (*id, FrameFlags::EXTENDED, usize::from(*length)),
        other => panic!("{} is no frame: {other:?}", message.name),
    }
}

/// Whether two doubles are equal or neighbours; what is not finite here must not be there.
fn agree(ours: f64, reference: f64) -> bool {
    if !reference.is_finite() {
        return ours.is_nan();
    }
    let ordered = |value: f64| {
        let bits = value.to_bits() as i64;
        if bits < 0 { i64::MIN - bits } else { bits }
    };
    ours.is_finite() && ordered(ours).abs_diff(ordered(reference)) <= 1
}

#[test]
fn every_signal_equals_what_cantools_gives() {
    let files = dbc_files();
    assert!(files.len() >= 5);
    let maps: Vec<Map> = files.iter().map(|file| map_of(file)).collect();
    let messages: usize = maps.iter().map(|map| map.messages.len()).sum();
    let frames = FRAMES.div_ceil(messages);
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let (mut job, mut payloads) = (Vec::new(), Vec::new());
    for (file, map) in files.iter().zip(&maps) {
        for message in &map.messages {
            let (_, _, length) = frame_of(message);
            let start = payloads.len();
            payloads.resize(start + frames * length, 0);
            random.fill_bytes(&mut payloads[start..]);
            let signals: Vec<&str> = message.signals.iter().map(|signal| &*signal.name).collect();
            job.push(serde_json::json!({
                "dbc": file, "message": message.name, "signals": signals, "length": length, "frames": frames,
            }));
        }
    }
    let folder = scratch();
    let paths = ["job.json", "payloads.bin", "values.bin"].map(|name| folder.path().join(name));
    std::fs::write(&paths[0], serde_json::to_vec(&job).unwrap()).unwrap();
    std::fs::write(&paths[1], &payloads).unwrap();
    run(oracle("decode_cantools.py").args(&paths));
    let reference = std::fs::read(&paths[2]).unwrap();
    let mut reference = reference.chunks_exact(8).map(|bytes| f64::from_ne_bytes(bytes.try_into().unwrap()));

    let mut payloads = &payloads[..];
    let (mut compared, mut refused, mut values_compared) = (0, 0, 0);
    for (file, map) in files.iter().zip(&maps) {
        let mut batches = Batches::new(Decoder::new(map), Workers::alone());
        let mut batch = Batch::default();
        for message in &map.messages {
            let (id, flags, length) = frame_of(message);
            for _ in 0..frames {
                let (payload, rest) = payloads.split_at(length);
                payloads = rest;
                batch.push(Steady(0), Bus(0), id, FrameFlags(flags), payload);
                batches.give_out(&mut batch);
                let back = batches.take_first().unwrap();
                let (_, decoded) = back.frames().next().unwrap();
                let is_decoded = reference.next().unwrap() == 1.0;
                refused += usize::from(!is_decoded);
                compared += usize::from(is_decoded);
                for (signal, ours) in message.signals.iter().zip(decoded.values) {
                    let theirs = reference.next().unwrap();
                    values_compared += usize::from(is_decoded);
                    assert!(
                        !is_decoded || agree(*ours, theirs),
                        "{} {}.{} of {payload:02X?}: {ours:?} is not {theirs:?}",
                        file.display(),
                        message.name,
                        signal.name
                    );
                }
                batches.take_back(back);
            }
        }
    }
    assert_eq!((reference.next(), payloads.len()), (None, 0));
    assert!(compared >= 100_000, "cantools decoded only {compared} frames and refused {refused}");
    assert!(values_compared > 4 * compared, "{values_compared} values of {compared} frames");
}

/// No outside source: encoding what was decoded gives the same values again.
#[test]
fn what_was_decoded_encodes_to_the_same_values() {
    let mut random = ChaCha8Rng::seed_from_u64(2);
    for file in dbc_files() {
        let map = map_of(&file);
        let mut decoder = Decoder::new(&map);
        for message in &map.messages {
            let (id, flags, length) = frame_of(message);
            for _ in 0..50 {
                let mut payload = [0; 64];
                random.fill_bytes(&mut payload[..length]);
                let mut values = |payload: &[u8]| {
                    let mut batch = Batch::default();
                    batch.push(Steady(0), Bus(0), id, FrameFlags(flags), payload);
                    let decoded = decoder.frame(&batch.frames[0], batch.payload(&batch.frames[0])).unwrap();
                    decoded.values.to_vec()
                };
                let first = values(&payload[..length]);
                assert_eq!(encode(message, &first, &mut payload), length);
                let second = values(&payload[..length]);
                for ((signal, first), second) in message.signals.iter().zip(&first).zip(&second) {
                    // Two roundings of a raw value near or beyond a double's 53 bits can pass the next raw value.
                    let lost =
                        if signal.length > 50 { 8.0 * f64::EPSILON * (first.abs() + signal.offset.abs()) } else { 0.0 };
                    let same = first.is_nan() && second.is_nan() || (first - second).abs() <= lost;
                    assert!(same, "{}.{}: {first:?} came back as {second:?}", message.name, signal.name);
                }
            }
        }
    }
}

/// What stands in a DBC beside the layouts; our own file, read by eye.
#[test]
fn a_dbc_of_an_old_editor_is_read_with_its_texts() {
    let bytes = std::fs::read(root().join("tests/dbc/old_editor.dbc")).unwrap();
    assert!(String::from_utf8(bytes).is_err(), "the file is there to be Latin-1");
    let map = map_of(&root().join("tests/dbc/old_editor.dbc"));
    assert_eq!(map.messages.len(), 1, "signals that no message sends make no message");
    let message = &map.messages[0];
    assert_eq!((&*message.name, message.sent), ("ODD", drawdown::map::Sent::OnChange));
    let warmth = &message.signals[0];
    assert_eq!(warmth.unit, "°C");
    assert_eq!(warmth.meaning, "Outside, in the shade; over two lines, with \"quotes\" and ü");
    assert_eq!(message.signals[1].values, [(0, "off".into()), (1, "on".into())]);
    let with_ranges =
        from_text("m", "dbc = 'x'", Some(("x".into(), "BO_ 1 A: 8 X\n SG_ S : 0|8@1+ (1,0) [-1|5.5] \"\" X".into())));
    assert_eq!(with_ranges.map.unwrap().messages[0].signals[0].range, Some((-1.0, 5.5)));
}
