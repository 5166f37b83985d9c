//! Sockets of several sources taken from at common ticks, by one thread for all: the computer wakes once a tick, whatever the
//! number of its buses.
//!
//! One of the sources' own threads leads while it is there, the others sleep; where it leaves another takes its place. What
//! fails or panics at a socket is met on the thread of the source whose socket it is. Starts no thread and opens nothing; a
//! source that asks takes from its socket itself, since its answers can't wait for a tick.

use std::any::Any;
use std::io;
use std::os::fd::{AsFd, BorrowedFd};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::kernel::{self, Room};
use super::taking::{GATHER, Taking};
use crate::observation::Batch;
use crate::source::live::{Failure, Outlet};
use crate::time::Span;

/// How long silent buses are waited for at a time.
const IDLE: Span = Span::of_millis(50);
/// How often a source looks at its interface, and its requests are reported where there are any.
pub(super) const LOOK_EVERY: Span = Span::of_seconds(1);

/// A socket that is taken from in a round.
pub trait Member: Send {
    /// The socket.
    fn socket(&self) -> BorrowedFd<'_>;

    /// Takes all that waits and hands it on; whether there was anything.
    ///
    /// # Errors
    /// The socket's: it is taken from no more.
    fn take(&mut self, room: &mut Room) -> io::Result<bool>;
}

/// A socket that is only listened to: what its taking gives is handed on at each tick.
pub struct Heard<S> {
    socket: S,
    taking: Taking,
    outlet: Outlet,
    batch: Batch,
}

impl<S> Heard<S> {
    /// Hands on through this outlet.
    pub fn new(socket: S, taking: Taking, outlet: &Outlet) -> Self {
        Self { socket, taking, outlet: outlet.clone(), batch: Batch::default() }
    }
}

impl<S: AsFd + Send> Member for Heard<S> {
    fn socket(&self) -> BorrowedFd<'_> {
        self.socket.as_fd()
    }

    fn take(&mut self, room: &mut Room) -> io::Result<bool> {
        let taken = self.taking.take(room, self.socket.as_fd(), true, &self.outlet, &mut self.batch);
        let any = !self.batch.is_empty();
        self.outlet.send(&mut self.batch);
        taken.map(|()| any)
    }
}

/// What ended a member.
enum Ended {
    Failed(io::Error),
    Panicked(Box<dyn Any + Send>),
}

/// A member and its number.
struct Seat {
    number: u64,
    member: Box<dyn Member>,
    ended: Option<Ended>,
}

#[derive(Default)]
struct Seats {
    seats: Vec<Seat>,
    /// The number of the member whose thread takes.
    leader: Option<u64>,
    /// The number given next.
    next: u64,
}

/// Sockets that are taken from together.
#[derive(Default)]
pub struct Round {
    seats: Mutex<Seats>,
    changed: Condvar,
}

/// A place in a round; given up when dropped, on whatever way out.
struct Place<'a> {
    round: &'a Round,
    number: u64,
}

impl Drop for Place<'_> {
    fn drop(&mut self) {
        let mut seats = self.round.seats();
        seats.seats.retain(|seat| seat.number != self.number);
        if seats.leader == Some(self.number) {
            seats.leader = None;
        }
        self.round.changed.notify_all();
    }
}

impl Round {
    /// Has a socket taken from until its source is told to stop. `look` is asked once a second whether it may go on; `lost`
    /// says what a failed taking means.
    ///
    /// # Errors
    /// What `look` or `lost` says.
    ///
    /// # Panics
    /// Where taking from this socket did, on the thread of another source.
    pub fn attend(
        &self,
        member: impl Member + 'static,
        outlet: &Outlet,
        mut look: impl FnMut() -> Result<(), Failure>,
        lost: impl FnOnce(&io::Error) -> Failure,
    ) -> Result<(), Failure> {
        let place = self.join(Box::new(member));
        let (mut looked, mut room) = (outlet.now(), None);
        while !outlet.stopping() {
            if self.leads(place.number) {
                outlet.pause_to_tick(GATHER);
                self.take_all(room.get_or_insert_default());
            } else {
                self.rest(place.number, looked + LOOK_EVERY - outlet.now());
            }
            match self.ended(place.number) {
                Some(Ended::Failed(error)) => return Err(lost(&error)),
                Some(Ended::Panicked(payload)) => {
                    drop(place);
                    resume_unwind(payload)
                }
                None => {}
            }
            if outlet.now() - looked >= LOOK_EVERY {
                looked = outlet.now();
                look()?;
            }
        }
        Ok(())
    }

    fn join(&self, member: Box<dyn Member>) -> Place<'_> {
        let mut seats = self.seats();
        let number = seats.next;
        seats.next += 1;
        seats.seats.push(Seat { number, member, ended: None });
        Place { round: self, number }
    }

    /// Whether this member's thread takes, now that it may have to take the place of one that left.
    fn leads(&self, number: u64) -> bool {
        *self.seats().leader.get_or_insert(number) == number
    }

    /// Sleeps while another takes: until something changes, but not longer than this.
    fn rest(&self, number: u64, longest: Span) {
        let longest = Duration::from_micros(u64::try_from(longest.0).unwrap_or(0));
        let seats = self.seats();
        let goes_on = |seats: &mut Seats| {
            let ended = seats.seats.iter().any(|seat| seat.number == number && seat.ended.is_some());
            seats.leader.is_some() && !ended
        };
        drop(self.changed.wait_timeout_while(seats, longest, goes_on));
    }

    /// Takes from every socket; where all are silent, waits for one that is not.
    fn take_all(&self, room: &mut Room) {
        let mut seats = self.seats();
        let (mut silent, mut ended) = (true, false);
        for seat in seats.seats.iter_mut().filter(|seat| seat.ended.is_none()) {
            // Sound: the member is not used again, and what it shares with others is changed under locks by whole values. The
            // room is laid out anew at each taking.
            match catch_unwind(AssertUnwindSafe(|| seat.member.take(room))) {
                Ok(Ok(any)) => silent &= !any,
                Ok(Err(error)) => seat.ended = Some(Ended::Failed(error)),
                Err(payload) => seat.ended = Some(Ended::Panicked(payload)),
            }
            ended |= seat.ended.is_some();
        }
        if ended {
            self.changed.notify_all();
        } else if silent {
            let sockets: Vec<BorrowedFd<'_>> = seats.seats.iter().map(|seat| seat.member.socket()).collect();
            // Who wants in or out waits as long; nothing is late by that.
            kernel::wait(&sockets, IDLE);
        }
    }

    /// What ended a member, which then leaves its seat.
    fn ended(&self, number: u64) -> Option<Ended> {
        let seats = &mut self.seats().seats;
        let at = seats.iter().position(|seat| seat.number == number && seat.ended.is_some())?;
        seats.remove(at).ended
    }

    /// What a panic leaves behind this lock is whole: see [`Self::take_all`].
    fn seats(&self) -> MutexGuard<'_, Seats> {
        self.seats.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use std::os::fd::AsFd;
    use std::os::unix::net::UnixDatagram;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicU64, Ordering};
    use std::thread::{self, JoinHandle, ThreadId};
    use std::time::Instant;

    use super::*;
    use crate::source::clock::SystemClock;
    use crate::source::live::Shared;

    /// Counts what it takes, and notes on which thread; `F` is a failure, `P` a panic.
    struct Counter {
        socket: UnixDatagram,
        taken: Arc<AtomicU64>,
        thread: Arc<Mutex<Option<ThreadId>>>,
    }

    impl Member for Counter {
        fn socket(&self) -> BorrowedFd<'_> {
            self.socket.as_fd()
        }

        fn take(&mut self, room: &mut Room) -> io::Result<bool> {
            *self.thread.lock().unwrap() = Some(thread::current().id());
            let mut asks = kernel::Asks::default();
            let count = match room.receive(self.socket.as_fd(), &mut asks) {
                Ok((count, _)) => count,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => 0,
                Err(error) => return Err(error),
            };
            for message in room.messages() {
                match message.bytes {
                    b"F" => return Err(io::ErrorKind::ConnectionReset.into()),
                    b"P" => panic!("as the test wants"),
                    _ => {}
                }
            }
            self.taken.fetch_add(count as u64, Ordering::SeqCst);
            Ok(count > 0)
        }
    }

    /// A source in the round, and the far end of its socket.
    struct Source {
        far: UnixDatagram,
        taken: Arc<AtomicU64>,
        thread: Arc<Mutex<Option<ThreadId>>>,
        source: Option<JoinHandle<Result<(), Failure>>>,
    }

    impl Source {
        fn start(round: &Arc<Round>, shared: &Arc<Shared>) -> Self {
            let (near, far) = UnixDatagram::pair().unwrap();
            let (taken, by) = (Arc::<AtomicU64>::default(), Arc::<Mutex<Option<ThreadId>>>::default());
            let member = Counter { socket: near, taken: Arc::clone(&taken), thread: Arc::clone(&by) };
            let (round, outlet) = (Arc::clone(round), Outlet::new("can", shared));
            let lost = |error: &io::Error| Failure(error.kind().to_string());
            let source = thread::spawn(move || round.attend(member, &outlet, || Ok(()), lost));
            Self { far, taken, thread: by, source: Some(source) }
        }

        /// Sends one and waits until it was taken.
        fn is_taken_from(&self) {
            let before = self.taken.load(Ordering::SeqCst);
            self.far.send(b"x").unwrap();
            until(|| self.taken.load(Ordering::SeqCst) > before);
        }

        fn taken_on(&self) -> ThreadId {
            self.thread.lock().unwrap().unwrap()
        }

        fn ended(&mut self) -> thread::Result<Result<(), Failure>> {
            self.source.take().unwrap().join()
        }
    }

    fn until(mut done: impl FnMut() -> bool) {
        let began = Instant::now();
        while !done() {
            assert!(began.elapsed() < Duration::from_secs(20));
            thread::sleep(Duration::from_millis(1));
        }
    }

    #[test]
    fn one_thread_takes_for_all_and_another_where_it_leaves_or_falls() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let round = Arc::<Round>::default();
        let mut sources: Vec<Source> = (0..4).map(|_| Source::start(&round, &shared)).collect();
        let on = |sources: &[Source]| {
            sources.iter().for_each(Source::is_taken_from);
            sources.iter().for_each(Source::is_taken_from);
            let on: Vec<ThreadId> = sources.iter().map(Source::taken_on).collect();
            assert!(on.iter().all(|one| *one == on[0]), "{on:?}");
            on[0]
        };
        let led = |sources: &[Source], leader: ThreadId| {
            let is = |source: &Source| source.source.as_ref().unwrap().thread().id() == leader;
            sources.iter().position(is).unwrap()
        };
        // The one that leads fails: another leads, and nobody else ends.
        let first = on(&sources);
        let mut gone = sources.remove(led(&sources, first));
        gone.far.send(b"F").unwrap();
        assert_eq!(gone.ended().unwrap(), Err(Failure("connection reset".into())));
        let second = on(&sources);
        assert_ne!(first, second);
        // One that does not lead panics, in its own thread, and the round goes on as it was.
        let other = (led(&sources, second) + 1) % 3;
        let mut gone = sources.remove(other);
        gone.far.send(b"P").unwrap();
        assert_eq!(gone.ended().unwrap_err().downcast_ref::<&str>(), Some(&"as the test wants"));
        assert_eq!(on(&sources), second);
        // One comes back.
        sources.push(Source::start(&round, &shared));
        assert_eq!(on(&sources), second);
        // Told to stop, all do, those too that sleep, though all are silent.
        let began = Instant::now();
        shared.stop();
        for source in &mut sources {
            assert_eq!(source.ended().unwrap(), Ok(()));
        }
        assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
        assert!(round.seats().seats.is_empty() && round.seats().leader.is_none());
    }

    #[test]
    fn each_looks_at_its_own_interface_and_may_leave_by_that() {
        let shared = Arc::new(Shared::new(Arc::new(SystemClock::new())));
        let round = Arc::<Round>::default();
        let other = Source::start(&round, &shared);
        other.is_taken_from();
        let (near, _far) = UnixDatagram::pair().unwrap();
        let member = Counter { socket: near, taken: Arc::default(), thread: Arc::default() };
        let outlet = Outlet::new("can", &shared);
        let (began, mut looks) = (outlet.now(), 0);
        let look = || {
            looks += 1;
            if looks < 2 { Ok(()) } else { Err(Failure("gone".into())) }
        };
        let ended = round.attend(member, &outlet, look, |error| Failure(error.to_string()));
        assert_eq!((ended, looks), (Err(Failure("gone".into())), 2));
        let took = outlet.now() - began;
        assert!(took >= LOOK_EVERY + LOOK_EVERY && took < Span::of_seconds(10), "{took:?}");
        other.is_taken_from();
        shared.stop();
    }
}
