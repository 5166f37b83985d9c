//! A live source over a datagram socket in place of a CAN interface: the program's own taking, at its own rhythm.
//!
//! Asks nothing of a bus. What an interface is looked at for once a second is asked of the loopback, so that its cost is in.

use std::io;
use std::net::UdpSocket;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, RawFd};
use std::sync::Arc;

use drawdown::observation::{Batch, Bus};
use drawdown::source::live::{Failure, Live, Outlet};
use drawdown::source::socketcan::kernel::Room;
use drawdown::source::socketcan::round::{Member, Round};
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

/// What is taken from in the round.
struct Heard {
    socket: UdpSocket,
    taking: Taking,
    outlet: Outlet,
    batch: Batch,
}

impl Member for Heard {
    fn socket(&self) -> BorrowedFd<'_> {
        self.socket.as_fd()
    }

    fn take(&mut self, room: &mut Room) -> io::Result<bool> {
        self.taking.take(room, self.socket.as_fd(), true, &self.outlet, &mut self.batch)?;
        let any = !self.batch.is_empty();
        self.outlet.send(&mut self.batch);
        Ok(any)
    }
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
        let member = Heard { socket, taking, outlet: outlet.clone(), batch: Batch::default() };
        let question = link::request("lo")?;
        outlet.reading();
        let look = || kernel::ask(&question).map(drop).map_err(|error| failed(&error));
        self.round.attend(member, outlet, look, failed)
    }
}
