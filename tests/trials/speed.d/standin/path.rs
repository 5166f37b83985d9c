//! The way of a frame behind the kernel, without one: messages, stamps, queue, merge, decoder, ledger, recorder, on a clock set by
//! hand. For counting instructions.
//!
//! Receives nothing and measures nothing: valgrind does (`live.py`). `none` makes the messages alone, so that what they cost can be
//! taken off.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use drawdown::map::Map;
use drawdown::observation::{Batch, Bus, BusNames, Frame};
use drawdown::source::live::{Outlet, Shared};
use drawdown::source::merge::WINDOW;
use drawdown::source::queue::Wanted;
use drawdown::source::socketcan::kernel::Message;
use drawdown::source::socketcan::taking::{GATHER, Placing};
use drawdown::source::{Clock, Merge};
use drawdown::store::recorder::{Durability, Plan};
use drawdown::store::run_file::{Ended, MadeBy};
use drawdown::store::session::{Session, Settings};
use drawdown::time::{Span, Steady, WallClock};
use drawdown::workers::Workers;

use super::{BUSES, Outcome, send};
use crate::speed;
use crate::speed::books::{Books, net};

/// How many takings lie between two looks at the queue, as in the daemon: 50 ms.
const TAKINGS_A_LOOK: usize = 5;
/// Looks between two syncs of the journal: 1 s.
const LOOKS_A_SYNC: usize = 20;

/// A clock that is set by hand.
struct Hand(AtomicI64);

impl Clock for Hand {
    fn now(&self) -> Steady {
        Steady(self.0.load(Ordering::Relaxed))
    }
    fn wall(&self) -> WallClock {
        WallClock(self.0.load(Ordering::Relaxed))
    }
    fn wait(&self, _: Span) {}
}

/// A frame as the kernel gives it: bytes and control messages.
struct Given {
    frame: [u8; 16],
    control: [u8; 56],
}

impl Given {
    /// Stamped (SO_TIMESTAMPNS) and with a count of drops (SO_RXQ_OVFL), laid out as cmsg(3) says on a 64-bit machine.
    fn new(frame: &Frame) -> Self {
        let mut control = [0; 56];
        let mut put = |at: usize, bytes: &[u8]| control[at..at + bytes.len()].copy_from_slice(bytes);
        put(0, &32usize.to_ne_bytes());
        put(8, &libc::SOL_SOCKET.to_ne_bytes());
        put(12, &libc::SO_TIMESTAMPNS.to_ne_bytes());
        put(16, &(frame.at.0 / 1_000_000).to_ne_bytes());
        put(24, &(frame.at.0 % 1_000_000 * 1_000).to_ne_bytes());
        put(32, &20usize.to_ne_bytes());
        put(40, &libc::SOL_SOCKET.to_ne_bytes());
        put(44, &libc::SO_RXQ_OVFL.to_ne_bytes());
        Self { frame: send::bytes(frame), control }
    }
}

/// What stands at the end of the way.
enum Keeps {
    Nothing,
    Books(Box<Books>),
    Session(Box<Session>),
}

/// Takes the first frames of a log in a style: `none`, `ledger` or `recording`.
pub fn path(style: &str, log: &Path, map: &Path, count: usize, folder: &Path) -> Outcome<()> {
    let (frames, names) = send::frames(log, count)?;
    let map = Arc::new(speed::load(map)?);
    let mut keeps = match style {
        "none" => Keeps::Nothing,
        "ledger" => Keeps::Books(Box::new(Books::new(&map, &Workers::alone()))),
        "recording" => Keeps::Session(Box::new(session(&map, folder)?)),
        _ => return Err(format!("no style '{style}'").into()),
    };
    let clock = Arc::new(Hand(AtomicI64::new(frames.first().ok_or("an empty log")?.at.0)));
    let shared = Arc::new(Shared::new(Arc::clone(&clock) as Arc<dyn Clock>));
    shared.queue.want(Wanted::of(&map));
    let outlets: Vec<Outlet> = (0..BUSES).map(|bus| Outlet::new(&format!("can{bus}"), &shared)).collect();
    let mut placings: Vec<Placing> = outlets.iter().map(Placing::new).collect();
    let (mut batch, mut arrived, mut ready) = (Batch::default(), Batch::default(), Batch::default());
    let (mut merge, mut taken, mut seen) = (Merge::live(), 0, 0);
    let mut rest = &frames[..];
    while let Some(first) = rest.first() {
        let until = first.at + GATHER;
        let (now, later) = rest.split_at(rest.partition_point(|frame| frame.at < until));
        rest = later;
        clock.0.store(until.0, Ordering::Relaxed);
        for bus in 0..BUSES {
            let given: Vec<Given> =
                now.iter().filter(|frame| usize::from(frame.bus.0) == bus).map(Given::new).collect();
            seen += std::hint::black_box(&given).len();
            if matches!(keeps, Keeps::Nothing) {
                continue;
            }
            let messages =
                given.iter().map(|given| Message { bytes: &given.frame, truncated: false, control: &given.control });
            placings[bus].sample(until, true, &outlets[bus]);
            placings[bus].push(messages, Bus(bus as u8), &outlets[bus], &mut batch);
            outlets[bus].send(&mut batch);
        }
        taken += 1;
        if taken % TAKINGS_A_LOOK == 0 {
            shared.queue.take(&mut arrived);
            merge.push(&mut arrived, &names);
            merge.ready_before(until - WINDOW, &mut ready);
            keep(&mut keeps, &mut ready, &names, (taken / TAKINGS_A_LOOK).is_multiple_of(LOOKS_A_SYNC))?;
        }
    }
    shared.queue.take(&mut arrived);
    merge.push(&mut arrived, &names);
    merge.finish(&mut ready);
    keep(&mut keeps, &mut ready, &names, true)?;
    let net = match &mut keeps {
        Keeps::Books(books) => net(&books.finish()),
        Keeps::Nothing | Keeps::Session(_) => f64::NAN,
    };
    if let Keeps::Session(session) = keeps {
        session.finish(Ended::Stopped)?;
    }
    println!("{seen} frames, net {net} J");
    Ok(())
}

fn keep(keeps: &mut Keeps, ready: &mut Batch, names: &BusNames, sync: bool) -> Outcome<()> {
    match keeps {
        Keeps::Nothing => {}
        Keeps::Books(books) => books.take(ready, names),
        Keeps::Session(session) => {
            session.take(ready, names)?;
            if sync {
                session.sync()?;
            }
        }
    }
    ready.clear();
    Ok(())
}

fn session(map: &Arc<Map>, folder: &Path) -> Outcome<Session> {
    let mut plan = Plan::new(Arc::clone(map), "heron", MadeBy::Daemon, Vec::new());
    plan.record_frames = true;
    plan.durability = Durability::Journal;
    plan.sync_every = Some(Span::of_seconds(1));
    let settings =
        Settings { data: folder.join("DATA"), quiet: Span::of_seconds(60), gateway: None, plan: Arc::new(plan) };
    Ok(Session::open(settings)?)
}
