//! The dialogue with scripted adapters: sound, slow, chatty, garbled, silent. Opens no port.

use proptest::prelude::*;

use super::super::messages::{Message, Shown, assemble};
use super::*;
use crate::diag::request::Request;

fn ms(millis: i64) -> Steady {
    Steady(millis * 1_000)
}

/// A dialogue that has found its prompt at 400 ms.
fn ready() -> Dialogue {
    let mut dialogue = Dialogue::default();
    assert_eq!(dialogue.tick(ms(0), |_| {}), Some(b"ATI\r".to_vec()));
    dialogue.receive(ms(50), b"ATI\rinterpreter\r\r>", |event| panic!("{event:?}"));
    let mut events = Vec::new();
    assert_eq!(dialogue.tick(ms(400), |event| events.push(event)), None);
    assert_eq!((events, dialogue.is_ready()), (vec![Event::Ready], true));
    dialogue
}

fn receive(dialogue: &mut Dialogue, at: Steady, bytes: &[u8]) -> Vec<Event> {
    let mut events = Vec::new();
    dialogue.receive(at, bytes, |event| events.push(event));
    events
}

fn messages(events: &[Event], shown: Shown) -> Vec<Message> {
    let [Event::Finished { lines, .. }] = events else { panic!("{events:?}") };
    let data = lines.iter().filter_map(|(_, line)| if let Line::Data(data) = line { Some(&**data) } else { None });
    let (messages, faults) = assemble(data, shown);
    assert_eq!(faults, []);
    messages
}

const NUMBER: Command = Command::fixed(Fixed::ProtocolNumber);

/// The data sheet's "Multiline Responses": with echo, CR LF, zero bytes and a search notice, cut at every byte.
#[test]
fn the_published_reply_at_every_split() {
    let plain = "014\r0: 49 02 01 31 44 34\r1: 47 50 30 30 52 35 35\r2: 42 31 32 33 34 35 36\r\r>";
    let variants = [
        plain.to_owned(),
        format!("0902\r{plain}"),
        format!("09 02\r\n{}", plain.replace('\r', "\r\n")),
        plain.replace(' ', ""),
        format!("SEARCHING...\r{plain}"),
        format!("0902\rSEARCHING...{plain}"),
        plain.replace("30", "3\u{0}0"),
    ];
    let mut number = vec![0x49, 0x02, 0x01];
    number.extend(b"1D4GP00R55B123456");
    for text in variants {
        for cut in 0..text.len() {
            let mut dialogue = ready();
            let request = Command::request(Request::vehicle_information(2));
            assert_eq!(dialogue.send(ms(500), request), Ok(b"0902\r".to_vec()));
            assert_eq!(dialogue.send(ms(501), request), Err(NotNow::Busy));
            let (first, second) = text.as_bytes().split_at(cut);
            let mut events = receive(&mut dialogue, ms(600), first);
            events.extend(receive(&mut dialogue, ms(700), second));
            let expected = vec![Message { from: None, bytes: number.clone(), line: 3 }];
            assert_eq!(messages(&events, Shown::DataOnly), expected, "{text:?} at {cut}");
            assert!(dialogue.is_ready());
        }
    }
}

#[test]
fn a_lost_prompt_is_looked_for_and_found() {
    let mut dialogue = ready();
    dialogue.send(ms(500), NUMBER).unwrap();
    let mut events = Vec::new();
    assert_eq!(dialogue.tick(ms(3_499), |event| events.push(event)), None);
    assert_eq!(dialogue.tick(ms(3_500), |event| events.push(event)), None);
    assert_eq!(events, [Event::PromptLost { command: NUMBER, asked: ms(500), lines: vec![] }]);
    assert_eq!(dialogue.tick(ms(3_510), |_| {}), Some(b"ATI\r".to_vec()));
    assert_eq!(dialogue.tick(ms(3_520), |_| {}), None);
    // The first letter stopped what ran; the rest was not understood: two prompts, of which none is a reply.
    assert_eq!(receive(&mut dialogue, ms(3_600), b"STOPPED\r\r>"), []);
    assert_eq!(receive(&mut dialogue, ms(3_700), b"TI\r?\r\r>"), []);
    assert_eq!(dialogue.send(ms(3_701), NUMBER), Err(NotNow::Busy));
    let mut events = Vec::new();
    dialogue.tick(ms(4_000), |event| events.push(event));
    assert_eq!((events, dialogue.is_ready()), (vec![Event::Ready], true));
}

#[test]
fn a_dead_adapter_is_given_up_and_may_come_back() {
    let mut dialogue = Dialogue::default();
    let (mut nudges, mut events) = (0, Vec::new());
    for at in (0..60_000).step_by(10) {
        nudges += usize::from(dialogue.tick(ms(at), |event| events.push(event)).is_some());
    }
    assert_eq!((nudges, events), (3, vec![Event::Gone]));
    dialogue.opened();
    assert!(dialogue.tick(ms(60_000), |_| {}).is_some());
}

#[test]
fn a_talkative_reply_is_not_cut_off_and_an_endless_one_is() {
    let mut dialogue = ready();
    dialogue.send(ms(500), NUMBER).unwrap();
    let mut lost = None;
    for at in (500..100_000).step_by(100) {
        receive(&mut dialogue, ms(at), b"7E8 21 47\r");
        dialogue.tick(ms(at), |event| {
            if matches!(event, Event::PromptLost { .. }) {
                lost = lost.or(Some(at));
            }
        });
    }
    assert_eq!(lost, Some(60_500));
}

#[test]
fn an_error_of_the_bus_ends_requests_for_the_run() {
    let mut dialogue = ready();
    let request = Command::request(Request::current_data(0x0D));
    dialogue.send(ms(500), request).unwrap();
    assert!(matches!(receive(&mut dialogue, ms(600), b"CAN ERROR\r\r>")[..], [Event::Finished { .. }]));
    assert_eq!(dialogue.send(ms(700), request), Err(NotNow::BusError));
    assert!(dialogue.send(ms(700), Command::fixed(Fixed::SupplyVoltage)).is_ok());
    receive(&mut dialogue, ms(800), b"12.6V\r\r>");
    dialogue.opened();
    assert!(dialogue.had_bus_error());
}

#[test]
fn monitoring_needs_silence() {
    let mut dialogue = ready();
    let monitor = Command::fixed(Fixed::MonitorAll);
    let silence = Command::fixed(Fixed::SilentMonitoring);
    assert_eq!(dialogue.send(ms(500), monitor), Err(NotNow::NotSilent));
    // A clone that does not know the setting does not get to monitor.
    dialogue.send(ms(500), silence).unwrap();
    receive(&mut dialogue, ms(510), b"?\r\r>");
    assert_eq!(dialogue.send(ms(520), monitor), Err(NotNow::NotSilent));
    dialogue.send(ms(530), silence).unwrap();
    receive(&mut dialogue, ms(540), b"OK\r\r>");
    assert_eq!(dialogue.send(ms(550), monitor), Ok(b"ATMA\r".to_vec()));
    let events = receive(&mut dialogue, ms(560), b"2B0 11 22\rBUFFER FULL\r\r>");
    let expected = [
        Event::Monitored(Line::Data("2B01122".into())),
        Event::Monitored(Line::Error(AdapterError::BufferFull)),
        Event::Ready,
    ];
    assert_eq!(events, expected);
    // What ended it may have been a reset: silence is confirmed anew.
    assert_eq!(dialogue.send(ms(561), monitor), Err(NotNow::NotSilent));
    dialogue.send(ms(562), silence).unwrap();
    receive(&mut dialogue, ms(563), b"OK\r\r>");
    // A reset by a weak supply takes the setting away, and monitoring is stopped.
    dialogue.send(ms(570), monitor).unwrap();
    assert_eq!(receive(&mut dialogue, ms(580), b"LV RESET\r\r>")[0], Event::SettingsLost);
    let mut events = Vec::new();
    dialogue.tick(ms(900), |event| events.push(event));
    assert_eq!(events, [Event::Ready]);
    assert_eq!(dialogue.send(ms(910), monitor), Err(NotNow::NotSilent));
    dialogue.send(ms(920), silence).unwrap();
    receive(&mut dialogue, ms(930), b"OK\r>");
    dialogue.send(ms(940), Command::fixed(Fixed::Reset)).unwrap();
    receive(&mut dialogue, ms(950), b"interpreter\r\r>");
    assert_eq!(dialogue.send(ms(960), monitor), Err(NotNow::NotSilent));
}

#[test]
fn a_search_nobody_asked_for_is_noticed_and_one_asked_for_is_waited_for() {
    let request = Command::request(Request::current_data(0));
    let mut dialogue = ready();
    dialogue.send(ms(500), request).unwrap();
    receive(&mut dialogue, ms(510), b"SEARCH");
    assert!(!dialogue.is_searching_unasked());
    receive(&mut dialogue, ms(520), b"ING..");
    assert!(dialogue.is_searching_unasked());
    dialogue.resync();
    assert_eq!(dialogue.tick(ms(530), |_| {}), Some(b"ATI\r".to_vec()));

    let mut dialogue = ready();
    let search = Command::search_protocol(super::super::command::Parked::by_the_users_word());
    dialogue.send(ms(500), search).unwrap();
    receive(&mut dialogue, ms(510), b"OK\r\r>");
    dialogue.send(ms(520), request).unwrap();
    receive(&mut dialogue, ms(530), b"SEARCHING...");
    assert!(!dialogue.is_searching_unasked());
    let mut events = Vec::new();
    dialogue.tick(ms(15_000), |event| events.push(event));
    assert_eq!(events, []);
    dialogue.tick(ms(21_000), |event| events.push(event));
    assert!(matches!(events[..], [Event::PromptLost { command, .. }] if command == request));
}

#[test]
fn stopping_monitoring_and_unasked_lines() {
    let mut dialogue = ready();
    assert_eq!(
        receive(&mut dialogue, ms(500), b"!ACT ALERT\r"),
        [Event::Unasked(Line::Error(AdapterError::ActivityAlert))]
    );
    dialogue.send(ms(510), Command::fixed(Fixed::SilentMonitoring)).unwrap();
    receive(&mut dialogue, ms(520), b"OK\r>");
    dialogue.send(ms(530), Command::fixed(Fixed::MonitorAll)).unwrap();
    dialogue.stop_monitoring();
    assert_eq!(dialogue.tick(ms(540), |_| {}), Some(b"ATI\r".to_vec()));
    assert_eq!(receive(&mut dialogue, ms(550), b"2B0 11\rSTOPPED\r\r>"), []);
    let mut events = Vec::new();
    dialogue.tick(ms(850), |event| events.push(event));
    assert_eq!(events, [Event::Ready]);
}

proptest! {
    #[test]
    fn garbage_does_not_panic_and_the_prompt_comes_back(
        chunks in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 0..20),
    ) {
        let mut dialogue = ready();
        let mut at = 500;
        for chunk in &chunks {
            let _ = dialogue.send(ms(at), NUMBER);
            dialogue.receive(ms(at + 1), chunk, |_| {});
            at += 50;
        }
        // A sound adapter afterwards: every command that comes is answered.
        for _ in 0..200 {
            at += 100;
            if dialogue.is_ready() {
                break;
            }
            if dialogue.tick(ms(at), |_| {}).is_some() {
                dialogue.receive(ms(at + 1), b"\rinterpreter\r\r>", |_| {});
            }
        }
        prop_assert!(dialogue.is_ready());
    }
}
