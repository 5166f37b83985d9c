//! A session against scripted ECUs: what is sent, what comes back, what is refused. Opens no socket.

use super::super::permission::Why;
use super::super::target::{Extension, Rules};
use super::super::transmit::Kind;
use super::*;
use crate::observation::Batch;
use CanId::{Extended, Standard};

/// A session on a simulated bus, past its listening time.
struct Bench {
    session: Session,
    now: Steady,
    outcomes: Vec<Outcome>,
}

impl Bench {
    fn new(polls: Vec<Poll>) -> Self {
        let mut session = Session::new(Bus(0), polls, Gate::new(false));
        session.gate().up(Steady(0));
        let mut bench = Self { session, now: Steady(0), outcomes: Vec::new() };
        bench.receive(Standard(0x123), "00");
        bench.pass(2_000);
        bench
    }

    fn pass(&mut self, millis: i64) {
        self.now = self.now + Span::of_millis(millis);
        let outcomes = self.session.tick(self.now);
        self.outcomes.extend(outcomes);
    }

    fn receive(&mut self, id: CanId, hex: &str) {
        self.receive_kind(id, hex, 0);
    }

    fn receive_kind(&mut self, id: CanId, hex: &str, flags: u8) {
        let digits: Vec<u8> = hex.chars().filter_map(|char| char.to_digit(16)).map(|digit| digit as u8).collect();
        let payload: Vec<u8> = digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect();
        let (id, extended) = match id {
            Standard(id) => (u32::from(id), 0),
            Extended(id) => (id, FrameFlags::EXTENDED),
        };
        let mut batch = Batch::default();
        batch.push(self.now, Bus(0), id, FrameFlags(flags | extended), &payload);
        let frame = batch.frames[0];
        let outcomes = self.session.frame(self.now, &frame, batch.payload(&frame));
        self.outcomes.extend(outcomes);
    }

    /// The next frame as text, reported as left.
    fn sent(&mut self) -> Option<String> {
        let frame = self.session.next(self.now, Permission::Full)?;
        self.session.left(self.now);
        let data: String = frame.data().iter().map(|byte| format!(" {byte:02X}")).collect();
        Some(format!("{}{data}", text(frame.id())))
    }

    fn outcomes(&mut self) -> Vec<Outcome> {
        std::mem::take(&mut self.outcomes)
    }

    fn fault(&self, name: &str) -> u64 {
        self.session.report(self.now).faults.get(name).copied().unwrap_or(0)
    }
}

fn poll(request: Request, target: Target) -> Poll {
    Poll { name: request.to_string(), request, target, period: Span::of_millis(1_000), priority: 0 }
}

fn target(asked: CanId, answers: Option<CanId>) -> Target {
    Target::new(asked, answers, &Rules { other_identifiers: true, heard: &Heard::default() }).unwrap()
}

fn reply(from: CanId, request: &[u8], payload: &[u8]) -> Outcome {
    Outcome::Reply(Reply { bus: Bus(0), from, request: request.to_vec(), payload: payload.to_vec() })
}

/// The exchange of the adapter data sheet ("Multiline Responses"), frame by frame as can-isotp gives it.
#[test]
fn the_published_exchange() {
    let mut bench = Bench::new(vec![poll(Request::vehicle_information(2), Target::FUNCTIONAL)]);
    assert_eq!(bench.sent().as_deref(), Some("7DF 02 09 02 55 55 55 55 55"));
    bench.receive(Standard(0x7E8), "10 14 49 02 01 31 44 34");
    assert_eq!(bench.sent().as_deref(), Some("7E0 30 00 00 55 55 55 55 55"));
    bench.receive(Standard(0x7E8), "21 47 50 30 30 52 35 35");
    bench.receive(Standard(0x7E8), "22 42 31 32 33 34 35 36");
    let mut message = vec![0x49, 0x02, 0x01];
    message.extend(b"1D4GP00R55B123456");
    assert_eq!(bench.outcomes(), [reply(Standard(0x7E8), &[9, 2], &message)]);
    // Others may still answer a functional request, so it stays open until its window ends.
    assert!(bench.session.is_open());
    bench.pass(300);
    assert!(!bench.session.is_open() && bench.outcomes().is_empty());
}

#[test]
fn two_ecus_interleave() {
    let mut bench = Bench::new(vec![poll(Request::vehicle_information(4), Target::FUNCTIONAL)]);
    bench.sent();
    bench.receive(Standard(0x7E8), "10 08 49 04 01 02 03 04");
    bench.receive(Standard(0x7EC), "10 09 49 04 11 12 13 14");
    assert_eq!(bench.sent().as_deref(), Some("7E0 30 00 00 55 55 55 55 55"));
    assert_eq!(bench.sent().as_deref(), Some("7E4 30 00 00 55 55 55 55 55"));
    bench.receive(Standard(0x7EC), "21 15 16 17");
    bench.receive(Standard(0x7E8), "21 05 06");
    let expected = [
        reply(Standard(0x7EC), &[9, 4], &[0x49, 4, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17]),
        reply(Standard(0x7E8), &[9, 4], &[0x49, 4, 1, 2, 3, 4, 5, 6]),
    ];
    assert_eq!(bench.outcomes(), expected);
}

#[test]
fn addressing_of_29_bits_and_extended() {
    let request = Request::data_by_identifier(&[0xF190]).unwrap();
    let extended =
        target(Standard(0x6F1), Some(Standard(0x607))).extended(Extension { ecu: 0x07, tester: 0xF1 }).unwrap();
    for (target, from, asked, flow, first, second) in [
        (
            target(Extended(0x18DA_42F1), None),
            Extended(0x18DA_F142),
            "18DA42F1 03 22 F1 90 55 55 55 55",
            "18DA42F1 30 00 00 55 55 55 55 55",
            "10 08 62 F1 90 01 02 03",
            "21 04 05 AA AA AA AA AA",
        ),
        (
            extended,
            Standard(0x607),
            "6F1 07 03 22 F1 90 55 55 55",
            "6F1 07 30 00 00 55 55 55 55",
            "F1 10 08 62 F1 90 01 02",
            "F1 21 03 04 05",
        ),
    ] {
        let mut bench = Bench::new(vec![poll(request, target)]);
        assert_eq!(bench.sent().as_deref(), Some(asked));
        bench.receive(from, first);
        assert_eq!(bench.sent().as_deref(), Some(flow));
        bench.receive(from, second);
        assert_eq!(bench.outcomes(), [reply(from, &[0x22, 0xF1, 0x90], &[0x62, 0xF1, 0x90, 1, 2, 3, 4, 5])]);
        assert!(!bench.session.is_open());
    }
}

#[test]
fn pleas_for_time_are_bounded() {
    let request = Request::data_by_identifier(&[0xF190]).unwrap();
    let one = target(Standard(0x7E0), None);
    // Honoured: an answer within 5 s of the plea counts.
    let mut bench = Bench::new(vec![poll(request, one)]);
    bench.sent();
    bench.receive(Standard(0x7E8), "03 7F 22 78");
    bench.pass(4_900);
    bench.receive(Standard(0x7E8), "03 7F 22 31");
    assert_eq!(bench.outcomes(), [Outcome::Negative { request, from: Standard(0x7E8), code: NegativeCode(0x31) }]);
    // For ever: the count ends it, or the total time.
    for (every_ms, least, most) in [(10, 10, 11), (4_000, 7, 8)] {
        let mut bench = Bench::new(vec![poll(request, one)]);
        bench.sent();
        bench.receive(Standard(0x7E8), "03 7F 22 78");
        let mut pleas = 1;
        while bench.session.is_open() && pleas < 100 {
            bench.pass(every_ms);
            if bench.session.is_open() {
                bench.receive(Standard(0x7E8), "03 7F 22 78");
                pleas += 1;
            }
        }
        assert!((least..=most).contains(&pleas), "{pleas}");
        assert_eq!(bench.outcomes(), [Outcome::NoReply { request, asked: Standard(0x7E0), fault: None }]);
    }
}

#[test]
fn a_late_reply_does_not_satisfy_the_next_request() {
    let one = target(Standard(0x7E0), None);
    let polls = vec![poll(Request::current_data(0x46), one), poll(Request::current_data(0x0D), one)];
    let mut bench = Bench::new(polls);
    assert_eq!(bench.sent().as_deref(), Some("7E0 02 01 46 55 55 55 55 55"));
    bench.pass(260);
    assert!(matches!(bench.outcomes()[..], [Outcome::NoReply { .. }]));
    assert_eq!(bench.sent().as_deref(), Some("7E0 02 01 0D 55 55 55 55 55"));
    bench.receive(Standard(0x7E8), "03 41 46 3E");
    assert_eq!(bench.outcomes(), [Outcome::Stray { from: Standard(0x7E8), message: vec![0x41, 0x46, 0x3E] }]);
    bench.receive(Standard(0x7E8), "03 41 0D 3C");
    assert_eq!(bench.outcomes(), [reply(Standard(0x7E8), &[1, 0x0D], &[0x41, 0x0D, 0x3C])]);
    bench.receive(Standard(0x7E8), "03 41 0D 3C");
    assert_eq!((bench.outcomes(), bench.fault("answer to no open request")), (vec![], 1));
}

#[test]
fn an_identifier_heard_on_the_bus_is_barred() {
    let mut bench = Bench::new(vec![poll(Request::current_data(0x0D), target(Standard(0x7E0), None))]);
    bench.receive(Standard(0x7E0), "02 01 0C");
    assert_eq!(bench.sent(), None);
    bench.pass(10);
    assert_eq!(bench.outcomes(), [Outcome::Barred { poll: "010D".into(), why: Refused::Heard("7E0".into()) }]);
    bench.pass(10_000);
    assert_eq!((bench.sent(), bench.outcomes()), (None, vec![]));
    // Flow control keeps off an identifier in use, too.
    let mut bench = Bench::new(vec![poll(Request::vehicle_information(2), Target::FUNCTIONAL)]);
    bench.receive(Standard(0x7E0), "02 01 0C");
    assert!(bench.sent().is_some());
    bench.receive(Standard(0x7E8), "10 14 49 02 01 31 44 34");
    assert_eq!((bench.sent(), bench.fault("flow control identifier in use by another")), (None, 1));
}

#[test]
fn nothing_is_sent_without_gate_and_permission() {
    let polls = || vec![poll(Request::vehicle_information(2), target(Standard(0x7E0), None))];
    let mut session = Session::new(Bus(0), polls(), Gate::new(true));
    assert_eq!(session.next(Steady(0), Permission::Full), None);
    session.gate().up(Steady(0));
    assert_eq!(session.next(Steady(1_999_999), Permission::Full), None);
    assert_eq!(session.next(Steady(2_000_000), Permission::Denied(Why::Asleep)), None);
    let frame = session.next(Steady(2_000_000), Permission::Full).unwrap();
    assert_eq!(frame.kind(), Kind::Request);
    // Error-passive in the middle of a reply: not even its flow control leaves.
    let mut bench = Bench::new(polls());
    bench.sent();
    bench.receive(Standard(0x7E8), "10 14 49 02 01 31 44 34");
    bench.receive_kind(Standard(0x004), "00 20 00 00 00 00 00 00", FrameFlags::ERROR);
    assert_eq!(bench.sent(), None);
    bench.pass(100_000);
    bench.receive(Standard(0x123), "00");
    assert_eq!(bench.sent(), None);
    assert_eq!(bench.session.report(bench.now).closed, Some(Closed::ErrorPassive));
}

#[test]
fn a_frame_that_does_not_leave_is_given_up() {
    let request = Request::current_data(0x0D);
    let mut bench = Bench::new(vec![poll(request, target(Standard(0x7E0), None))]);
    assert!(bench.session.next(bench.now, Permission::Full).is_some());
    assert!(bench.session.next(bench.now, Permission::Full).is_none());
    bench.pass(999);
    assert!(bench.session.is_open());
    bench.pass(1);
    let fault = Some(TransferFault::Timeout(Timer::As));
    assert_eq!(bench.outcomes(), [Outcome::NoReply { request, asked: Standard(0x7E0), fault }]);
    // A second a round trip: the link carries a little less than the poll wants.
    assert!(bench.sent().is_none());
    bench.pass(100);
    assert!(bench.sent().is_some());
}

#[test]
fn a_long_reply_outlasts_the_window_and_a_broken_one_ends() {
    let request = Request::data_by_identifier(&[1]).unwrap();
    let mut bench = Bench::new(vec![poll(request, target(Standard(0x7E0), None))]);
    bench.sent();
    bench.receive(Standard(0x7E8), "10 0A 62 00 01 01 02 03");
    bench.sent();
    bench.pass(900);
    bench.receive(Standard(0x7E8), "21 04 05 06 07");
    assert_eq!(bench.outcomes(), [reply(Standard(0x7E8), &[0x22, 0, 1], &[0x62, 0, 1, 1, 2, 3, 4, 5, 6, 7])]);
    bench.pass(1_000);
    bench.sent();
    bench.receive(Standard(0x7E8), "10 0A 62 00 01 01 02 03");
    bench.sent();
    bench.pass(1_000);
    let fault = Outcome::Fault { from: Standard(0x7E8), fault: TransferFault::Timeout(Timer::Cr) };
    assert_eq!(bench.outcomes(), [fault, Outcome::NoReply { request, asked: Standard(0x7E0), fault: None }]);
}

#[test]
fn a_run_opens_with_what_the_ecus_know() {
    let one = target(Standard(0x7DF), Some(Standard(0x7E8)));
    let polls = vec![poll(Request::current_data(0x0D), one), poll(Request::current_data(0x46), one)];
    let mut bench = Bench::new(polls.clone());
    bench.session = bench.session.clone().opening(Opening::new(&polls, true));
    assert_eq!(bench.sent().as_deref(), Some("7DF 02 01 00 55 55 55 55 55"));
    // 0D is known and 20 is not, so there is no bitmap that could speak of 46.
    bench.receive(Standard(0x7E8), "06 41 00 BE 1F A8 12");
    bench.pass(300);
    let bitmap = reply(Standard(0x7E8), &[1, 0], &[0x41, 0, 0xBE, 0x1F, 0xA8, 0x12]);
    assert_eq!(bench.outcomes(), [bitmap, Outcome::Unsupported { poll: "0146".into(), elsewhere: vec![] }]);
    assert_eq!(bench.sent().as_deref(), Some("7DF 02 09 02 55 55 55 55 55"));
    bench.receive(Standard(0x7E8), "10 14 49 02 01 31 44 34");
    assert_eq!(bench.sent().as_deref(), Some("7E0 30 00 00 55 55 55 55 55"));
    bench.receive(Standard(0x7E8), "21 47 50 30 30 52 35 35");
    bench.receive(Standard(0x7E8), "22 42 31 32 33 34 35 36");
    bench.pass(300);
    assert_eq!(bench.outcomes().len(), 1);
    let mut asked = Vec::new();
    for _ in 0..400 {
        asked.extend(bench.sent());
        bench.pass(1_000);
    }
    // Asked once all the same, then after five minutes; the other backs off to a minute, for nobody answers here.
    let count = |what: &str| asked.iter().filter(|frame| frame.starts_with(what)).count();
    assert_eq!(count("7DF 02 01 46"), 2);
    assert!((8..20).contains(&count("7DF 02 01 0D")), "{asked:?}");
    assert_eq!(count("7DF 02 01 00") + count("7DF 02 09 02"), 0);
    assert_eq!(asked.len(), count("7DF 02 01 46") + count("7DF 02 01 0D"));
}
