//! Tests of the decode room that need more than one of its files.

use proptest::prelude::*;

use super::*;
use crate::map::{ByteOrder, Map, Message, Multiplex, Origin, RawKind, Sent, Signal, encode, from_text};
use crate::observation::{Batch, Bus, BusNames, CanId, FrameFlags, Reply, Row};
use crate::schema::Role;
use crate::time::Steady;

fn map_of(text: &str) -> Map {
    let loaded = from_text("map.toml", text, None);
    loaded.map.unwrap_or_else(|| panic!("{:?}", loaded.faults))
}

fn map_of_dbc(dbc: &str) -> Map {
    let loaded = from_text("map.toml", "dbc = 'x.dbc'", Some(("x.dbc".into(), dbc.into())));
    loaded.map.unwrap_or_else(|| panic!("{:?}", loaded.faults))
}

fn decode(map: &Map, id: u32, flags: u8, payload: &[u8]) -> Option<Vec<f64>> {
    let mut batch = Batch::default();
    batch.push(Steady(0), Bus(0), id, FrameFlags(flags), payload);
    let mut decoder = Decoder::new(map);
    decoder.frame(&batch.frames[0], batch.payload(&batch.frames[0])).map(|decoded| decoded.values.to_vec())
}

/// The example of the cantools README (read there second-hand), decoded and encoded with cantools 45.1.
#[test]
fn the_example_of_the_cantools_readme() {
    let map = map_of_dbc(concat!(
        "BO_ 496 ExampleMessage: 8 PCM1\n",
        " SG_ Temperature : 0|12@0- (0.01,250) [229.53|270.47] \"degK\" PCM1,FOO\n",
        " SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] \"m\" Vector__XXX\n",
        " SG_ Enable : 7|1@0+ (1,0) [0|0] \"-\" Vector__XXX\n",
    ));
    let values = decode(&map, 496, 0, &[0x80, 0x4A, 0x0F, 0, 0, 0, 0, 0]).unwrap();
    assert_eq!(values, [255.92, 0.0, 1.0]);
    let mut payload = [0; 64];
    assert_eq!(encode(&map.messages[0], &[250.1, 3.2, 1.0], &mut payload), 8);
    assert_eq!(payload[..8], [0xC0, 0x01, 0x40, 0, 0, 0, 0, 0]);
}

/// Our own layout, values from cantools 45.1.
#[test]
fn both_byte_orders_in_one_frame() {
    let map = map_of_dbc(concat!(
        "BO_ 1 A: 8 X\n",
        " SG_ A : 0|16@1+ (0.1,0) [0|0] \"\" X\n SG_ B : 16|16@1- (0.1,0) [0|0] \"\" X\n",
        " SG_ C : 39|16@0+ (0.1,0) [0|0] \"\" X\n SG_ D : 55|10@0+ (0.1,0) [0|0] \"\" X\n",
    ));
    let payload = [0x7C, 0x0F, 0x2E, 0xFB, 0x0F, 0x7C, 0xCC, 0x40];
    let values = decode(&map, 1, 0, &payload).unwrap();
    for (value, wanted) in values.iter().zip([396.4, -123.4, 396.4, 81.7]) {
        assert!((value - wanted).abs() < 1e-12, "{value} is not {wanted}");
    }
    let mut written = [0; 64];
    encode(&map.messages[0], &values, &mut written);
    assert_eq!(written[..8], payload);
}

const STATES: &str = r#"
[[message]]
name = "M"
id = 0x10
length = 8
signal = [
    { name = "Ranged", start = 0, length = 16, scale = 0.1, range = [0.3, 600.7], not_available = [0xFFFF, 0xFFFE] },
    { name = "Float", start = 16, length = 32, type = "float32" },
    { name = "Plain", start = 48, length = 16, type = "signed", not_available = [0x8000] },
]
"#;

#[test]
fn what_is_dropped_is_null_and_counted() {
    let map = map_of(STATES);
    let mut decoder = Decoder::new(&map);
    let mut batch = Batch::default();
    let frame = |raw: u16, float: f32, plain: u16, length: usize| {
        let mut payload = [0; 8];
        payload[..2].copy_from_slice(&raw.to_le_bytes());
        payload[2..6].copy_from_slice(&float.to_le_bytes());
        payload[6..].copy_from_slice(&plain.to_le_bytes());
        payload[..length].to_vec()
    };
    // 0.3 and 600.7 are raw 3 and 6007; 3 * 0.1 is 0.30000000000000004 and still in range.
    let frames = [
        (frame(3, 1.5, 0xFFFF, 8), [Some(0.300_000_000_000_000_04), Some(1.5), Some(-1.0)]),
        (frame(6007, f32::NAN, 0x8000, 8), [Some(600.7), None, None]),
        (frame(2, f32::INFINITY, 1, 8), [None, None, Some(1.0)]),
        (frame(6008, 0.0, 1, 8), [None, Some(0.0), Some(1.0)]),
        (frame(0xFFFE, 0.0, 1, 8), [None, Some(0.0), Some(1.0)]),
        (frame(3, 0.0, 1, 7), [Some(0.300_000_000_000_000_04), Some(0.0), None]),
        (frame(3, 0.0, 1, 0), [None, None, None]),
    ];
    for (payload, wanted) in &frames {
        batch.clear();
        batch.push(Steady(0), Bus(0), 0x10, FrameFlags(0), payload);
        let values = decoder.frame(&batch.frames[0], payload).unwrap().values;
        let values: Vec<Option<f64>> = values.iter().map(|value| (!value.is_nan()).then_some(*value)).collect();
        assert_eq!(values, wanted, "{payload:02X?}");
    }
    let counts = &decoder.counts().messages[0];
    assert_eq!(counts.frames, 7);
    let wanted = |available, not_available, out_of_range, not_finite, too_short| SignalCounts {
        available,
        not_available,
        out_of_range,
        not_finite,
        too_short,
    };
    assert_eq!(counts.signals, [wanted(3, 1, 2, 0, 1), wanted(4, 0, 0, 2, 1), wanted(4, 1, 0, 0, 2)]);
    assert!(counts.signals.iter().all(|signal| signal.seen() == 7));
}

#[test]
fn remote_error_and_unknown_frames_give_nothing() {
    let map = map_of(STATES);
    assert_eq!(decode(&map, 0x10, FrameFlags::REMOTE, &[]), None);
    assert_eq!(decode(&map, 0x10, FrameFlags::ERROR, &[0; 8]), None);
    assert_eq!(decode(&map, 0x10, FrameFlags::EXTENDED, &[0; 8]), None);
    assert_eq!(decode(&map, 0x11, 0, &[0; 8]), None);
    assert_eq!(decode(&map, u32::MAX, 0, &[0; 8]), None);
    assert!(decode(&map, 0x10, 0, &[0; 8]).is_some());
}

#[test]
fn a_message_that_names_its_bus_comes_first() {
    let map = map_of(
        "message = [
            { name = 'ANY', id = 5, length = 1, signal = [{ name = 'S', start = 0, length = 8 }] },
            { name = 'ONE', id = 5, bus = 'can1', length = 1, signal = [{ name = 'S', start = 0, length = 8 }] },
            { name = 'TWO', id = 6, bus = 'can2', length = 1, signal = [{ name = 'S', start = 0, length = 8 }] },
            { name = 'WIDE', id = 5, extended = true, length = 1, signal = [{ name = 'S', start = 0, length = 8 }] },
        ]",
    );
    let mut decoder = Decoder::new(&map);
    let mut names = BusNames::default();
    let buses = ["can0", "can1"].map(|name| names.intern(name).unwrap());
    decoder.set_buses(&names);
    let mut batch = Batch::default();
    for bus in buses {
        batch.push(Steady(0), bus, 5, FrameFlags(0), &[1]);
        batch.push(Steady(0), bus, 6, FrameFlags(0), &[1]);
        batch.push(Steady(0), bus, 5, FrameFlags(FrameFlags::EXTENDED), &[1]);
    }
    let found: Vec<Option<usize>> =
        batch.frames.iter().map(|frame| decoder.frame(frame, &[1]).map(|decoded| decoded.message)).collect();
    assert_eq!(found, [Some(0), None, Some(3), Some(1), None, Some(3)]);
    assert_eq!(decoder.counts().unknown_frames, 2);
}

/// SAE J1979 service 01, identifier 5B: 100 A / 255 %; the reply 41 5B CC is 80 % (the identifier's scaling from memory
/// of the standard, as public decoders have it).
#[test]
fn replies_are_matched_and_decoded() {
    let map = map_of(
        "[[poll]]
         name = 'REST'
         request_id = 0x7DF
         response_id = 0x7E8
         service = 1
         identifier = 0x5B
         period_s = 10
         signal = [{ name = 'Soc', start = 0, length = 8, scale = 0.39215686274509803, unit = '%' }]
         [roles.soc]
         signal = 'REST.Soc'",
    );
    let mut decoder = Decoder::new(&map);
    let reply = |from, request: &[u8], payload: &[u8]| Reply {
        bus: Bus(0),
        from: CanId::Standard(from),
        request: request.to_vec(),
        payload: payload.to_vec(),
    };
    let value = decoder.reply(&reply(0x7E8, &[1, 0x5B], &[0x41, 0x5B, 0xCC])).map(|decoded| decoded.values[0]);
    assert!((value.unwrap() - 80.0).abs() < 1e-12);
    assert_eq!(map.roles[0].slot.role, Role::Soc);
    for wrong in [
        reply(0x7E9, &[1, 0x5B], &[0x41, 0x5B, 0xCC]),
        reply(0x7E8, &[1, 0x5C], &[0x41, 0x5B, 0xCC]),
        reply(0x7E8, &[1, 0x5B], &[0x7F, 0x01, 0x12]),
        reply(0x7E8, &[1, 0x5B], &[0x41, 0x5C, 0xCC]),
        reply(0x7E8, &[1, 0x5B], &[]),
    ] {
        assert_eq!(decoder.reply(&wrong), None, "{wrong:?}");
    }
    let short = decoder.reply(&reply(0x7E8, &[1, 0x5B], &[0x41, 0x5B])).map(|decoded| decoded.values[0]);
    assert!(short.unwrap().is_nan());
    assert_eq!(decoder.counts().messages[0].signals[0].too_short, 1);
}

#[test]
fn rows_are_scaled_and_checked() {
    let map = map_of(
        "[[table]]
         name = 'trip'
         time = { column = 't', format = 'seconds' }
         signal = [{ name = 'Speed', unit = 'km/h', range = [0, 250] }, { name = 'Volts', scale = 0.1, unit = 'V' }]",
    );
    let mut decoder = Decoder::new(&map);
    let mut values = |table: &str, values: &[f64]| {
        decoder.row(&Row { table: table.into(), values: values.to_vec() }).map(|decoded| decoded.values.to_vec())
    };
    assert_eq!(values("trip", &[100.0, 3960.0]), Some(vec![100.0, 396.0]));
    assert!(values("trip", &[251.0]).unwrap().iter().all(|value| value.is_nan()));
    assert_eq!(values("other", &[1.0]), None);
    let signals = &decoder.counts().messages[0].signals;
    assert_eq!((signals[0].out_of_range, signals[1].not_available), (1, 1));
}

#[test]
fn taps_give_base_units_and_the_ledgers_sign() {
    let map = map_of(
        "[[message]]
         name = 'P'
         id = 1
         length = 4
         signal = [
             { name = 'Out', start = 0, length = 16, scale = 0.1, unit = 'A' },
             { name = 'In', start = 16, length = 16, scale = 0.1, unit = 'A' },
         ]
         [[message]]
         name = 'T'
         id = 2
         length = 2
         signal = [
             { name = 'Outside', start = 0, length = 8, type = 'signed', unit = 'degF' },
             { name = 'Power', start = 8, length = 8, type = 'signed', unit = 'kW' },
         ]
         [roles.pack_current]
         discharge = 'P.Out'
         charge = 'P.In'
         [roles.ambient_temperature]
         signal = 'T.Outside'
         [roles.pack_power]
         signal = 'T.Power'
         positive = 'charge'",
    );
    let by_role = |message: usize, values: &[f64]| -> Vec<(Role, Option<f64>)> {
        let mut decoder = Decoder::new(&map);
        let mut batch = Batch::default();
        batch.push(Steady(0), Bus(0), message as u32 + 1, FrameFlags::default(), &[0; 2]);
        let taps = decoder.frame(&batch.frames[0], &[0; 2]).unwrap().taps;
        taps.iter().map(|tap| (map.roles[tap.role].slot.role, tap.value(values))).collect()
    };
    assert_eq!(by_role(0, &[10.0, 2.5]), [(Role::PackCurrent, Some(7.5))]);
    assert_eq!(by_role(0, &[10.0, f64::NAN]), [(Role::PackCurrent, None)]);
    let found = by_role(1, &[-40.0, 3.0]);
    assert_eq!(found[0], (Role::PackPower, Some(-3000.0)));
    assert!((found[1].1.unwrap() + 40.0).abs() < 1e-12);
}

#[test]
fn sixty_four_bits_are_as_exact_as_a_double_can_be() {
    let map = map_of(
        "message = [
            { name = 'A', id = 1, length = 8, signal = [{ name = 'S', start = 0, length = 64 }] },
            { name = 'B', id = 2, length = 8, signal = [{ name = 'S', start = 0, length = 64, type = 'signed' }] },
            { name = 'C', id = 3, length = 8, signal = [{ name = 'S', start = 0, length = 64, scale = 3, offset = -9223372036854774 }] },
        ]",
    );
    let bits = |raw: u64| raw.to_le_bytes();
    assert_eq!(decode(&map, 1, 0, &bits(u64::MAX)), Some(vec![18_446_744_073_709_551_615.0]));
    assert_eq!(decode(&map, 1, 0, &bits(0x8000_0000_0000_0401)), Some(vec![9_223_372_036_854_777_856.0]));
    assert_eq!(decode(&map, 2, 0, &bits(u64::MAX)), Some(vec![-1.0]));
    assert_eq!(decode(&map, 2, 0, &bits(1 << 63)), Some(vec![-9_223_372_036_854_775_808.0]));
    // 3 * 3074457345618258 - 9223372036854774 = 0; one raw step more is 3, which rounding in between would lose.
    assert_eq!(decode(&map, 3, 0, &bits(3_074_457_345_618_259)), Some(vec![3.0]));
}

#[test]
fn kept_counts_go_on_and_others_do_no_harm() {
    let map = map_of(STATES);
    let mut decoder = Decoder::new(&map);
    decoder.set_counts(Counts::default());
    assert_eq!(decoder.counts(), &Counts::of(&map));
    let mut kept = Counts::of(&map);
    kept.messages[0].frames = 41;
    kept.messages.push(MessageCounts::default());
    decoder.set_counts(kept);
    assert_eq!((decoder.counts().messages.len(), decoder.counts().messages[0].frames), (1, 41));
}

fn any_signal() -> impl Strategy<Value = Signal> {
    let order = prop_oneof![Just(ByteOrder::LittleEndian), Just(ByteOrder::BigEndian)];
    let raw = prop_oneof![
        4 => (0..2, 1u16..=64).prop_map(|(sign, length)| (if sign == 0 { RawKind::Unsigned } else { RawKind::Signed }, length)),
        1 => Just((RawKind::Float32, 32)),
        1 => Just((RawKind::Float64, 64)),
    ];
    let scale = prop_oneof![Just(1.0), Just(-0.5), 0.001..10.0];
    let offset = prop_oneof![Just(0.0), -1000.0..1000.0];
    (0u16..512, order, raw, scale, offset).prop_map(|(start, order, (raw, length), scale, offset)| Signal {
        name: "S".into(),
        start,
        length,
        order,
        raw,
        scale,
        offset,
        unit: String::new(),
        meaning: String::new(),
        range: None,
        not_available: Vec::new(),
        values: Vec::new(),
        multiplex: Multiplex::Always,
    })
}

fn map_with(signals: Vec<Signal>, length: u8) -> Map {
    let mut map = map_of("");
    let origin = Origin::Frame { bus: None, id: CanId::Standard(1), length };
    map.messages.push(Message { name: "M".into(), origin, signals, sent: Sent::Cyclic });
    map
}

proptest! {
    /// A value of a random signal at a random place comes back within half a step.
    #[test]
    fn what_is_encoded_is_decoded(signal in any_signal(), share in 0.0f64..=1.0) {
        let Some(window) = crate::map::layout::Window::of(&signal) else { return Ok(()) };
        prop_assume!(window.end() <= 64);
        let top = window.capacity() as f64;
        let raw = match signal.raw {
            RawKind::Unsigned => share * top,
            RawKind::Signed => (share - 0.5) * top,
            RawKind::Float32 | RawKind::Float64 => (share - 0.5) * 1e6,
        };
        let value = raw * signal.scale + signal.offset;
        let step = match signal.raw {
            RawKind::Unsigned | RawKind::Signed => signal.scale.abs() / 2.0,
            RawKind::Float32 => f64::from(f32::EPSILON) * (raw * signal.scale).abs(),
            RawKind::Float64 => 0.0,
        };
        // Beyond 53 bits a double's own step is the larger.
        let rounding = 4.0 * f64::EPSILON * (value.abs() + signal.offset.abs());
        let map = map_with(vec![signal], window.end() as u8);
        let mut payload = [0; 64];
        let length = encode(&map.messages[0], &[value], &mut payload);
        let back = decode(&map, 1, 0, &payload[..length]).unwrap()[0];
        prop_assert!((back - value).abs() <= step * (1.0 + 1e-9) + rounding, "{value} came back as {back}");
    }

    /// NaN writes a pattern that reads as null where the signal has one.
    #[test]
    fn nan_is_written_as_not_available(mut signal in any_signal()) {
        let Some(window) = crate::map::layout::Window::of(&signal) else { return Ok(()) };
        prop_assume!(window.end() <= 64);
        signal.not_available = vec![window.capacity()];
        let map = map_with(vec![signal], window.end() as u8);
        let mut payload = [0; 64];
        let length = encode(&map.messages[0], &[f64::NAN], &mut payload);
        prop_assert!(decode(&map, 1, 0, &payload[..length]).unwrap()[0].is_nan());
    }

    /// The plain way and the general way give and count the same, whatever the ranges and 'not available' patterns; a
    /// signal that switches on itself never is forces the general one.
    #[test]
    fn both_ways_of_reading_agree(
        signals in proptest::collection::vec((any_signal(), 0.0f64..1.0, 0.0f64..1.0, any::<u64>(), 0..4), 1..6),
        payload in proptest::collection::vec(any::<u8>(), 0..=16),
    ) {
        let mut signals: Vec<Signal> = signals.into_iter().map(|(mut signal, one, other, pattern, bounded)| {
            signal.start %= 64;
            let capacity = u64::MAX >> (64 - signal.length);
            let ends = [one, other].map(|share| share * capacity as f64 * signal.scale + signal.offset);
            if bounded & 1 == 1 {
                signal.range = Some((ends[0].min(ends[1]), ends[0].max(ends[1])));
            }
            if bounded & 2 == 2 {
                signal.not_available = vec![pattern & capacity, capacity, capacity - 1, 0];
            }
            signal
        }).collect();
        let both = |signals: &[Signal]| {
            let map = map_with(signals.to_vec(), 8);
            let mut batch = Batch::default();
            batch.push(Steady(0), Bus(0), 1, FrameFlags(0), &payload);
            let mut decoder = Decoder::new(&map);
            let values = decoder.frame(&batch.frames[0], batch.payload(&batch.frames[0])).unwrap().values;
            let bits: Vec<u64> = values.iter().map(|value| value.to_bits()).collect();
            (bits, decoder.counts().messages[0].signals.clone())
        };
        let plain = both(&signals);
        let mut never = signals[0].clone();
        never.multiplex = Multiplex::When { switch: 0, values: Vec::new() };
        signals.push(never);
        let mut general = both(&signals);
        general.0.pop();
        general.1.pop();
        prop_assert_eq!(plain, general);
    }

    /// No frame panics, whatever its identifier, flags and length.
    #[test]
    fn no_frame_panics(id in any::<u32>(), bus in any::<u8>(), flags in any::<u8>(), payload in proptest::collection::vec(any::<u8>(), 0..=70)) {
        let map = map_of(STATES);
        let mut decoder = Decoder::new(&map);
        let mut batch = Batch::default();
        for id in [id, id % 32] {
            batch.push(Steady(0), Bus(bus), id, FrameFlags(flags), &payload);
        }
        for frame in &batch.frames {
            let _ = decoder.frame(frame, batch.payload(frame));
        }
    }
}

/// The layout that a quantity's name stands for, decoded: the replies and values of [`crate::diag::j1979`]'s tests, which
/// Wireshark decodes alike (the odometer by arithmetic from the public table).
#[test]
fn quantities_known_by_name_are_polls_ready_made() {
    let keys = crate::diag::j1979::QUANTITIES.map(|quantity| quantity.key);
    let text: String = keys.map(|key| format!("[[poll]]\nquantity = '{key}'\n")).concat();
    let map = map_of(&(text + "[roles.odometer]\nsignal = 'odometer.value'\n[roles.speed]\nsignal = 'speed.value'\n"));
    assert_eq!(map.messages.iter().map(|message| &*message.name).collect::<Vec<_>>(), keys);
    let mut decoder = Decoder::new(&map);
    for (key, payload, expected) in [
        ("speed", &[0x41, 0x0D, 0x3C][..], 60.0),
        ("speed", &[0x41, 0x0D, 0xFF], 255.0),
        ("ambient_temperature", &[0x41, 0x46, 0x3E, 0xAA], 22.0),
        ("ambient_temperature", &[0x41, 0x46, 0x00], -40.0),
        ("pack_remaining_life", &[0x41, 0x5B, 0xCC], 80.0),
        ("pack_remaining_life", &[0x41, 0x5B, 0xFF], 100.0),
        ("control_module_voltage", &[0x41, 0x42, 0x33, 0xC2], 13.25),
        ("odometer", &[0x41, 0xA6, 0x00, 0x0A, 0x2C, 0x2A], 66_666.6),
        ("odometer", &[0x41, 0xA6, 0xFF, 0xFF, 0xFF, 0xFF], 429_496_729.5),
        ("barometric_pressure", &[0x41, 0x33, 0x65], 101.0),
        ("fuel_type", &[0x41, 0x51, 0x08], 8.0),
        ("odometer", &[0x41, 0xA6, 0x00, 0x0A], f64::NAN),
    ] {
        let request = vec![1, payload[1]];
        let reply = Reply { bus: Bus(0), from: CanId::Standard(0x7E8), request, payload: payload.to_vec() };
        let decoded = decoder.reply(&reply).unwrap_or_else(|| panic!("{key}"));
        assert_eq!(map.messages[decoded.message].name, key);
        let value = decoded.values[0];
        assert!(
            (value - expected).abs() < 1e-9 * expected.abs() || value.is_nan() && expected.is_nan(),
            "{key} {value}"
        );
    }
    let fuel = &map.messages[4].signals[0];
    assert_eq!((&*fuel.values[1].1, fuel.values[1].0), ("electric", 8));
}
