//! ISO-TP against published vectors and its own far end. The comparison with can-isotp, byte for byte, is a whole-program
//! test (`tests/whole/isotp.rs`), not repeated here.

use proptest::prelude::*;

use super::*;
use crate::time::Steady;

fn ms(millis: i64) -> Steady {
    Steady(millis * 1_000)
}

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.chars().filter_map(|char| char.to_digit(16)).map(|digit| digit as u8).collect();
    digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect()
}

fn fault(fault: TransferFault) -> Vec<Action> {
    vec![Action::Fault(fault)]
}

const GO: Action = Action::SendFlowControl(FlowControl::CONTINUE);

/// Payload published in an interpreter IC's data sheet, "Multiline Responses"; framing reproduced with can-isotp at both ends
/// and with Wireshark's reassembly.
#[test]
fn the_published_exchange() {
    let mut reception = Reception::new();
    assert_eq!(reception.frame(ms(0), &hex("10 14 49 02 01 31 44 34")), [GO]);
    assert_eq!(
        GO,
        Action::SendFlowControl(FlowControl { block_size: 0, separation_code: 0, status: FlowStatus::Continue })
    );
    assert_eq!(FlowControl::CONTINUE.bytes(), [0x30, 0, 0]);
    reception.flow_control_left(ms(1));
    assert_eq!(reception.frame(ms(2), &hex("21 47 50 30 30 52 35 35")), []);
    let mut message = vec![0x49, 0x02, 0x01];
    message.extend(b"1D4GP00R55B123456");
    assert_eq!(reception.frame(ms(3), &hex("22 42 31 32 33 34 35 36")), [Action::Complete(message)]);
    assert!(!reception.is_open());
}

/// 8 bytes, two frames, the second padded; framing by can-isotp.
#[test]
fn padding_is_ignored() {
    let mut reception = Reception::new();
    assert_eq!(reception.frame(ms(0), &hex("1008419A06016400")), [GO]);
    assert_eq!(reception.frame(ms(1), &hex("2101F4AAAAAAAAAA")), [Action::Complete(hex("419A0601640001F4"))]);
    assert_eq!(reception.frame(ms(2), &hex("0341463EAAAAAAAA")), [Action::Complete(hex("41463E"))]);
}

#[test]
fn lengths_that_a_kind_cannot_have() {
    use Malformed::{FlowStatus, Kind, Length, Short};
    let cases = [
        ("", Short),
        ("00 11 22", Length),
        ("04 11 22 33", Short),
        ("08 11 22 33 44 55 66 77", Length.min(Short)),
        ("10", Short),
        ("10 14 49 02 01 31 44", Short),
        ("10 07 01 02 03 04 05 06", Length),
        ("10 00 00 00 0F FF 01 02", Length),
        ("30 00", Short),
        ("33 00 00", FlowStatus),
        ("40 00 00", Kind),
        ("F0", Kind),
    ];
    for (text, expected) in cases {
        let payload = hex(text);
        assert_eq!(frame::read(&payload, 0), Err(expected), "{text}");
    }
    // FD: the length stands in the second byte, and only there.
    let mut fd = hex("00 09 01 02 03 04 05 06 07 08 09 CC");
    assert_eq!(frame::read(&fd, 0), Ok(Pdu::Single(&[1, 2, 3, 4, 5, 6, 7, 8, 9])));
    fd[0] = 0x05;
    assert_eq!(frame::read(&fd, 0), Err(Length));
    // With an address byte a classic single frame ends at 6 and a message of 7 needs a first frame.
    assert_eq!(frame::read(&hex("10 07 01 02 03 04 05"), 1), Ok(Pdu::First { length: 7, data: &[1, 2, 3, 4, 5] }));
    // linux/can/isotp.h; 4096 by can-isotp: 10 00 00 00 10 00.
    assert_eq!(
        frame::read(&hex("1F FF 01 02 03 04 05 06"), 0),
        Ok(Pdu::First { length: 4095, data: &[1, 2, 3, 4, 5, 6] })
    );
    assert_eq!(frame::read(&hex("10 00 00 00 10 00 01 02"), 0), Ok(Pdu::First { length: 4096, data: &[1, 2] }));
}

/// Codes from linux/can/isotp.h; the reserved ones: ISO 15765-2, from memory.
#[test]
fn separation_times() {
    for (code, micros) in [(0, 0), (1, 1_000), (0x7F, 127_000), (0xF1, 100), (0xF9, 900)] {
        let flow = FlowControl { separation_code: code, ..FlowControl::CONTINUE };
        assert_eq!(flow.separation(), Span(micros), "{code:02X}");
    }
    for code in (0x80..=0xF0).chain(0xFA..=0xFF) {
        let flow = FlowControl { separation_code: code, ..FlowControl::CONTINUE };
        assert_eq!(flow.separation(), Span::of_millis(127), "{code:02X}");
    }
}

#[test]
fn what_is_out_of_place_is_named() {
    let first = hex("10 14 49 02 01 31 44 34");
    let mut reception = Reception::new();
    assert_eq!(reception.frame(ms(0), &hex("21 00")), fault(TransferFault::UnexpectedConsecutive));
    assert_eq!(reception.frame(ms(0), &hex("30 00 00")), fault(TransferFault::UnexpectedFlowControl));
    reception.frame(ms(0), &first);
    let second = TransferFault::WrongSequence { expected: 1, got: 2 };
    assert_eq!(reception.frame(ms(1), &hex("22 47 50 30 30 52 35 35")), fault(second));
    assert!(!reception.is_open());
    // A first or single frame inside a message ends it and begins anew.
    reception.frame(ms(2), &first);
    assert_eq!(reception.frame(ms(3), &first), [Action::Fault(TransferFault::Interrupted), GO]);
    let single = [Action::Fault(TransferFault::Interrupted), Action::Complete(vec![0x41])];
    assert_eq!(reception.frame(ms(4), &hex("01 41")), single);
    // A short frame in the middle is left out; the right one may still come.
    reception.frame(ms(5), &first);
    assert_eq!(reception.frame(ms(6), &hex("21 47 50")), fault(TransferFault::WrongLength));
    assert_eq!(reception.frame(ms(7), &hex("21 47 50 30 30 52 35 35")), []);
}

#[test]
fn waits_run_out() {
    let first = hex("10 14 49 02 01 31 44 34");
    let mut reception = Reception::new();
    reception.frame(ms(0), &first);
    assert_eq!(reception.tick(ms(999)), []);
    assert_eq!(reception.tick(ms(1_000)), fault(TransferFault::Timeout(Timer::Ar)));
    reception.frame(ms(2_000), &first);
    reception.flow_control_left(ms(2_500));
    assert_eq!(reception.tick(ms(3_499)), []);
    // The late frame finds its message closed.
    let late = reception.frame(ms(3_500), &hex("21 47 50 30 30 52 35 35"));
    let expected = [TransferFault::Timeout(Timer::Cr), TransferFault::UnexpectedConsecutive].map(Action::Fault);
    assert_eq!(late, expected);
}

#[test]
fn too_long_is_refused_with_overflow() {
    let mut reception = Reception::new();
    let actions = reception.frame(ms(0), &hex("10 00 FF FF FF FF 01 02"));
    let refused = Action::SendFlowControl(FlowControl::OVERFLOW);
    assert_eq!(actions, [refused, Action::Fault(TransferFault::TooLong(u32::MAX))]);
    assert!(!reception.is_open());
}

#[test]
fn extended_addressing_reads_only_its_own() {
    let mut reception = Reception::extended(0xF1);
    assert_eq!(reception.frame(ms(0), &hex("F0 03 62 01 02")), []);
    assert_eq!(reception.frame(ms(0), &hex("F1 03 62 01 02")), [Action::Complete(vec![0x62, 1, 2])]);
    assert_eq!(reception.frame(ms(0), &[]), []);
    assert_eq!(reception.frame(ms(0), &hex("F1 10 07 01 02 03 04 05")), [GO]);
    assert_eq!(reception.frame(ms(0), &hex("F1 21 06 07")), [Action::Complete((1..=7).collect())]);
}

#[test]
fn a_sender_gives_up() {
    let message = vec![7; 100];
    let start = || {
        let mut sender = Sender::new(&message, Layout::CLASSIC).unwrap();
        sender.next(ms(0)).unwrap();
        sender
    };
    let mut sender = start();
    assert_eq!(sender.tick(ms(999)), Ok(()));
    assert_eq!(sender.tick(ms(1_000)), Err(TransferFault::Timeout(Timer::As)));
    let mut sender = start();
    sender.left(ms(500));
    assert_eq!(sender.tick(ms(1_499)), Ok(()));
    assert_eq!(sender.tick(ms(1_500)), Err(TransferFault::Timeout(Timer::Bs)));
    assert!(sender.is_over() && sender.next(ms(9_999)).is_none());
    let mut sender = start();
    sender.left(ms(0));
    let wait = FlowControl { status: FlowStatus::Wait, ..FlowControl::CONTINUE };
    for count in 0..10 {
        assert_eq!(sender.flow_control(ms(count * 900), wait), Ok(()));
        assert_eq!(sender.tick(ms(count * 900 + 899)), Ok(()));
    }
    assert_eq!(sender.flow_control(ms(9_000), wait), Err(TransferFault::TooManyWaits));
    let mut sender = start();
    sender.left(ms(0));
    assert_eq!(sender.flow_control(ms(1), FlowControl::OVERFLOW), Err(TransferFault::Overflow));
    assert_eq!(Sender::new(&[], Layout::CLASSIC).err(), Some(TransferFault::UnsendableLength));
}

/// Carries a message from a sender to a reception on an ideal bus; gives the message and the number of flow controls.
fn carry(message: &[u8], layout: Layout, block_size: u8, separation_code: u8) -> (Vec<u8>, u32) {
    let mut reception = layout.address.map_or_else(Reception::new, Reception::extended);
    reception = reception.asking_for(block_size, separation_code);
    let mut sender = Sender::new(message, layout).unwrap();
    let (mut flows, mut last) = (0, None);
    for micros in (0..).step_by(100) {
        let now = Steady(micros);
        sender.tick(now).unwrap();
        let Some(payload) = sender.next(now) else { continue };
        sender.left(now);
        let spaced = last.replace(now).map(|last| now - last);
        for action in reception.frame(now, &payload) {
            match action {
                Action::SendFlowControl(flow) => {
                    flows += 1;
                    last = None;
                    sender.flow_control(now, flow).unwrap();
                    reception.flow_control_left(now);
                }
                Action::Complete(message) => return (message, flows),
                Action::Fault(fault) => panic!("{fault}"),
            }
        }
        let least = FlowControl { separation_code, ..FlowControl::CONTINUE }.separation();
        assert!(spaced.is_none_or(|spaced| spaced >= least), "{spaced:?} apart, {least:?} asked");
    }
    unreachable!("the loop ends with the message or a fault")
}

fn layouts() -> impl Strategy<Value = Layout> {
    let frame_length = prop::sample::select(vec![8, 12, 16, 20, 24, 32, 48, 64]);
    (frame_length, any::<Option<u8>>(), any::<Option<u8>>()).prop_map(|(frame_length, address, padding)| Layout {
        frame_length,
        address,
        padding,
    })
}

proptest! {
    #[test]
    fn what_is_taken_apart_comes_together(
        message in prop::collection::vec(any::<u8>(), 1..600),
        layout in layouts(),
        block_size in 0..20_u8,
        separation_code in prop::sample::select(vec![0, 0, 1, 3, 0xF1, 0xF9]),
    ) {
        let (received, flows) = carry(&message, layout, block_size, separation_code);
        prop_assert_eq!(received, message);
        prop_assert!(block_size > 0 || flows <= 1);
    }

    #[test]
    fn no_frames_panic_and_memory_stays_bounded(
        payloads in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..70), 0..60),
        address in any::<Option<u8>>(),
    ) {
        let mut reception = address.map_or_else(Reception::new, Reception::extended);
        for (count, payload) in payloads.iter().enumerate() {
            for action in reception.frame(ms(count as i64 * 300), payload) {
                if let Action::Complete(message) = action {
                    prop_assert!(message.len() <= MESSAGE_MAX);
                }
            }
        }
    }

    #[test]
    fn frames_that_are_nearly_right_do_not_panic(
        kinds in prop::collection::vec((0..4_u8, 0..20_u8, 0..0x30_u8, 0..9_usize), 0..80),
    ) {
        let mut reception = Reception::new().asking_for(2, 0);
        for (count, (kind, low, second, length)) in kinds.into_iter().enumerate() {
            let mut payload = vec![kind << 4 | low & 0x0F, second, 3, 4, 5, 6, 7, 8];
            payload.truncate(length);
            reception.frame(ms(count as i64 * 40), &payload);
        }
    }
}

#[test]
fn the_longest_message_and_its_sequence_numbers() {
    let message: Vec<u8> = (0..4_095).map(|at| (at % 251) as u8).collect();
    assert_eq!(carry(&message, Layout::CLASSIC, 0, 0).0, message);
}
