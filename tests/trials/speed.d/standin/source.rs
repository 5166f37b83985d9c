//! A live source over a datagram socket in place of a CAN interface: the program's own taking, at its own rhythm.
//!
//! Asks nothing of a bus. What an interface is looked at for once a second is asked of the loopback, so that its cost is in.

use std::net::UdpSocket;
use std::os::fd::{AsFd, AsRawFd, RawFd};

use drawdown::observation::{Batch, Bus};
use drawdown::source::live::{Failure, Live, Outlet};
use drawdown::source::socketcan::taking::{self, Taking};
use drawdown::source::socketcan::{kernel, link};
use drawdown::time::Span;
use socketcan::SocketOptions;

/// How often the interface is looked at.
const LOOK_EVERY: Span = Span::of_seconds(1);

/// A socket of the loopback in place of an interface.
pub struct StandIn {
    socket: UdpSocket,
    bus: Bus,
}

impl AsRawFd for StandIn {
    fn as_raw_fd(&self) -> RawFd {
        self.socket.as_raw_fd()
    }
}

impl SocketOptions for StandIn {}

impl StandIn {
    /// A socket that is heard as a bus, prepared as one of CAN is.
    pub fn new(socket: UdpSocket, bus: Bus) -> Result<Self, Failure> {
        let stand_in = Self { socket, bus };
        taking::prepare(&stand_in).map_err(|(what, error)| Failure(format!("can't {what}: {error}")))?;
        Ok(stand_in)
    }
}

impl Live for StandIn {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        let failed = |error: std::io::Error| Failure(error.to_string());
        let mut taking = Taking::new(self.bus, outlet);
        let (mut looked, mut batch) = (outlet.now(), Batch::default());
        let question = link::request("lo")?;
        outlet.reading();
        while !outlet.stopping() {
            outlet.pause_to_tick(taking::GATHER);
            taking.take(self.socket.as_fd(), true, outlet, &mut batch).map_err(failed)?;
            outlet.send(&mut batch);
            if outlet.now() - looked >= LOOK_EVERY {
                looked = outlet.now();
                kernel::ask(&question).map_err(failed)?;
            }
        }
        Ok(())
    }
}
