//! A recording put onto virtual CAN interfaces at its own pace, for bench use.
//!
//! No way round reading only: it sends whatever a recording holds, so it opens none but interfaces that the kernel says are
//! `vcan` or `vxcan`, behind which there is no bus of copper. A physical one is refused, slcan's included. Reads no clock but
//! the one it is given.

use std::io;
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::atomic::{AtomicBool, Ordering};

use socketcan::{
    CanAddr, CanDataFrame, CanFdFrame, CanRemoteFrame, EmbeddedFrame, ExtendedId, Id, Socket, StandardId, id::FdFlags,
};

use super::find;
use super::link::Link;
use crate::document::Fault;
use crate::observation::{Batch, Bus, BusNames, CanId, Frame, FrameFlags};
use crate::source::clock::Clock;
use crate::source::replay::Replay;
use crate::time::{Span, Steady};

/// Frames that are due within this time go together; so none is later than that while the machine keeps up.
const STEP: Span = Span::of_millis(1);
/// How long an interface whose queue is full is waited for.
const FULL_MAX: Span = Span::of_seconds(2);
/// How long is waited between two looks at such a queue.
const FULL_STEP: Span = Span::of_millis(1);
/// The longest wait between two looks at whether to stop.
const WAIT_MAX: Span = Span::of_millis(100);
/// Frames read at a time.
const BATCH_FRAMES: usize = 512;

/// Where the frames of one bus go, or of every bus that is not named.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Onto {
    /// The bus's name in the recording.
    pub bus: Option<String>,
    /// The interface.
    pub interface: String,
}

impl FromStr for Onto {
    type Err = String;

    /// Reads `INTERFACE` or `BUS=INTERFACE`.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (bus, interface) = match text.split_once('=') {
            Some((bus, interface)) => (Some(bus.to_owned()), interface),
            None => (None, text),
        };
        if interface.is_empty() || bus.as_deref() == Some("") {
            return Err(format!("'{text}' is neither INTERFACE nor BUS=INTERFACE"));
        }
        Ok(Self { bus, interface: interface.to_owned() })
    }
}

/// What is to be played.
#[derive(Clone, PartialEq, Debug)]
pub struct Settings {
    /// The recordings, read as one.
    pub recordings: Vec<PathBuf>,
    /// Where their buses go.
    pub onto: Vec<Onto>,
    /// How many times faster than recorded.
    pub speed: f64,
}

/// What came of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Played {
    /// Frames sent.
    pub sent: u64,
    /// Error frames of the recording: an interface makes its own, none can be sent.
    pub error_frames: u64,
    /// Frames of buses that no interface is given for.
    pub other_buses: u64,
    /// Places of the recordings that could not be read.
    pub damage: u64,
    /// How much the latest frame was behind its time.
    pub latest: Span,
}

/// Plays recordings onto interfaces until they end or `stop` is set.
///
/// # Errors
/// If an interface is no virtual one, is not there, or takes no more frames; if no recording can be read.
pub fn play(settings: &Settings, clock: &dyn Clock, stop: &AtomicBool) -> Result<Played, Fault> {
    if !(settings.speed.is_finite() && settings.speed > 0.0) {
        return Err(Fault::whole("--speed", format!("{} is no speed", settings.speed)).remedy("use a number above 0"));
    }
    let mut ports = Vec::with_capacity(settings.onto.len());
    for onto in &settings.onto {
        if settings.onto.iter().filter(|other| other.bus == onto.bus).count() > 1 {
            let bus = onto.bus.as_deref().unwrap_or("every other bus");
            return Err(Fault::whole("--onto", format!("{bus} is given twice")).remedy("give each bus one interface"));
        }
        ports.push((onto.bus.clone(), Interface::open(&onto.interface)?));
    }
    let mut replay = Replay::open(&settings.recordings, None, BATCH_FRAMES)?;
    let mut player = Player { ports, clock, stop, speed: settings.speed, began: None, played: Played::default() };
    let mut batch = Batch::default();
    while !stop.load(Ordering::Relaxed) && replay.next(&mut batch)? {
        player.take(&batch, replay.names())?;
        batch.clear();
    }
    let damage = replay.damage().iter().map(|(_, count, _)| count).sum();
    Ok(Played { damage, ..player.played })
}

/// Something that takes frames.
trait Port {
    /// Takes a frame.
    ///
    /// # Errors
    /// The interface's; `WouldBlock` or ENOBUFS if its queue is full.
    fn send(&mut self, frame: &Frame, payload: &[u8]) -> io::Result<()>;
    /// Its name.
    fn name(&self) -> &str;
}

/// The pace, and where the frames go.
struct Player<'a, P> {
    ports: Vec<(Option<String>, P)>,
    clock: &'a dyn Clock,
    stop: &'a AtomicBool,
    speed: f64,
    /// The first frame's stamp, and when it was sent.
    began: Option<(Steady, Steady)>,
    played: Played,
}

impl<P: Port> Player<'_, P> {
    fn take(&mut self, batch: &Batch, names: &BusNames) -> Result<(), Fault> {
        for frame in &batch.frames {
            let Some(port) = self.port_of(frame.bus, names) else {
                self.played.other_buses += 1;
                continue;
            };
            if frame.flags.has(FrameFlags::ERROR) {
                self.played.error_frames += 1;
                continue;
            }
            let late = self.wait_for(frame.at);
            if self.stop.load(Ordering::Relaxed) {
                return Ok(());
            }
            self.played.latest = self.played.latest.max(late);
            self.send(port, frame, batch.payload(frame))?;
        }
        Ok(())
    }

    /// The port of a bus by its name; else the one that takes every other.
    fn port_of(&self, bus: Bus, names: &BusNames) -> Option<usize> {
        let name = names.name(bus);
        let named = self.ports.iter().position(|(bus, _)| bus.as_deref() == Some(name));
        named.or_else(|| self.ports.iter().position(|(bus, _)| bus.is_none()))
    }

    /// Waits until a frame is due, or for a step where that is longer; returns how late it is.
    fn wait_for(&mut self, at: Steady) -> Span {
        let now = self.clock.now();
        // The first frame is waited for too, so that it is as late as the others are.
        let (first, began) = *self.began.get_or_insert((at, now + STEP + STEP));
        let due = began + Span::from_seconds((at - first).seconds() / self.speed);
        if due > now {
            let wake = due.max(now + STEP);
            while self.clock.now() < wake && !self.stop.load(Ordering::Relaxed) {
                self.clock.wait((wake - self.clock.now()).min(WAIT_MAX));
            }
        }
        self.clock.now() - due
    }

    fn send(&mut self, port: usize, frame: &Frame, payload: &[u8]) -> Result<(), Fault> {
        let Some((_, port)) = self.ports.get_mut(port) else { return Ok(()) };
        let since = self.clock.now();
        loop {
            let error = match port.send(frame, payload) {
                Ok(()) => break,
                Err(error) => error,
            };
            let full = error.kind() == io::ErrorKind::WouldBlock || error.raw_os_error() == Some(libc::ENOBUFS);
            if !full || self.clock.now() - since > FULL_MAX || self.stop.load(Ordering::Relaxed) {
                return Err(refused(port.name(), frame, &error));
            }
            self.clock.wait(FULL_STEP);
        }
        self.played.sent += 1;
        Ok(())
    }
}

fn refused(name: &str, frame: &Frame, error: &io::Error) -> Fault {
    let fault = Fault::whole(name.to_owned(), format!("does not take a frame: {error}"));
    match error.raw_os_error() {
        Some(libc::EINVAL) if frame.flags.has(FrameFlags::FD) => {
            fault.remedy(format!("the recording holds CAN FD: `ip link set {name} down mtu 72`, then up"))
        }
        Some(libc::ENETDOWN | libc::ENXIO | libc::ENODEV) => fault.remedy(format!("`ip link set {name} up`")),
        _ => fault,
    }
}

/// A virtual interface that is written to.
struct Interface {
    name: String,
    socket: socketcan::CanFdSocket,
}

impl Interface {
    fn open(name: &str) -> Result<Self, Fault> {
        let fault = |what: String| Fault::whole(name.to_owned(), what);
        let link = find(name).map_err(|failure| fault(failure.0).remedy(MAKE_ONE))?;
        may_play_onto(name, &link)?;
        let address = CanAddr::new(link.index);
        let opened = socketcan::CanFdSocket::open_addr(&address).and_then(|socket| {
            // Nothing is read here, and what is not read would fill a queue.
            socketcan::SocketOptions::set_filter_drop_all(&socket)?;
            socket.set_nonblocking(true)?;
            Ok(socket)
        });
        let socket = opened.map_err(|error| fault(format!("can't be opened: {error}")))?;
        Ok(Self { name: name.to_owned(), socket })
    }
}

const MAKE_ONE: &str = "`ip link add vcan0 type vcan` and `ip link set vcan0 mtu 72 up` make a virtual one";

/// Whether a recording may be put onto an interface.
fn may_play_onto(name: &str, link: &Link) -> Result<(), Fault> {
    let fault = |what: &str| Err(Fault::whole(name.to_owned(), what.to_owned()).remedy(MAKE_ONE));
    if !link.is_can {
        return fault("is not a CAN interface");
    }
    if !link.is_virtual() {
        return fault("is not virtual (vcan, vxcan): a recording is never put onto a bus that a car may hang on");
    }
    if !link.up {
        let down = Fault::whole(name.to_owned(), "is down");
        return Err(down.remedy(format!("bring it up with `ip link set {name} up`")));
    }
    Ok(())
}

impl Port for Interface {
    fn send(&mut self, frame: &Frame, payload: &[u8]) -> io::Result<()> {
        let invalid = || io::Error::from(io::ErrorKind::InvalidInput);
        let id = match frame.can_id() {
            CanId::Standard(id) => StandardId::new(id).map(Id::Standard),
            CanId::Extended(id) => ExtendedId::new(id).map(Id::Extended),
        };
        let id = id.ok_or_else(invalid)?;
        if frame.flags.has(FrameFlags::FD) {
            let bit = |flag, wire| if frame.flags.has(flag) { wire } else { FdFlags::empty() };
            let flags = bit(FrameFlags::BRS, FdFlags::BRS) | bit(FrameFlags::ESI, FdFlags::ESI);
            let sent = CanFdFrame::with_flags(id, payload, flags | FdFlags::FDF);
            self.socket.write_frame(&sent.ok_or_else(invalid)?)
        } else if frame.flags.has(FrameFlags::REMOTE) {
            let sent = CanRemoteFrame::new_remote(id, usize::from(frame.len));
            self.socket.write_frame(&sent.ok_or_else(invalid)?)
        } else {
            self.socket.write_frame(&CanDataFrame::new(id, payload).ok_or_else(invalid)?)
        }
    }

    fn name(&self) -> &str {
        &self.name
    }
}

#[cfg(test)]
mod tests;
