//! slcan lines: the kernel driver's own examples, what is wrong by name, chunks of any size. Opens no port.

use proptest::prelude::*;

use super::*;
use CanId::{Extended, Standard};

fn read(bytes: &[u8]) -> Vec<Event> {
    let mut events = Vec::new();
    Reader::default().push(bytes, |event| events.push(event));
    events
}

fn frame(id: CanId, payload: &[u8], stamp_ms: Option<u16>) -> Event {
    let mut data = [0; 8];
    data[..payload.len()].copy_from_slice(payload);
    Event::Frame(SlcanFrame { id, remote: false, len: payload.len() as u8, data, stamp_ms })
}

/// Every example of the kernel's slcan driver (drivers/net/can/slcan/slcan-core.c, comments).
#[test]
fn the_drivers_examples() {
    assert_eq!(read(b"t1230\r"), [frame(Standard(0x123), &[], None)]);
    assert_eq!(read(b"t4563112233\r"), [frame(Standard(0x456), &[0x11, 0x22, 0x33], None)]);
    assert_eq!(read(b"T12ABCDEF2AA55\r"), [frame(Extended(0x12AB_CDEF), &[0xAA, 0x55], None)]);
    let remote = SlcanFrame { id: Standard(0x123), remote: true, len: 0, data: [0; 8], stamp_ms: None };
    assert_eq!(read(b"r1230\r"), [Event::Frame(remote)]);
    let longest = frame(Extended(0x1111_2222), &[0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88], Some(59_999));
    assert_eq!(read(b"T1111222281122334455667788EA5F\r"), [longest]);
    let state = |state, receive_errors, transmit_errors| Event::State { state, receive_errors, transmit_errors };
    assert_eq!(read(b"sb256256\r"), [state(State::BusOff, 256, 256)]);
    assert_eq!(read(b"sa057033\r"), [state(State::Active, 57, 33)]);
    let set = |letters: &[u8]| {
        Event::Errors(
            ERRORS.iter().enumerate().filter(|(_, (known, _))| letters.contains(known)).map(|(at, _)| 1 << at).sum(),
        )
    };
    assert_eq!(read(b"e1a\re3bcO\r"), [set(b"a"), set(b"bcO")]);
}

#[test]
fn either_case_remote_lengths_and_acknowledgements() {
    assert_eq!(read(b"t7eF1fF\r"), [frame(Standard(0x7EF), &[0xFF], None)]);
    let remote = SlcanFrame { id: Extended(0x18DA_F110), remote: true, len: 7, data: [0; 8], stamp_ms: Some(0x10) };
    assert_eq!(read(b"R18DAF11070010\r"), [Event::Frame(remote)]);
    assert_eq!(
        read(b"\rz\rZ\r\x07V1013\rNA123\rF04\r"),
        [Event::Done, Event::Done, Event::Done, Event::Refused, Event::About, Event::About, Event::About]
    );
    assert_eq!(read(b"t1230\x07x\x07"), [frame(Standard(0x123), &[], None), Event::Refused]);
    assert_eq!(read(b"t1230\r\nt1240\r\n"), [frame(Standard(0x123), &[], None), frame(Standard(0x124), &[], None)]);
}

#[test]
fn what_is_wrong_is_named_and_the_next_line_is_read() {
    use Unreadable::{DataLength, Digit, Identifier, Kind, Length, Overlong};
    let cases: [(&[u8], Unreadable); 16] = [
        (b"x1230", Kind),
        (b"t12", Length),
        (b"t123", Length),
        (b"t1G30", Digit),
        (b"t8000", Identifier),
        (b"T200000000", Identifier),
        (b"t1239112233445566778899", DataLength),
        (b"t123A11", Digit),
        (b"t123211", Length),
        (b"t123111223", Length),
        (b"t12311", Length),
        (b"t12311g", Digit),
        (b"sq000000", Kind),
        (b"sa00000", Length),
        (b"e2a", Length),
        (b"T1111222281122334455667788EA5F0", Overlong),
    ];
    for (text, expected) in cases {
        let mut bytes = text.to_vec();
        bytes.extend(b"\rt1230\r");
        assert_eq!(read(&bytes), [Event::Unreadable(expected), frame(Standard(0x123), &[], None)], "{text:?}");
    }
}

#[test]
fn what_the_gate_hears() {
    let heard = |text: &[u8]| read(text).iter().filter_map(Event::bus_event).collect::<Vec<_>>();
    assert_eq!(heard(b"t1230\r"), [BusEvent::Sound]);
    assert_eq!(heard(b"e1a\rsw096000\r"), [BusEvent::Error, BusEvent::Error]);
    assert_eq!(heard(b"sp128000\rsb000256\r"), [BusEvent::ErrorPassive, BusEvent::BusOff]);
    assert_eq!(heard(b"sa000000\r\r\x07V1013\r"), []);
}

/// A frame as an adapter writes it, from the driver's description and not from the reader.
fn written(id: CanId, payload: &[u8], stamp: Option<u16>) -> String {
    let mut text = match id {
        Standard(id) => format!("t{id:03X}"),
        Extended(id) => format!("T{id:08X}"),
    };
    text += &payload.len().to_string();
    text.extend(payload.iter().map(|byte| format!("{byte:02X}")));
    text.extend(stamp.map(|stamp| format!("{stamp:04X}")));
    text + "\r"
}

proptest! {
    #[test]
    fn frames_come_back_whole_at_every_split(
        frames in prop::collection::vec(
            (any::<bool>(), any::<u32>(), prop::collection::vec(any::<u8>(), 0..=8), any::<Option<u16>>()), 1..6),
    ) {
        let frames: Vec<(CanId, Vec<u8>, Option<u16>)> = frames
            .into_iter()
            .map(|(wide, id, payload, stamp)| {
                let id = if wide { Extended(id & 0x1FFF_FFFF) } else { Standard((id & 0x7FF) as u16) };
                (id, payload, stamp)
            })
            .collect();
        let text: String = frames.iter().map(|(id, payload, stamp)| written(*id, payload, *stamp)).collect();
        let expected: Vec<Event> = frames.iter().map(|(id, payload, stamp)| frame(*id, payload, *stamp)).collect();
        for cut in 0..=text.len() {
            let (mut reader, mut events) = (Reader::default(), Vec::new());
            for part in [&text.as_bytes()[..cut], &text.as_bytes()[cut..]] {
                reader.push(part, |event| events.push(event));
            }
            prop_assert_eq!(&events, &expected);
        }
    }

    #[test]
    fn garbage_does_not_panic_and_hides_no_frame(garbage in prop::collection::vec(any::<u8>(), 0..80)) {
        let (mut reader, mut events) = (Reader::default(), Vec::new());
        reader.push(&garbage, |_| {});
        reader.push(b"\rt4563112233\r", |event| events.push(event));
        prop_assert_eq!(events.last(), Some(&frame(Standard(0x456), &[0x11, 0x22, 0x33], None)));
    }

    #[test]
    fn lines_that_are_nearly_right_do_not_panic(text in "[tTrRsez][0-9a-fA-FgabBcfoOs]{0,30}") {
        let _ = line(text.as_bytes());
    }
}
