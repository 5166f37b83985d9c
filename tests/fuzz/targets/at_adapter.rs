//! Fuzz target: lines of an AT adapter, and the driver in a dialogue with one that says anything. Nothing is asserted of
//! values; of what is sent: that it is on the list, and that no request leaves where none may.

#![no_main]

use drawdown::diag::permission::{Permission, Why};
use drawdown::diag::target::{Heard, Rules};
use drawdown::diag::{Poll, Request, Target};
use drawdown::observation::{Bus, CanId};
use drawdown::source::at_adapter::command::{Command, Protocol};
use drawdown::source::at_adapter::driver::{Driver, Out};
use drawdown::source::at_adapter::{Settings, messages, reply};
use drawdown::source::live::Car;
use drawdown::time::{Span, Steady};

fn polls() -> Vec<Poll> {
    let heard = Heard::default();
    let rules = Rules { other_identifiers: false, heard: &heard };
    let poll = |request: &str, asked| {
        let (request, target) =
            (Request::from_hex(request).ok()?, Target::new(CanId::Standard(asked), None, &rules).ok()?);
        Some(Poll { name: "A".into(), request, target, period: Span::of_millis(50), priority: 0 })
    };
    [poll("010D", 0x7E0), poll("220101", 0x7E4), poll("0100", 0x7DF)].into_iter().flatten().collect()
}

/// What a sound adapter says, so that the input need not find it out.
fn sound(sent: &str) -> &'static [u8] {
    match sent {
        "ATZ" | "ATI" => b"interpreter v1.5\r\r>",
        "ATDPN" => b"6\r\r>",
        "ATRV" => b"13.4V\r\r>",
        "ATMA" => b"2B0 11 22\r",
        "010D" => b"7E8 03 41 0D 3C\r\r>",
        "220101" => b"7EC 10 09 62 01 01 05 06 07\r7EC 21 08 09 0A\r\r>",
        "0100" => b"7E8 06 41 00 BE 3F A8 13\r\r>",
        _ => b"OK\r\r>",
    }
}

/// Bytes steer: below 0x20 they act, the others are what the adapter says.
fn drive(data: &[u8]) {
    let (listen, data) = match data.split_first() {
        Some((first, rest)) => (first & 1 == 1, rest),
        None => return,
    };
    let protocol = Protocol::Can11At500;
    let settings = Settings { port: "p".into(), serial_rate: 1, protocol, listen, supply_every: Span::of_seconds(5) };
    let mut driver = Driver::new(&settings, Bus(0), polls());
    let (mut out, mut at, mut last) = (Out::default(), 0_i64, String::new());
    let mut car = Car { permission: Permission::Full, run: 1 };
    let mut ended = false;
    driver.opened(Steady(0));
    // Enough for settings and many requests; longer ones only cost time. What acts, acts alone; other bytes come in one read.
    let acts = |byte: &u8| *byte < 10;
    for chunk in data.chunk_by(|one, two| !acts(one) && !acts(two)).take(100) {
        let now = Steady(at);
        match chunk.first().unwrap_or(&0) {
            1 => driver.receive(now, sound(&std::mem::take(&mut last)), &mut out),
            2 => at += 400_000,
            3 => at += 3_000_000,
            4 => car.permission = Permission::Denied(Why::Asleep),
            5 => car.permission = Permission::Full,
            6 => (car.run, ended) = (car.run + 1, false),
            7 => driver.opened(now),
            8 => {
                driver.receive(now, b"\rCAN ERROR\r\r>", &mut out);
                ended = true;
            }
            9 => driver.let_go(),
            _ => driver.receive(now, chunk, &mut out),
        }
        at += 10_000;
        driver.tick(Steady(at), car, &mut out);
        if !out.batch.is_empty() || !out.counts.is_empty() || out.failed.is_some() {
            out.batch.clear();
            out.counts.clear();
            out.troubles.clear();
            out.failed = None;
        }
        if out.send.is_empty() {
            continue;
        }
        let sent = std::mem::take(&mut out.send);
        for text in String::from_utf8_lossy(&sent).split_terminator('\r') {
            let request = Command::from_text(text).is_ok_and(|command| command.as_request().is_some());
            assert!(!request || car.permission == Permission::Full && !ended && !listen, "{text}");
            let parameter = ["ATSH7", "ATCRA7E", "ATST"].iter().any(|start| text.starts_with(start));
            assert!(parameter || Command::from_text(text).is_ok(), "{text}");
            last = text.to_owned();
        }
    }
}

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    for line in text.lines().take(16) {
        let _ = reply::voltage(&reply::read(line));
        let _ = (messages::frame(line, false), messages::frame(line, true));
    }
    drive(data);
});
