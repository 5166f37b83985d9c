//! The button with a contact by hand: what is noted, and a contact that goes away and comes back.
//!
//! Where a machine has neither an input device nor a GPIO chip the devices themselves are not tried here.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use super::*;
use crate::source::ScaledClock;
use crate::source::live::{Condition, Shared};

/// Levels sent by hand; hung up, it is unplugged.
struct Hand(Receiver<bool>);

impl Contact for Hand {
    fn wait(&mut self, most: Span, levels: &mut Vec<bool>) -> Result<(), Failure> {
        match self.0.recv_timeout(Duration::from_micros(most.0 as u64)) {
            Ok(level) => levels.push(level),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Err(Failure("unplugged".into())),
        }
        Ok(())
    }
}

#[test]
fn presses_become_marks_in_the_time_of_a_thumb() {
    // A clock 20 times as fast: a press of 0.3 s is short all the same.
    let shared = Arc::new(Shared::new(Arc::new(ScaledClock::new(Arc::new(SystemClock::new()), 20.0))));
    let outlet = Outlet::new("button", &shared);
    let (press, levels) = channel();
    let mut hands = vec![Hand(levels)];
    let open: Open = Box::new(move || match hands.pop() {
        Some(hand) => Ok(Box::new(hand) as Box<dyn Contact>),
        None => Err(Failure("gone".into())),
    });
    let mut button = Button { open, settles: Span::of_millis(5) };
    std::thread::scope(|scope| {
        let run = scope.spawn(|| (button.run(&outlet), button.run(&outlet)));
        let sleep = |ms| std::thread::sleep(Duration::from_millis(ms));
        for (level, ms) in [(true, 300), (false, 100), (true, 1_900), (false, 200)] {
            press.send(level).expect("it listens");
            sleep(ms);
        }
        assert_eq!(outlet.state().condition, Condition::Reading);
        drop(press);
        let (unplugged, gone) = run.join().expect("no panic");
        assert_eq!((unplugged, gone), (Err(Failure("unplugged".into())), Err(Failure("gone".into()))));
    });
    let mut taken = Batch::default();
    shared.queue.take(&mut taken);
    let marks: Vec<(MarkKind, String)> = taken
        .rest
        .into_iter()
        .filter_map(|stamped| if let Item::Mark(mark) = stamped.item { Some((mark.kind, mark.text)) } else { None })
        .collect();
    let expected = [(MarkKind::Note, "button".into()), (MarkKind::ShowsZero, "button, held for 1.5 s".into())];
    assert_eq!(marks, expected);
}

#[test]
fn a_contact_that_is_not_there_is_named_with_a_remedy() {
    let key = |key: &str| Settings::Key { device: PathBuf::from("/nowhere/event9"), key: key.into(), grab: false };
    let said = key("KEY_VOLUMEUP").open().err().expect("it is not there").0;
    assert!(said.starts_with("/nowhere/event9: No such file") && said.ends_with("(group input)?"), "{said}");
    assert_eq!(key("KEY_NONE").open().err().expect("no key").0, "/nowhere/event9: there is no key 'KEY_NONE'");
    let chip = PathBuf::from("/nowhere/gpiochip9");
    let line = Settings::Line { chip, line: 17, active_low: true, debounce: contact::LINE_SETTLES };
    let said = line.open().err().expect("it is not there").0;
    assert!(said.starts_with("/nowhere/gpiochip9 line 17: ") && said.ends_with("(group gpio)?"), "{said}");
    // What is there but is no input device is refused too.
    let file = tempfile::NamedTempFile::new().expect("a file");
    let no_device = Settings::Key { device: file.path().into(), key: "KEY_A".into(), grab: false };
    assert!(no_device.open().is_err());
    // Keys by the kernel's names: linux/input-event-codes.h has KEY_VOLUMEUP as 115, BTN_TRIGGER as 0x120.
    assert_eq!(contact::key_of("KEY_VOLUMEUP").map(|key| key.0), Some(115));
    assert_eq!(contact::key_of("BTN_TRIGGER").map(|key| key.0), Some(0x120));
}
