//! Captures of both forms, both byte orders and every clock, written here by the formats' documents; damage; noise.

use super::*;
use crate::observation::FrameFlags as F;
use crate::source::replay::test_support::{Everything, everything};
use proptest::prelude::*;

fn read(bytes: &[u8]) -> Result<Everything, Fault> {
    let reader = Box::new(std::io::Cursor::new(bytes.to_vec()));
    Capture::new(Input::from_reader("cap".into(), reader)).map(|mut capture| everything(&mut capture, 3))
}

/// Numbers in a byte order.
#[derive(Clone, Copy)]
struct Order(bool);

impl Order {
    fn two(self, number: u16) -> Vec<u8> {
        if self.0 { number.to_be_bytes().to_vec() } else { number.to_le_bytes().to_vec() }
    }
    fn four(self, number: u32) -> Vec<u8> {
        if self.0 { number.to_be_bytes().to_vec() } else { number.to_le_bytes().to_vec() }
    }
    fn pcap(self, magic: u32, link: u32, records: &[(u32, u32, Vec<u8>)]) -> Vec<u8> {
        let mut all = [self.four(magic), self.two(2), self.two(4), self.four(0), self.four(0)].concat();
        all.extend([self.four(65535), self.four(link)].concat());
        for (seconds, fraction, data) in records {
            let size = data.len() as u32;
            all.extend([self.four(*seconds), self.four(*fraction), self.four(size), self.four(size)].concat());
            all.extend(data);
        }
        all
    }
    fn block(self, kind: u32, body: &[u8]) -> Vec<u8> {
        let padding = vec![0; body.len().wrapping_neg() % 4];
        let size = self.four((12 + body.len() + padding.len()) as u32);
        [&self.four(kind), &size, body, &padding, &size].concat()
    }
    fn section(self) -> Vec<u8> {
        self.block(0x0A0D_0D0A, &[self.four(0x1A2B_3C4D), self.two(1), self.two(0), vec![0xFF; 8]].concat())
    }
    fn option(self, code: u16, value: &[u8]) -> Vec<u8> {
        [self.two(code), self.two(value.len() as u16), value.to_vec(), vec![0; value.len().wrapping_neg() % 4]].concat()
    }
    fn interface(self, link: u16, options: &[Vec<u8>]) -> Vec<u8> {
        self.block(1, &[self.two(link), self.two(0), self.four(0), options.concat(), self.four(0)].concat())
    }
    fn packet(self, interface: u32, stamp: u64, data: &[u8]) -> Vec<u8> {
        let size = self.four(data.len() as u32);
        let head = [self.four(interface), self.four((stamp >> 32) as u32), self.four(stamp as u32)].concat();
        self.block(6, &[head, size.clone(), size, data.to_vec()].concat())
    }
}

/// A frame of LINKTYPE_CAN_SOCKETCAN.
fn can(word: u32, len: u8, bits: u8, payload: &[u8], total: usize) -> Vec<u8> {
    let mut all = [&word.to_be_bytes()[..], &[len, bits, 0, 0], payload].concat();
    all.resize(total.max(all.len()), 0);
    all
}

const ORDERS: [Order; 2] = [Order(false), Order(true)];

#[test]
fn both_orders_and_both_resolutions_of_pcap_are_read() {
    let data = can(0x7E8, 3, 0, &[1, 2, 3], 16);
    for order in ORDERS {
        for (magic, fraction) in [(0xA1B2_C3D4, 250_000), (0xA1B2_3C4D, 250_000_999)] {
            let all = read(&order.pcap(magic, 227, &[(1_700_000_000, fraction, data.clone())])).unwrap();
            let frame = all.batch.frames[0];
            assert_eq!((frame.at.0, frame.id, frame.flags.0, frame.len), (1_700_000_000_250_000, 0x7E8, 0, 3));
            assert_eq!(all.batch.payload(&frame), [1, 2, 3]);
            assert_eq!((all.names.names(), all.damage.count), (&["can0".to_owned()][..], 0));
        }
    }
}

#[test]
fn every_kind_of_frame_is_told_apart() {
    let long: Vec<u8> = (0..64).collect();
    let cases = [
        (can(0x8000_0123, 0, 0, &[], 16), 0x123, F::EXTENDED, 0),
        (can(0x4000_0123, 4, 0, &[], 16), 0x123, F::REMOTE, 4),
        (can(0x2000_0004, 8, 0, &[0; 8], 16), 4, F::ERROR, 8),
        (can(0x123, 64, 0, &long, 72), 0x123, F::FD, 64),
        (can(0x123, 12, 5, &long[..12], 20), 0x123, F::FD | F::BRS, 12),
        (can(0x9FFF_FFFF, 2, 7, &[0; 2], 72), 0x1FFF_FFFF, F::FD | F::BRS | F::ESI | F::EXTENDED, 2),
    ];
    for (data, id, flags, len) in cases {
        let all = read(&Order(false).pcap(0xA1B2_C3D4, 227, &[(1, 0, data)])).unwrap();
        let frame = all.batch.frames[0];
        assert_eq!((frame.id, frame.flags.0, frame.len), (id, flags, len));
    }
}

#[test]
fn damaged_packets_are_counted_and_the_rest_read() {
    let good = can(0x123, 1, 0, &[1], 16);
    let bad = [
        can(0x123, 9, 0, &[0; 9], 17),
        can(0x800, 0, 0, &[], 16),
        can(0x123, 4, 0, &[1], 9),
        vec![0; 5],
        can(0, 0x80, 0, &[], 16),
    ];
    let mut records: Vec<_> = bad.iter().map(|data| (1, 0, data.clone())).collect();
    records.push((2, 0, good.clone()));
    let mut capture = Order(false).pcap(0xA1B2_C3D4, 227, &records);
    capture.extend([9; 20]);
    let all = read(&capture).unwrap();
    assert_eq!((all.batch.frames.len(), all.damage.count), (1, 6));
    assert_eq!(all.damage.first[0].to_string(), "cap: packet 1: warning: has a length that no CAN frame has");
    assert_eq!(all.damage.first[5].place, Place::Packet(7));
}

#[test]
fn pcapng_takes_names_clocks_and_sections() {
    for order in ORDERS {
        let good = can(0x123, 1, 0, &[1], 16);
        let offset = if order.0 { 100i64.to_be_bytes() } else { 100i64.to_le_bytes() };
        let file = [
            order.section(),
            order.interface(227, &[order.option(2, b"vcan7")]),
            order.interface(227, &[order.option(9, &[9]), order.option(14, &offset)]),
            order.interface(227, &[order.option(9, &[0x8A])]),
            order.interface(1, &[]),
            order.packet(0, 5_000_001, &good),
            order.packet(1, 5_000_001_999, &good),
            order.packet(2, 5 << 10 | 512, &good),
            order.packet(3, 0, &good),
            order.packet(9, 0, &good),
            order.block(0xBAD, &[0; 40]),
            order.section(),
            order.interface(227, &[]),
            order.packet(0, 6_000_000, &good),
        ];
        let all = read(&file.concat()).unwrap();
        let seen: Vec<_> = all.batch.frames.iter().map(|frame| (frame.at.0, all.names.name(frame.bus))).collect();
        assert_eq!(seen, [(5_000_001, "vcan7"), (105_000_001, "can1"), (5_500_000, "can2"), (6_000_000, "can0")]);
        assert_eq!(all.damage.count, 2, "{:?}", all.damage);
    }
}

#[test]
fn a_damaged_pcapng_block_is_passed_over() {
    let (order, good) = (Order(false), can(0x123, 1, 0, &[1], 16));
    let mut bad = order.packet(0, 0, &good);
    bad[20..24].copy_from_slice(&[0xFF; 4]);
    let huge = order.packet(0, 0, &vec![0; 1_000_000]);
    let file = [order.section(), order.interface(227, &[]), bad, huge, order.packet(0, 7, &good)].concat();
    let all = read(&file).unwrap();
    assert_eq!((all.batch.frames.len(), all.damage.count), (1, 2), "{:?}", all.damage);
    assert_eq!(all.damage.first[1].place, Place::Packet(2));
}

/// tshark 4.0.17 reads cooked captures of this layout so: the identifier in the file's byte order.
#[test]
fn cooked_captures_are_read() {
    for order in ORDERS {
        let frame = [order.four(0x123), vec![2, 0, 0, 0, 0xAB, 0xCD]].concat();
        let one = [&[0, 0, 1, 24, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x0C], &frame[..]].concat();
        let two = [&[0, 0x0C, 0, 0, 0, 0, 0, 3, 1, 24, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], &frame[..]].concat();
        let ip = [0, 0, 1, 24, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 8, 0, 0x45].to_vec();
        for (link, data, bus) in [(113, one, "can0"), (276, two, "if3")] {
            let all = read(&order.pcap(0xA1B2_C3D4, link, &[(1, 0, data), (1, 0, ip.clone())])).unwrap();
            assert_eq!((all.batch.frames[0].id, all.batch.payload(&all.batch.frames[0])), (0x123, &[0xAB, 0xCD][..]));
            assert_eq!(all.names.names(), [bus]);
        }
    }
}

#[test]
fn other_links_are_refused() {
    let fault = read(&Order(false).pcap(0xA1B2_C3D4, 1, &[])).unwrap_err();
    assert!(fault.to_string().contains("link type 1, not of CAN"));
    assert!(read(&[0xD4, 0xC3, 0xB2, 0xA1, 0, 0]).is_err());
}

proptest! {
    #[test]
    fn no_bytes_panic(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..6), big: bool, blocks: bool,
        noise in prop::collection::vec(any::<u8>(), 0..200), cut in any::<prop::sample::Index>(),
    ) {
        let order = Order(big);
        let good = can(0x123, 1, 0, &[1], 16);
        let mut bytes = if blocks {
            let interface = order.interface(227, &[order.option(2, b"vcan7"), order.option(9, &[9])]);
            [order.section(), interface, order.packet(0, 7, &good), order.packet(0, 8, &good)].concat()
        } else {
            order.pcap(0xA1B2_C3D4, 227, &[(1, 0, good.clone()), (2, 0, good)])
        };
        for (place, byte) in changes {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        let _ = read(&bytes);
        let _ = read(&bytes[..cut.index(bytes.len())]);
        bytes.truncate(28);
        bytes.extend(noise);
        let _ = read(&bytes);
    }
}
