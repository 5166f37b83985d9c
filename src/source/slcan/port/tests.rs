//! The live source against an adapter played at the far end of a pseudo-terminal. No hardware, no rate.

use std::time::Duration;

use super::*;
use crate::diag::permission::Permission;
use crate::diag::target::{Heard, Rules, Target};
use crate::diag::{Poll, Request};
use crate::observation::Item;
use crate::source::live::Car;
use crate::source::serial::test_support::{Cable, Running, STOPPED_IN};

/// An adapter that answers every command.
struct Adapter {
    cable: Cable,
    /// Commands received, each without its end.
    heard: Vec<String>,
    part: Vec<u8>,
    answer: fn(&str) -> &'static [u8],
}

fn acknowledges(_: &str) -> &'static [u8] {
    b"\r"
}

impl Adapter {
    fn new(answer: fn(&str) -> &'static [u8]) -> Self {
        Self { cable: Cable::new(), heard: Vec::new(), part: Vec::new(), answer }
    }

    fn serve(&mut self) {
        for byte in self.cable.received(Duration::from_millis(2)) {
            if byte != b'\r' {
                self.part.push(byte);
                continue;
            }
            let command = String::from_utf8(std::mem::take(&mut self.part)).unwrap();
            self.cable.send((self.answer)(&command));
            self.heard.push(command);
        }
    }

    fn settings(&self) -> Settings {
        let bit_rate = BitRate::from_kbit_s(500).unwrap();
        Settings { port: self.cable.path(), serial_rate: 115_200, bit_rate }
    }

    fn source(&self, asking: Option<Asking>) -> Running {
        Running::start(SlcanAdapter::new(self.settings(), Bus(3), asking))
    }
}

/// Frames as candump writes them.
fn frames(running: &Running) -> Vec<String> {
    let text = |frame: &Frame| {
        let id = if frame.flags.has(FrameFlags::EXTENDED) {
            format!("{:08X}", frame.id)
        } else {
            format!("{:03X}", frame.id)
        };
        if frame.flags.has(FrameFlags::REMOTE) {
            return format!("{id}#R{}", frame.len);
        }
        let data: String = running.taken.payload(frame).iter().map(|byte| format!("{byte:02X}")).collect();
        format!("{id}#{data}")
    };
    running.taken.frames.iter().map(text).collect()
}

#[test]
fn listens_and_hears_whole_split_and_garbled_lines() {
    let mut adapter = Adapter::new(acknowledges);
    let mut running = adapter.source(None);
    running.until(|| adapter.serve(), Running::is_reading);
    assert_eq!(adapter.heard, ["C", "S6", "L"]);
    for part in
        [&b"t1230\rT12ABCDEF2AA"[..], b"55\r", b"r1234\rxyz\rt12", b"3G\r\x00\xFFt4561", b"99\r", b"t4563112233\r"]
    {
        adapter.cable.send(part);
        std::thread::sleep(Duration::from_millis(5));
    }
    running.until(|| adapter.serve(), |running| running.taken.frames.len() >= 4);
    assert_eq!(frames(&running), ["123#", "12ABCDEF#AA55", "123#R4", "456#112233"]);
    assert!(running.taken.frames.iter().all(|frame| frame.bus == Bus(3)));
    assert_eq!(running.counted("unreadable lines: unknown kind of line"), 2);
    assert_eq!(running.counted("unreadable lines: not a hexadecimal digit"), 1);
    assert_eq!((running.state().frames, running.failures().len(), running.troubles().len()), (4, 0, 0));
    let took = running.stop();
    assert!(took < STOPPED_IN, "{took:?}");
    adapter.serve();
    assert_eq!(adapter.heard, ["C", "S6", "L", "C"]);
}

#[test]
fn states_and_errors_are_named_once_and_counted() {
    let mut adapter = Adapter::new(acknowledges);
    let mut running = adapter.source(None);
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(b"sa000000\re1a\re2af\re1a\rsw097000\rsw098000\re1a\rsb128256\rsw096000\rt1230\r");
    running.until(|| adapter.serve(), |running| running.taken.frames.len() == 1);
    let named = [
        "it: on the bus: acknowledgement error",
        "it: on the bus: form error",
        "it: the controller is at the error warning level (97 receive errors, 0 transmit errors)",
        "it: on the bus: acknowledgement error",
        "it: the controller is off the bus (128 receive errors, 256 transmit errors)",
    ];
    assert_eq!(running.troubles(), named);
    assert_eq!(running.counted("on the bus: acknowledgement error"), 4);
    assert_eq!(running.counted("state of the controller: at the error warning level"), 2);
}

/// Moments of four frames from the first on, us, as the source stamped them.
fn stamped() -> Vec<i64> {
    let mut adapter = Adapter::new(acknowledges);
    let mut running = adapter.source(None);
    running.until(|| adapter.serve(), Running::is_reading);
    // 59.989 s, then 10, 30 and 60 ms after the adapter's clock began anew, these three together.
    adapter.cable.send(b"t1230EA55\r");
    std::thread::sleep(Duration::from_millis(90));
    adapter.cable.send(b"t1230000A\rt1230001E\rt1230003C\r");
    running.until(|| adapter.serve(), |running| running.taken.frames.len() == 4);
    running.taken.frames.iter().map(|frame| (frame.at - running.taken.frames[0].at).0).collect()
}

#[test]
fn stamps_of_the_adapter_are_followed() {
    // At least 90 ms after the first as they arrived; 21, 41 and 71 ms by the adapter, and 100 ppm of that which its clock may
    // have lost.
    let followed =
        |at: &[i64]| at.iter().zip([0, 21_000, 41_000, 71_000]).all(|(at, by)| (0..100).contains(&(at - by)));
    // A busy machine may read so late that the stamps are rightly not believed (`super::clock`): then once more.
    let tries: Vec<Vec<i64>> = std::iter::repeat_with(stamped).take(10).take_while(|at| !followed(at)).collect();
    assert!(tries.len() < 10, "{tries:?}");
}

#[test]
fn unplugged_and_back() {
    let mut adapter = Adapter::new(acknowledges);
    let mut running = adapter.source(None);
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(b"t1230\rt12");
    running.until(|| adapter.serve(), |running| running.taken.frames.len() == 1);
    adapter.cable.pull();
    running.until(|| {}, |running| running.failures().iter().any(|why| why.contains("there is no such port")));
    assert!(running.failures()[0].contains("the port is gone"), "{:?}", running.failures());
    adapter.cable.plug_in();
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(b"t7770\r");
    running.until(|| adapter.serve(), |running| running.taken.frames.len() == 2);
    assert_eq!(frames(&running), ["123#", "777#"]);
    assert_eq!(adapter.heard, ["C", "S6", "L", "C", "S6", "L"]);
}

#[test]
fn what_an_adapter_refuses_is_named() {
    type Case = (fn(&str) -> &'static [u8], &'static str, &'static [&'static str]);
    let cases: [Case; 2] = [
        (|text| if text == "L" { b"\x07" } else { b"\r" }, "the adapter refuses to listen only", &["C", "S6", "L"]),
        // A closed channel that refuses to be closed is asked once more; that is no reason to give up.
        (|text| if text == "L" { b"\r" } else { b"\x07" }, "the adapter refuses 500 kbit/s", &["C", "C", "S6"]),
    ];
    for (answer, said, heard) in cases {
        let mut adapter = Adapter::new(answer);
        let mut running = adapter.source(None);
        running.until(|| adapter.serve(), |running| !running.failures().is_empty());
        assert!(running.failures()[0].contains(said), "{:?}", running.failures());
        assert_eq!(adapter.heard[..heard.len()], *heard);
        assert!(!adapter.heard.contains(&"O".to_owned()));
    }
}

#[test]
fn an_adapter_that_acknowledges_nothing_is_read_all_the_same() {
    let mut adapter = Adapter::new(|_| b"");
    let mut running = adapter.source(None);
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(b"t1230\r");
    running.until(|| adapter.serve(), |running| running.taken.frames.len() == 1);
    assert_eq!(running.troubles(), ["it: the adapter acknowledges no command; it is read all the same"]);
    assert_eq!(adapter.heard, ["C", "S6", "L"]);
}

#[test]
fn what_cannot_be_read_at_all_is_named_once() {
    let mut adapter = Adapter::new(acknowledges);
    let mut running = adapter.source(None);
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(&b"\xF0\x1Cq\r".repeat(50));
    running.until(|| adapter.serve(), |running| running.counted("unreadable lines: unknown kind of line") == 50);
    running.until(|| {}, |running| !running.troubles().is_empty());
    assert_eq!(running.troubles(), ["it: nothing that it sends can be read; is it an slcan adapter, at 115200 bit/s?"]);
}

fn asking() -> Asking {
    let rules = Rules { other_identifiers: false, heard: &Heard::default() };
    let poll = Poll {
        name: "SPEED".into(),
        request: Request::from_bytes(&[0x01, 0x0D]).unwrap(),
        target: Target::new(CanId::Standard(0x7E0), Some(CanId::Standard(0x7E8)), &rules).unwrap(),
        period: Span::of_millis(50),
        priority: 0,
    };
    Asking::new(Bus(3), vec![poll], false)
}

const SPEED: &str = "t7E0802010D5555555555";
const SUPPORTED: &str = "t7DF80201005555555555";

/// Answers the request above with 42 km/h, and that which goes before it, of what is known (SAE J1979: 0D is bit 3 of the second
/// byte).
fn car(text: &str) -> &'static [u8] {
    match text {
        SPEED => b"z\rt7E8803410D2A00000000\r",
        SUPPORTED => b"z\rt7E8806410000080000AA\r",
        _ => b"\r",
    }
}

#[test]
fn asks_after_listening_and_goes_back_to_it_at_an_error() {
    let mut adapter = Adapter::new(car);
    let mut running = adapter.source(Some(asking()));
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(b"t1230\r");
    let asked = |adapter: &Adapter| adapter.heard.iter().filter(|text| text.starts_with('t')).count();
    // Polling is off: whatever the gate says, the adapter stays with listening.
    let begun = std::time::Instant::now();
    running.until(|| adapter.serve(), |_| begun.elapsed() > Duration::from_millis(2_300));
    assert_eq!(adapter.heard, ["C", "S6", "L"]);
    running.set_car(Car { permission: Permission::Full, run: 0 });
    running.until(
        || adapter.serve(),
        |running| running.taken.rest.iter().filter(|stamped| matches!(stamped.item, Item::Reply(_))).count() >= 3,
    );
    assert_eq!(adapter.heard[..8], ["C", "S6", "L", "C", "S6", "O", SUPPORTED, SPEED]);
    let replies = running.taken.rest.iter().filter_map(|stamped| match &stamped.item {
        Item::Reply(reply) => Some((reply.payload.as_slice(), reply.from)),
        _ => None,
    });
    let speed = (&[0x41, 0x0D, 0x2A][..], CanId::Standard(0x7E8));
    let answered = replies.filter(|reply| *reply == speed).count();
    assert!((2..asked(&adapter)).contains(&answered), "{answered} of {}", asked(&adapter));
    // Off the bus: no more in this run, and listening again.
    adapter.cable.send(b"sb000256\r");
    running.until(|| adapter.serve(), |running| !running.troubles().is_empty());
    let begun = std::time::Instant::now();
    running.until(|| adapter.serve(), |_| begun.elapsed() > Duration::from_millis(200));
    let before = asked(&adapter);
    running.until(|| adapter.serve(), |_| begun.elapsed() > Duration::from_millis(3_000));
    assert_eq!(asked(&adapter), before);
    assert_eq!(adapter.heard[adapter.heard.len() - 3..], ["C", "S6", "L"]);
    let took = running.stop();
    assert!(took < STOPPED_IN, "{took:?}");
}

#[test]
fn an_adapter_that_only_listens_is_asked_nothing_more() {
    let mut adapter = Adapter::new(|text| if text == "O" { b"\x07" } else { b"\r" });
    let mut running = adapter.source(Some(asking()));
    running.set_car(Car { permission: Permission::Full, run: 0 });
    running.until(|| adapter.serve(), Running::is_reading);
    adapter.cable.send(b"t1230\r");
    running.until(|| adapter.serve(), |running| !running.troubles().is_empty());
    assert_eq!(running.troubles(), ["it: the adapter refuses to open ('O'), so nothing is asked and it only listens"]);
    adapter.serve();
    adapter.cable.send(b"t4560\r");
    running.until(|| adapter.serve(), |running| running.taken.frames.len() == 2);
    assert_eq!(adapter.heard, ["C", "S6", "L", "C", "S6", "O", "C", "S6", "L"]);
    assert!(running.failures().is_empty());
}
