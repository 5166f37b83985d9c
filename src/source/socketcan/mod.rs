//! Buses that the kernel drives: a SocketCAN interface read in batches with the kernel's stamps, and asked where that is on.
//!
//! Never configures an interface, and sends nothing but [`crate::diag::TransmitFrame`]s. Does not decode. `playback`, which
//! puts a recording onto a virtual interface for bench use, is no part of the source.

pub mod bus_state;
pub mod kernel;
pub mod kernel_clock;
pub mod link;
pub mod playback;
pub mod round;
pub mod taking;
pub mod wire;

use std::io;
use std::os::fd::AsFd;
use std::sync::Arc;

use socketcan::{CanAddr, CanDataFrame, CanFdSocket, EmbeddedFrame, ExtendedId, Socket, SocketOptions, StandardId};

use super::asking::Asking;
use super::live::{Failure, Live, Outlet};
use crate::diag::TransmitFrame;
use crate::map::{Map, Message, Origin};
use crate::observation::{Batch, Bus, CanId};
use crate::time::Span;
use kernel::Room;
use link::{Access, Link};
use round::{Heard, LOOK_EVERY, Round};
use taking::{GATHER, RECEIVE_BUFFER, Taking};

/// How long frames gather in the kernel (else [`GATHER`]) while a request is open, so that flow control leaves in time.
const GATHER_OPEN: Span = Span::of_millis(1);
/// The most filters that the kernel takes (linux/can/raw.h, `CAN_RAW_FILTER_MAX`).
const FILTERS_MAX: usize = 512;

/// How an interface is read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Settings {
    /// Its name, `can0`.
    pub interface: String,
    /// The bus's bit rate, bit/s; asked for when polling.
    pub bit_rate: Option<u32>,
    /// Whether requests may be sent.
    pub polling: bool,
}

/// A SocketCAN interface as a live source.
pub struct SocketCan {
    settings: Settings,
    bus: Bus,
    filters: Option<Vec<CanId>>,
    asking: Option<Asking>,
    small_buffer_said: bool,
    round: Arc<Round>,
}

impl SocketCan {
    /// Reads this interface as this bus. `filters`: where only frames of these identifiers are wanted; a bus that is asked
    /// is heard whole all the same, since an identifier that another sender uses must be known. `asking`: its requests.
    pub fn new(settings: Settings, bus: Bus, filters: Option<Vec<CanId>>, asking: Option<Asking>) -> Self {
        let filters = filters.filter(|filters| asking.is_none() && filters.len() <= FILTERS_MAX);
        Self { settings, bus, filters, asking, small_buffer_said: false, round: Arc::default() }
    }

    /// The same source, taken from together with others where nothing is asked on it.
    pub fn in_round(self, round: &Arc<Round>) -> Self {
        Self { round: Arc::clone(round), ..self }
    }

    fn open(&mut self, outlet: &Outlet) -> Result<Open, Failure> {
        let (link, access) = look(&self.settings)?;
        let name = &self.settings.interface;
        let failed = |what: &str, error: &io::Error| Failure(format!("{name}: can't {what}: {error}"));
        let address = CanAddr::new(link.index);
        let socket = CanFdSocket::open_addr(&address).map_err(|error| failed("be opened", &error))?;
        let set = |what: &str, done: io::Result<()>| done.map_err(|error| failed(what, &error));
        set("be read without waiting", socket.set_nonblocking(true))?;
        set("give error frames", socket.set_error_filter_accept_all())?;
        let granted = taking::prepare(&socket).map_err(|(what, error)| failed(what, &error))?;
        if let Some(filters) = &self.filters {
            let filters: Vec<(u32, u32)> = filters.iter().map(|id| wire::filter(*id)).collect();
            set("be filtered", socket.set_filters(&filters))?;
        }
        self.say_small_buffer(granted, outlet);
        if access == Access::Listen && self.asking.is_some() {
            let name = &self.settings.interface;
            outlet.trouble(format!("{name} is in listen-only mode, so nothing can be asked"));
        }
        Ok(Open { socket, link, access, taking: Taking::new(self.bus, outlet) })
    }

    fn say_small_buffer(&mut self, granted: i32, outlet: &Outlet) {
        if granted < RECEIVE_BUFFER && !std::mem::replace(&mut self.small_buffer_said, true) {
            tracing::warn!(
                "{}: the kernel keeps {} kB for frames that wait, not {} kB; set net.core.rmem_max = {RECEIVE_BUFFER}",
                outlet.name(),
                granted / 1024,
                RECEIVE_BUFFER / 1024
            );
        }
    }

    fn read(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let open = self.open(outlet)?;
        if self.asking.is_some() { self.read_and_ask(open, outlet) } else { self.read_in_round(open, outlet) }
    }

    fn read_in_round(&self, open: Open, outlet: &Outlet) -> Result<(), Failure> {
        let Open { socket, link, access, taking } = open;
        let member = Heard::new(socket, taking, outlet);
        outlet.reading();
        let look = || self.look_again((link.index, access), outlet);
        self.round.attend(member, outlet, look, |error| self.lost(error))
    }

    fn read_and_ask(&mut self, mut open: Open, outlet: &Outlet) -> Result<(), Failure> {
        let mut looked = outlet.now();
        let (mut room, mut batch) = (Room::default(), Batch::default());
        if let Some(asking) = self.asking.as_mut().filter(|_| open.access == Access::Ask) {
            asking.up(outlet.now());
        }
        outlet.reading();
        while !outlet.stopping() {
            let is_open = self.asking.as_ref().is_some_and(Asking::is_open);
            outlet.pause_to_tick(if is_open { GATHER_OPEN } else { GATHER });
            let hand_on = open.access == Access::Listen;
            let taken = open.taking.take(&mut room, open.socket.as_fd(), hand_on, outlet, &mut batch);
            self.ask(&open, outlet, &mut batch);
            outlet.send(&mut batch);
            taken.map_err(|error| self.lost(&error))?;
            if outlet.now() - looked >= LOOK_EVERY {
                looked = outlet.now();
                self.look_again((open.link.index, open.access), outlet)?;
            }
        }
        Ok(())
    }

    /// What a failed taking means: the interface itself says it best.
    fn lost(&self, error: &io::Error) -> Failure {
        match look(&self.settings) {
            Err(failure) => failure,
            Ok(_) => Failure(format!("{}: can't be read: {error}; it is opened again", self.settings.interface)),
        }
    }

    /// Whether the interface is still the one that was opened.
    fn look_again(&self, opened: (u32, Access), outlet: &Outlet) -> Result<(), Failure> {
        if let Some(asking) = &self.asking {
            asking.report(outlet);
        }
        let (link, access) = look(&self.settings)?;
        if (link.index, access) != opened {
            return Err(Failure(format!(
                "{} is another interface than before; it is opened again",
                self.settings.interface
            )));
        }
        Ok(())
    }

    /// Shows the requests what was received, and sends what they want sent.
    fn ask(&mut self, open: &Open, outlet: &Outlet, batch: &mut Batch) {
        let Some(asking) = self.asking.as_mut().filter(|_| open.access == Access::Ask) else { return };
        let mut came = Batch::default();
        for frame in &batch.frames {
            asking.frame(outlet, frame, batch.payload(frame), &mut came);
        }
        while let Some(frame) = asking.next(outlet, &mut came) {
            match open.send(&frame) {
                Ok(()) => asking.left(outlet.now()),
                // Not told as left: the session gives it up and goes on by itself.
                Err(error) => {
                    outlet.count(&format!("requests not taken by the interface: {error}"), 1);
                    break;
                }
            }
        }
        batch.rest.append(&mut came.rest);
    }
}

impl Live for SocketCan {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let ended = self.read(outlet);
        if let Some(asking) = &mut self.asking {
            asking.down();
        }
        ended
    }
}

/// The identifiers of a bus that a map decodes, for the kernel's filter where frames are not recorded.
pub fn filters(map: &Map, bus: &str) -> Vec<CanId> {
    let wanted = |message: &Message| match &message.origin {
        Origin::Frame { bus: named, id, .. } if named.as_deref().is_none_or(|named| named == bus) => Some(*id),
        _ => None,
    };
    let mut ids: Vec<CanId> = map.messages.iter().filter_map(wanted).collect();
    ids.sort_unstable();
    ids.dedup();
    ids
}

/// The interface as it is now, and what may be done with it.
///
/// # Errors
/// If it is not there or may not be read, with the remedy.
fn look(settings: &Settings) -> Result<(Link, Access), Failure> {
    let link = find(&settings.interface)?;
    let access = link::judge(&link, settings)?;
    Ok((link, access))
}

/// The interface of this name as it is now.
fn find(name: &str) -> Result<Link, Failure> {
    let answer = kernel::ask(&link::request(name)?);
    answer.and_then(|answer| Link::read(&answer)).map_err(|error| match error.raw_os_error() {
        Some(libc::ENODEV) => {
            Failure(format!("there is no interface {name}; plug it in, or see `ip link` for its name"))
        }
        _ => Failure(format!("{name}: the kernel does not say what it is: {error}")),
    })
}

/// An interface while it is read.
struct Open {
    socket: CanFdSocket,
    link: Link,
    access: Access,
    taking: Taking,
}

impl Open {
    /// Puts a frame onto the bus: the only place where this source does.
    fn send(&self, frame: &TransmitFrame) -> io::Result<()> {
        let data = frame.data();
        let sent = match frame.id() {
            CanId::Standard(id) => StandardId::new(id).and_then(|id| CanDataFrame::new(id, data)),
            CanId::Extended(id) => ExtendedId::new(id).and_then(|id| CanDataFrame::new(id, data)),
        };
        self.socket.write_frame(&sent.ok_or(io::ErrorKind::InvalidInput)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::clock::SystemClock;
    use crate::source::live::Shared;

    #[test]
    fn what_can_not_be_read_says_why_and_what_to_do() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let outlet = Outlet::new("can0", &shared);
        let run = |interface: &str| {
            let settings = Settings { interface: interface.into(), bit_rate: None, polling: false };
            SocketCan::new(settings, Bus(0), None, None).run(&outlet).unwrap_err().0
        };
        assert_eq!(run("no-such-one"), "there is no interface no-such-one; plug it in, or see `ip link` for its name");
        assert_eq!(run("lo"), "lo is not a CAN interface; `ip -details link` shows which are");
        assert!(run("a b").starts_with("'a b' can't name an interface;"));
    }

    #[test]
    fn a_bus_that_is_asked_is_heard_whole() {
        let settings = Settings { interface: "can0".into(), bit_rate: None, polling: true };
        let filters = Some(vec![CanId::Standard(1)]);
        let asked = Asking::new(Bus(0), Vec::new(), false);
        assert!(SocketCan::new(settings.clone(), Bus(0), filters.clone(), Some(asked)).filters.is_none());
        assert_eq!(SocketCan::new(settings.clone(), Bus(0), filters.clone(), None).filters, filters);
        let many = Some((0..600).map(CanId::Standard).collect());
        assert!(SocketCan::new(settings, Bus(0), many, None).filters.is_none());
    }

    #[test]
    fn a_maps_identifiers_are_its_buses_own_and_those_of_any_bus() {
        let message = |bus: &str, id: u32| {
            let signal = format!("[[message.signal]]\nname = 'S{id}'\nstart = 0\nlength = 8\n");
            format!("[[message]]\nname = 'M{id}'\n{bus}id = {id}\nlength = 1\n{signal}")
        };
        let text = [message("", 0x300), message("bus = 'can0'\n", 0x200), message("bus = 'can1'\n", 0x100)].concat();
        let map = crate::map::from_text("map.toml", &text, None).map.unwrap();
        assert_eq!(filters(&map, "can0"), [CanId::Standard(0x200), CanId::Standard(0x300)]);
        assert_eq!(filters(&map, "can1"), [CanId::Standard(0x100), CanId::Standard(0x300)]);
    }
}
