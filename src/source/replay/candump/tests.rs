//! Whole candump logs: damage, long lines, line ends, breaks, and that the batch size changes nothing.

use super::placed::Placed;
use super::*;
use crate::observation::Bus;
use crate::observation::Item;
use crate::source::replay::Reading;
use crate::source::replay::test_support::{Everything, everything};
use crate::time::Steady;
use proptest::prelude::*;

fn read(text: &[u8], batch: usize) -> Everything {
    let reader = Box::new(std::io::Cursor::new(text.to_vec()));
    everything(&mut Candump::new(Input::from_reader("log".into(), reader), &Workers::alone()), batch)
}

/// Read alone and with help: whatever is asserted of one holds for both.
fn read_both(text: &[u8], batch: usize) -> Everything {
    let alone = read(text, batch);
    let helped = Workers::with(3, |workers| {
        let reader = Box::new(std::io::Cursor::new(text.to_vec()));
        everything(&mut Candump::new(Input::from_reader("log".into(), reader), workers), batch)
    });
    assert!(alone == helped, "with help another reading");
    alone
}

#[test]
fn damage_is_counted_and_the_rest_read() {
    let long = "x".repeat(10_000);
    let text = format!(
        "(1.0) can0 123#00\n\nrubbish\r\n(2.0) can1 123#01\r\n{long}\nDROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)\n(3.0) can0 124#R4"
    );
    let all = read(text.as_bytes(), 100);
    assert_eq!(all.batch.frames.len(), 3);
    assert_eq!(all.names.names(), ["can0", "can1"]);
    assert_eq!((all.batch.frames[2].bus, all.batch.frames[2].len), (Bus(0), 4));
    let told: Vec<String> = all.damage.first.iter().map(Fault::to_string).collect();
    assert_eq!(
        told,
        [
            "log:3: warning: does not start with a time in brackets (byte 19)",
            "log:5: warning: longer than 4 KiB (byte 47)",
        ]
    );
    assert_eq!(all.batch.rest.len(), 1);
    assert_eq!(all.batch.rest[0].at, Steady(2_000_000));
    assert!(matches!(&all.batch.rest[0].item, Item::Trouble(words) if words.contains("dropped 3 CAN frames")));
}

/// A stream that fails at its end.
struct Breaking(std::io::Cursor<Vec<u8>>);

impl std::io::Read for Breaking {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        match self.0.read(into)? {
            0 if !into.is_empty() => Err(std::io::ErrorKind::UnexpectedEof.into()),
            got => Ok(got),
        }
    }
}

#[test]
fn a_last_line_without_an_end_is_read_unless_the_stream_broke_off() {
    let text = b"(1700000000.010000) can0 7E8#0341\n(1700000000.010000) can0 7E8#034";
    assert_eq!((read(text, 9).batch.frames.len(), read(text, 9).damage.count), (1, 1));
    let whole = &text[..text.len() - 1];
    assert_eq!((read(whole, 9).batch.frames.len(), read(whole, 9).damage.count), (2, 0));

    let reader = Breaking(std::io::Cursor::new(whole.to_vec()));
    let all = everything(&mut Candump::new(Input::from_reader("log".into(), Box::new(reader)), &Workers::alone()), 9);
    assert_eq!((all.batch.frames.len(), all.damage.count), (1, 1));
    assert!(all.damage.first[0].to_string().contains("breaks off"));
}

#[test]
fn buffer_ends_fall_anywhere() {
    let line = |n: usize| format!("({}.{:06}) can{} {:03X}#{:08X}\n", 1_700_000_000 + n, n % 7, n % 3, n % 0x700, n);
    let text: String = (0..20_000).map(line).collect();
    let all = read_both(text.as_bytes(), 1000);
    assert_eq!((all.batch.frames.len(), all.damage.count), (20_000, 0));
    for (n, frame) in all.batch.frames.iter().enumerate() {
        assert_eq!(frame.at.0, (1_700_000_000 + n as i64) * 1_000_000 + n as i64 % 7);
        assert_eq!(all.batch.payload(frame), (n as u32).to_be_bytes());
    }
}

/// A log of several blocks whose every block hangs on those before it: new buses, lost frames at its start, damage, a line
/// longer than a block.
#[test]
fn what_hangs_on_earlier_blocks_is_read_as_if_there_were_none() {
    let mut text = String::new();
    for n in 0..40_000usize {
        let bus = if n % 9_000 == 8_999 { format!("late{n}") } else { format!("can{}", n % 3) };
        text += &format!("({}.{:06}) {bus} {:03X}#{:08X}\n", 1_700_000_000 + n, n % 7, n % 0x700, n);
        match n % 1_500 {
            // Long enough that some stand at a block's start.
            7..12 => text += "DROPCOUNT: dropped 1 CAN frame on 'can0' socket (total drops 1)\n",
            50 => text += "rubbish\n",
            _ => {}
        }
        if n == 20_000 {
            text += &"y".repeat(700_000);
            text += "\n";
        }
    }
    let lines = text.lines().count() as u64;
    let all = read_both(text.as_bytes(), 3_000);
    assert_eq!(all.batch.frames.len(), 40_000);
    assert_eq!(all.names.names()[..4], ["can0", "can1", "can2", "late8999"]);
    assert_eq!(all.batch.frames.len() as u64 + all.batch.rest.len() as u64 + all.damage.count, lines);
    // The line after a long one is told with its own number and place.
    let after = format!("{}\nrubbish", "y".repeat(700_000));
    let told = read_both(after.as_bytes(), 9).damage.first.last().unwrap().to_string();
    assert_eq!(told, "log:2: warning: does not start with a time in brackets (byte 700001)");
}

/// The same by place, in blocks of so many bytes; from some offset on nothing can be read.
fn by_place(text: &[u8], share: usize, fails_at: Option<usize>) -> Everything {
    let held = text.to_vec();
    let read_at = move |into: &mut [u8], from: u64| {
        let end = fails_at.unwrap_or(held.len());
        let rest = &held[(from as usize).min(end)..end];
        let count = rest.len().min(into.len()).min(1_000);
        into[..count].copy_from_slice(&rest[..count]);
        let fails = count == 0 && !into.is_empty() && fails_at.is_some();
        if fails { Err(std::io::ErrorKind::UnexpectedEof.into()) } else { Ok(count) }
    };
    Workers::with(3, |workers| {
        let blocks = Blocks::Placed(Placed::with_share(Box::new(read_at), share));
        everything(&mut Candump::of_blocks(blocks, Stored::default(), "log".into(), workers), 9)
    })
}

#[test]
fn a_plain_file_is_read_by_place() {
    let text: String =
        (0..9_000).map(|n| format!("({n}.5) can{} 123#00\n", n % 3)).collect::<String>() + "(9000.5) can0 123#";
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), &text).unwrap();
    let read = |workers: &Workers| {
        let input = Input::open(file.path(), &Reading { workers: workers.clone(), digest: true }).unwrap();
        let mut log = Candump::new(input, workers);
        let all = everything(&mut log, 9);
        let size = text.len() as u64;
        assert_eq!(log.progress(), Progress { done: size, total: Some(size) });
        (all.batch, all.names, matches!(*log.blocks, Blocks::Placed(_)), log.digest().unwrap().unwrap())
    };
    let (alone, helped) = (read(&Workers::alone()), Workers::with(3, read));
    assert!((alone.2, helped.2) == (false, true) && alone.0 == helped.0 && alone.1 == helped.1);
    assert_eq!(alone.0.frames.len(), 9_001);
    assert_eq!(alone.3.hex(), blake3::hash(text.as_bytes()).to_string());
    assert_eq!(alone.3, helped.3);
}

#[test]
fn what_is_written_behind_the_end_meanwhile_is_not_read_by_place() {
    use std::io::Write;
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(b"(1.0) can0 123#00\n(2.0) can0 123#").unwrap();
    let mut input = Input::open(file.path(), &Reading::default()).unwrap();
    let blocks = Placed::with_share(input.by_place().unwrap(), 25);
    file.write_all(b"77\n(3.0) can0 123#00\n").unwrap();
    let texts: Vec<Vec<u8>> =
        std::iter::from_fn(|| blocks.next(Vec::new()).1).map(|block| block.lines().to_vec()).collect();
    assert_eq!(texts.concat(), b"(1.0) can0 123#00\n(2.0) can0 123#");
}

/// Where reading failed is told in bytes, whoever read how far ahead.
#[test]
fn a_file_that_breaks_off_says_where() {
    let text = b"(1.0) can0 123#00\n(2.0) can0 123#00\n(3.0) can0 123#00\n";
    for share in [5, 30, 300] {
        let told = by_place(text, share, Some(40)).damage.first[0].to_string();
        assert!(told.contains("breaks off after 40 stored bytes"), "{told}");
    }
}

proptest! {
    #[test]
    fn reading_by_place_gives_the_lines_that_reading_in_turn_gives(
        lines in prop::collection::vec(("\\(1[0-9]{3}\\.[0-9]{1}\\) can[0-4] 123#[0-9]{2}|[ -~]{0,20}|DROPCOUNT: x", prop_oneof![9 => Just(0usize), 1 => 0..9_000usize]), 0..30),
        share in 1..300usize, unended: bool, cut: prop::sample::Index,
    ) {
        let line = |(line, blanks): &(String, usize)| format!("{line}{}\n", " ".repeat(*blanks));
        let mut text: String = lines.iter().map(line).collect();
        if unended {
            text.pop();
        }
        prop_assert_eq!(by_place(text.as_bytes(), share, None), read(text.as_bytes(), 9));
        // Where the file can be read only in part, without lines that are too long.
        let text: String = lines.iter().map(|(line, _)| format!("{line}\n")).collect();
        let cut = cut.index(text.len() + 1);
        let broken = std::io::Cursor::new(text.as_bytes()[..cut].to_vec());
        let input = Input::from_reader("log".into(), Box::new(Breaking(broken)));
        let in_turn = everything(&mut Candump::new(input, &Workers::alone()), 9);
        let placed = by_place(text.as_bytes(), share, Some(cut));
        prop_assert_eq!((placed.batch, placed.names), (in_turn.batch, in_turn.names));
        // How far a stream was read is told by the file, of which it here knows none.
        prop_assert_eq!(placed.damage.count, in_turn.damage.count);
    }

    #[test]
    fn no_log_panics_and_the_batch_size_changes_nothing(
        lines in prop::collection::vec("(\\(1[0-9]{9}\\.[0-9]{6}\\) can[0-9] [0-7][0-9A-F]{2}#([0-9A-F]{2}){0,9}\r?|[ -~]{0,40}|DROPCOUNT: x)\n", 0..40),
        noise in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4), batch in 1usize..10,
    ) {
        let mut text = lines.concat().into_bytes();
        for (place, byte) in noise {
            if !text.is_empty() {
                let place = place.index(text.len());
                text[place] = byte;
            }
        }
        let one = read_both(&text, batch);
        prop_assert_eq!(&one, &read(&text, 1000));
        prop_assert!(one.batch.frames.len() as u64 + one.damage.count <= text.split(|byte| *byte == b'\n').count() as u64);
    }
}
