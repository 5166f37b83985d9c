//! Listening in silence through a played adapter: frames arrive, gaps are counted, silence is confirmed first.
//!
//! No request is ever sent here.

use drawdown::observation::CanId;
use drawdown::source::at_adapter::command::Protocol;

use super::cable::Running;
use super::polls;
use crate::support::adapter::Adapter;

/// A bus whose frames number themselves.
fn adapter() -> Adapter {
    let mut adapter = Adapter::with_a_car();
    adapter.traffic = (0..=255).map(|number: u8| (0x100 + u32::from(number % 7), vec![number, 0xAA, 0x55])).collect();
    adapter
}

fn listen(adapter: Adapter) -> Running {
    Running::start(adapter, polls(), |settings| settings.listen = true)
}

fn frames_arrive_whole_and_in_order() {
    let mut running = listen(adapter());
    running.until("frames", |running| running.taken.frames.len() >= 2_000);
    let (running, failures) = running.end();
    for (number, frame) in running.taken.frames.iter().enumerate() {
        let number = number as u8;
        assert_eq!((frame.can_id(), frame.len), (CanId::Standard(0x100 + u16::from(number % 7)), 3));
        assert_eq!(running.taken.payload(frame), [number, 0xAA, 0x55]);
    }
    let adapter = running.cable.adapter();
    assert_eq!((adapter.requests, failures.len(), running.troubles()), (0, 0, vec![]));
    // Stopped by a nudge, and let go of.
    assert_eq!(adapter.sent.last().map(|sent| &*sent.text), Some("ATPC"));
    assert_eq!(adapter.count("ATMA"), 1);
}

fn a_full_buffer_is_a_gap_whether_its_prompt_comes_or_not() {
    for prompt in [true, false] {
        let mut adapter = adapter();
        adapter.faults.fills_after = Some((300, prompt));
        let mut running = listen(adapter);
        running.until("three gaps", |running| running.counted("gaps while monitoring") >= 3);
        running.until("frames", |running| running.taken.frames.len() >= 950);
        let (running, _) = running.end();
        let adapter = running.cable.adapter();
        // Silence is confirmed before every start.
        assert_eq!(adapter.count("ATCSM1"), adapter.count("ATMA"));
        assert_eq!((adapter.requests, running.troubles().len()), (0, 1));
        assert!(running.taken.frames.len() as u32 <= adapter.shown);
    }
}

fn without_silence_there_is_no_listening() {
    let mut adapter = adapter();
    adapter.faults.refuses = vec!["ATCSM1"];
    let mut running = listen(adapter);
    running.until("attempts", |running| running.cable.adapter().count("ATCSM1") >= 4);
    let (running, failures) = running.end();
    assert!(failures[0].contains("silent monitoring"), "{failures:?}");
    assert_eq!((running.cable.adapter().count("ATMA"), running.taken.frames.len()), (0, 0));
}

fn frames_without_identifiers_are_refused() {
    let mut adapter = adapter();
    adapter.faults.hides_headers = true;
    let mut running = listen(adapter);
    running.until("an attempt", |running| running.cable.adapter().count("ATMA") >= 1);
    running.until("it to be told", |running| running.counted("monitored lines") >= 20);
    let (running, failures) = running.end();
    assert!(failures.iter().any(|failure| failure.contains("can't be listened to")), "{failures:?}");
    assert!(running.taken.frames.is_empty());
}

fn wide_identifiers() {
    let mut adapter = Adapter::new('7', Vec::new());
    adapter.traffic = vec![(0x18FF_50E5, vec![1, 2, 3, 4, 5, 6, 7, 8])];
    let mut running = Running::start(adapter, Vec::new(), |settings| {
        settings.listen = true;
        settings.protocol = Protocol::Can29At500;
    });
    running.until("frames", |running| running.taken.frames.len() >= 50);
    let (running, _) = running.end();
    assert_eq!(running.taken.frames[0].can_id(), CanId::Extended(0x18FF_50E5));
    assert_eq!(running.taken.payload(&running.taken.frames[0]), [1, 2, 3, 4, 5, 6, 7, 8]);
}

/// Side by side, since each waits most of the time.
#[test]
fn listening() {
    let cases: &[fn()] = &[
        frames_arrive_whole_and_in_order,
        a_full_buffer_is_a_gap_whether_its_prompt_comes_or_not,
        without_silence_there_is_no_listening,
        frames_without_identifiers_are_refused,
        wide_identifiers,
    ];
    std::thread::scope(|scope| cases.iter().for_each(|case| drop(scope.spawn(case))));
}
