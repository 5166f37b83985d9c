//! The forms that candump text takes, and the fast parser against the general one.

use super::*;
use proptest::prelude::*;

fn frame(line: &str) -> (i64, String, u32, u8, u8, Vec<u8>) {
    match parse(line.as_bytes()) {
        Ok(Line::Frame(text)) => {
            (text.at.0, text.bus.to_owned(), text.id, text.flags.0, text.len, text.payload().to_vec())
        }
        other => panic!("{line}: {other:?}"),
    }
}

/// The forms are those of can-utils `lib.h` (comment above `parse_canframe`) and `candump.c`.
#[test]
fn every_form_of_can_utils_is_read() {
    use FrameFlags as F;
    let s = 1_700_000_000_010_000;
    let eight = vec![0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88];
    let cases: [(&str, u32, u8, u8, Vec<u8>); 17] = [
        ("123#", 0x123, 0, 0, vec![]),
        ("12345678#", 0x1234_5678, F::EXTENDED, 0, vec![]),
        ("123#R", 0x123, F::REMOTE, 0, vec![]),
        ("123#R7", 0x123, F::REMOTE, 7, vec![]),
        ("7A1#r", 0x7A1, F::REMOTE, 0, vec![]),
        ("123#1122334455667788", 0x123, 0, 8, eight.clone()),
        ("123#1122334455667788_E", 0x123, 0, 8, eight.clone()),
        ("123#11.22.33", 0x123, 0, 3, vec![0x11, 0x22, 0x33]),
        ("7a1#aaBBcc", 0x7A1, 0, 3, vec![0xAA, 0xBB, 0xCC]),
        ("123##1112233", 0x123, F::FD | F::BRS, 3, vec![0x11, 0x22, 0x33]),
        ("123##0", 0x123, F::FD, 0, vec![]),
        ("123##3", 0x123, F::FD | F::BRS | F::ESI, 0, vec![]),
        ("32345678#112233", 0x1234_5678, F::ERROR, 3, vec![0x11, 0x22, 0x33]),
        ("20000004#0004000000000000", 0x4, F::ERROR, 8, vec![0, 4, 0, 0, 0, 0, 0, 0]),
        ("123#11 R", 0x123, 0, 1, vec![0x11]),
        ("123#11 T", 0x123, 0, 1, vec![0x11]),
        ("1FFFFFFF#R8 T", 0x1FFF_FFFF, F::EXTENDED | F::REMOTE, 8, vec![]),
    ];
    for (text, id, flags, len, payload) in cases {
        let expected = (s, "can0".to_owned(), id, flags, len, payload);
        assert_eq!(frame(&format!("(1700000000.010000) can0 {text}")), expected);
        assert_eq!(frame(&format!(" (1700000000.010000)    can0   {text}\r")), expected);
    }
    let long = "0F".repeat(64);
    assert_eq!(frame(&format!("(1.0) vcan12 1##2{long}").replace(" 1##", " 001##")).5, vec![0x0F; 64]);
}

#[test]
fn stamps_are_floored_to_microseconds() {
    for (stamp, micros) in [
        ("1700000000.123456", 1_700_000_000_123_456),
        ("1700000000.123456999", 1_700_000_000_123_456),
        ("0000000012.345678", 12_345_678),
        ("0.5", 500_000),
        ("12.3456789", 12_345_678),
        ("999999999999.9", 999_999_999_999_900_000),
    ] {
        assert_eq!(frame(&format!("({stamp}) can0 123#")).0, micros);
    }
}

#[test]
fn what_is_wrong_is_said() {
    for (line, reason) in [
        ("hello", "time in brackets"),
        ("(12.5 can0 123#", "closing bracket"),
        ("(12) can0 123#", "seconds.fraction"),
        ("(-1.5) can0 123#", "seconds.fraction"),
        ("(1.x) can0 123#", "seconds.fraction"),
        ("(1.1234567x) can0 123#", "seconds.fraction"),
        ("(1.5) can0", "before its frame"),
        ("(1.5) c\u{1}n 123#", "printable"),
        ("(1.5) can0 12#", "3 or 8"),
        ("(1.5) can0 8FF#", "above 7FF"),
        ("(1.5) can0 80000001#", "above 1FFFFFFF"),
        ("(1.5) can0 60000001#", "above 1FFFFFFF"),
        ("(1.5) can0 12G#", "hexadecimal"),
        ("(1.5) can0 12345", "no '#'"),
        ("(1.5) can0 123#1", "0 to 8 bytes"),
        ("(1.5) can0 123#11.", "0 to 8 bytes"),
        ("(1.5) can0 123#112233445566778899", "0 to 8 bytes"),
        ("(1.5) can0 123#R9", "remote"),
        ("(1.5) can0 123##", "missing"),
        ("(1.5) can0 123##x", "FD flags"),
        ("(1.5) can0 123##0123", "0 to 64 bytes"),
        ("(1.5) can0 123#11 22", "after the frame"),
    ] {
        let error = parse(line.as_bytes()).unwrap_err();
        assert!(error.contains(reason), "{line}: {error}");
    }
}

/// Fast and general on the line at the start of `text`; panics where the fast one differs, tells whether it took it.
fn agree(text: &[u8]) -> bool {
    let mut fast = Fast::default();
    let names = ["can0", "can1", "vcan12", "a", "can0000"];
    for (index, name) in names.iter().enumerate() {
        fast.learn(name, Bus(index as u8));
    }
    let Some((frame, used)) = fast.parse(text) else { return false };
    assert_eq!(text.iter().position(|byte| *byte == b'\n'), Some(used - 1));
    let Ok(Line::Frame(general)) = parse(&text[..used - 1]) else {
        panic!("fast took {:?}", String::from_utf8_lossy(text))
    };
    assert_eq!(names[usize::from(frame.bus.0)], general.bus);
    assert_eq!(
        (frame.at, frame.id, frame.flags, frame.len, &frame.data[..]),
        (general.at, general.id, general.flags, general.len, &general.data[..8])
    );
    true
}

fn padded(line: &str) -> Vec<u8> {
    let mut text = format!("{line}\n(1700000000.020000) can0 123#00\n").into_bytes();
    text.resize(text.len().max(Fast::REACH), b'\n');
    text
}

#[test]
fn the_usual_shape_is_taken_fast() {
    for line in [
        "(1700000000.010000) can0 7E8#03410D3CAAAAAAAA",
        "(1700000000.010000) can1 7E8#",
        "(1700000000.010000) can1 7E8#0341 R",
        "(1700000000.010000) vcan12 1FFFFFFF#03410D3CAAAAAAaa T",
        "(1700000000.010000) vcan12 12345678#03410D3CAAAAAAAA",
        "(1700000000.010000) a 12345678#0341\r",
        "(0000000012.999999) can0000 1FFFFFFF#03410D3CAAAAAAaa",
    ] {
        assert!(agree(&padded(line)), "{line}");
    }
    assert!(!agree(&padded("(1700000000.010000) can0 123#R")));
    assert!(!agree(&padded("(1700000000.010000) can0\u{0} 123#")));
}

proptest! {
    #[test]
    fn fast_is_general_on_lines_of_every_shape(
        line in "\\([0-9]{9,11}\\.[0-9]{5,7}\\) {1,2}(can0|can1|vcan12|a|can0000|can9) ([0-7][0-9A-Fa-f]{2}|[0-3][0-9A-F]{7})#{1,2}(([0-9A-Fa-f]{2}){0,9}|R[0-9]?|[0-9A-F.]{0,17})( [RT])?\r?",
    ) {
        agree(&padded(&line));
    }

    #[test]
    fn fast_is_general_on_the_usual_line_with_any_byte_changed(
        id in 0u32..0x2000_0000, extended: bool, payload in prop::collection::vec(any::<u8>(), 0..=8),
        changes in prop::collection::vec((0usize..64, any::<u8>()), 0..3), micros in 0u64..4_000_000_000_000_000,
    ) {
        let id = if extended { format!("{id:08X}") } else { format!("{:03X}", id & 0x7FF) };
        let payload: String = payload.iter().map(|byte| format!("{byte:02X}")).collect();
        let line = format!("({:010}.{:06}) can0 {id}#{payload}", micros / 1_000_000, micros % 1_000_000);
        let mut text = padded(&line);
        prop_assert!(agree(&text));
        for (place, byte) in changes {
            text[place] = byte;
        }
        agree(&text);
    }

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = parse(&bytes);
        agree(&bytes);
        let mut framed = b"(1700000000.010000) can0 ".to_vec();
        framed.extend_from_slice(&bytes);
        let _ = parse(&framed);
        agree(&framed);
    }
}
