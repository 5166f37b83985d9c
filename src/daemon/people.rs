//! What people are told by: the page, started as the configuration says and ended with the recording.
//!
//! What can't be started is said and left out: the recording goes on without it. Serves nothing itself.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::Config;
use super::config;
use crate::document::Fault;
use crate::live::Hub;
use crate::live::page::{self, Token};
use crate::source::Clock;

/// How often it is tried again to serve the page: a car's own network may come up after the daemon.
const AGAIN_EVERY: Duration = Duration::from_secs(2);
/// How often it is looked whether to stop.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// What runs until it is dropped.
pub struct People {
    stop: Arc<AtomicBool>,
    serving: Option<JoinHandle<()>>,
}

impl People {
    /// Starts what the configuration asks for. Where the page's address can't be had yet it is tried again until it can.
    pub fn start(config: &Config, hub: &Arc<Hub>, clock: &Arc<dyn Clock>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let Some(page) = config.page.clone() else { return Self { stop, serving: None } };
        let first = serve(&page, hub, clock, &stop);
        if let Err(fault) = &first {
            tracing::error!("{fault}; there is no page until that is so");
        }
        let (hub, clock, stopping) = (Arc::clone(hub), Arc::clone(clock), Arc::clone(&stop));
        let keep = move || {
            let mut served = first.ok();
            let mut tried = Instant::now();
            while !stopping.load(Ordering::Relaxed) {
                std::thread::sleep(LOOK_EVERY);
                if served.is_none() && tried.elapsed() >= AGAIN_EVERY {
                    served = serve(&page, &hub, &clock, &stopping).ok();
                    tried = Instant::now();
                }
            }
            served.into_iter().for_each(page::Page::finish);
        };
        let serving = std::thread::Builder::new().name("people".into()).spawn(keep);
        let serving = serving.map_err(|error| tracing::error!("no thread to keep the page on: {error}")).ok();
        Self { stop, serving }
    }
}

impl Drop for People {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(serving) = self.serving.take() {
            // A thread that broke has nothing left to end.
            let _ = serving.join();
        }
    }
}

fn serve(
    page: &config::Page,
    hub: &Arc<Hub>,
    clock: &Arc<dyn Clock>,
    stop: &Arc<AtomicBool>,
) -> Result<page::Page, Fault> {
    let token = match Token::load_or_make(&page.token_file) {
        Ok(token) => Some(token),
        // On loopback the page can be read without one.
        Err(fault) if page.listen.ip().is_loopback() => {
            tracing::error!("{fault}; nothing can be noted on the page");
            None
        }
        Err(fault) => return Err(fault),
    };
    let settings = page::Settings {
        listen: page.listen,
        token: token.clone(),
        names: page.names.clone(),
        clock: Arc::clone(clock),
    };
    let served = page::serve(settings, hub, stop)?;
    let address = served.address();
    let at = match (page.names.first(), address.ip().is_unspecified()) {
        (Some(name), _) => format!("{name}:{}", address.port()),
        (None, true) => format!("ADDRESS-OF-THIS-COMPUTER:{}", address.port()),
        (None, false) => address.to_string(),
    };
    match token {
        Some(token) if is_private_log() => tracing::info!("the page: {}", token.link(&at)),
        Some(_) => {
            tracing::info!("the page: http://{at}/?token= and what {} holds", page.token_file.display());
        }
        None => tracing::info!("the page: http://{at}/"),
    }
    Ok(served)
}

/// Whether what is logged is seen by who started the daemon alone: a journal, a pipe or a file is read by others, and for long.
fn is_private_log() -> bool {
    std::io::stderr().is_terminal()
}
