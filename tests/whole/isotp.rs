//! ISO-TP byte for byte against can-isotp 2.0.7 (PyPI): every frame both ways, and what a receiver makes of streams with
//! frames lost, doubled, swapped and mixed in.
//!
//! Timeouts and reserved separation times are not compared here: can-isotp takes the latter for an error.

use std::fs;

use drawdown::diag::isotp::{Action, Layout, Pdu, Reception, Sender, frame};
use drawdown::time::Steady;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use serde_json::{Value, json};

use crate::support::{oracle, scratch, stdout};

type Log = Vec<(String, String)>;

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn entry(who: &str, bytes: &[u8]) -> (String, String) {
    (who.to_owned(), hex(bytes))
}

/// What can-isotp does with every case.
fn reference(cases: &[Value]) -> Vec<Log> {
    let folder = scratch();
    let path = folder.path().join("cases.json");
    fs::write(&path, serde_json::to_vec(cases).expect("JSON")).expect("a file of cases");
    let printed = stdout(oracle("isotp.py").arg(&path));
    let logs: Vec<Log> = serde_json::from_str(&printed).expect("a list of logs");
    assert_eq!(logs.len(), cases.len());
    logs
}

fn reception(address: Option<u8>, block_size: u8, separation: u8) -> Reception {
    address.map_or_else(Reception::new, Reception::extended).asking_for(block_size, separation)
}

/// Our sender and our receiver, with every frame between them.
fn exchange(message: &[u8], layout: Layout, block_size: u8) -> Log {
    let mut sender = Sender::new(message, layout).expect("a message that can be sent");
    let mut receiver = reception(layout.address, block_size, 0);
    let mut log = Log::new();
    while let Some(payload) = sender.next(Steady(0)) {
        log.push(entry("sender", &payload));
        sender.left(Steady(0));
        for action in receiver.frame(Steady(0), &payload) {
            match action {
                Action::SendFlowControl(flow) => {
                    let address = layout.address.map(|_| 0x11);
                    log.push(entry("receiver", &address.into_iter().chain(flow.bytes()).collect::<Vec<_>>()));
                    receiver.flow_control_left(Steady(0));
                    sender.flow_control(Steady(0), flow).expect("an expected flow control");
                }
                Action::Complete(message) => log.push(entry("message", &message)),
                Action::Fault(fault) => panic!("{fault}"),
            }
        }
    }
    log
}

#[test]
fn every_frame_of_an_exchange_is_the_references() {
    let mut random = ChaCha8Rng::seed_from_u64(15_765);
    let mut lengths: Vec<usize> = (1..=70).chain([100, 255, 256, 4_094, 4_095]).collect();
    lengths.extend((0..60).map(|_| 1 + random.next_u32() as usize % 500));
    let mut cases = Vec::new();
    let mut ours = Vec::new();
    for (count, length) in lengths.into_iter().enumerate() {
        let message: Vec<u8> = (0..length).map(|_| random.next_u32() as u8).collect();
        let frame_length = [8, 8, 12, 16, 20, 24, 32, 48, 64][count % 9];
        let layout = Layout {
            frame_length,
            address: (count % 4 == 3).then_some(random.next_u32() as u8),
            padding: (frame_length > 8 || count % 2 == 0).then_some(0xCC),
        };
        let block_size = [0, 0, 1, 3, 8, 15][count % 6];
        let Layout { address, padding, .. } = layout;
        cases.push(json!({ "send": hex(&message), "frame_length": frame_length, "address": address, "padding": padding, "block_size": block_size }));
        ours.push(exchange(&message, layout, block_size));
    }
    for ((case, ours), reference) in cases.iter().zip(&ours).zip(reference(&cases)) {
        assert_eq!(*ours, reference, "{case}");
    }
}

/// A length past 12 bits takes the 32-bit form; our receiver refuses it, so only the first frame is compared.
#[test]
fn a_length_past_12_bits_is_written_as_the_reference_does() {
    let message = vec![0x5A; 4_096];
    let case = json!({ "send": hex(&message), "frame_length": 8, "address": null, "padding": 0xCC, "block_size": 0 });
    let first = Sender::new(&message, Layout::CLASSIC).expect("a message").next(Steady(0)).expect("a first frame");
    assert_eq!(reference(&[case])[0][0], entry("sender", &first));
    assert_eq!(frame::read(&first, 0), Ok(Pdu::First { length: 4_096, data: &[0x5A, 0x5A] }));
}

/// The frames of a message, as if everything were asked for at once.
fn frames(message: &[u8], address: Option<u8>) -> Vec<Vec<u8>> {
    let layout = Layout { address, ..Layout::CLASSIC };
    let log = exchange(message, layout, 0);
    let bytes = |text: &str| -> Vec<u8> {
        (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).expect("hex")).collect()
    };
    log.iter().filter(|(who, _)| who == "sender").map(|(_, text)| bytes(text)).collect()
}

#[test]
fn disordered_streams_are_read_as_the_reference_reads_them() {
    let mut random = ChaCha8Rng::seed_from_u64(14_229);
    let (mut cases, mut ours) = (Vec::new(), Vec::new());
    for count in 0..400_u32 {
        let address = (count % 4 == 3).then_some(0xF1);
        let mut stream = Vec::new();
        for _ in 0..4 {
            let length = 1 + random.next_u32() as usize % 90;
            let message: Vec<u8> = (0..length).map(|_| random.next_u32() as u8).collect();
            stream.extend(frames(&message, address));
        }
        for _ in 0..random.next_u32() % 4 {
            let (at, other) = (random.next_u32() as usize % stream.len(), random.next_u32() as usize % stream.len());
            match random.next_u32() % 4 {
                0 if stream.len() > 2 => drop(stream.remove(at)),
                1 => stream.insert(at, stream[at].clone()),
                2 => stream.swap(at, other),
                _ => stream.insert(at, stream[other].clone()),
            }
        }
        let (block_size, separation) =
            ([0, 1, 2, 5][random.next_u32() as usize % 4], [0, 10, 0xF3][random.next_u32() as usize % 3]);
        let mut receiver = reception(address, block_size, separation);
        let mut log = Log::new();
        for payload in &stream {
            for action in receiver.frame(Steady(0), payload) {
                match action {
                    Action::SendFlowControl(flow) => {
                        let prefix = address.map(|_| 0x11);
                        log.push(entry("receiver", &prefix.into_iter().chain(flow.bytes()).collect::<Vec<_>>()));
                        receiver.flow_control_left(Steady(0));
                    }
                    Action::Complete(message) => log.push(entry("message", &message)),
                    Action::Fault(_) => {}
                }
            }
        }
        let stream: Vec<String> = stream.iter().map(|payload| hex(payload)).collect();
        cases
            .push(json!({ "receive": stream, "address": address, "block_size": block_size, "separation": separation }));
        ours.push(log);
    }
    let whole = |log: &Log| log.iter().filter(|(who, _)| who == "message").count();
    assert!(
        ours.iter().any(|log| whole(log) == 4) && ours.iter().any(|log| whole(log) < 3),
        "both sound and broken streams"
    );
    for ((case, ours), reference) in cases.iter().zip(&ours).zip(reference(&cases)) {
        assert_eq!(*ours, reference, "{case}");
    }
}
