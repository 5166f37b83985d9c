//! What kind of recording a path holds, told by its content.
//!
//! Reads no more than the first bytes; the readers do the rest.

use std::path::Path;

use super::candump::Candump;
use super::dataset::Run;
use super::input::Input;
use super::pcap::Capture;
use super::table::Signals;
use super::{Reading, Recording};
use crate::document::Fault;
use crate::map::{Map, Origin};

/// What is read, for people.
const KINDS: &str = "candump text (plain, .gz or .zst), pcap or pcapng of SocketCAN, a run's folder, \
                     or a CSV of signals with a map that has its [[table]]";

/// How much of a text is looked at, bytes.
const HEAD: usize = 4096;

/// Opens a recording of any kind that is read. Only a CSV of signals needs a map.
///
/// # Errors
/// If it cannot be opened, or holds nothing that is known.
pub fn open(path: &Path, map: Option<&Map>) -> Result<Box<dyn Recording>, Fault> {
    open_with(path, map, &Reading::default())
}

/// The same, read as is said.
///
/// # Errors
/// As [`open`].
pub fn open_with(path: &Path, map: Option<&Map>, reading: &Reading) -> Result<Box<dyn Recording>, Fault> {
    let name = path.display().to_string();
    if path.is_dir() {
        if Run::recognises(path) {
            return Ok(Box::new(Run::new(path)?));
        }
        return Err(Fault::whole(name, "a folder that is not a run's: it holds no run.json")
            .remedy(format!("give a file or a run's folder; what is read: {KINDS}")));
    }
    let mut input = Input::open(path, reading)?;
    input.fill_to(HEAD);
    let head = input.rest().get(..HEAD).unwrap_or(input.rest());
    if Capture::recognises(head) {
        return Ok(Box::new(Capture::new(input)?));
    }
    let tables = map.is_some_and(|map| map.messages.iter().any(|message| matches!(message.origin, Origin::Table(_))));
    if Candump::recognises(head) {
        return Ok(Box::new(Candump::new(input, &reading.workers)));
    }
    match map {
        Some(map) if tables && is_text(head) => Ok(Box::new(Signals::new(input, map)?)),
        // A log whose first lines are damaged is still a log.
        _ if head.split(|byte| *byte == b'\n').any(Candump::recognises) => {
            Ok(Box::new(Candump::new(input, &reading.workers)))
        }
        _ => Err(unknown(name, head, &input)),
    }
}

fn is_text(head: &[u8]) -> bool {
    !head.is_empty() && !head.contains(&0)
}

fn unknown(name: String, head: &[u8], input: &Input) -> Fault {
    let first_line = head.trim_ascii_start().split(|byte| *byte == b'\n').next().unwrap_or_default().trim_ascii();
    let seen = match head {
        [] if input.broken().is_some() => "compressed, and damaged from its first byte on".to_owned(),
        [] => "empty".to_owned(),
        [b'P', b'A', b'R', b'1', ..] => {
            return Fault::whole(name, "a single Parquet file").remedy("give the folder of its run");
        }
        _ if is_text(head) => {
            let line: String =
                String::from_utf8_lossy(first_line).chars().filter(|c| !c.is_control()).take(60).collect();
            format!("no recording that is known; it starts with '{line}'")
        }
        bytes => {
            let bytes: Vec<String> = bytes.iter().take(8).map(|byte| format!("{byte:02X}")).collect();
            format!("no recording that is known; its first bytes are {}", bytes.join(" "))
        }
    };
    Fault::whole(name, seen).remedy(format!("what is read: {KINDS}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(bytes: &[u8]) -> String {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), bytes).unwrap();
        match open(file.path(), None) {
            Ok(_) => "opened".into(),
            Err(fault) => fault.to_string(),
        }
    }

    #[test]
    fn the_content_tells_the_kind() {
        assert_eq!(told(b"\n\n (1.5) can0 123#\n"), "opened");
        assert_eq!(told(b"damaged\n(1.5) can0 123#\n"), "opened");
        assert_eq!(told(&zstd::encode_all(&b"(1.5) can0 123#\n"[..], 1).unwrap()), "opened");
        for (bytes, seen) in [
            (&b""[..], "empty"),
            (b"time,speed\n1,2\n", "starts with 'time,speed'; what is read: candump text"),
            (b"PAR1....", "a single Parquet file; give the folder of its run"),
            (b"\x7fELF\0\0\0\0\0", "its first bytes are 7F 45 4C 46 00 00 00 00"),
            (b"\x1f\x8b\x08\xff", "damaged from its first byte"),
        ] {
            assert!(told(bytes).contains(seen), "{}", told(bytes));
        }
    }

    #[test]
    fn folders_and_missing_files_are_told() {
        let folder = tempfile::tempdir().unwrap();
        assert!(open(folder.path(), None).err().unwrap().to_string().contains("holds no run.json"));
        assert!(open(&folder.path().join("none"), None).err().unwrap().to_string().contains("check the path"));
    }
}
