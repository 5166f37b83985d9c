//! The pure driver against anything that can come: never a text off the list, never a request that may not be.
//!
//! What it does with a sound or a faulty adapter is shown in `tests/whole/at_adapter`.

use proptest::prelude::*;

use super::*;
use crate::diag::permission::{Permission, Why};
use crate::diag::target::{Heard, Rules, Target};
use crate::diag::{Poll, Request};
use crate::observation::CanId;

const DENIED: Permission = Permission::Denied(Why::Asleep);

fn settings(listen: bool) -> Settings {
    let protocol = Protocol::Can11At500;
    Settings { port: "port".into(), serial_rate: 38_400, protocol, listen, supply_every: SUPPLY_EVERY }
}

fn polls() -> Vec<Poll> {
    let heard = Heard::default();
    let rules = Rules { other_identifiers: false, heard: &heard };
    let poll = |request: &str, asked| Poll {
        name: request.into(),
        request: Request::from_hex(request).unwrap(),
        target: Target::new(CanId::Standard(asked), None, &rules).unwrap(),
        period: Span::of_millis(50),
        priority: 0,
    };
    vec![poll("010D", 0x7E0), poll("220101", 0x7E4), poll("0100", 0x7DF)]
}

#[derive(Clone, Debug)]
enum Act {
    /// These bytes come.
    Bytes(Vec<u8>),
    /// A sound answer to what was sent last.
    Answer,
    /// A line comes whole, then a prompt.
    Line(&'static str),
    /// Time passes, ms.
    Wait(i64),
    /// The car may be asked, or not.
    Permit(bool),
    /// A new run.
    Run,
    /// The port was opened anew.
    Open,
}

fn act() -> impl Strategy<Value = Act> {
    let lines = [
        "OK",
        "?",
        "NO DATA",
        "STOPPED",
        "CAN ERROR",
        "BUS ERROR",
        "BUFFER FULL",
        "LV RESET",
        "ERR94",
        "SEARCHING...",
        "UNABLE TO CONNECT",
        "interpreter v1.5",
        "12.6V",
        "6",
        "A0",
        "7E8 03 41 0D 3C",
        "41 0D 3C",
        "7EC 03 7F 22 78",
        "014",
        "0: 49 02 01",
        "!ACT ALERT",
        "410D3C <RX ERROR",
        "SEARCHING...410D3C",
    ];
    prop_oneof![
        3 => prop::collection::vec(any::<u8>(), 0..30).prop_map(Act::Bytes),
        30 => Just(Act::Answer),
        6 => prop::sample::select(lines.to_vec()).prop_map(Act::Line),
        8 => (1..3_000_i64).prop_map(Act::Wait),
        1 => any::<bool>().prop_map(Act::Permit),
        1 => Just(Act::Run),
        1 => Just(Act::Open),
    ]
}

/// What a sound adapter says to a line.
fn answer(sent: &str) -> String {
    let reply = match sent {
        "ATZ" | "ATI" => "interpreter v1.5",
        "ATDPN" => "6",
        "ATRV" => "13.4V",
        "ATMA" => return "2B0 11 22\r2B1 33\r".into(),
        "010D" => "7E8 03 41 0D 3C",
        "220101" => "7EC 04 62 01 01 05",
        "0902" => "7E8 10 14 49 02 01 31 44 34\r7E8 21 47 50 30 30 52 35 35\r7E8 22 42 31 32 33 34 35 36",
        "0100" => "7E8 06 41 00 BE 3F A8 13\r7EC 06 41 00 00 00 00 21",
        _ => "OK",
    };
    format!("{reply}\r\r>")
}

/// What may be sent, written a second time.
fn is_listed(text: &str) -> bool {
    let list = "ATZ ATWS ATD ATE0 ATL0 ATS0 ATH1 ATH0 ATCAF1 ATCAF0 ATCFC1 ATSP6 ATAL ATAT1 ATAT0 ATCP18 ATAR ATI ATDPN \
                ATRV ATCSM1 ATMA ATPC ATSH7E0 ATSH7E4 ATSH7DF ATCRA7E8 ATCRA7EC 010D 220101 0100 0902";
    list.split_whitespace().any(|listed| listed == text)
        || text.strip_prefix("ATST").is_some_and(|wait| wait.len() == 2 && u8::from_str_radix(wait, 16).is_ok())
}

fn is_request(text: &str) -> bool {
    !text.starts_with("AT")
}

struct World {
    driver: Driver,
    out: Out,
    at: i64,
    car: Car,
    /// What was sent last and not answered yet.
    last: Option<String>,
    sent: Vec<(i64, String)>,
    requests: usize,
    /// An error of the bus came in this run.
    ended: bool,
}

impl World {
    fn new(listen: bool) -> Self {
        let mut driver = Driver::new(&settings(listen), Bus(0), polls()).opening(true);
        driver.opened(Steady(0));
        let car = Car { permission: Permission::Full, run: 1 };
        Self { driver, out: Out::default(), at: 0, car, last: None, sent: Vec::new(), requests: 0, ended: false }
    }

    fn tick(&mut self) {
        self.driver.tick(Steady(self.at), self.car, &mut self.out);
        let sent = String::from_utf8(std::mem::take(&mut self.out.send)).expect("text");
        for text in sent.split_terminator('\r') {
            assert!(is_listed(text), "{text:?}");
            if is_request(text) {
                self.requests += 1;
                assert!(self.car.permission == Permission::Full && !self.ended && !self.driver.listen, "{text}");
            }
            self.last = Some(text.to_owned());
            self.sent.push((self.at, text.to_owned()));
        }
        self.out.failed = None;
    }

    fn bytes(&mut self, bytes: &[u8]) {
        self.driver.receive(Steady(self.at), bytes, &mut self.out);
        // Bytes alone send nothing: only time does.
        assert!(self.out.send.is_empty());
    }

    fn act(&mut self, act: &Act) {
        match act {
            Act::Bytes(bytes) => self.bytes(bytes),
            Act::Answer => {
                let answer = self.last.take().map(|sent| answer(&sent)).unwrap_or_default();
                self.bytes(answer.as_bytes());
            }
            Act::Line(line) => {
                self.bytes(format!("\r{line}\r\r>").as_bytes());
                self.ended |= ["CAN ERROR", "BUS ERROR", "410D3C <RX ERROR"].contains(line);
            }
            Act::Wait(millis) => self.at += millis * 1_000,
            Act::Permit(allowed) => self.car.permission = if *allowed { Permission::Full } else { DENIED },
            Act::Run => {
                self.car.run += 1;
                self.ended = false;
            }
            Act::Open => self.driver.opened(Steady(self.at)),
        }
        self.at += 10_000;
        self.tick();
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]
    #[test]
    fn whatever_comes_nothing_forbidden_is_sent(
        acts in prop::collection::vec(act(), 0..300),
        listen in prop::bool::weighted(0.2),
    ) {
        let mut world = World::new(listen);
        for act in &acts {
            world.act(act);
        }
    }
}

/// The property's world does reach requests, so that it says something: a sound adapter is asked after 2 s.
#[test]
fn a_sound_adapter_is_asked_after_listening() {
    let mut world = World::new(false);
    world.tick();
    for _ in 0..1_000 {
        world.act(&Act::Answer);
    }
    let at = |wanted: fn(&str) -> bool| world.sent.iter().find(|(_, text)| wanted(text)).expect("it to be sent").0;
    let (first, set_up) = (at(is_request), at(|text| text == "ATDPN"));
    assert!(first - set_up >= 2_000_000, "{first} {set_up}");
    // What opens a run comes first, and once: the polls ask for 0100 too.
    let asked: Vec<&str> = world.sent.iter().map(|(_, text)| &**text).filter(|text| is_request(text)).collect();
    assert_eq!(asked[..2], ["0100", "0902"]);
    assert_eq!(asked.iter().filter(|text| **text == "0902").count(), 1);
    assert!(world.requests > 100, "{}", world.requests);
    let replies = world.out.batch.rest.iter().filter(|stamped| matches!(stamped.item, Item::Reply(_))).count();
    assert!(replies > 100, "{replies}");
    assert_eq!(world.out.troubles, [""; 0]);
}

#[test]
fn an_adapter_that_does_not_answer_is_given_up_and_said() {
    let mut world = World::new(false);
    let mut failed = None;
    for step in 0..2_000 {
        world.at = step * 10_000;
        world.driver.tick(Steady(world.at), world.car, &mut world.out);
        failed = failed.or(world.out.failed.take());
    }
    assert!(failed.is_some_and(|why| why.contains("no AT adapter answers; check")));
    world.driver.let_go();
    assert!(world.driver.has_let_go());
}

/// Found by fuzzing: the error came before the driver had been told which run this is.
#[test]
fn an_error_before_the_first_look_at_the_car_counts() {
    let mut world = World::new(false);
    world.act(&Act::Line("CAN ERROR"));
    for _ in 0..1_000 {
        world.act(&Act::Answer);
    }
    assert_eq!(world.requests, 0);
    world.act(&Act::Run);
    for _ in 0..1_000 {
        world.act(&Act::Answer);
    }
    assert!(world.requests > 100, "{}", world.requests);
}
