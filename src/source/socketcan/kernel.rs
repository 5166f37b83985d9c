//! The calls of the kernel that no crate of ours has: many frames at once (recvmmsg(2)), waiting for one (poll(2)), and a
//! question about an interface (rtnetlink(7)).
//!
//! The one file here that holds `unsafe`. Understands nothing of what the kernel gives; that is read by [`super::wire`] and
//! [`super::link`].

use std::fs::File;
use std::io::{self, Read, Write};
use std::mem;
use std::os::fd::{AsRawFd, BorrowedFd, FromRawFd, OwnedFd};

use super::wire;
use crate::time::Span;

/// Frames taken at one call, at most.
pub const AT_ONCE: usize = 512;
/// Room made ready for a call at least: laying out all of it costs as much as taking a dozen frames.
const LEAST: usize = 64;
/// Bytes kept for the control messages of a frame: two are asked for, 56 bytes on a 64-bit machine.
const CONTROL: usize = 64;
/// Bytes kept for the kernel's answer about an interface; a CAN interface's has some 1,300.
const ANSWER_MAX: usize = 32 * 1024;

/// Control messages, aligned as the kernel lays them.
#[derive(Clone, Copy)]
#[repr(C, align(8))]
struct Control([u8; CONTROL]);

/// Room for the frames of one call, made once; whatever socket they come from.
pub struct Room {
    frames: Box<[[u8; wire::FD]]>,
    control: Box<[Control]>,
    vectors: Box<[libc::iovec]>,
    headers: Box<[libc::mmsghdr]>,
    held: usize,
}

/// How many frames the next call asks of a socket.
#[derive(Clone, Copy, Debug)]
pub struct Asks(usize);

impl Default for Asks {
    fn default() -> Self {
        Self(LEAST)
    }
}

/// One message as the kernel gave it.
pub struct Message<'a> {
    /// The frame.
    pub bytes: &'a [u8],
    /// Whether the kernel had more bytes than a frame can have.
    pub truncated: bool,
    /// Its control messages.
    pub control: &'a [u8],
}

impl Default for Room {
    /// Room for [`AT_ONCE`] frames, some 110 kB.
    fn default() -> Self {
        // SAFETY: `mmsghdr` is plain data of the kernel's interface (integers, and pointers that may be null); all zero is a
        // value of it. It is built so because some C libraries have private padding in it.
        let header: libc::mmsghdr = unsafe { mem::zeroed() };
        let vector = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };
        Self {
            frames: vec![[0; wire::FD]; AT_ONCE].into(),
            control: vec![Control([0; CONTROL]); AT_ONCE].into(),
            vectors: vec![vector; AT_ONCE].into(),
            headers: vec![header; AT_ONCE].into(),
            held: 0,
        }
    }
}

impl Room {
    /// Takes frames that wait at a socket, [`AT_ONCE`] at most, without waiting; returns how many, and whether more may wait.
    /// Asks for some more than came from it the last time.
    ///
    /// # Errors
    /// The socket's, `WouldBlock` among them if none waits.
    pub fn receive(&mut self, socket: BorrowedFd<'_>, asks: &mut Asks) -> io::Result<(usize, bool)> {
        self.held = 0;
        let asked = asks.0.min(AT_ONCE);
        // Each base pointer is taken once, and nothing else touches the boxes until the kernel has returned.
        let (frames, control) = (self.frames.as_mut_ptr(), self.control.as_mut_ptr());
        let vectors = self.vectors.as_mut_ptr();
        for (at, header) in self.headers.iter_mut().take(asked).enumerate() {
            let vector = vectors.wrapping_add(at);
            let room = libc::iovec { iov_base: frames.wrapping_add(at).cast(), iov_len: wire::FD };
            // SAFETY: `at` is below AT_ONCE, the length of every box, so `vector` lies in `vectors`; no reference to it lives.
            unsafe { vector.write(room) };
            let message = &mut header.msg_hdr;
            (message.msg_iov, message.msg_iovlen) = (vector, 1);
            message.msg_control = control.wrapping_add(at).cast();
            message.msg_controllen = CONTROL as _;
            message.msg_flags = 0;
            header.msg_len = 0;
        }
        // SAFETY: the socket is open, as it is borrowed. `headers` holds AT_ONCE values, no fewer than are asked for; each of the
        // first `asked` was just made to point at one vector, which points at `wire::FD` writable bytes of its own, and at CONTROL
        // writable bytes of its own; name and time-out are null, which is allowed. All of them outlive the call, and the kernel
        // keeps no pointer.
        let count = unsafe {
            libc::recvmmsg(
                socket.as_raw_fd(),
                self.headers.as_mut_ptr(),
                asked as libc::c_uint,
                libc::MSG_DONTWAIT as _,
                std::ptr::null_mut(),
            )
        };
        self.held = usize::try_from(count).map_err(|_| io::Error::last_os_error())?.min(asked);
        asks.0 = (2 * self.held).clamp(LEAST, AT_ONCE);
        Ok((self.held, self.held == asked))
    }

    /// The messages of the last call, in the kernel's order.
    pub fn messages(&self) -> impl Iterator<Item = Message<'_>> {
        let held = self.headers.iter().zip(&self.frames).zip(&self.control).take(self.held);
        held.map(|((header, frame), control)| {
            let length = usize::try_from(header.msg_len).unwrap_or(usize::MAX).min(frame.len());
            #[allow(clippy::unnecessary_cast, reason = "its type is not the same in every C library")]
            let control_length = (header.msg_hdr.msg_controllen as usize).min(CONTROL);
            Message {
                bytes: &frame[..length],
                truncated: header.msg_hdr.msg_flags & libc::MSG_TRUNC != 0,
                control: &control.0[..control_length],
            }
        })
    }
}

/// Waits until one of these sockets has something to read or an error to tell, but not longer than this.
pub fn wait(sockets: &[BorrowedFd<'_>], longest: Span) {
    let of = |socket: &BorrowedFd<'_>| libc::pollfd { fd: socket.as_raw_fd(), events: libc::POLLIN, revents: 0 };
    let mut asked: Vec<libc::pollfd> = sockets.iter().map(of).collect();
    let milliseconds = libc::c_int::try_from(longest.0.div_euclid(1_000).max(1)).unwrap_or(100);
    // SAFETY: `asked` holds as many pollfd as the count says, and outlives the call; the sockets are open, as they are borrowed.
    let _ = unsafe { libc::poll(asked.as_mut_ptr(), asked.len() as libc::nfds_t, milliseconds) };
    // Whether it was data, an error, a signal or the time: the caller takes what there is and meets it there.
}

/// Sends the kernel a question about an interface and returns its answer.
///
/// # Errors
/// If the question can't be put; an answer that is an error is an answer.
pub fn ask(question: &[u8]) -> io::Result<Vec<u8>> {
    let kind = libc::SOCK_RAW | libc::SOCK_CLOEXEC | libc::SOCK_NONBLOCK;
    // SAFETY: takes three numbers and no pointer.
    let descriptor = unsafe { libc::socket(libc::AF_NETLINK, kind, libc::NETLINK_ROUTE) };
    if descriptor < 0 {
        return Err(io::Error::last_os_error());
    }
    // SAFETY: `descriptor` was just opened by this function and is owned by nothing else.
    let mut socket = File::from(unsafe { OwnedFd::from_raw_fd(descriptor) });
    // A socket that was not bound writes to the kernel, which has answered before the write returns.
    socket.write_all(question)?;
    let mut answer = vec![0; ANSWER_MAX];
    let length = socket.read(&mut answer)?;
    answer.truncate(length);
    Ok(answer)
}

#[cfg(test)]
mod tests {
    use std::os::fd::AsFd;
    use std::os::unix::net::UnixDatagram;

    use super::*;

    #[test]
    fn many_messages_are_taken_at_one_call_each_with_its_own_length() {
        let (near, far) = UnixDatagram::pair().unwrap();
        let (mut room, mut asks) = (Room::default(), Asks::default());
        assert_eq!(room.receive(near.as_fd(), &mut asks).unwrap_err().kind(), io::ErrorKind::WouldBlock);
        for length in [16usize, 72, 73, 0, 5] {
            far.send(&vec![length as u8; length]).unwrap();
        }
        wait(&[near.as_fd()], Span::of_seconds(5));
        assert_eq!(room.receive(near.as_fd(), &mut asks).unwrap(), (5, false));
        let told: Vec<(usize, bool)> = room.messages().map(|one| (one.bytes.len(), one.truncated)).collect();
        assert_eq!(told, [(16, false), (72, false), (72, true), (0, false), (5, false)]);
        assert!(room.messages().all(|one| one.control.is_empty()));
        assert_eq!(room.messages().nth(1).unwrap().bytes, [72; 72]);
        assert!(room.receive(near.as_fd(), &mut asks).is_err());
        assert_eq!(room.messages().count(), 0);
    }

    #[test]
    fn a_long_queue_is_taken_in_ever_larger_pieces_and_whole() {
        let socket = || std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        let (near, far) = (socket(), socket());
        let (mut room, mut asks) = (Room::default(), Asks::default());
        for round in 0..3u8 {
            for number in 0..200u8 {
                far.send_to(&[round, number, 0], near.local_addr().unwrap()).unwrap();
            }
            wait(&[near.as_fd()], Span::of_seconds(5));
            let (mut all, mut pieces, mut more) = (Vec::new(), Vec::new(), true);
            while more {
                let taken = room.receive(near.as_fd(), &mut asks);
                let (count, is_more) = taken.unwrap_or((0, false));
                assert_eq!(room.messages().count(), count);
                all.extend(room.messages().map(|one| one.bytes.to_vec()));
                pieces.push(count);
                more = is_more;
            }
            assert!(all.iter().enumerate().all(|(at, bytes)| bytes[..] == [round, at as u8, 0]));
            assert_eq!((all.len(), &pieces[..]), (200, &[64, 128, 8][..]));
        }
    }

    #[test]
    fn the_kernel_answers_about_its_loopback_and_about_one_that_is_not_there() {
        let about = |name| super::super::link::Link::read(&ask(&super::super::link::request(name).unwrap()).unwrap());
        let loopback = about("lo").unwrap();
        assert!(loopback.index > 0 && !loopback.is_can);
        assert_eq!(about("no-such-one").unwrap_err().raw_os_error(), Some(libc::ENODEV));
    }
}
