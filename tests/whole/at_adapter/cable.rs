//! The real source on a thread, a played adapter at the far end of a pseudo-terminal, one fault at a time.
//!
//! Waits for what must come, up to a limit, so that a busy machine is only slower.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use drawdown::diag::Poll;
use drawdown::diag::gate::Closed;
use drawdown::diag::permission::{Permission, Why};
use drawdown::observation::{Batch, Bus, CanId, Item, Reply};
use drawdown::source::at_adapter::command::Protocol;
use drawdown::source::at_adapter::driver::SUPPLY_EVERY;
use drawdown::source::at_adapter::{AtAdapter, Settings};
use drawdown::source::live::{Car, Shared, State};
use drawdown::source::{Live, Outlet, SystemClock};
use drawdown::time::Span;

use super::{eleven, pack_payload, poll, polls};
use crate::support::adapter::{Adapter, Ecu, Faults};
use crate::support::cable::Cable;

const LIMIT: Duration = Duration::from_secs(60);

/// A source that runs, and what it handed on so far.
pub struct Running {
    pub cable: Cable,
    shared: Arc<Shared>,
    outlet: Outlet,
    thread: Option<JoinHandle<Vec<String>>>,
    pub taken: Batch,
}

impl Running {
    pub fn start(adapter: Adapter, polls: Vec<Poll>, change: impl FnOnce(&mut Settings)) -> Self {
        let cable = Cable::new(adapter);
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        shared.set_car(Car { permission: Permission::Full, run: 1 });
        let outlet = Outlet::new("socket", &shared);
        let mut settings = Settings {
            port: cable.path(),
            serial_rate: 38_400,
            protocol: Protocol::Can11At500,
            listen: false,
            supply_every: SUPPLY_EVERY,
        };
        change(&mut settings);
        let mut source = AtAdapter::new(settings, Bus(3), polls);
        let theirs = outlet.clone();
        // As the daemon's supervisor does.
        let thread = std::thread::spawn(move || {
            let mut failures = Vec::new();
            while !theirs.stopping() {
                if let Err(failure) = source.run(&theirs) {
                    failures.push(failure.to_string());
                    theirs.count("failures", 1);
                    theirs.pause(Span::of_millis(250));
                }
            }
            failures
        });
        Self { cable, shared, outlet, thread: Some(thread), taken: Batch::default() }
    }

    fn with(faults: Faults) -> Self {
        let mut adapter = Adapter::with_a_car();
        adapter.faults = faults;
        Self::start(adapter, polls(), |_| {})
    }

    pub fn state(&self) -> State {
        self.outlet.state()
    }

    pub fn set_car(&self, permission: Permission, run: u64) {
        self.shared.set_car(Car { permission, run });
    }

    pub fn take(&mut self) {
        let mut batch = Batch::default();
        self.shared.queue.take(&mut batch);
        for frame in &batch.frames {
            self.taken.push_frame(frame, batch.payload(frame));
        }
        self.taken.rest.append(&mut batch.rest);
    }

    /// Waits until something holds.
    pub fn until(&mut self, what: &str, holds: impl Fn(&Self) -> bool) {
        let started = Instant::now();
        loop {
            self.take();
            if holds(self) {
                return;
            }
            assert!(
                started.elapsed() < LIMIT,
                "{what} did not come; {:?}; sent: {:?}",
                self.state(),
                self.cable.adapter().sent.iter().rev().take(30).collect::<Vec<_>>()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Waits for so many more replies of the poll.
    fn until_replies(&mut self, service: u8, more: usize) {
        let before = self.replies(service).len();
        self.until("replies", |running| running.replies(service).len() >= before + more);
    }

    pub fn replies(&self, service: u8) -> Vec<&Reply> {
        let replies = self.taken.rest.iter();
        replies
            .filter_map(|stamped| match &stamped.item {
                Item::Reply(reply) if reply.request[0] == service => Some(reply),
                _ => None,
            })
            .collect()
    }

    pub fn supplies(&self) -> Vec<f64> {
        let items = self.taken.rest.iter();
        items.filter_map(|stamped| if let Item::Supply(volt) = stamped.item { Some(volt) } else { None }).collect()
    }

    pub fn troubles(&self) -> Vec<&str> {
        let items = self.taken.rest.iter();
        items
            .filter_map(|stamped| if let Item::Trouble(words) = &stamped.item { Some(&**words) } else { None })
            .collect()
    }

    /// Stops it; every reply must be what the car said, and nothing may have been sent that must not be. Gives the failures.
    pub fn end(mut self) -> (Self, Vec<String>) {
        self.shared.stop();
        let failures = self.thread.take().expect("a thread").join().expect("the source to be sound");
        self.take();
        for reply in self.replies(0x01) {
            assert_eq!((reply.bus, reply.from, &reply.payload[..]), (Bus(3), eleven(0x7E8), &[0x41, 0x0D, 0x3C][..]));
        }
        for reply in self.replies(0x22) {
            assert_eq!((reply.from, &reply.payload), (eleven(0x7EC), &pack_payload()));
        }
        let found = self.cable.adapter().faults_found();
        // What the fault itself is, is the adapter's doing.
        let ours: Vec<&String> = found.iter().filter(|what| *what != "a search for the protocol").collect();
        assert_eq!(ours, [""; 0]);
        (self, failures)
    }

    /// The count whose name begins so.
    pub fn counted(&self, name: &str) -> u64 {
        self.state().counts.iter().filter(|(known, _)| known.starts_with(name)).map(|(_, count)| count).sum()
    }
}

fn a_sound_adapter() {
    let mut running = Running::with(Faults::default());
    running.until_replies(0x01, 20);
    running.until("a long reply", |running| running.replies(0x22).len() >= 3);
    running.until("a second of reports", |running| running.state().polls.iter().all(|poll| poll.achieved.is_some()));
    let state = running.state();
    assert_eq!((state.closed, state.counts["adapter: interpreter v1.5"]), (None, 1));
    let (running, failures) = running.end();
    assert_eq!((running.supplies()[0], failures, running.troubles()), (13.4, vec![], vec![]));
    // It let go of the bus.
    let adapter = running.cable.adapter();
    assert_eq!(adapter.sent.last().map(|sent| &*sent.text), Some("ATPC"));
    // 2 s from the last setting to the first request.
    let at = |text: &str| adapter.sent.iter().find(|sent| sent.text == text).map_or(0, |sent| sent.at_us);
    assert!(at("010D").min(at("220101")) - at("ATDPN") >= 2_000_000);
    // Stamped when its last line came, so a little after the request that the adapter saw and before the next.
    assert!(running.taken.rest.is_sorted_by_key(|stamped| stamped.at));
}

fn a_car_that_may_not_be_asked_is_not() {
    let mut running = Running::start(Adapter::with_a_car(), polls(), |settings| {
        settings.supply_every = Span::of_millis(500);
    });
    running.set_car(Permission::Denied(Why::Asleep), 1);
    running.until("supply voltages", |running| running.supplies().len() >= 8);
    assert_eq!(running.cable.adapter().requests, 0);
    running.set_car(Permission::Slow(Span::of_seconds(1)), 1);
    running.until_replies(0x01, 3);
    let (running, _) = running.end();
    // Instead of each 100 ms; a busy machine may bring two closer together than they were sent.
    let asked: Vec<i64> =
        running.cable.adapter().sent.iter().filter(|sent| sent.text == "010D").map(|sent| sent.at_us).collect();
    assert!(asked.windows(2).all(|pair| pair[1] - pair[0] >= 500_000), "{asked:?}");
}

fn garbled_bytes_cost_replies_and_nothing_else() {
    let mut running = Running::with(Faults { garbles: Some(211), ..Faults::default() });
    running.until_replies(0x01, 30);
    let (running, _) = running.end();
    assert!(running.counted("") > 0);
}

fn zero_bytes_are_strewn() {
    let mut running = Running::with(Faults { zeros: Some(5), stubborn: true, ..Faults::default() });
    running.until_replies(0x22, 5);
    let (running, _) = running.end();
    assert_eq!(running.troubles(), [""; 0]);
}

fn a_chatty_adapter() {
    let mut running = Running::with(Faults { chatters_every_us: Some(70_000), ..Faults::default() });
    running.until_replies(0x01, 30);
    let (running, _) = running.end();
    assert!(running.counted("words amid a reply") + running.counted("unasked lines") > 0);
}

fn lost_prompts_are_found() {
    let mut running = Running::with(Faults { loses_prompts: Some(25), ..Faults::default() });
    running.until("two lost prompts", |running| running.counted("prompt lost") >= 2);
    running.until_replies(0x01, 5);
    running.end();
}

fn resets_in_mid_run_bring_the_settings_again() {
    for (words, count) in [("LV RESET", "settings lost"), ("interpreter v1.5", "reset of the adapter, unasked")] {
        let mut running = Running::with(Faults { resets_at: Some((12, words)), ..Faults::default() });
        running.until_replies(0x01, 5);
        running.until("the reset", |running| running.counted(count) == 1);
        running.until_replies(0x01, 5);
        let (running, _) = running.end();
        assert!(running.cable.adapter().count("ATZ") >= 2, "{words}");
    }
}

fn an_adapter_that_lies_about_identifiers() {
    let mut adapter = Adapter::with_a_car();
    adapter.faults.hides_headers = true;
    let mut asked = polls();
    asked.push(poll("ANY", "0100", eleven(0x7DF), None, 1_000, 1));
    let mut running = Running::start(adapter, asked, |_| {});
    running.until_replies(0x22, 3);
    let (running, _) = running.end();
    let troubles = running.troubles();
    assert_eq!(troubles.len(), 2, "{troubles:?}");
    assert!(troubles[0].contains("took the setting to show identifiers and does not"));
    assert!(troubles[1].contains("poll ANY is not asked: several ECUs may answer"));
}

fn an_adapter_that_knows_little() {
    let refuses = vec![
        "ATE0", "ATL0", "ATS0", "ATH1", "ATH0", "ATCFC1", "ATAL", "ATAT0", "ATAT1", "ATCP18", "ATI", "ATDPN", "ATST32",
        "ATRV",
    ];
    let named = ["ATL0", "ATS0", "ATH1", "ATCFC1", "ATAL", "ATAT1", "ATI", "ATDPN"];
    let mut adapter = Adapter::with_a_car();
    adapter.faults.refuses = refuses;
    let mut running = Running::start(adapter, polls(), |settings| settings.supply_every = Span::of_millis(300));
    running.until_replies(0x22, 5);
    running.until("no supply voltage", |running| running.troubles().len() == 1);
    let (running, _) = running.end();
    for name in named {
        assert_eq!(running.state().counts.get(&format!("setting refused: {name}")), Some(&1), "{name}");
    }
    assert_eq!(running.troubles(), ["socket: the adapter does not measure the supply voltage"]);
    assert_eq!(running.cable.adapter().count("ATRV"), 2);
}

fn what_there_is_no_doing_without_ends_it() {
    for (refused, why) in [("ATSP6", "the protocol given"), ("ATCAF1", "framing of requests")] {
        let mut running = Running::with(Faults { refuses: vec![refused], ..Faults::default() });
        running.until("attempts", |running| running.cable.adapter().count(refused) >= 4);
        let (running, failures) = running.end();
        assert!(failures[0].contains(why), "{failures:?}");
        assert_eq!(running.cable.adapter().requests, 0);
    }
}

fn an_error_of_the_bus_ends_requests_for_the_run() {
    let errors = ["CAN ERROR", "BUS BUSY", "BUS ERROR", "41 0D <DATA ERROR", "7E8 03 <RX ERROR", "FB ERROR"];
    let start = |error| {
        let mut adapter = Adapter::with_a_car();
        adapter.faults.error_at = Some((6, error));
        Running::start(adapter, polls(), |settings| settings.supply_every = Span::of_millis(200))
    };
    // Side by side, for the time it takes.
    let all: Vec<(&str, Running)> = errors.into_iter().map(|error| (error, start(error))).collect();
    let mut ended = Vec::new();
    for (error, mut running) in all {
        running.until("the error", |running| running.state().closed == Some(Closed::AdapterError));
        let before = running.supplies().len();
        running.until("supply voltages", |running| running.supplies().len() >= before + 5);
        assert_eq!(running.cable.adapter().requests, 6, "{error}");
        let said: Vec<&str> = running.troubles();
        assert!(matches!(said[..], [one] if one.ends_with("nothing more is asked in this run")), "{said:?}");
        running.set_car(Permission::Full, 2);
        ended.push(running);
    }
    for mut running in ended {
        running.until_replies(0x01, 3);
        running.end();
    }
}

fn errors_of_single_requests_are_counted_and_the_rest_goes_on() {
    let errors = ["NO DATA", "STOPPED", "BUFFER FULL", "?", "ERR71", "!ACT ALERT"];
    let running: Vec<(&str, Running)> = errors
        .iter()
        .map(|error| (*error, Running::with(Faults { error_every: Some((7, error)), ..Faults::default() })))
        .collect();
    for (error, mut running) in running {
        running.until_replies(0x01, 25);
        let (running, _) = running.end();
        let name = error.trim_start_matches('!');
        assert!(running.counted(&format!("{name}:")) >= 2, "{error}: {:?}", running.state().counts);
        assert!(running.troubles().len() <= 1, "{:?}", running.troubles());
    }
}

fn a_search_nobody_asked_for_is_interrupted() {
    let mut running = Running::with(Faults { searches_at: Some(8), ..Faults::default() });
    running.until_replies(0x01, 4);
    running.until("the search", |running| running.counted("the adapter searched") == 1);
    running.until_replies(0x01, 5);
    let (running, _) = running.end();
    let adapter = running.cable.adapter();
    // The nudge came while it searched, and sooner than a lost prompt would have brought it (3 s).
    let nudge = adapter.sent.iter().find(|sent| sent.out_of_turn).expect("a nudge");
    let request = adapter.sent.iter().rev().find(|sent| sent.at_us < nudge.at_us).expect("the request");
    assert!(nudge.at_us - request.at_us < 2_900_000, "{request:?} {nudge:?}");
}

fn an_adapter_that_says_it_uses_another_protocol_is_not_used() {
    let mut adapter = Adapter::with_a_car();
    adapter.faults.claims_protocol = Some('8');
    let mut running = Running::start(adapter, polls(), |settings| settings.supply_every = Span::of_millis(300));
    running.until("supply voltages", |running| running.supplies().len() >= 12);
    let (running, _) = running.end();
    assert_eq!(running.cable.adapter().requests, 0);
    assert!(running.troubles()[0].contains("took ATSP6 and says that it uses protocol 8; nothing more is asked"));
}

fn unplugged_and_back() {
    let mut running = Running::with(Faults::default());
    running.until_replies(0x01, 5);
    running.cable.pull();
    running.until("it to be missed", |running| running.counted("failures") >= 2);
    running.cable.plug_in();
    running.until_replies(0x01, 5);
    let (_, failures) = running.end();
    assert!(failures[0].contains("the port is gone"), "{failures:?}");
    assert!(failures.iter().skip(1).all(|failure| failure.contains("there is no such port")), "{failures:?}");
}

fn several_ecus_and_29_bits() {
    let wide = CanId::Extended;
    let one = Ecu::new(0x18DA_10F1, 0x18DA_F110, &[(&[0x01, 0x00], &[1, 2, 3, 4]), (&[0x09, 0x02], &[7; 18])]);
    let mut two = Ecu::new(0x18DA_20F1, 0x18DA_F120, &[(&[0x01, 0x00], &[5, 6, 7, 8])]);
    two.delay_us = 35_000;
    let asked = vec![
        poll("ALL", "0100", wide(0x18DB_33F1), None, 300, 0),
        poll("ONE", "0902", wide(0x18DA_10F1), None, 300, 0),
        poll("NARROW", "0100", eleven(0x7DF), None, 300, 0),
    ];
    let mut running = Running::start(Adapter::new('9', vec![one, two]), asked, |settings| {
        settings.protocol = Protocol::Can29At250;
    });
    let of = |running: &Running, from: u32| {
        let all = running.replies(0x01);
        all.iter().filter(|reply| reply.from == wide(from)).map(|reply| reply.payload.clone()).collect::<Vec<_>>()
    };
    running.until("both ECUs", |running| of(running, 0x18DA_F110).len() >= 3 && of(running, 0x18DA_F120).len() >= 3);
    running.until("a long reply", |running| running.replies(0x09).len() >= 3);
    assert_eq!(of(&running, 0x18DA_F110)[0], [0x41, 0, 1, 2, 3, 4]);
    assert_eq!(of(&running, 0x18DA_F120)[0], [0x41, 0, 5, 6, 7, 8]);
    assert_eq!(running.replies(0x09)[0].payload, [&[0x49, 0x02][..], &[7; 18]].concat());
    assert!(running.troubles()[0].contains("poll NARROW is not asked: its identifier has another width"));
    assert_eq!(running.cable.adapter().faults_found(), [""; 0]);
}

/// Side by side, since each waits most of the time.
#[test]
fn one_fault_at_a_time() {
    let cases: &[fn()] = &[
        a_sound_adapter,
        a_car_that_may_not_be_asked_is_not,
        garbled_bytes_cost_replies_and_nothing_else,
        zero_bytes_are_strewn,
        a_chatty_adapter,
        lost_prompts_are_found,
        resets_in_mid_run_bring_the_settings_again,
        an_adapter_that_lies_about_identifiers,
        an_adapter_that_knows_little,
        what_there_is_no_doing_without_ends_it,
        an_error_of_the_bus_ends_requests_for_the_run,
        errors_of_single_requests_are_counted_and_the_rest_goes_on,
        a_search_nobody_asked_for_is_interrupted,
        an_adapter_that_says_it_uses_another_protocol_is_not_used,
        unplugged_and_back,
        several_ecus_and_29_bits,
    ];
    std::thread::scope(|scope| cases.iter().for_each(|case| drop(scope.spawn(case))));
}
