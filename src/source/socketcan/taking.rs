//! Frames taken from a socket in batches: the kernel's stamps put into time that never jumps, what it dropped counted, error
//! frames told.
//!
//! Works on any datagram socket of which each datagram is one frame as [`super::wire`] reads it, so that its cost can be
//! measured where there is no CAN (the trial `speed`). Opens no socket, sends nothing and knows no interface.

use std::io;
use std::os::fd::BorrowedFd;

use socketcan::SocketOptions;

use super::bus_state::{Burst, BusState, RECEIVE_OVERFLOW};
use super::kernel::{Asks, Message, Room};
use super::kernel_clock::{KernelClock, Reading};
use super::wire::{Control, Drops, Received};
use crate::observation::{Batch, Bus, FrameFlags};
use crate::source::live::Outlet;
use crate::time::{Span, Steady};

/// How long frames gather in the kernel before they are taken.
pub const GATHER: Span = Span::of_millis(10);
/// Bytes asked for as receive buffer; the kernel doubles it. A frame takes some 770 bytes of it (measured on the bench,
/// `docs/bench.md`), so this holds 5 s of a full 500 kbit/s bus of 4,374 frames/s.
pub const RECEIVE_BUFFER: i32 = 8 << 20;
/// Two readings of the clocks this close together are one moment.
const ONE_MOMENT: Span = Span(100);
/// How often the clocks are read again to get them this close.
const READ_AGAIN: usize = 3;

/// Asks the kernel for stamps and for the count of what it drops, and for a large receive buffer: past the machine's limit
/// where that is allowed, else up to it. Returns the buffer granted, bytes.
///
/// # Errors
/// What could not be asked for, with the kernel's word. A smaller buffer is no error.
pub fn prepare(socket: &impl SocketOptions) -> Result<i32, (&'static str, io::Error)> {
    let set = |what, done: io::Result<()>| done.map_err(|error| (what, error));
    set("give stamps", socket.set_recv_timestamp(true))?;
    set("count drops", socket.set_socket_option_int(libc::SOL_SOCKET, libc::SO_RXQ_OVFL, 1))?;
    let set = |option| socket.set_socket_option_int(libc::SOL_SOCKET, option, RECEIVE_BUFFER);
    // Not granted is no fault: what was granted is read back.
    let _ = set(libc::SO_RCVBUFFORCE).or_else(|_| set(libc::SO_RCVBUF));
    Ok(socket.get_socket_option_int(libc::SOL_SOCKET, libc::SO_RCVBUF).unwrap_or(0) / 2)
}

/// What takes the frames of one socket.
pub struct Taking {
    bus: Bus,
    asks: Asks,
    placing: Placing,
}

/// What turns messages of the kernel into frames.
pub struct Placing {
    clock: KernelClock,
    drops: Drops,
    loss: Burst,
    errors: Errors,
}

impl Taking {
    /// For a socket opened now that is heard as this bus.
    pub fn new(bus: Bus, outlet: &Outlet) -> Self {
        Self { bus, asks: Asks::default(), placing: Placing::new(outlet) }
    }

    /// Takes all that waits in the kernel, by way of this room. `hand_on`: a queue that waited long is handed on in pieces.
    ///
    /// # Errors
    /// The socket's. What came before the error is in the batch.
    pub fn take(
        &mut self,
        room: &mut Room,
        socket: BorrowedFd<'_>,
        hand_on: bool,
        outlet: &Outlet,
        batch: &mut Batch,
    ) -> io::Result<()> {
        let mut failed = None;
        loop {
            let begun = outlet.now();
            let more = match room.receive(socket, &mut self.asks) {
                Ok((_, more)) => more,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => false,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                // Told once by the kernel; the frames that came before it still wait. A second one ends it.
                Err(error) if failed.is_none() => {
                    failed = Some(error);
                    continue;
                }
                Err(_) => false,
            };
            self.placing.sample(begun, !more, outlet);
            self.placing.push(room.messages(), self.bus, outlet, batch);
            if !more || outlet.stopping() {
                return failed.map_or(Ok(()), Err);
            }
            if hand_on {
                outlet.send(batch);
            }
        }
    }
}

impl Placing {
    /// For a source that is opened now.
    pub fn new(outlet: &Outlet) -> Self {
        let (now, wall) = (outlet.now(), outlet.wall());
        let (drops, loss, errors) = (Drops::default(), Burst::default(), Errors::default());
        Self { clock: KernelClock::new(now, wall), drops, loss, errors }
    }

    /// Reads the clocks at a taking that began at `begun`; `drained`: the kernel has no more.
    pub fn sample(&mut self, begun: Steady, drained: bool, outlet: &Outlet) {
        self.clock.sample(reading(outlet, begun, drained));
    }

    /// Appends the frames among the messages of a taking; what is no frame is counted.
    pub fn push<'m>(
        &mut self,
        messages: impl Iterator<Item = Message<'m>>,
        bus: Bus,
        outlet: &Outlet,
        batch: &mut Batch,
    ) {
        for message in messages {
            let control = Control::read(message.control);
            let dropped = control.dropped.map_or(0, |count| self.drops.take(count));
            if dropped > 0 {
                outlet.count("frames dropped by the kernel", u64::from(dropped));
                if self.loss.is_new(outlet.now()) {
                    outlet
                        .trouble(format!("the kernel dropped frames, {dropped} at first: they were not taken in time"));
                }
            }
            let frame = match Received::read(message.bytes, message.truncated) {
                Ok(frame) => frame,
                Err(malformed) => {
                    outlet.count(malformed.name(), 1);
                    continue;
                }
            };
            let at = control.stamp.map(|stamp| self.clock.place(stamp)).unwrap_or_else(|| {
                outlet.count("frames without the kernel's stamp", 1);
                outlet.now()
            });
            frame.push(at, bus, batch);
            if frame.flags.has(FrameFlags::ERROR) {
                self.errors.take(frame.id, frame.payload, outlet);
            }
        }
        outlet.count("stamps that fit no clock, put at the nearest bound", self.clock.take_clamped());
    }
}

/// What the error frames of an interface said so far.
#[derive(Default)]
struct Errors {
    state: BusState,
    overflow: Burst,
}

impl Errors {
    fn take(&mut self, class: u32, payload: &[u8], outlet: &Outlet) {
        let mut overflowed = false;
        let said = self.state.take(class, payload, |name| {
            overflowed |= name == RECEIVE_OVERFLOW;
            outlet.count(name, 1);
        });
        said.into_iter().for_each(|said| outlet.trouble(said));
        if overflowed && self.overflow.is_new(outlet.now()) {
            outlet.trouble("the controller lost frames: its receive buffer overflowed");
        }
    }
}

/// Both clocks at one moment: read again where something came between.
fn reading(outlet: &Outlet, begun: Steady, drained: bool) -> Reading {
    let read = || {
        let (before, wall, now) = (outlet.now(), outlet.wall(), outlet.now());
        (now - before, Reading { begun, now, wall, drained })
    };
    let mut best = read();
    for _ in 0..READ_AGAIN {
        if best.0 <= ONE_MOMENT {
            break;
        }
        let again = read();
        if again.0 < best.0 {
            best = again;
        }
    }
    best.1
}

#[cfg(test)]
mod tests {
    use std::net::UdpSocket;
    use std::os::fd::{AsFd, AsRawFd, RawFd};
    use std::sync::Arc;

    use super::*;
    use crate::source::clock::SystemClock;
    use crate::source::live::Shared;
    use crate::source::socketcan::kernel;

    /// A datagram socket of the loopback in place of an interface.
    struct StandIn(UdpSocket);

    impl AsRawFd for StandIn {
        fn as_raw_fd(&self) -> RawFd {
            self.0.as_raw_fd()
        }
    }
    impl SocketOptions for StandIn {}

    #[test]
    fn a_buffer_holds_at_least_ten_times_what_gathers_in_it() {
        // docs/bench.md: 770 bytes a frame, measured there; 4,374 frames/s on a full 500 kbit/s bus.
        let seconds = f64::from(RECEIVE_BUFFER) / (770.0 * 4_374.0);
        assert!(seconds >= 10.0 * GATHER.seconds(), "{RECEIVE_BUFFER} bytes hold {seconds} s");
    }

    #[test]
    fn both_clocks_are_read_at_one_moment() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let outlet = Outlet::new("can0", &shared);
        let (one, two) = (reading(&outlet, outlet.now(), true), reading(&outlet, outlet.now(), true));
        let moved = (two.now - one.now) - (two.wall - one.wall);
        assert!(moved.0.abs() < 50_000, "{moved:?}");
    }

    #[test]
    fn frames_are_taken_from_any_datagram_socket_with_the_kernels_stamps() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let outlet = Outlet::new("stand-in", &shared);
        let socket = StandIn(UdpSocket::bind("127.0.0.1:0").unwrap());
        assert!(prepare(&socket).unwrap() > 0);
        let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
        sender.connect(socket.0.local_addr().unwrap()).unwrap();
        let mut taking = Taking::new(Bus(3), &outlet);
        let (opened, mut batch) = (outlet.now(), Batch::default());
        for id in 0..200u32 {
            // linux/can.h, struct can_frame: identifier, length, three bytes of padding, eight of data.
            let mut bytes = [0; 16];
            bytes[..4].copy_from_slice(&id.to_ne_bytes());
            bytes[4] = 2;
            bytes[8] = id as u8;
            sender.send(&bytes).unwrap();
        }
        sender.send(&[1, 2, 3]).unwrap();
        kernel::wait(&[socket.0.as_fd()], Span::of_seconds(5));
        taking.take(&mut Room::default(), socket.0.as_fd(), false, &outlet, &mut batch).unwrap();
        assert_eq!(batch.frames.len(), 200);
        for (id, frame) in batch.frames.iter().enumerate() {
            assert_eq!((frame.id, frame.bus, batch.payload(frame)), (id as u32, Bus(3), &[id as u8, 0][..]));
            assert!(frame.at >= opened && frame.at <= outlet.now());
        }
        let counts = outlet.state().counts;
        assert_eq!(counts.into_iter().collect::<Vec<_>>(), [("malformed frames: of no frame's length".to_owned(), 1)]);
    }
}
