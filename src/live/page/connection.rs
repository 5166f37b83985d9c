//! Connections: so many at once, headers within a time, whoever takes nothing is dropped.
//!
//! A fault while one is answered ends that connection alone. Knows no route and no pass.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;

/// Connections at once.
const CONNECTIONS_MAX: usize = 128;
/// How long one waits for another.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// A request's headers may take so long, and a connection may be idle.
    pub headers: Duration,
    /// One may take nothing of what is sent for so long.
    pub takes: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self { headers: Duration::from_secs(10), takes: Duration::from_secs(15) }
    }
}

/// Headers of a request, at most: their number, and all their bytes.
const HEADERS_MAX: usize = 64;
const HEADER_BYTES_MAX: usize = 16 << 10;
/// What the kernel holds for one that does not take it, bytes: the board is some 5 kB a second.
const SEND_BUFFER: u32 = 64 << 10;
/// Connections that wait to be taken.
const BACKLOG: u32 = 64;
/// How often it is seen whether to stop.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// The peer of a request.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub IpAddr);

/// Listens on an address.
///
/// # Errors
/// If the system does not let it.
pub fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }?;
    socket.set_reuseaddr(true)?;
    // Connections have it from the socket that listens.
    socket.set_send_buffer_size(SEND_BUFFER)?;
    socket.bind(address)?;
    socket.listen(BACKLOG)
}

/// Takes connections until told to stop.
pub async fn serve(listener: TcpListener, router: Router, patience: Patience, stop: &AtomicBool) {
    let seats = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    while !stop.load(Ordering::Relaxed) {
        match tokio::time::timeout(LOOK_EVERY, listener.accept()).await {
            Ok(Ok((stream, peer))) => {
                // With every seat taken a new one is turned away at once.
                let Ok(seat) = Arc::clone(&seats).try_acquire_owned() else { continue };
                let _ = stream.set_nodelay(true);
                let stream = Timed { stream, takes: patience.takes, due: None, _seat: seat };
                tokio::spawn(answer(stream, peer.ip(), router.clone(), patience.headers));
            }
            // Out of descriptors, say: the listener stays, some may be given back soon.
            Ok(Err(_)) => tokio::time::sleep(LOOK_EVERY).await,
            Err(_) => {}
        }
    }
}

async fn answer(stream: Timed, peer: IpAddr, router: Router, headers: Duration) {
    let service = router.layer(Extension(Peer(peer)));
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(headers)
        .max_headers(HEADERS_MAX)
        .max_buf_size(HEADER_BYTES_MAX)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service))
        .await;
    // A connection that broke is no news: whoever it was comes back or not.
    drop(served);
}

/// A stream that breaks when what is sent is not taken in time, and that has a seat as long as it lives.
struct Timed {
    stream: TcpStream,
    takes: Duration,
    due: Option<Pin<Box<Sleep>>>,
    _seat: OwnedSemaphorePermit,
}

impl Timed {
    /// What became of sending, or that it takes too long.
    fn in_time<T>(&mut self, context: &mut Context<'_>, sent: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if sent.is_ready() {
            self.due = None;
            return sent;
        }
        let due = self.due.get_or_insert_with(|| Box::pin(tokio::time::sleep(self.takes)));
        ready!(due.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Timed {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, into)
    }
}

impl AsyncWrite for Timed {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let sent = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.in_time(context, sent)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let sent = Pin::new(&mut self.stream).poll_write_vectored(context, parts);
        self.in_time(context, sent)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};

    use axum::routing::get;

    use super::*;

    #[test]
    fn a_fault_while_one_is_answered_ends_that_connection_alone() {
        let routes = Router::new()
            .route("/sound", get(|| async { "sound" }))
            .route("/broken", get(|| async { if true { panic!("on purpose") } else { "never" } }));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build().unwrap();
        let stop = AtomicBool::new(false);
        std::thread::scope(|scope| {
            let (say, heard) = std::sync::mpsc::channel();
            let stop = &stop;
            scope.spawn(move || {
                runtime.block_on(async {
                    let listener = listen("127.0.0.1:0".parse().unwrap()).unwrap();
                    say.send(listener.local_addr().unwrap()).unwrap();
                    serve(listener, routes, Patience::default(), stop).await;
                });
            });
            let address = heard.recv().unwrap();
            let answer = |path: &str| {
                let mut stream = std::net::TcpStream::connect(address).unwrap();
                write!(stream, "GET {path} HTTP/1.1\r\nHost: here\r\nConnection: close\r\n\r\n").unwrap();
                let mut answer = String::new();
                let _ = stream.read_to_string(&mut answer);
                answer
            };
            let answers = ["/sound", "/broken", "/sound"].map(answer);
            stop.store(true, Ordering::Relaxed);
            assert!(
                answers[0].ends_with("sound") && answers[1].is_empty() && answers[2].ends_with("sound"),
                "{answers:?}"
            );
        });
    }
}
