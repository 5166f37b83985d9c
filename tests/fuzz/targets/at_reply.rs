//! Fuzz target: the lines of an AT adapter by name, and replies put together from them. Judges no result beyond what it
//! asserts; `at_adapter` drives whole dialogues, which takes far longer each.

#![no_main]

use drawdown::source::at_adapter::messages::{self, Shown};
use drawdown::source::at_adapter::reply::{self, Line};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    let lines: Vec<Line> = text.lines().map(reply::read).collect();
    for (text, line) in text.lines().zip(&lines) {
        let _ = reply::voltage(line);
        let _ = (messages::frame(text, false), messages::frame(text, true));
    }
    let data = || lines.iter().filter_map(|line| if let Line::Data(data) = line { Some(&**data) } else { None });
    for shown in [Shown::DataOnly, Shown::Identifier11, Shown::Identifier29] {
        let (messages, _) = messages::assemble(data(), shown);
        assert!(messages.iter().all(|message| message.from.is_some() == (shown != Shown::DataOnly)));
    }
});
