//! A live source over a datagram socket in place of a CAN interface: the program's own taking, at its own rhythm.
//!
//! Asks nothing of a bus. What an interface is looked at for once a second is asked of the loopback, so that its cost is in.

use std::io;
use std::net::UdpSocket;
use std::os::fd::{AsRawFd, RawFd};
use std::sync::Arc;

use drawdown::observation::Bus;
use drawdown::source::live::{Failure, Live, Outlet};
use drawdown::source::socketcan::round::{Heard, Round};
use drawdown::source::socketcan::taking::{self, Taking};
use drawdown::source::socketcan::{kernel, link};
use socketcan::SocketOptions;

/// A socket of the loopback in place of an interface.
pub struct Socket(pub UdpSocket);

impl AsRawFd for Socket {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_raw_fd()
    }
}

impl SocketOptions for Socket {}

/// A live source over such a socket.
pub struct StandIn {
    socket: Socket,
    bus: Bus,
    round: Arc<Round>,
}

impl StandIn {
    /// A socket that is heard as a bus, prepared as one of CAN is, and taken from together with the others of a round.
    pub fn new(socket: UdpSocket, bus: Bus, round: &Arc<Round>) -> Result<Self, Failure> {
        let stand_in = Self { socket: Socket(socket), bus, round: Arc::clone(round) };
        taking::prepare(&stand_in.socket).map_err(|(what, error)| Failure(format!("can't {what}: {error}")))?;
        Ok(stand_in)
    }
}

impl Live for StandIn {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let failed = |error: &io::Error| Failure(error.to_string());
        let socket = self.socket.0.try_clone().map_err(|error| failed(&error))?;
        let taking = Taking::new(self.bus, outlet);
        let member = Heard::new(socket, taking, outlet);
        let question = link::request("lo")?;
        outlet.reading();
        let look = || kernel::ask(&question).map(drop).map_err(|error| failed(&error));
        self.round.attend(member, outlet, look, failed)
    }
}
