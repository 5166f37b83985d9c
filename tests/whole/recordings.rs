//! Recordings against other readers of the same formats: python-can (PyPI) for candump text, text2pcap and tshark
//! (Wireshark, Debian package `tshark`) for captures.
//!
//! The readers are called as a library: each frame as read, before the merge.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use drawdown::observation::{Batch, BusNames, FrameFlags};
use drawdown::source::replay::open;

use crate::support::{oracle, run, scratch, stdout};

/// One frame a line, as the oracles print them: microseconds, bus, identifier, kind, length, payload.
fn read(path: &Path) -> Vec<String> {
    let mut recording = open(path, None).expect("the recording opens");
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    while recording.read(&mut batch, &mut names).expect("the recording is read") {}
    assert_eq!(recording.damage().count, 0, "{:?}", recording.damage().first);
    let line = |frame: &drawdown::observation::Frame| {
        let payload = hex(batch.payload(frame));
        let payload = if payload.is_empty() { "-" } else { &payload };
        let (at, bus) = (frame.at.0, names.name(frame.bus));
        format!("{at} {bus} {} {} {} {payload}", frame.id, frame.flags.0, frame.len)
    };
    batch.frames.iter().map(line).collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn same(ours: &[String], theirs: &[String]) {
    for (place, (ours, theirs)) in ours.iter().zip(theirs).enumerate() {
        assert_eq!(ours, theirs, "frame {place}: ours, theirs");
    }
    assert_eq!(ours.len(), theirs.len());
}

#[test]
fn candump_text_is_read_as_python_can_reads_it() {
    let folder = scratch();
    for seed in 1..=3 {
        let log = folder.path().join("random.log");
        let printed = stdout(oracle("recordings_candump.py").arg(&log).arg(seed.to_string()));
        let theirs: Vec<String> = printed.lines().map(str::to_owned).collect();
        assert_eq!(theirs.len(), 20_002);
        same(&read(&log), &theirs);
    }
}

/// A tool of Wireshark's; fails with the remedy if it is not there.
fn wireshark(tool: &str) -> Command {
    let found = Command::new(tool).arg("--version").output();
    assert!(found.is_ok(), "{tool} is missing: install the Debian package tshark (`apt-get install tshark`)");
    Command::new(tool)
}

/// A small generator of numbers for test data (xorshift64, Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % end
    }
}

/// A random packet of LINKTYPE_CAN_SOCKETCAN (tcpdump.org).
fn random_packet(numbers: &mut Numbers) -> Vec<u8> {
    let fd = numbers.below(3) == 0;
    let extended = numbers.below(2) == 0;
    let remote = !fd && numbers.below(8) == 0;
    // tshark shows no data field for identifier 0, so it is left out here.
    let id = 1 + numbers.below(if extended { (1 << 29) - 1 } else { (1 << 11) - 1 }) as u32;
    let word = id | u32::from(extended) << 31 | u32::from(remote) << 30;
    let lengths = [0u8, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];
    let len = lengths[numbers.below(if fd { 16 } else { 9 }) as usize];
    let bits = if fd { 4 | numbers.below(4) as u8 } else { 0 };
    let mut packet = [&word.to_be_bytes()[..], &[len, bits, 0, 0]].concat();
    packet.extend((0..if remote { 0 } else { len }).map(|_| numbers.below(256) as u8));
    packet.resize(if fd { 72 } else { 16 }, 0);
    packet
}

/// The frames of a capture as tshark decodes them.
fn tshark(capture: &Path, bus: &str) -> Vec<String> {
    const FIELDS: [&str; 8] = [
        "frame.time_epoch",
        "can.id",
        "can.flags.xtd",
        "can.flags.rtr",
        "canfd.flags.brs",
        "canfd.flags.esi",
        "can.len",
        "data.data",
    ];
    let mut command = wireshark("tshark");
    command.arg("-r").arg(capture).args(["-T", "fields", "-E", "separator=,"]);
    command.args(FIELDS.iter().flat_map(|field| ["-e", field]));
    let line = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let &[time, id, extended, remote, brs, esi, len, data] = cells.as_slice() else { panic!("{line}") };
        let (seconds, fraction) = time.split_once('.').expect("a time with a fraction");
        let set = |cell: &str, flag: u8| if matches!(cell, "1" | "True") { flag } else { 0 };
        // tshark names the bits of FD frames in their own fields, empty for the others.
        let fd = if brs.is_empty() { 0 } else { FrameFlags::FD };
        let flags = set(extended, FrameFlags::EXTENDED) | set(remote, FrameFlags::REMOTE) | fd;
        let flags = flags | set(brs, FrameFlags::BRS) | set(esi, FrameFlags::ESI);
        // Of a remote frame with a length, tshark shows the padding as data; a remote frame carries none.
        let data = if data.is_empty() || set(remote, 1) == 1 { "-" } else { data };
        format!("{seconds}{} {bus} {id} {flags} {len} {data}", &fraction[..6])
    };
    stdout(&mut command).lines().map(line).collect()
}

#[test]
fn captures_of_text2pcap_are_read_as_tshark_reads_them() {
    let folder = scratch();
    let dump = folder.path().join("packets.txt");
    let mut numbers = Numbers(0x5EED);
    let mut text = String::new();
    for packet in 0..5_000 {
        let (second, fraction) = (packet / 100, numbers.below(1_000_000_000));
        let stamp = format!("2027-03-14T06:15:{second:02}.{fraction:09}Z");
        writeln!(text, "{stamp}\n0000 {}", hex_spaced(&random_packet(&mut numbers))).expect("text grows");
    }
    std::fs::write(&dump, text).expect("the dump is written");
    for (form, bus) in [("pcapng", "vcan5"), ("pcap", "can0"), ("nsecpcap", "can0")] {
        let capture = folder.path().join(form);
        let mut command = wireshark("text2pcap");
        command.args(["-q", "-t", "ISO", "-l", "227", "-N", "vcan5", "-F", form]).arg(&dump).arg(&capture);
        run(&mut command);
        let theirs = tshark(&capture, bus);
        assert_eq!(theirs.len(), 5_000);
        same(&read(&capture), &theirs);
    }
}

fn hex_spaced(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x} ")).collect()
}
