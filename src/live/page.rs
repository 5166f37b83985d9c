//! The page: a small web server beside the recording, on a thread of its own, for a passenger's phone and for programs.
//!
//! Can hold nothing up: it reads the hub and leaves what people ask for there. Listens where it is told, no encryption of its own
//! (`docs/page.md`).

pub mod asked;
mod connection;
pub mod gate;
pub mod pass;
mod routes;
mod telling;
#[cfg(test)]
mod tests;

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::mpsc;
use std::thread::JoinHandle;

use tokio::sync::watch;

use self::connection::Patience;
use self::gate::Gate;
pub use self::pass::Token;
use self::routes::Desk;
use self::telling::Told;
use super::Hub;
use super::metrics::Counts;
use crate::document::Fault;
use crate::source::Clock;

/// Where the page listens unless told otherwise.
pub const LISTEN: &str = "127.0.0.1:8460";

/// How the page is served.
#[derive(Clone)]
pub struct Settings {
    /// The address to listen on; port 0 takes any that is free.
    pub listen: SocketAddr,
    /// What lets people in; needed on any address but loopback, and there for marks.
    pub token: Option<Token>,
    /// Names under which this computer may be asked for, beside its address.
    pub names: Vec<String>,
    /// The clock that stamps what people ask for.
    pub clock: Arc<dyn Clock>,
}

/// The page being served.
#[derive(Debug)]
pub struct Page {
    address: SocketAddr,
    thread: JoinHandle<()>,
}

impl Page {
    /// The address that is listened on.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Waits for the end of serving, which follows the stop within a fraction of a second.
    pub fn finish(self) {
        // A thread that broke has nothing left to end.
        let _ = self.thread.join();
    }
}

/// Serves the page until `stop` is set.
///
/// # Errors
/// If the address can't be listened on, or would let in anybody without a token, or there is no thread.
pub fn serve(settings: Settings, hub: &Arc<Hub>, stop: &Arc<AtomicBool>) -> Result<Page, Fault> {
    serve_with(settings, hub, stop, Patience::default())
}

fn serve_with(settings: Settings, hub: &Arc<Hub>, stop: &Arc<AtomicBool>, patience: Patience) -> Result<Page, Fault> {
    let Settings { listen, token, names, clock } = settings;
    let place = format!("[page] listen {listen}");
    if token.is_none() && !listen.ip().is_loopback() {
        let remedy = "give [page] a token_file, or listen on 127.0.0.1";
        return Err(Fault::whole(place, "others than this computer could read it without a token").remedy(remedy));
    }
    let (hub, stop) = (Arc::clone(hub), Arc::clone(stop));
    let (say, heard) = mpsc::sync_channel(1);
    let run = move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build();
        let runtime = match runtime {
            Ok(runtime) => runtime,
            Err(error) => return drop(say.send(Err(error))),
        };
        runtime.block_on(async {
            let listener = connection::listen(listen);
            let listener = match listener.and_then(|listener| Ok((listener.local_addr()?, listener))) {
                Ok((address, listener)) => {
                    let _ = say.send(Ok(address));
                    listener
                }
                Err(error) => return drop(say.send(Err(error))),
            };
            let (sender, told) = watch::channel(Told::nothing());
            tokio::spawn(telling::tell(Arc::clone(&hub), sender));
            let gate = Gate::new(listen, token, names);
            let desk = Desk { hub, gate, told, clock, counts: Counts::default() };
            connection::serve(listener, routes::routes(Arc::new(desk)), patience, &stop).await;
        });
    };
    let thread = std::thread::Builder::new().name("page".into()).spawn(run);
    let thread = thread.map_err(|error| Fault::whole(&place, format!("no thread to serve it on: {error}")))?;
    match heard.recv() {
        Ok(Ok(address)) => Ok(Page { address, thread }),
        Ok(Err(error)) => {
            let remedy = "see what else listens there, or choose another port";
            Err(Fault::whole(place, format!("cannot be listened on: {error}")).remedy(remedy))
        }
        Err(_) => Err(Fault::whole(place, "its thread ended at once")),
    }
}
