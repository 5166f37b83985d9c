//! What people are told by: the page, started as the configuration says and ended with the recording.
//!
//! What can't be started is said and left out: the recording goes on without it. Serves nothing itself.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::Config;
use super::config;
use crate::document::Fault;
use crate::live::Hub;
use crate::live::page::{self, Token};
use crate::source::Clock;

/// What runs until it is dropped.
pub struct People {
    stop: Arc<AtomicBool>,
    page: Option<page::Page>,
}

impl People {
    /// Starts what the configuration asks for.
    pub fn start(config: &Config, hub: &Arc<Hub>, clock: &Arc<dyn Clock>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let page = config.page.as_ref().and_then(|page| {
            let served = serve(page, hub, clock, &stop);
            served.map_err(|fault| tracing::error!("{fault}; there is no page")).ok()
        });
        Self { stop, page }
    }
}

impl Drop for People {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(page) = self.page.take() {
            page.finish();
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

/// Whether what is logged is kept from other users: not where it goes to a file that anybody may read.
fn is_private_log() -> bool {
    use rustix::fs::{FileType, fstat};
    fstat(std::io::stderr()).is_ok_and(|found| {
        FileType::from_raw_mode(found.st_mode) != FileType::RegularFile || found.st_mode & 0o004 == 0
    })
}
