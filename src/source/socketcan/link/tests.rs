//! Messages laid out by hand from the kernel's headers, and every case of the judgement. The bench shows the real kernel's.

use proptest::prelude::*;

use super::*;

fn attribute(kind: u16, data: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::from(((4 + data.len()) as u16).to_ne_bytes());
    bytes.extend(kind.to_ne_bytes());
    bytes.extend(data);
    bytes.resize(bytes.len().next_multiple_of(4), 0);
    bytes
}

fn reply(kind: u16, message: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::from(((16 + message.len()) as u32).to_ne_bytes());
    bytes.extend(kind.to_ne_bytes());
    bytes.resize(16, 0);
    bytes.extend(message);
    bytes
}

fn can(index: i32, flags: u32, info: &[u8]) -> Vec<u8> {
    let mut message = vec![0, 0];
    message.extend(280u16.to_ne_bytes());
    message.extend(index.to_ne_bytes());
    message.extend(flags.to_ne_bytes());
    message.extend([0; 4]);
    message.extend(attribute(3, b"can0\0"));
    // Nested attributes may carry a flag in their type (NLA_F_NESTED).
    message.extend(attribute(18 | 0x8000, info));
    reply(16, &message)
}

#[test]
fn a_physical_interface_is_read_with_bit_rate_and_mode() {
    let timing = [500_000u32.to_ne_bytes(), 875u32.to_ne_bytes()].concat();
    let mode = [0xFFu32.to_ne_bytes(), 0x22u32.to_ne_bytes()].concat();
    let data = [attribute(4, &[0; 4]), attribute(1, &timing), attribute(5, &mode)].concat();
    let info = [attribute(1, b"can\0"), attribute(2, &data)].concat();
    let link = Link::read(&can(7, 0x1_0043, &info)).unwrap();
    let kind = Some("can".into());
    assert_eq!(link, Link { index: 7, is_can: true, up: true, kind, listen_only: Some(true), bit_rate: Some(500_000) });
    assert!(!link.is_virtual());
}

#[test]
fn a_virtual_interface_says_its_kind_alone() {
    let link = Link::read(&can(3, 0, &attribute(1, b"vcan\0"))).unwrap();
    let expected = Link { index: 3, is_can: true, kind: Some("vcan".into()), ..Link::default() };
    assert_eq!(link, expected);
    assert!(link.is_virtual());
}

#[test]
fn the_kernels_error_and_a_cut_answer_are_told() {
    let missing = Link::read(&reply(2, &(-libc::ENODEV).to_ne_bytes())).unwrap_err();
    assert_eq!(missing.raw_os_error(), Some(libc::ENODEV));
    let whole = can(3, 1, &attribute(1, b"vcan\0"));
    assert_eq!(Link::read(&whole[..whole.len() - 1]).unwrap_err().kind(), io::ErrorKind::InvalidData);
    assert!(Link::read(&[]).is_err());
}

#[test]
fn only_names_that_an_interface_can_have_are_asked_for() {
    let message = request("can0").unwrap();
    assert_eq!((message.len(), u32_at(&message, 0)), (44, Some(44)));
    assert_eq!(
        &message[32..],
        &[9u16.to_ne_bytes(), 3u16.to_ne_bytes()].concat().iter().copied().chain(*b"can0\0\0\0\0").collect::<Vec<u8>>()
            [..]
    );
    for name in ["", "..", "a b", "a/b", "sixteen-letters-", "a\0"] {
        assert!(request(name).unwrap_err().0.contains("can't name an interface"), "{name:?}");
    }
}

#[test]
fn every_case_is_judged() {
    let physical = |listen_only, bit_rate| Link {
        index: 1,
        is_can: true,
        up: true,
        kind: Some("can".into()),
        listen_only,
        bit_rate,
    };
    let virtual_ = Link { kind: Some("vcan".into()), ..physical(None, None) };
    let old_slcan = Link { kind: None, ..physical(None, None) };
    let judged = |link: &Link, polling: bool, bit_rate: Option<u32>| {
        judge(link, &Settings { interface: "can0".into(), bit_rate, polling }).map_err(|failure| failure.0)
    };
    let says = |link: &Link, polling, bit_rate, words: &str| {
        let text = judged(link, polling, bit_rate).unwrap_err();
        assert!(text.contains(words) && text.contains("can0"), "{text}");
    };
    let rate = Some(500_000);
    assert_eq!(judged(&virtual_, false, None), Ok(Access::Listen));
    assert_eq!(judged(&virtual_, true, None), Ok(Access::Ask));
    assert_eq!(judged(&physical(Some(true), rate), false, None), Ok(Access::Listen));
    // Listen-only never disturbs; it can't ask either.
    assert_eq!(judged(&physical(Some(true), rate), true, rate), Ok(Access::Listen));
    assert_eq!(judged(&physical(Some(false), rate), true, rate), Ok(Access::Ask));
    says(&physical(Some(false), rate), false, rate, "not in listen-only mode; set it down and");
    says(&physical(Some(false), rate), true, None, "bit_rate is not given");
    says(&physical(Some(false), Some(250_000)), true, rate, "runs at 250000 bit/s and bit_rate says 500000");
    says(&physical(Some(false), None), true, rate, "does not say its bit rate");
    says(&old_slcan, false, None, "does not say whether it only listens");
    says(&old_slcan, true, rate, "does not say its bit rate");
    says(&Link { up: false, ..virtual_.clone() }, false, None, "is down; bring it up with `ip link set can0 up`");
    says(&Link { is_can: false, ..virtual_ }, false, None, "is not a CAN interface");
}

proptest! {
    #[test]
    fn any_answer_is_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..300), whole: bool) {
        let mut bytes = bytes;
        if whole && bytes.len() >= 6 {
            let length = bytes.len() as u32;
            bytes[..4].copy_from_slice(&length.to_ne_bytes());
            bytes[4..6].copy_from_slice(&16u16.to_ne_bytes());
        }
        // Either is sound; what must not happen is a panic or a loop without end.
        let _ = Link::read(&bytes);
    }
}
