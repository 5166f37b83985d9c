//! A stream read ahead on a thread of its own, a few buffers deep: unpacking beside what is done with the bytes.
//!
//! Gives what the stream gives, its error where it came; does not know packing or file.

use std::io::{self, Read};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};

/// Size of a buffer, bytes.
const BUFFER: usize = 256 << 10;
/// Buffers that wait.
const WAITING: usize = 2;

/// A stream being read ahead.
pub(super) struct Ahead {
    filled: Receiver<io::Result<Vec<u8>>>,
    emptied: Sender<Vec<u8>>,
    at_hand: Vec<u8>,
    place: usize,
    ended: bool,
}

impl Ahead {
    /// Begins to read.
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn new(stream: Box<dyn Read + Send>) -> io::Result<Self> {
        let (fill, filled) = sync_channel(WAITING);
        let (emptied, take_back) = channel();
        // Ends with the stream, or when nobody takes what it reads.
        let reader = move || read_all(stream, &fill, &take_back);
        std::thread::Builder::new().name("unpacking".into()).spawn(reader)?;
        Ok(Self { filled, emptied, at_hand: Vec::new(), place: 0, ended: false })
    }
}

fn read_all(mut stream: Box<dyn Read + Send>, fill: &SyncSender<io::Result<Vec<u8>>>, emptied: &Receiver<Vec<u8>>) {
    loop {
        let mut buffer = emptied.try_recv().unwrap_or_default();
        buffer.resize(BUFFER, 0);
        let (held, error) = fill_up(&mut *stream, &mut buffer);
        buffer.truncate(held);
        let ended = held < BUFFER;
        let gone = held > 0 && fill.send(Ok(buffer)).is_err();
        if let Some(error) = error {
            let _ = fill.send(Err(error));
            return;
        }
        if ended {
            // An empty buffer says that this is the end; without it whoever takes would believe it of a thread that failed.
            let _ = fill.send(Ok(Vec::new()));
        }
        if ended || gone {
            return;
        }
    }
}

/// Reads until the buffer is full, or the stream ends or fails.
fn fill_up(stream: &mut dyn Read, buffer: &mut [u8]) -> (usize, Option<io::Error>) {
    let mut held = 0;
    while held < buffer.len() {
        match stream.read(&mut buffer[held..]) {
            Ok(0) => break,
            Ok(got) => held += got,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return (held, Some(error)),
        }
    }
    (held, None)
}

impl Read for Ahead {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.place == self.at_hand.len() && !self.ended {
            let next = self.filled.recv().unwrap_or_else(|_| Err(io::Error::other("unpacking it failed")));
            let before = std::mem::replace(&mut self.at_hand, next?);
            // Its thread may have ended.
            let _ = self.emptied.send(before);
            self.place = 0;
            self.ended = self.at_hand.is_empty();
        }
        let rest = &self.at_hand[self.place..];
        let count = rest.len().min(into.len());
        into[..count].copy_from_slice(&rest[..count]);
        self.place += count;
        Ok(count)
    }
}
