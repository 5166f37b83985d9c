//! Telling the service manager how it goes: ready, alive, stopping, and a line of status.
//!
//! The datagrams of sd_notify(3), written to the socket that `NOTIFY_SOCKET` names; without one nothing is told. A failure
//! to tell is nobody's fault: it changes nothing.

use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};

use crate::time::{Span, Steady};

/// What tells the service manager.
#[derive(Debug, Default)]
pub struct Notify {
    to: Option<(UnixDatagram, SocketAddr)>,
    /// How often to say that the daemon is alive.
    alive_every: Option<Span>,
    said_alive: Option<Steady>,
    said_status: String,
}

impl Notify {
    /// What the environment asks for.
    pub fn from_environment() -> Self {
        let variable = |name: &str| std::env::var(name).ok();
        let pid = variable("WATCHDOG_PID");
        let for_us = pid.is_none_or(|pid| pid == std::process::id().to_string());
        let watchdog = variable("WATCHDOG_USEC").filter(|_| for_us);
        Self::new(variable("NOTIFY_SOCKET").as_deref(), watchdog.as_deref())
    }

    /// Tells a socket (a path, or `@` and an abstract name), being alive at half of the watchdog's time in microseconds.
    pub fn new(socket: Option<&str>, watchdog_us: Option<&str>) -> Self {
        let address = |name: &str| match name.strip_prefix('@') {
            Some(name) => SocketAddr::from_abstract_name(name),
            None => SocketAddr::from_pathname(name),
        };
        let open = |name: &str| {
            let socket = UnixDatagram::unbound()?;
            // A manager that takes nothing must not hold the recording up.
            socket.set_nonblocking(true)?;
            Ok::<_, std::io::Error>((socket, address(name)?))
        };
        let to = socket.and_then(|name| open(name).map_err(|error| tracing::warn!("{name}: {error}")).ok());
        let us = watchdog_us.and_then(|us| us.parse::<i64>().ok()).filter(|us| *us > 0);
        Self { to, alive_every: us.map(|us| Span(us / 2)), ..Self::default() }
    }

    /// The recording has begun, or waits for what is to be recorded.
    pub fn ready(&self) {
        self.tell("READY=1");
    }

    /// The main loop has turned.
    pub fn alive(&mut self, now: Steady) {
        if self.alive_every.is_some_and(|every| self.said_alive.is_none_or(|said| now - said >= every)) {
            self.said_alive = Some(now);
            self.tell("WATCHDOG=1");
        }
    }

    /// Everything is being closed.
    pub fn stopping(&self) {
        self.tell("STOPPING=1");
    }

    /// How it fares, in one line; said when it changes.
    pub fn status(&mut self, line: String) {
        if line != self.said_status {
            self.tell(&format!("STATUS={line}"));
            self.said_status = line;
        }
    }

    fn tell(&self, what: &str) {
        if let Some((socket, address)) = &self.to {
            let _ = socket.send_to_addr(what.as_bytes(), address);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(socket: &UnixDatagram) -> Vec<String> {
        socket.set_nonblocking(true).unwrap();
        let mut bytes = [0; 200];
        let mut all = Vec::new();
        while let Ok(length) = socket.recv(&mut bytes) {
            all.push(String::from_utf8_lossy(&bytes[..length]).into_owned());
        }
        all
    }

    #[test]
    fn alive_is_said_at_half_the_interval_and_only_when_the_loop_turns() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let manager = UnixDatagram::bind(&path).unwrap();
        let mut notify = Notify::new(path.to_str(), Some("10000000"));
        notify.ready();
        for second in 0..12 {
            notify.alive(Steady(second * 1_000_000));
        }
        notify.status("recording".into());
        notify.status("recording".into());
        notify.stopping();
        let alive = "WATCHDOG=1";
        assert_eq!(heard(&manager), ["READY=1", alive, alive, alive, "STATUS=recording", "STOPPING=1"]);
    }

    #[test]
    fn abstract_sockets_and_managers_that_are_gone() {
        let name = format!("drawdown-test-{}", std::process::id());
        let manager = UnixDatagram::bind_addr(&SocketAddr::from_abstract_name(&name).unwrap()).unwrap();
        let notify = Notify::new(Some(&format!("@{name}")), None);
        notify.ready();
        assert_eq!(heard(&manager), ["READY=1"]);
        drop(manager);
        notify.stopping();
        Notify::new(None, Some("1000")).alive(Steady(0));
    }
}
