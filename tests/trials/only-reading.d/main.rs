//! The trial `only-reading`, the part that needs the library: random configurations, each with a conversation.
//!
//! `trials only-reading CONFIGURATIONS SEED` writes every frame that would have been sent to standard output, 32 bytes
//! each, with what it was sent under; judges none of them (`drawn.py` does), and says on standard error how much of
//! what was reached.

use std::io::{self, BufWriter, Write};

use drawdown::diag::permission::{Permission, Why};
use drawdown::diag::target::{Extension, Heard, Rules, Target};
use drawdown::diag::{Gate, Opening, Poll, Request, Session, TransmitFrame};
use drawdown::observation::{Batch, Bus, CanId, FrameFlags};
use drawdown::source::asking::{Allowed, polls_allowed};
use drawdown::time::{Span, Steady};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// Steps of a conversation.
const STEPS: usize = 24;
/// One configuration of so many goes the whole way, as the text of a signal map.
const TEXTS: u64 = 16;

/// What the random driver knows of its own doings; `drawn.py` has the layout.
struct Around {
    quiet_since: i64,
    sound: bool,
    ended: bool,
    gateway: bool,
    denied: bool,
    allowed: Allowed,
    used_by_others: Vec<CanId>,
}

/// How much was reached.
#[derive(Default)]
struct Reached {
    polls: u64,
    refused: u64,
    texts: u64,
    frames: u64,
    replies: u64,
}

/// The part, with the arguments that follow its name.
pub fn run(arguments: &[&str]) -> Result<(), Box<dyn std::error::Error>> {
    let [configurations, seed] = arguments else { return Err("usage: trials only-reading CONFIGURATIONS SEED".into()) };
    let (configurations, seed): (u64, u64) = (configurations.parse()?, seed.parse()?);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut out = BufWriter::with_capacity(1 << 20, io::stdout().lock());
    let mut reached = Reached::default();
    for configuration in 0..configurations {
        converse(configuration, &mut random, &mut out, &mut reached)?;
    }
    out.flush()?;
    let Reached { polls, refused, texts, frames, replies } = reached;
    eprintln!(
        "{{\"configurations\":{configurations},\"polls\":{polls},\"polls_refused\":{refused},\"maps_as_text\":{texts},\"car_frames\":{frames},\"replies\":{replies}}}"
    );
    Ok(())
}

fn one_in(random: &mut ChaCha8Rng, n: u32) -> bool {
    random.next_u32().is_multiple_of(n)
}

fn pick<T: Copy>(random: &mut ChaCha8Rng, of: &[T]) -> T {
    of[random.next_u32() as usize % of.len()]
}

/// One configuration, and what a bus without manners makes of it.
fn converse(
    configuration: u64,
    random: &mut ChaCha8Rng,
    out: &mut impl Write,
    reached: &mut Reached,
) -> io::Result<()> {
    let allowed = Allowed { other_identifiers: one_in(random, 2), vehicle_number: one_in(random, 2) };
    let polls = if configuration.is_multiple_of(TEXTS) {
        reached.texts += 1;
        polls_of_text(random, allowed, reached)
    } else {
        (0..16).filter_map(|_| poll(random, allowed, reached)).take(3).collect()
    };
    reached.polls += polls.len() as u64;
    let gateway = one_in(random, 2);
    let session = Session::new(Bus(0), polls.clone(), Gate::new(gateway));
    let opening = if one_in(random, 2) { Opening::new(&polls, allowed.vehicle_number) } else { Opening::default() };
    let mut session = session.opening(opening);
    let mut now = Steady(0);
    session.gate().up(now);
    let mut around = Around {
        quiet_since: 0,
        sound: false,
        ended: false,
        gateway,
        denied: false,
        allowed,
        used_by_others: Vec::new(),
    };
    let (mut batch, mut last) = (Batch::default(), None);
    for step in 0..STEPS {
        // Past the listening time soon, and about its end often.
        now = now + Span(pick(random, &[100, 1_000, 50_000, 260_000, 999_999, 1_000_001]) + i64::from(step == 1));
        if one_in(random, 20) {
            around.denied = one_in(random, 2);
        }
        batch.clear();
        car_frame(random, &mut batch, now, last.as_ref(), &mut around);
        let frame = batch.frames[0];
        reached.frames += 1;
        reached.replies += session.frame(now, &frame, batch.payload(&frame)).len() as u64;
        let permission = match (around.denied, one_in(random, 4)) {
            (true, _) => Permission::Denied(Why::Asleep),
            (false, true) => Permission::Slow(Span::of_millis(500)),
            (false, false) => Permission::Full,
        };
        while let Some(frame) = session.next(now, permission) {
            record(out, configuration, now, &frame, &polls, &around)?;
            last = Some(frame);
            if one_in(random, 16) {
                break;
            }
            session.left(now);
        }
    }
    Ok(())
}

/// One frame with what it was sent under: 32 bytes, little-endian.
fn record(
    out: &mut impl Write,
    configuration: u64,
    now: Steady,
    frame: &TransmitFrame,
    polls: &[Poll],
    around: &Around,
) -> io::Result<()> {
    let (id, extended) = number(frame.id());
    let addressed = polls.iter().any(|poll| poll.target.asked() == frame.id() && poll.target.extension().is_some());
    let plain = polls.iter().any(|poll| poll.target.asked() == frame.id() && poll.target.extension().is_none());
    let flags = [
        extended,
        around.allowed.other_identifiers,
        around.allowed.vehicle_number,
        addressed,
        plain,
        around.denied,
        around.ended,
        around.sound || around.gateway,
        around.used_by_others.contains(&frame.id()),
    ];
    let bits = flags.iter().enumerate().fold(0_u32, |bits, (place, flag)| bits | u32::from(*flag) << place);
    out.write_all(&configuration.to_le_bytes())?;
    out.write_all(&((now.0 - around.quiet_since) as u64).to_le_bytes())?;
    out.write_all(&id.to_le_bytes())?;
    out.write_all(&bits.to_le_bytes())?;
    out.write_all(frame.data())
}

fn number(id: CanId) -> (u32, bool) {
    match id {
        CanId::Standard(id) => (u32::from(id), false),
        CanId::Extended(id) => (id, true),
    }
}

/// About half is what the gates let through, so that what lies behind them is reached.
fn request_bytes(random: &mut ChaCha8Rng) -> Vec<u8> {
    let first = match random.next_u32() % 4 {
        0 => random.next_u32() as u8,
        1 => 0x22,
        _ => pick(random, &[0x01, 0x02, 0x03, 0x07, 0x09, 0x0A]),
    };
    let rest = match random.next_u32() % 8 {
        7 => random.next_u32() as usize % 12,
        place => [0, 1, 1, 2, 2, 4, 6][place as usize],
    };
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

fn poll(random: &mut ChaCha8Rng, allowed: Allowed, reached: &mut Reached) -> Option<Poll> {
    let (bytes, asked) = (request_bytes(random), identifier(random));
    let answers = match random.next_u32() % 3 {
        0 => None,
        1 => Some(identifier(random)),
        _ => match asked {
            CanId::Standard(id) => Some(CanId::Standard(id.wrapping_add(8))),
            CanId::Extended(id) => Some(CanId::Extended(0x18DA_F100 | id >> 8 & 0xFF)),
        },
    };
    let extension = Extension { ecu: random.next_u32() as u8, tester: random.next_u32() as u8 };
    let rules = Rules { other_identifiers: allowed.other_identifiers, heard: &Heard::default() };
    let target = Target::new(asked, answers, &rules);
    let target = if one_in(random, 3) { target.and_then(|target| target.extended(extension)) } else { target };
    match (Request::from_bytes(&bytes), target) {
        (Ok(request), Ok(target)) => Some(Poll {
            name: String::new(),
            request,
            target,
            period: Span(i64::from(random.next_u32() % 2_000_000)),
            priority: random.next_u32() as u8,
        }),
        _ => {
            reached.refused += 1;
            None
        }
    }
}

/// Polls that went through a map's text, as a user's do.
fn polls_of_text(random: &mut ChaCha8Rng, allowed: Allowed, reached: &mut Reached) -> Vec<Poll> {
    let mut text = String::new();
    for n in 0..3 {
        text += &format!("[[poll]]\nname = 'P{n}'\nperiod_s = {}\n", f64::from(1 + random.next_u32() % 2_000) / 1e3);
        if one_in(random, 2) {
            let key = pick(random, &drawdown::diag::j1979::QUANTITIES).key;
            text += &format!("quantity = '{key}'\n");
            if one_in(random, 4) {
                text += "extended = true\nresponse_id = 0x18DAF142\n";
            }
            continue;
        }
        let ((asked, wide), (answers, _)) = (number(identifier(random)), number(identifier(random)));
        let answers = if one_in(random, 2) { asked + 8 } else { answers };
        text += &format!("extended = {wide}\nrequest_id = {asked}\nresponse_id = {answers}\n");
        let service = pick(random, &[1, 2, 3, 4, 7, 8, 9, 10, 0x10, 0x14, 0x22, 0x22, 0x27, 0x2E, 0x31, 0x3E, 0x85]);
        text += &format!("service = {service}\n");
        if !matches!(service, 3 | 7 | 10) {
            text += &format!("identifier = {}\n", if service == 0x22 { random.next_u32() as u16 } else { 0x0D });
        }
        if one_in(random, 4) {
            text += "ecu_address = 7\n";
        }
    }
    let Some(map) = drawdown::map::from_text("map.toml", &text, None).map else { return Vec::new() };
    let (polls, refused) = polls_allowed(&map, "can0", true, allowed);
    reached.refused += refused.len() as u64;
    polls
}

/// A frame as a car might send it: an answer, the beginning of a long one, an error, another tester's, rubbish.
fn car_frame(
    random: &mut ChaCha8Rng,
    batch: &mut Batch,
    now: Steady,
    last: Option<&TransmitFrame>,
    around: &mut Around,
) {
    if one_in(random, 40) {
        let passive = one_in(random, 6);
        around.ended |= passive;
        (around.quiet_since, around.sound) = (now.0, false);
        let (class, state) = if passive { (0x4, pick(random, &[0x10, 0x20])) } else { (pick(random, &[0x8, 0x20]), 0) };
        return batch.push(now, Bus(0), class, FrameFlags(FrameFlags::ERROR), &[0, state, 0, 0, 0, 0, 0, 0]);
    }
    around.sound = true;
    let other_tester = one_in(random, 60);
    let id = match (random.next_u32() % 4, last.map(TransmitFrame::id)) {
        _ if other_tester => CanId::Standard(0x7E0 + (random.next_u32() % 8) as u16),
        (0, _) | (_, None) => CanId::Standard(0x7E8 + (random.next_u32() % 8) as u16),
        (_, Some(CanId::Standard(0x7DF))) => CanId::Standard(0x7E8 + (random.next_u32() % 8) as u16),
        (_, Some(CanId::Standard(id))) => CanId::Standard(id + 8),
        (_, Some(CanId::Extended(id))) => CanId::Extended(0x18DA_F100 | id >> 8 & 0xFF),
    };
    if other_tester {
        around.used_by_others.push(id);
    }
    let kind = pick(random, &[0x00, 0x10, 0x10, 0x20, 0x30]);
    let mut payload = random.next_u64().to_le_bytes();
    payload[0] = kind | payload[0] & 0x0F;
    if let (Some(frame), 0x00) = (last, kind) {
        payload = *frame.data();
        payload[1] = payload[1].wrapping_add(0x40);
        if one_in(random, 4) {
            payload = [0x03, 0x7F, frame.data()[1], pick(random, &[0x78, 0x31, 0x21]), 0, 0, 0, 0];
        }
    }
    let (id, wide) = number(id);
    let extended = if wide { FrameFlags::EXTENDED } else { 0 };
    let length = if one_in(random, 4) { random.next_u32() as usize % 9 } else { 8 };
    batch.push(now, Bus(0), id, FrameFlags(extended), &payload[..length]);
}
