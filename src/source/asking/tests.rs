//! One asked bus over runs, from the driver's side; what comes out is judged by rules written a second time.
//!
//! No outside source but the standards named beside the rules; the invented car sends rubbish on purpose.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::*;
use crate::diag::permission::{Permission, Why};
use crate::diag::schedule::PollState;
use crate::map::from_text;
use crate::observation::{CanId, FrameFlags};
use crate::source::clock::Clock;
use crate::source::live::{Car, Shared};
use crate::time::WallClock;
use CanId::{Extended, Standard};

/// A clock that tests set.
#[derive(Default)]
struct Hand(AtomicI64);

impl Clock for Hand {
    fn now(&self) -> Steady {
        Steady(self.0.load(Ordering::Relaxed))
    }
    fn wall(&self) -> WallClock {
        WallClock(self.0.load(Ordering::Relaxed))
    }
    fn wait(&self, span: Span) {
        self.0.fetch_add(span.0, Ordering::Relaxed);
    }
}

/// A driver of an interface, without the interface.
struct Bench {
    hand: Arc<Hand>,
    shared: Arc<Shared>,
    outlet: Outlet,
    asking: Asking,
    out: Batch,
}

impl Bench {
    fn new(asking: Asking) -> Self {
        let hand = Arc::new(Hand::default());
        let shared = Arc::new(Shared::new(Arc::clone(&hand) as Arc<dyn Clock>));
        let outlet = Outlet::new("can0", &shared);
        Self { hand, shared, outlet, asking, out: Batch::default() }
    }

    fn car(&self, permission: Permission, run: u64) {
        self.shared.set_car(Car { permission, run });
    }

    fn pass(&self, millis: i64) {
        self.hand.wait(Span::of_millis(millis));
    }

    fn receive(&mut self, id: CanId, flags: u8, payload: &[u8]) {
        let (id, extended) = match id {
            Standard(id) => (u32::from(id), 0),
            Extended(id) => (id, FrameFlags::EXTENDED),
        };
        let mut batch = Batch::default();
        batch.push(self.outlet.now(), Bus(0), id, FrameFlags(flags | extended), payload);
        self.asking.frame(&self.outlet, &batch.frames[0], payload, &mut self.out);
    }

    fn next(&mut self) -> Option<TransmitFrame> {
        self.asking.next(&self.outlet, &mut self.out)
    }

    /// The next frame as text, reported as left.
    fn sent(&mut self) -> Option<String> {
        let frame = self.next()?;
        self.asking.left(self.outlet.now());
        let data: String = frame.data().iter().map(|byte| format!("{byte:02X}")).collect();
        Some(format!("{}#{data}", target::text(frame.id())))
    }

    fn troubles(&self) -> Vec<String> {
        let mut taken = Batch::default();
        self.shared.queue.take(&mut taken);
        let text = |stamped: Stamped| match stamped.item {
            Item::Trouble(text) => text,
            other => panic!("{other:?}"),
        };
        taken.rest.into_iter().map(text).collect()
    }
}

/// A map's polls on `can0`.
fn of_map(text: &str) -> Vec<Poll> {
    let (polls, refused) = polls(&from_text("map.toml", text, None).map.unwrap(), "can0", true, true);
    assert!(refused.is_empty(), "{refused:?}");
    polls
}

const SPEED: &str = "[[poll]]\nname = 'SPEED'\nrequest_id = 0x7E4\nservice = 0x22\nidentifier = 0x1234\nperiod_s = 1\n";

#[test]
fn a_reply_is_handed_on_once_and_each_run_begins_anew() {
    let mut bench = Bench::new(Asking::new(Bus(0), of_map(SPEED), false));
    bench.car(Permission::Full, 1);
    bench.asking.up(bench.outlet.now());
    bench.pass(2_500);
    assert_eq!(bench.sent(), None, "the run began now, so listening begins now");
    bench.receive(Standard(0x123), 0, &[0]);
    bench.pass(1_999);
    assert_eq!(bench.sent(), None);
    bench.pass(1);
    assert_eq!(bench.sent().as_deref(), Some("7E4#0322123455555555"));
    assert!(bench.asking.is_open());
    bench.receive(Standard(0x7EC), 0, &[0x04, 0x62, 0x12, 0x34, 0x07]);
    assert_eq!(bench.sent(), None);
    let replies = |bench: &Bench| bench.out.rest.len();
    assert_eq!(replies(&bench), 1);
    let Item::Reply(reply) = &bench.out.rest[0].item else { panic!() };
    assert_eq!((&reply.payload[..], bench.out.rest[0].at), (&[0x62, 0x12, 0x34, 0x07][..], bench.outlet.now()));

    // The bus is disturbed: nothing more in this run, and the next listens first.
    bench.receive(Standard(0x004), FrameFlags::ERROR, &[0, 0x20, 0, 0, 0, 0, 0, 0]);
    bench.pass(60_000);
    bench.receive(Standard(0x123), 0, &[0]);
    assert_eq!(bench.sent(), None);
    bench.asking.report(&bench.outlet);
    assert!(bench.outlet.state().closed.unwrap().is_for_the_run());
    bench.car(Permission::Full, 2);
    bench.receive(Standard(0x123), 0, &[0]);
    assert_eq!(bench.sent(), None);
    bench.pass(2_000);
    bench.receive(Standard(0x7E4), 0, &[0]);
    assert_eq!(bench.sent(), None, "another sender uses the identifier");
    assert_eq!(bench.troubles().len(), 1);
    bench.car(Permission::Full, 3);
    bench.receive(Standard(0x123), 0, &[0]);
    bench.pass(2_000);
    assert!(bench.sent().is_some(), "what was heard counts for its run");
    bench.pass(300);
    assert_eq!(bench.sent(), None);
    assert_eq!((replies(&bench), bench.outlet.state().counts["request 221234 not answered"]), (1, 1));
}

#[test]
fn permission_and_the_interface_are_asked_every_time() {
    let mut bench = Bench::new(Asking::new(Bus(0), of_map(SPEED), true));
    bench.asking.up(bench.outlet.now());
    bench.car(Permission::Denied(Why::Asleep), 1);
    assert_eq!(bench.sent(), None);
    bench.pass(10_000);
    assert_eq!(bench.sent(), None);
    bench.car(Permission::Slow(Span::of_seconds(300)), 1);
    assert!(bench.sent().is_some());
    bench.pass(250);
    assert_eq!(bench.sent(), None);
    bench.pass(299_749);
    assert_eq!(bench.sent(), None);
    bench.pass(1);
    assert!(bench.sent().is_some());
    bench.asking.down();
    bench.pass(600_000);
    assert_eq!(bench.sent(), None);
    bench.asking.up(bench.outlet.now());
    bench.pass(2_000);
    bench.asking.note(bench.outlet.now(), BusEvent::Error);
    assert_eq!(bench.sent(), None);
    bench.pass(2_000);
    assert!(bench.sent().is_some());
    bench.asking.note(bench.outlet.now(), BusEvent::BusOff);
    bench.pass(600_000);
    assert_eq!(bench.sent(), None);
}

#[test]
fn faults_add_up_over_runs_and_polls_are_of_this_one() {
    let mut bench = Bench::new(Asking::new(Bus(0), of_map(SPEED), true));
    bench.asking.up(bench.outlet.now());
    for run in 1..=3 {
        bench.car(Permission::Full, run);
        bench.sent();
        bench.pass(2_000);
        bench.sent().unwrap();
        bench.receive(Standard(0x7EC), 0, &[0x21, 0, 0]);
        bench.asking.report(&bench.outlet);
        let state = bench.outlet.state();
        assert_eq!(state.counts["requests: unexpected consecutive frame"], run);
        assert_eq!((state.polls.len(), state.polls[0].asked, state.polls[0].state), (1, 1, PollState::OnTime));
    }
}

#[test]
fn what_the_ecus_know_is_asked_first_and_told() {
    let map = "[[poll]]\nquantity = 'speed'\n[[poll]]\nquantity = 'ambient_temperature'\n[[poll]]\nquantity = 'barometric_pressure'\n";
    let mut bench = Bench::new(Asking::new(Bus(0), of_map(map), true).with_vehicle_number());
    bench.asking.up(bench.outlet.now());
    bench.car(Permission::Full, 1);
    bench.sent();
    bench.pass(2_000);
    let mut asked = Vec::new();
    // Bit n of a bitmap, from its most significant: 7E8 has 0D and 20, then 40; 7EC has 33, then 46.
    let answers: BTreeMap<&str, Vec<(u16, [u8; 4])>> = BTreeMap::from([
        ("00", vec![(0x7E8, [0, 0x08, 0, 0x01]), (0x7EC, [0, 0, 0, 0x01])]),
        ("20", vec![(0x7E8, [0, 0, 0, 0x01]), (0x7EC, [0, 0, 0x20, 0x01])]),
        ("40", vec![(0x7EC, [0x04, 0, 0, 0])]),
    ]);
    for _ in 0..6 {
        let sent = bench.sent().unwrap();
        let quantity = sent[8..10].to_owned();
        for (from, bits) in answers.get(&*quantity).into_iter().flatten() {
            let base = u8::from_str_radix(&quantity, 16).unwrap();
            bench.receive(Standard(*from), 0, &[6, 0x41, base, bits[0], bits[1], bits[2], bits[3]]);
        }
        asked.push(sent);
        bench.pass(300);
    }
    let heads: Vec<&str> = asked.iter().map(|sent| &sent[..10]).collect();
    assert_eq!(heads, ["7DF#020100", "7DF#020120", "7DF#020140", "7DF#020902", "7DF#020902", "7DF#02010D"]);
    assert_eq!(
        bench.troubles(),
        [
            "can0: poll ambient_temperature: its ECU does not say that it knows it, 7EC does; mend response_id",
            "can0: poll barometric_pressure: its ECU does not say that it knows it, 7EC does; mend response_id",
        ]
    );
    assert_eq!(bench.out.rest.len(), 5);
}

#[test]
fn what_a_map_asks_is_sorted_by_bus_and_refused_by_name() {
    let map = from_text(
        "map.toml",
        "[[poll]]\nquantity = 'speed'\nbus = 'can0'\n
         [[poll]]\nquantity = 'odometer'\nperiod_s = 2.5\n
         [[poll]]\nname = 'OTHER'\nbus = 'can1'\nrequest_id = 0x7E0\nservice = 0x22\nidentifier = 1\nperiod_s = 1\n
         [[poll]]\nname = 'CLEAR'\nrequest_id = 0x7DF\nresponse_id = 0x7E8\nservice = 4\nidentifier = 0\nperiod_s = 1\n
         [[poll]]\nname = 'NUMBER'\nrequest_id = 0x7E0\nservice = 0x22\nidentifier = 0xF190\nperiod_s = 1\n
         [[poll]]\nname = 'BODY'\nrequest_id = 0x6F1\nresponse_id = 0x607\necu_address = 7\nservice = 0x22\nidentifier = 1\nperiod_s = 1\n
         [roles.speed]\nsignal = 'speed.value'\n",
        None,
    )
    .map
    .unwrap();
    let names = |polls: &[Poll]| polls.iter().map(|poll| (poll.name.clone(), poll.priority)).collect::<Vec<_>>();
    let (asked, refused) = polls(&map, "can0", true, false);
    assert_eq!(names(&asked), [("speed".to_owned(), 0), ("odometer".to_owned(), 1)]);
    assert_eq!(asked[1].period, Span::of_millis(2_500));
    assert_eq!(
        refused,
        [
            "poll CLEAR can't be asked: service 0x04 (clear fault codes) is not on the list of services that only read (01, 02, 03, 07, 09, 0A, 22)",
            "poll NUMBER can't be asked: the vehicle number is personal; vehicle_number = true in the configuration allows it",
            "poll BODY can't be asked: identifier 6F1 may not be asked: only 7DF, 7E0 to 7E7, 18DB33F1 and 18DAxxF1 may, and 600 to 7FF where the configuration allows them by its own key",
        ]
    );
    let all = Allowed { other_identifiers: true, vehicle_number: true };
    let (asked, refused) = polls_allowed(&map, "can0", true, all);
    assert_eq!((asked.len(), refused.len()), (4, 1));
    assert_eq!(asked[3].target.extension().map(|extension| (extension.ecu, extension.tester)), Some((7, 0xF1)));
    let (asked, refused) = polls(&map, "can1", false, false);
    assert_eq!((names(&asked), refused.len()), (vec![("OTHER".to_owned(), 1)], 4));
    assert_eq!(
        refused[0],
        "poll odometer can't be asked: it names no bus, and several are asked; add its bus to the map"
    );
}

/// Whether a frame only reads: SAE J1979 01, 02, 03, 07, 09, 0A and ISO 14229-1 22 in a single frame of ISO 15765-2, or its flow
/// control: continue or overflow.
fn only_reads(content: &[u8]) -> bool {
    match content {
        [0x30 | 0x32, 0, 0, ..] => true,
        [length @ 1..=7, rest @ ..] => match rest.get(..usize::from(*length)) {
            Some([0x01 | 0x09, _] | [0x02, _, _] | [0x03 | 0x07 | 0x0A]) => true,
            Some([0x22, rest @ ..]) => matches!(rest.len(), 2 | 4 | 6),
            _ => false,
        },
        _ => false,
    }
}

/// What the random driver knows that a right answer must heed.
#[derive(Default)]
struct Known {
    up: bool,
    gateway: bool,
    quiet_since: i64,
    sound: bool,
    ended: bool,
    used_by_others: BTreeSet<CanId>,
    asked_at: BTreeMap<(CanId, [u8; 8]), i64>,
}

impl Known {
    fn judge(&mut self, now: i64, permission: Permission, frame: &TransmitFrame) {
        let at = format!("{frame:?} at {now}, {permission:?}");
        assert!(self.up && !self.ended && (self.sound || self.gateway), "{at}");
        assert!(now - self.quiet_since >= 2_000_000, "{at}: {}", self.quiet_since);
        assert!(!self.used_by_others.contains(&frame.id()), "{at}");
        match frame.id() {
            Standard(id) => assert!(id == 0x7DF || (0x7E0..=0x7E7).contains(&id) || id == 0x6F1, "{at}"),
            Extended(id) => assert!(id == 0x18DB_33F1 || id & 0xFFFF_00FF == 0x18DA_00F1, "{at}"),
        }
        let content = if frame.id() == Standard(0x6F1) { &frame.data()[1..] } else { &frame.data()[..] };
        assert!(only_reads(content), "{at}");
        let last = self.asked_at.insert((frame.id(), *frame.data()), now);
        let opens = matches!(content, [2, 0x01, base, ..] if base % 0x20 == 0) || content[..3] == [2, 0x09, 0x02];
        match (permission, content[0] >> 4) {
            (Permission::Denied(_), _) => panic!("{at}"),
            (Permission::Slow(least), 0) if !opens => {
                assert!(last.is_none_or(|last| now - last >= least.0), "{at} after {last:?}");
            }
            _ => {}
        }
    }
}

const RANDOM_MAP: &str = "
[[poll]]
quantity = 'speed'
[[poll]]
quantity = 'odometer'
[[poll]]
name = 'BODY'
request_id = 0x6F1
response_id = 0x607
ecu_address = 7
service = 0x22
identifier = 0x0102
period_s = 0.1
[[poll]]
name = 'PACK'
extended = true
request_id = 0x18DA10F1
service = 0x22
identifier = 0x4321
period_s = 0.2
[[poll]]
name = 'CODES'
request_id = 0x7E3
service = 3
period_s = 0.5
";

fn answering(id: CanId, random: &mut ChaCha8Rng) -> CanId {
    match id {
        Standard(0x7DF) => Standard(0x7E8 + (random.next_u32() % 8) as u16),
        Standard(0x6F1) => Standard(0x607),
        Standard(id) => Standard(id + 8),
        Extended(0x18DB_33F1) => Extended(0x18DA_F100 | random.next_u32() & 0xFF),
        Extended(id) => Extended(0x18DA_F100 | id >> 8 & 0xFF),
    }
}

/// A frame as an ECU might send it to the last request: whole, the beginning of a long one, a plea, rubbish.
fn car_answer(last: &TransmitFrame, random: &mut ChaCha8Rng) -> (CanId, Vec<u8>) {
    let mut payload = random.next_u64().to_le_bytes().to_vec();
    let place = usize::from(last.id() == Standard(0x6F1));
    payload[0] = 0xF1;
    let asked = &last.data()[place..];
    match random.next_u32() % 5 {
        0 => {
            payload[place..].copy_from_slice(asked);
            payload[place + 1] = asked[1].wrapping_add(0x40);
        }
        1 => {
            payload[place..place + 5].copy_from_slice(&[0x10, 0x0A, asked[1].wrapping_add(0x40), asked[2], asked[3]]);
        }
        2 => payload[place] = 0x20 | random.next_u32() as u8 & 3,
        3 => payload[place..place + 4].copy_from_slice(&[
            3,
            0x7F,
            asked[1],
            [0x78, 0x31][random.next_u32() as usize % 2],
        ]),
        _ => payload[place] = random.next_u32() as u8,
    }
    (answering(last.id(), random), payload)
}

/// Sessions of 120 random steps each; fixed seed.
#[test]
fn whatever_the_bus_shows_only_what_is_allowed_comes_out() {
    let polls = of_map(RANDOM_MAP);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let (mut sent, mut flows, mut replies) = (0, 0, 0);
    for case in 0..1_500 {
        let gateway = case % 3 == 0;
        let mut bench = Bench::new(Asking::new(Bus(0), polls.clone(), gateway).with_vehicle_number());
        let mut known = Known { gateway, ..Known::default() };
        let (mut run, mut permission, mut last) = (1, Permission::Full, None);
        bench.car(permission, run);
        bench.next();
        for _ in 0..120 {
            bench.pass([1, 10, 60, 260, 2_100][random.next_u32() as usize % 5]);
            let now = bench.outlet.now();
            match random.next_u32() % 100 {
                0..5 => {
                    bench.asking.up(now);
                    (known.up, known.quiet_since, known.sound) = (true, now.0, false);
                }
                5 => {
                    bench.asking.down();
                    known.up = false;
                }
                6..9 => {
                    permission = match random.next_u32() % 4 {
                        0 => Permission::Denied(Why::Asleep),
                        1 => Permission::Slow(Span::of_seconds(3)),
                        _ => Permission::Full,
                    };
                    bench.car(permission, run);
                }
                9 => {
                    run += 1;
                    bench.car(permission, run);
                    bench.next();
                    known = Known { up: known.up, gateway, quiet_since: now.0, ..Known::default() };
                }
                10 => {
                    bench.receive(Standard(0x8), FrameFlags::ERROR, &[0; 8]);
                    (known.quiet_since, known.sound) = (now.0, false);
                }
                11 if random.next_u32().is_multiple_of(4) => {
                    bench.receive(Standard(0x4), FrameFlags::ERROR, &[0, 0x10, 0, 0, 0, 0, 0, 0]);
                    (known.ended, known.quiet_since) = (true, now.0);
                }
                12 if random.next_u32().is_multiple_of(4) => {
                    let id = Standard([0x7DF, 0x7E0, 0x7E3, 0x6F1][random.next_u32() as usize % 4]);
                    bench.receive(id, 0, &[0x02, 0x01, 0x0D]);
                    known.used_by_others.insert(id);
                    known.sound = true;
                }
                13..70 if last.is_some() => {
                    let (id, payload) = car_answer(last.as_ref().unwrap(), &mut random);
                    bench.receive(id, 0, &payload);
                    known.sound = true;
                }
                _ => {
                    bench.receive(Standard(0x123), 0, &[0]);
                    known.sound = true;
                }
            }
            while let Some(frame) = bench.next() {
                known.judge(now.0, permission, &frame);
                sent += 1;
                flows += u32::from(frame.kind() == crate::diag::transmit::Kind::FlowControl);
                last = Some(frame);
                if random.next_u32().is_multiple_of(20) {
                    break;
                }
                bench.asking.left(now);
            }
        }
        replies += bench.out.rest.len();
    }
    // The test means nothing unless much of it was reached.
    assert!(sent > 10_000 && flows > 500 && replies > 2_000, "{sent} {flows} {replies}");
}
