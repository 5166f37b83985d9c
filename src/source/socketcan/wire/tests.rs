//! What the kernel gives, checked against bytes laid out by hand from linux/can.h and recvmsg(2).

use proptest::prelude::*;

use super::*;

/// `struct can_frame` or `struct canfd_frame`: word, length, flags, two bytes of padding, payload.
fn raw(word: u32, len: u8, flags: u8, payload: &[u8], size: usize) -> Vec<u8> {
    let mut bytes = word.to_ne_bytes().to_vec();
    bytes.extend([len, flags, 0, 0]);
    bytes.extend(payload);
    bytes.resize(size, 0);
    bytes
}

/// A control message as cmsg(3) draws it, padded to a word.
fn message(level: i32, kind: i32, data: &[u8]) -> Vec<u8> {
    let mut bytes = (align(HEADER) + data.len()).to_ne_bytes().to_vec();
    bytes.extend(level.to_ne_bytes());
    bytes.extend(kind.to_ne_bytes());
    bytes.resize(align(HEADER), 0);
    bytes.extend(data);
    bytes.resize(align(bytes.len()), 0);
    bytes
}

#[test]
fn every_kind_of_frame_is_read() {
    use FrameFlags as F;
    let long: Vec<u8> = (0..64).collect();
    let cases = [
        (raw(0x123, 3, 0, &[1, 2, 3], 16), 0x123, 0, 3, &[1, 2, 3][..]),
        (raw(0x9ABC_DEF0, 8, 0, &long[..8], 16), 0x1ABC_DEF0, F::EXTENDED, 8, &long[..8]),
        (raw(0x4000_0123, 4, 0, &[], 16), 0x123, F::REMOTE, 4, &[]),
        (raw(0xC000_0123, 0, 0, &[], 16), 0x123, F::REMOTE | F::EXTENDED, 0, &[]),
        (raw(0x2000_0044, 8, 0, &[0; 8], 16), 0x44, F::ERROR, 8, &[0; 8]),
        (raw(0x7FF, 64, 4, &long, 72), 0x7FF, F::FD, 64, &long),
        (raw(0x123, 12, 7, &long[..12], 72), 0x123, F::FD | F::BRS | F::ESI, 12, &long[..12]),
        // The flag that an FD socket sets in classic frames of some drivers means nothing here.
        (raw(0x123, 1, 7, &[9], 16), 0x123, 0, 1, &[9]),
    ];
    for (bytes, id, flags, len, payload) in cases {
        let expected = Received { id, flags: FrameFlags(flags), len, payload };
        assert_eq!(Received::read(&bytes, false), Ok(expected));
    }
}

#[test]
fn what_is_no_frame_is_named() {
    assert_eq!(Received::read(&raw(1, 9, 0, &[], 16), false), Err(Malformed::Payload));
    assert_eq!(Received::read(&raw(1, 65, 0, &[], 72), false), Err(Malformed::Payload));
    assert_eq!(Received::read(&raw(1, 1, 0, &[], 15), false), Err(Malformed::Length));
    assert_eq!(Received::read(&[], false), Err(Malformed::Length));
    assert_eq!(Received::read(&raw(1, 1, 0, &[], 72), true), Err(Malformed::Long));
}

#[test]
fn a_remote_frame_keeps_the_length_it_asks_for() {
    let (bytes, mut batch) = (raw(0x4000_0123, 5, 0, &[], 16), Batch::default());
    Received::read(&bytes, false).unwrap().push(Steady(3), Bus(1), &mut batch);
    let frame = batch.frames[0];
    assert_eq!((frame.at, frame.bus, frame.len, batch.payload(&frame)), (Steady(3), Bus(1), 5, &[][..]));
}

#[test]
fn stamp_and_drop_count_are_read_in_any_order() {
    let time = [1_800_000_000i64.to_ne_bytes(), 123_456_999i64.to_ne_bytes()].concat();
    let stamp = message(libc::SOL_SOCKET, libc::SO_TIMESTAMPNS, &time);
    let dropped = message(libc::SOL_SOCKET, libc::SO_RXQ_OVFL, &7u32.to_ne_bytes());
    let other = message(libc::SOL_SOCKET, libc::SCM_CREDENTIALS, &[0; 12]);
    let expected = Control { stamp: Some(WallClock(1_800_000_000_123_456)), dropped: Some(7) };
    for order in [[&stamp, &other, &dropped], [&dropped, &stamp, &other]] {
        assert_eq!(Control::read(&order.map(Vec::as_slice).concat()), expected);
    }
    let short = [(-1i32).to_ne_bytes(), 999i32.to_ne_bytes()].concat();
    let read = Control::read(&message(libc::SOL_SOCKET, libc::SO_TIMESTAMPNS, &short));
    assert_eq!(read.stamp, Some(WallClock(-1_000_000)));
    assert_eq!(Control::read(&message(1, libc::SO_TIMESTAMPNS, &[0; 7])), Control::default());
}

#[test]
fn filters_let_one_identifier_of_one_width_through() {
    // The kernel's rule (Documentation/networking/can.rst): received & mask == id & mask.
    let passes = |(id, mask): (u32, u32), word: u32| word & mask == id & mask;
    for word in [0x123, 0x8000_0123, 0x4000_0123, 0xC000_0123, 0x124] {
        assert_eq!(passes(filter(CanId::Standard(0x123)), word), word == 0x123);
        assert_eq!(passes(filter(CanId::Extended(0x123)), word), word == 0x8000_0123);
    }
}

#[test]
fn drops_are_differences_of_a_count_that_wraps() {
    let mut drops = Drops::default();
    let counts = [0, 0, 5, 5, u32::MAX, 3];
    assert_eq!(counts.map(|count| drops.take(count)), [0, 0, 5, 0, u32::MAX - 5, 4]);
}

proptest! {
    #[test]
    fn any_bytes_give_a_frame_or_a_reason(bytes in prop::collection::vec(any::<u8>(), 0..80), truncated: bool) {
        if let Ok(frame) = Received::read(&bytes, truncated) {
            prop_assert!(frame.payload.len() <= usize::from(frame.len) && frame.id <= ID_MASK);
            let mut batch = Batch::default();
            frame.push(Steady(0), Bus(0), &mut batch);
            prop_assert_eq!(batch.payload(&batch.frames[0]), frame.payload);
            let mut plainly = Batch::default();
            let Received { id, flags, len, payload } = frame;
            plainly.push_frame(&Frame { at: Steady(0), id, bus: Bus(0), flags, len, data: [0; 8] }, payload);
            prop_assert_eq!(batch, plainly);
        }
    }

    #[test]
    fn any_control_bytes_are_read_to_an_end(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        Control::read(&bytes);
    }

    /// Lengths near the truth, so that the walk gets past the first message.
    #[test]
    fn control_messages_with_wrong_lengths_end(lengths in prop::collection::vec(0usize..64, 0..6), fill: u8) {
        let mut bytes = Vec::new();
        for length in lengths {
            bytes.extend(length.to_ne_bytes());
            bytes.extend(libc::SOL_SOCKET.to_ne_bytes());
            bytes.extend(libc::SO_TIMESTAMPNS.to_ne_bytes());
            bytes.extend([fill; 16]);
        }
        Control::read(&bytes);
    }
}
