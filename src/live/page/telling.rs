//! The board, written once a second for all who watch; and blanked when nothing new has come for a while.
//!
//! Whoever is slow misses some and gets the newest: nothing gathers for anybody. Judges nothing.

use std::convert::Infallible;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt};

use crate::live::{Hub, Moment, board};

/// A moment is stale after so long without a newer one.
const STALE_S: u32 = 5;
/// Moments that come faster are not all told.
const LEAST_APART: Duration = Duration::from_millis(700);

/// What is told of a moment.
#[derive(Clone, Debug)]
pub struct Told {
    /// Whether there is a moment and it is not stale.
    pub fresh: bool,
    /// The event for those who watch.
    pub event: Bytes,
}

impl Told {
    /// Before anything is known.
    pub fn nothing() -> Self {
        Self { fresh: false, event: blank(0) }
    }
}

fn blank(number: u64) -> Bytes {
    format!("id: {number}\nevent: blank\ndata: {{}}\n\n").into()
}

/// The event of a moment (HTML standard, 9.2: server-sent events); JSON has no line end of its own.
fn event(number: u64, moment: &Moment) -> Option<Bytes> {
    // A fault in the words must not end the telling.
    let board = catch_unwind(AssertUnwindSafe(|| board(moment))).ok()?;
    let json = serde_json::to_string(&board).ok()?;
    Some(format!("id: {number}\nevent: board\ndata: {json}\n\n").into())
}

/// Tells until the hub is gone, which it outlives.
pub async fn tell(hub: Arc<Hub>, told: watch::Sender<Told>) {
    let mut moments = hub.watch();
    moments.mark_changed();
    let (mut number, mut without) = (0, 0);
    loop {
        let waited = tokio::time::timeout(Duration::from_secs(1), moments.changed()).await;
        number += 1;
        let newest = moments.borrow_and_update().clone().filter(|_| waited.is_ok());
        if let Some(event) = newest.and_then(|moment| event(number, &moment)) {
            without = 0;
            told.send_replace(Told { fresh: true, event });
            tokio::time::sleep(LEAST_APART).await;
        } else {
            without = (without + 1).min(STALE_S);
            // Said again each second, which also shows who watches that this end lives.
            if without == STALE_S || !told.borrow().fresh {
                told.send_replace(Told { fresh: false, event: blank(number) });
            }
            if waited.is_ok() {
                // An empty hub, or words that failed: not at full speed again.
                tokio::time::sleep(LEAST_APART).await;
            }
        }
    }
}

/// How a browser that lost the connection comes back: after so many milliseconds.
const RETRY: &str = "retry: 1000\n\n";

/// The events, as they come.
pub fn stream(told: watch::Receiver<Told>) -> Response {
    let first = tokio_stream::once(Bytes::from_static(RETRY.as_bytes()));
    let events: Box<dyn Stream<Item = Result<Bytes, Infallible>> + Send + Unpin> =
        Box::new(first.chain(WatchStream::new(told).map(|told| told.event)).map(Ok));
    ([(header::CONTENT_TYPE, "text/event-stream")], Body::from_stream(events)).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::board::tests::sample;

    #[test]
    fn a_moment_is_told_and_blanked_when_no_newer_one_comes() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        runtime.block_on(async {
            let hub = Arc::new(Hub::default());
            let (sender, mut told) = watch::channel(Told::nothing());
            tokio::spawn(tell(Arc::clone(&hub), sender));
            hub.show(sample());
            told.wait_for(|told| told.fresh).await.unwrap();
            let event = told.borrow().event.clone();
            let text = std::str::from_utf8(&event).unwrap();
            assert!(text.contains("event: board\ndata: {") && text.ends_with("}\n\n") && text.lines().count() == 4);
            let blanked = tokio::time::timeout(Duration::from_secs(7), told.wait_for(|told| !told.fresh)).await;
            assert!(blanked.unwrap().unwrap().event.ends_with(b"event: blank\ndata: {}\n\n"));
            hub.show(sample());
            told.wait_for(|told| told.fresh).await.unwrap();
        });
    }
}
