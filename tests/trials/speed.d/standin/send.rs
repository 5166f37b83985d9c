//! The sender: the log's frames, bus by bus, one datagram each, evenly spaced at the rate of full buses.
//!
//! Does not sleep between two frames, since a sleep gathers them: it looks at the clock until the next is due. Measures nothing
//! of the receiver.

use std::io::Read;
use std::net::UdpSocket;
use std::path::Path;
use std::time::{Duration, Instant};

use drawdown::observation::{Batch, BusNames, Frame, FrameFlags};
use drawdown::source::replay;
use drawdown::source::socketcan::wire;

use super::{BUSES, FULL_BUS, Outcome};

/// Frames of the log that are sent, over and over.
const KEPT: usize = 200_000;
/// A frame sent later than this is told.
const LATE: Duration = Duration::from_millis(1);
/// What ends a bus: a datagram that is no frame.
pub const END: &[u8] = b"END";

/// A frame as `struct can_frame` (linux/can.h); of the log's frames each is classic and carries data.
pub fn bytes(frame: &Frame) -> [u8; wire::CLASSIC] {
    let mut bytes = [0; wire::CLASSIC];
    let extended = if frame.flags.has(FrameFlags::EXTENDED) { 0x8000_0000 } else { 0 };
    bytes[..4].copy_from_slice(&(frame.id | extended).to_ne_bytes());
    bytes[4] = frame.len;
    bytes[8..].copy_from_slice(&frame.data);
    bytes
}

/// The first frames of a log, in order.
pub fn frames(log: &Path, most: usize) -> Outcome<(Vec<Frame>, BusNames)> {
    let mut recording = replay::open(log, None)?;
    let (mut frames, mut batch, mut names) = (Vec::new(), Batch::default(), BusNames::default());
    let mut more = true;
    while more && frames.len() < most {
        more = recording.read(&mut batch, &mut names)?;
        frames.append(&mut batch.frames);
        batch.clear();
    }
    frames.truncate(most);
    Ok((frames, names))
}

/// Sends when told to by a line, and prints how many and how late.
pub fn send(log: &Path, seconds: f64, ports: &[&str]) -> Outcome<()> {
    let (frames, names) = frames(log, KEPT)?;
    // The buses in the order of their names, which is that of the ports.
    let mut sorted = names.names().to_vec();
    sorted.sort();
    let mut buses = vec![Vec::new(); BUSES];
    for frame in &frames {
        let place = sorted.iter().position(|name| *name == names.name(frame.bus)).ok_or("a bus without a name")?;
        buses.get_mut(place).ok_or("a log of more than three buses")?.push(bytes(frame));
    }
    let sockets: Vec<UdpSocket> = ports
        .iter()
        .map(|port| {
            let socket = UdpSocket::bind("127.0.0.1:0")?;
            socket.connect(("127.0.0.1", port.parse::<u16>()?))?;
            Ok::<_, Box<dyn std::error::Error>>(socket)
        })
        .collect::<Result<_, _>>()?;
    println!("ready");
    std::io::stdin().read_exact(&mut [0])?;
    let rate = (BUSES as u64 * FULL_BUS) as f64;
    let (count, began, mut late) = ((seconds * rate) as u64, Instant::now(), 0);
    for number in 0..count {
        let due = began + Duration::from_secs_f64(number as f64 / rate);
        while Instant::now() < due {
            std::hint::spin_loop();
        }
        let bus = number as usize % BUSES;
        let of_bus = &buses[bus];
        sockets[bus].send(&of_bus[number as usize / BUSES % of_bus.len()])?;
        late += u64::from(due.elapsed() > LATE);
    }
    let took = began.elapsed().as_secs_f64();
    for socket in &sockets {
        socket.send(END)?;
    }
    println!("{{\"sent\": {count}, \"seconds\": {took:.4}, \"late\": {late}}}");
    Ok(())
}
