//! Ports on pseudo-terminals: both ways, time-outs, and every failure that can be had without hardware. No rate is tried.

use std::time::{Duration, Instant};

use super::test_support::Cable;
use super::*;

const RATE: u32 = 115_200;

#[test]
fn both_ways_byte_for_byte() {
    let mut cable = Cable::new();
    let mut port = Port::open(&cable.path(), RATE).unwrap();
    // Bytes that a terminal would change or act upon, were it not raw.
    let all: Vec<u8> = (0..=255).collect();
    cable.send(&all);
    let (mut read, mut buffer) = (Vec::new(), [0; 100]);
    while read.len() < all.len() {
        let count = port.read(&mut buffer).unwrap();
        assert!(count > 0, "after {} bytes", read.len());
        read.extend_from_slice(&buffer[..count]);
    }
    assert_eq!(read, all);
    port.write(&all).unwrap();
    let mut received = Vec::new();
    while received.len() < all.len() {
        let part = cable.received(Duration::from_secs(1));
        assert!(!part.is_empty(), "after {} bytes", received.len());
        received.extend(part);
    }
    assert_eq!(received, all);
}

#[test]
fn a_silent_port_gives_nothing_in_the_time_told() {
    let cable = Cable::new();
    let mut port = Port::open(&cable.path(), RATE).unwrap();
    let begun = Instant::now();
    assert_eq!(port.read(&mut [0; 10]), Ok(0));
    let waited = begun.elapsed();
    assert!(waited >= Duration::from_millis(49), "{waited:?}");
    port.set_wait(Span::of_millis(5)).unwrap();
    let begun = Instant::now();
    assert_eq!(port.read(&mut [0; 10]), Ok(0));
    assert!(begun.elapsed() < waited, "{:?}", begun.elapsed());
}

#[test]
fn what_came_before_is_forgotten() {
    let mut cable = Cable::new();
    cable.send(b"old");
    let mut port = Port::open(&cable.path(), RATE).unwrap();
    cable.send(b"new");
    let mut buffer = [0; 10];
    let count = port.read(&mut buffer).unwrap();
    assert_eq!(&buffer[..count], b"new");
}

#[test]
fn pulled_and_plugged_in_again() {
    let mut cable = Cable::new();
    let mut port = Port::open(&cable.path(), RATE).unwrap();
    cable.pull();
    let said = port.read(&mut [0; 10]).unwrap_err().0;
    assert!(said.starts_with(&format!("{}: the port is gone", cable.path().display())), "{said}");
    assert!(port.write(b"C\r").unwrap_err().0.contains("the port is gone"));
    let missing = Port::open(&cable.path(), RATE).unwrap_err().0;
    assert!(missing.contains("there is no such port; plug"), "{missing}");
    cable.plug_in();
    let mut port = Port::open(&cable.path(), RATE).unwrap();
    cable.send(b"back");
    assert_eq!(port.read(&mut [0; 10]), Ok(4));
}

#[test]
fn a_port_is_opened_once() {
    let cable = Cable::new();
    let port = Port::open(&cable.path(), RATE).unwrap();
    let said = Port::open(&cable.path(), RATE).unwrap_err().0;
    assert!(said.contains("another program has it open; end that one"), "{said}");
    drop(port);
    assert!(Port::open(&cable.path(), RATE).is_ok());
}

#[test]
fn what_is_no_port_is_told_from_one() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let said = Port::open(file.path(), RATE).unwrap_err().0;
    assert!(said.contains("it can't be opened as a serial port"), "{said}");
}

/// Tests may run as root, who is refused nothing: the message alone.
#[test]
fn no_permission_has_its_remedy() {
    let refused = serialport::Error::new(serialport::ErrorKind::Io(ErrorKind::PermissionDenied), "refused");
    let said = cannot_open(Path::new("/dev/ttyUSB0"), &refused);
    assert!(said.contains("add the user to the group dialout"), "{said}");
}

#[test]
fn an_end_that_takes_nothing_is_given_up() {
    let cable = Cable::new();
    let mut port = Port::open(&cable.path(), RATE).unwrap();
    let begun = Instant::now();
    // No one reads: the terminal's buffer fills.
    let said = port.write(&[b'x'; 1 << 20]).unwrap_err().0;
    assert!(said.contains("it takes nothing that is written"), "{said}");
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
}
