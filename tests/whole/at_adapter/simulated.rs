//! The pure driver and a played adapter on a clock of their own: rates, patience, pleas for time, the supply of a sleeping bus.
//!
//! Hours pass in seconds, and the same way every time.

use drawdown::diag::Poll;
use drawdown::diag::gate::Closed;
use drawdown::diag::permission::Permission;
use drawdown::diag::schedule::{PollReport, PollState};
use drawdown::observation::{Bus, Item};
use drawdown::source::at_adapter::Settings;
use drawdown::source::at_adapter::command::Protocol;
use drawdown::source::at_adapter::driver::{Driver, Out, SUPPLY_EVERY};
use drawdown::source::live::Car;
use drawdown::time::Steady;

use super::{eleven, poll, polls};
use crate::support::adapter::Adapter;

struct Simulated {
    adapter: Adapter,
    driver: Driver,
    out: Out,
    now_us: i64,
}

impl Simulated {
    fn new(adapter: Adapter, polls: Vec<Poll>, listen: bool) -> Self {
        let settings = Settings {
            port: "port".into(),
            serial_rate: 38_400,
            protocol: Protocol::Can11At500,
            listen,
            supply_every: SUPPLY_EVERY,
        };
        let mut driver = Driver::new(&settings, Bus(0), polls);
        driver.opened(Steady(0));
        Self { adapter, driver, out: Out::default(), now_us: 0 }
    }

    /// Runs for so many seconds, in steps of 5 ms.
    fn run(&mut self, seconds: i64) {
        let end = self.now_us + seconds * 1_000_000;
        while self.now_us < end {
            self.now_us += 5_000;
            let now = Steady(self.now_us);
            let said = self.adapter.speak(self.now_us);
            self.driver.receive(now, &said, &mut self.out);
            self.driver.tick(now, Car { permission: Permission::Full, run: 1 }, &mut self.out);
            let sent = std::mem::take(&mut self.out.send);
            self.adapter.receive(self.now_us, &sent);
            assert_eq!(self.out.failed, None);
        }
        assert_eq!(self.adapter.faults_found(), [""; 0]);
    }

    fn report(&self) -> Vec<PollReport> {
        self.driver.report(Steady(self.now_us)).0
    }

    fn counted(&self, name: &str) -> u64 {
        self.out.counts.iter().filter(|(known, _)| known.starts_with(name)).map(|(_, times)| times).sum()
    }

    fn replies(&self, service: u8) -> Vec<(i64, Vec<u8>)> {
        let items = self.out.batch.rest.iter();
        items
            .filter_map(|stamped| match &stamped.item {
                Item::Reply(reply) if reply.request[0] == service => Some((stamped.at.0, reply.payload.clone())),
                _ => None,
            })
            .collect()
    }
}

/// An adapter that carries about three requests a second: one important poll is kept on time, the others share the rest.
#[test]
fn a_slow_adapter_keeps_what_matters_on_time() {
    let mut adapter = Adapter::with_a_car();
    for ecu in &mut adapter.ecus {
        ecu.delay_us = 260_000;
    }
    // By hand: a request takes 5 + 260 ms, 30 ms until the adapter expects no more, and up to three settings: some 0.305 s.
    // Of 0.95 of the link the first takes 0.305, so that three share 0.645: 3 * 0.305 / 0.645 = 1.42 s each.
    let asked = vec![
        poll("SPEED", "010D", eleven(0x7E0), None, 1_000, 0),
        poll("PACK", "220101", eleven(0x7E4), Some(eleven(0x7EC)), 1_000, 1),
        poll("CHARGE", "015B", eleven(0x7E4), None, 1_000, 1),
        poll("NAME", "22F190", eleven(0x7E2), None, 1_000, 1),
    ];
    let mut simulated = Simulated::new(adapter, asked, false);
    simulated.run(300);
    let report = simulated.report();
    let speed = &report[0];
    let achieved = |poll: &PollReport| poll.achieved.map_or(f64::INFINITY, |span| span.seconds());
    assert!((0.98..1.03).contains(&achieved(speed)), "{report:#?}");
    assert_eq!(speed.state, PollState::OnTime);
    let round_trip = speed.round_trip.expect("a round trip").seconds();
    assert!((0.27..0.34).contains(&round_trip), "{round_trip}");
    for poll in &report[1..] {
        assert!(poll.state == PollState::Stretched && (1.35..1.65).contains(&achieved(poll)), "{poll:?}");
        // What is reported is what came: the time over the count agrees.
        let counted = 297.0 / poll.answered as f64;
        assert!((achieved(poll) / counted - 1.0).abs() < 0.1, "{counted} {poll:?}");
    }
    // The link is used: busy for most of the time, never for more than all of it.
    let busy: f64 = report.iter().map(|poll| poll.round_trip.map_or(0.0, |span| span.seconds()) / achieved(poll)).sum();
    assert!((0.85..1.0).contains(&busy), "{busy}: {report:#?}");
}

#[test]
fn a_fast_adapter_reaches_every_period() {
    let mut simulated = Simulated::new(Adapter::with_a_car(), polls(), false);
    simulated.run(60);
    for (poll, wanted) in simulated.report().iter().zip([0.1, 0.5]) {
        let achieved = poll.achieved.expect("a rate").seconds();
        assert!((achieved / wanted - 1.0).abs() < 0.1 && poll.state == PollState::OnTime, "{poll:?}");
    }
    // Told by measurement: 20 ms for the first line, so less than the adapter's own 200 ms.
    let waits: Vec<&str> = simulated.adapter.sent.iter().filter_map(|sent| sent.text.strip_prefix("ATST")).collect();
    let last = waits.last().and_then(|wait| u32::from_str_radix(wait, 16).ok()).expect("a wait");
    assert!((0x0F..=0x19).contains(&last) && waits.len() < 10, "{waits:?}");
    // Supply voltages in between, each 5 s.
    let supplies = simulated.out.batch.rest.iter().filter(|stamped| matches!(stamped.item, Item::Supply(_))).count();
    assert!((11..=13).contains(&supplies), "{supplies}");
}

/// A reply is stamped when its last line came, not when the adapter had waited for more.
#[test]
fn replies_are_stamped_where_they_came() {
    let mut adapter = Adapter::with_a_car();
    adapter.faults.refuses = vec!["ATAT1"];
    let mut simulated = Simulated::new(adapter, vec![poll("SPEED", "010D", eleven(0x7E0), None, 1_000, 0)], false);
    simulated.run(10);
    let asked: Vec<i64> =
        simulated.adapter.sent.iter().filter(|sent| sent.text == "010D").map(|sent| sent.at_us).collect();
    let replies = simulated.replies(0x01);
    assert!(replies.len() >= 5);
    for ((at, _), asked) in replies.iter().zip(asked) {
        // 5 ms of the adapter's, 20 ms of the ECU's, one step; its prompt comes some 200 ms later.
        assert!((25_000..=35_000).contains(&(at - asked)), "{at} {asked}");
    }
}

#[test]
fn a_slow_ecu_gets_patience_and_a_dead_one_costs_little() {
    let mut adapter = Adapter::with_a_car();
    adapter.ecus[1].delay_us = 600_000;
    let mut asked = polls();
    asked.push(poll("DEAD", "0142", eleven(0x7E7), None, 1_000, 1));
    let mut simulated = Simulated::new(adapter, asked, false);
    simulated.run(120);
    let report = simulated.report();
    assert!(report[1].answered > 50, "{report:#?}");
    assert!(simulated.adapter.count("ATSTFF") > 0);
    // Asked in vain with doubling periods up to once a minute.
    assert!(report[2].answered == 0 && (3..12).contains(&report[2].asked), "{report:#?}");
    assert_eq!(report[2].state, PollState::BackedOff);
    // The fast one comes as often as the slow one leaves room for.
    assert!(report[0].answered > 200, "{report:#?}");
}

#[test]
fn pleas_for_time_are_honoured_as_far_as_the_adapter_waits() {
    let mut adapter = Adapter::with_a_car();
    adapter.ecus[1].pleas = 2;
    let mut simulated = Simulated::new(adapter, polls(), false);
    simulated.run(60);
    assert!(simulated.replies(0x22).len() >= 10, "{:#?}", simulated.report());
    assert!(simulated.counted("request 220101: the ECU asks for time") > 0);
    // No plea is taken for an answer, and none for a refusal.
    assert_eq!(simulated.report()[1].refused, 0);
}

#[test]
fn refusals_are_named() {
    let asked = vec![poll("NONE", "22FFFF", eleven(0x7E4), None, 1_000, 0)];
    let mut simulated = Simulated::new(Adapter::with_a_car(), asked, false);
    simulated.run(60);
    let report = simulated.report();
    assert_eq!((report[0].state, report[0].asked), (PollState::Unsupported, 3));
    assert_eq!(simulated.counted("request 22FFFF refused: 0x31 (requestOutOfRange)"), 3);
}

/// Once the settings are made again; the second time nothing more is asked.
#[test]
fn searches_that_fail_end_requests_at_the_second() {
    for words in ["UNABLE TO CONNECT", "SEARCHING...UNABLE TO CONNECT", "SEARCHING...\rUNABLE TO CONNECT"] {
        let mut adapter = Adapter::with_a_car();
        adapter.faults.error_every = Some((10, words));
        let mut simulated = Simulated::new(adapter, polls(), false);
        simulated.run(60);
        assert_eq!((simulated.adapter.requests, simulated.adapter.count("ATZ")), (20, 3), "{words}");
        assert_eq!(simulated.driver.report(Steady(simulated.now_us)).1, Some(Closed::AdapterError));
    }
}

/// While frames come, monitoring is not interrupted; on a silent bus the supply voltage is read once a minute.
#[test]
fn the_supply_of_a_silent_bus() {
    let mut adapter = Adapter::with_a_car();
    adapter.traffic = vec![(0x100, vec![1])];
    adapter.traffic_every_us = 100_000;
    let mut simulated = Simulated::new(adapter, Vec::new(), true);
    simulated.run(300);
    assert_eq!((simulated.adapter.count("ATRV"), simulated.adapter.count("ATMA")), (0, 1));
    assert_eq!(simulated.out.batch.frames.len() as u32, simulated.adapter.shown);
    simulated.adapter.traffic.clear();
    simulated.run(300);
    let read = simulated.adapter.count("ATRV");
    assert!((4..=5).contains(&read), "{read}");
    assert_eq!(simulated.adapter.count("ATMA"), 1 + read);
    simulated.adapter.traffic = vec![(0x100, vec![2])];
    let before = simulated.out.batch.frames.len();
    simulated.run(10);
    assert!(simulated.out.batch.frames.len() > before + 90);
}

/// An hour with every fault at once that leaves the adapter usable: what comes is right, and nothing forbidden is sent.
#[test]
fn an_hour_of_a_bad_adapter() {
    let mut adapter = Adapter::with_a_car();
    adapter.faults.garbles = Some(1_009);
    adapter.faults.zeros = Some(77);
    adapter.faults.loses_prompts = Some(313);
    adapter.faults.chatters_every_us = Some(9_700_000);
    adapter.faults.error_every = Some((97, "STOPPED"));
    adapter.faults.stubborn = true;
    let mut simulated = Simulated::new(adapter, polls(), false);
    simulated.run(3_600);
    let (speeds, packs) = (simulated.replies(0x01), simulated.replies(0x22));
    assert!(speeds.iter().all(|(_, payload)| *payload == [0x41, 0x0D, 0x3C]));
    assert!(packs.iter().all(|(_, payload)| *payload == super::pack_payload()));
    // Of 36 000 and 7 200 wanted, most come.
    assert!(speeds.len() > 12_000 && packs.len() > 2_500, "{} {}", speeds.len(), packs.len());
}

/// A chattered phrase taken for the adapter's name was taken for a reset ever after, so that nothing was asked.
#[test]
fn chatter_taken_for_the_adapters_name_does_not_keep_us_from_asking() {
    let mut misled = 0;
    for every_ms in 11..100 {
        let mut adapter = Adapter::with_a_car();
        adapter.faults.chatters_every_us = Some(every_ms * 1_000);
        let mut simulated = Simulated::new(adapter, polls(), false);
        simulated.run(60);
        misled += u8::from(simulated.out.counts.iter().any(|(what, _)| what.contains("again and again")));
        let replies = simulated.replies(0x01).len();
        assert!(replies > 100, "every {every_ms} ms: {replies}");
    }
    assert!(misled > 0, "the chatter was never taken for the name");
}
