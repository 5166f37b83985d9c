//! Only reading: whatever the configuration and the car's replies, nothing else can be sent.
//!
//! The list is written out here a second time, by hand, so that a slip in the code's own lists can't hide.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::target::{Extension, Rules};
use super::*;
use crate::observation::{Batch, Bus, CanId, FrameFlags};
use crate::time::{Span, Steady};

/// Random configurations, each with a conversation.
const CONFIGURATIONS: usize = 1_000_000;

/// Whether a request of these bytes only reads: SAE J1979 01, 02, 03, 07, 09, 0A; ISO 14229-1 22.
fn only_reads(bytes: &[u8]) -> bool {
    matches!(bytes, [0x01 | 0x09, _] | [0x02, _, _] | [0x03 | 0x07 | 0x0A])
        || matches!(bytes, [0x22, rest @ ..] if matches!(rest.len(), 2 | 4 | 6))
}

/// Whether the identifier may be asked without the key that opens others.
fn is_standard(id: CanId) -> bool {
    match id {
        CanId::Standard(id) => id == 0x7DF || (0x7E0..=0x7E7).contains(&id),
        CanId::Extended(id) => id == 0x18DB_33F1 || id & 0xFFFF_00FF == 0x18DA_00F1,
    }
}

/// One of a mix in which about half is what the gates let through, so that what lies behind them is reached.
fn request_bytes(random: &mut ChaCha8Rng) -> Vec<u8> {
    let first = match random.next_u32() % 4 {
        0 => random.next_u32() as u8,
        1 => 0x22,
        _ => [0x01, 0x02, 0x03, 0x07, 0x09, 0x0A][random.next_u32() as usize % 6],
    };
    let rest = [0, 1, 1, 2, 2, 4, 6, random.next_u32() as usize % 12][random.next_u32() as usize % 8];
    std::iter::once(first).chain((0..rest).map(|_| random.next_u32() as u8)).collect()
}

fn identifier(random: &mut ChaCha8Rng) -> CanId {
    let word = random.next_u32();
    match random.next_u32() % 8 {
        0 => CanId::Standard(word as u16),
        1 => CanId::Extended(word),
        2 => CanId::Standard(0x7DF),
        3 => CanId::Extended(0x18DB_33F1),
        4 => CanId::Extended(0x18DA_00F1 | (word & 0xFF) << 8),
        5 => CanId::Standard(0x600 + (word % 0x200) as u16),
        _ => CanId::Standard(0x7E0 + (word % 16) as u16),
    }
}

fn poll(random: &mut ChaCha8Rng, other_identifiers: bool) -> Option<Poll> {
    let bytes = request_bytes(random);
    let request = Request::from_bytes(&bytes);
    assert_eq!(request.is_ok(), only_reads(&bytes), "{bytes:02X?}");
    let request = request.ok()?;
    let (asked, heard) = (identifier(random), Heard::default());
    let answers = match random.next_u32() % 3 {
        0 => None,
        1 => Some(identifier(random)),
        _ => match asked {
            CanId::Standard(id) => Some(CanId::Standard(id.wrapping_add(8))),
            CanId::Extended(id) => Some(CanId::Extended(0x18DA_F100 | id >> 8 & 0xFF)),
        },
    };
    let target = Target::new(asked, answers, &Rules { other_identifiers, heard: &heard }).ok()?;
    let extension = Extension { ecu: random.next_u32() as u8, tester: random.next_u32() as u8 };
    let target =
        if random.next_u32().is_multiple_of(3) { target.extended(extension).unwrap_or(target) } else { target };
    let period = Span(i64::from(random.next_u32() % 200_000));
    Some(Poll { name: String::new(), request, target, period, priority: random.next_u32() as u8 })
}

/// A frame as a car might send it: often an answer, often the beginning of a long one, often rubbish.
fn car_frame(random: &mut ChaCha8Rng, batch: &mut Batch, now: Steady, last: Option<&TransmitFrame>) {
    let id = match (random.next_u32() % 4, last.map(TransmitFrame::id)) {
        (0, _) | (_, None) => identifier(random),
        (_, Some(CanId::Standard(0x7DF))) => CanId::Standard(0x7E8 + (random.next_u32() % 8) as u16),
        (_, Some(CanId::Standard(id))) => CanId::Standard(id.wrapping_add(8)),
        (_, Some(CanId::Extended(id))) => CanId::Extended(0x18DA_F100 | id >> 8 & 0xFF),
    };
    let kind = [0x00, 0x10, 0x10, 0x20, 0x30][random.next_u32() as usize % 5];
    let mut payload = random.next_u64().to_le_bytes();
    payload[0] = kind | payload[0] & 0x0F;
    if let (Some(frame), 0x00) = (last, kind) {
        payload = *frame.data();
        payload[1] = payload[1].wrapping_add(0x40);
        if random.next_u32().is_multiple_of(4) {
            payload = [0x03, 0x7F, frame.data()[1], [0x78, 0x31, 0x21][random.next_u32() as usize % 3], 0, 0, 0, 0];
        }
    }
    let (id, extended) = match id {
        CanId::Standard(id) => (u32::from(id), 0),
        CanId::Extended(id) => (id, FrameFlags::EXTENDED),
    };
    let error = if random.next_u32().is_multiple_of(200) { FrameFlags::ERROR } else { 0 };
    let length = [8, 8, 8, random.next_u32() as usize % 9][random.next_u32() as usize % 4];
    batch.push(now, Bus(0), id, FrameFlags(extended | error), &payload[..length]);
}

/// What may be sent, judged by the open polls: a listed request to its own target, or flow control to an ECU.
fn judge(frame: &TransmitFrame, polls: &[Poll], other_identifiers: bool) {
    let (id, data) = (frame.id(), frame.data());
    assert!(is_standard(id) || other_identifiers && matches!(id, CanId::Standard(0x600..=0x7FF)), "{frame:?}");
    let extension = polls.iter().any(|poll| poll.target.asked() == id && poll.target.extension().is_some());
    let plain = polls.iter().any(|poll| poll.target.extension().is_none());
    let reads = |content: &[u8]| match content[0] {
        length @ 1..=7 => content.get(1..=usize::from(length)).is_some_and(only_reads),
        _ => false,
    };
    let flows = |content: &[u8]| {
        let functional = matches!(id, CanId::Standard(0x7DF) | CanId::Extended(0x18DB_33F1));
        !functional && matches!(content[..3], [0x30, 0, 0] | [0x32, 0, 0])
    };
    let sound = |content: &[u8]| match frame.kind() {
        transmit::Kind::Request => reads(content) && polls.iter().any(|poll| poll.target.asked() == id),
        transmit::Kind::FlowControl => flows(content),
    };
    assert!(plain && sound(&data[..]) || extension && sound(&data[1..]), "{frame:?}");
}

/// Promise 2 of the design, over a million configurations with a conversation each; fixed seed.
#[test]
fn nothing_but_reading_can_be_sent() {
    let mut random = ChaCha8Rng::seed_from_u64(2);
    let (mut requests, mut flows, mut refused) = (0_u64, 0_u64, 0_u64);
    let mut batch = Batch::default();
    for _ in 0..CONFIGURATIONS {
        let other_identifiers = random.next_u32().is_multiple_of(2);
        let polls: Vec<Poll> = (0..8).filter_map(|_| poll(&mut random, other_identifiers)).take(3).collect();
        refused += u64::from(polls.len() < 3);
        let mut session = Session::new(Bus(0), polls.clone(), Gate::new(true));
        session.gate().up(Steady(0));
        assert_eq!(session.next(Steady(1_999_999), Permission::Full), None);
        let mut last = None;
        for step in 0..6 {
            let now = Steady(2_000_000 + step * 70_000);
            if let Some(frame) = session.next(now, Permission::Full) {
                judge(&frame, &polls, other_identifiers);
                match frame.kind() {
                    transmit::Kind::Request => requests += 1,
                    transmit::Kind::FlowControl => flows += 1,
                }
                last = Some(frame);
                session.left(now);
            }
            batch.clear();
            car_frame(&mut random, &mut batch, now, last.as_ref());
            let frame = batch.frames[0];
            session.frame(now, &frame, batch.payload(&frame));
        }
    }
    // The test means nothing unless what lies behind the gates was reached.
    assert!(requests > 500_000 && flows > 50_000 && refused > 100_000, "{requests} {flows} {refused}");
}
