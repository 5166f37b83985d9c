//! The pace against a clock that the test turns, and what is refused. Sending to the kernel is the trial `live`'s.

use std::sync::Mutex;

use super::*;
use crate::time::WallClock;

/// A clock that only waiting moves, always by a little more than asked.
struct Turned(Mutex<i64>);

impl Clock for Turned {
    fn now(&self) -> Steady {
        Steady(*self.0.lock().unwrap())
    }
    fn wall(&self) -> WallClock {
        WallClock(0)
    }
    fn wait(&self, span: Span) {
        *self.0.lock().unwrap() += span.0 + 60;
    }
}

/// A port that notes when it took what, and is full now and then.
struct Noted<'a> {
    clock: &'a Turned,
    taken: Vec<(i64, u32)>,
    full: u32,
}

impl Port for Noted<'_> {
    fn send(&mut self, frame: &Frame, _: &[u8]) -> io::Result<()> {
        if self.full > 0 {
            self.full -= 1;
            return Err(io::Error::from_raw_os_error(libc::ENOBUFS));
        }
        self.taken.push((self.clock.now().0, frame.id));
        Ok(())
    }
    fn name(&self) -> &str {
        "vcan0"
    }
}

fn play_frames(speed: f64, full: u32, stamps: &[i64]) -> (Vec<(i64, u32)>, Result<Played, Fault>) {
    let (clock, stop) = (Turned(Mutex::new(1_000)), AtomicBool::new(false));
    let mut names = BusNames::default();
    let bus = names.intern("can0").unwrap();
    let mut batch = Batch::default();
    for (index, at) in stamps.iter().enumerate() {
        batch.push(Steady(*at), bus, index as u32, FrameFlags::default(), &[]);
    }
    let ports = vec![(None, Noted { clock: &clock, taken: Vec::new(), full })];
    let mut player = Player { ports, clock: &clock, stop: &stop, speed, began: None, played: Played::default() };
    let done = player.take(&batch, &names).map(|()| player.played);
    (player.ports.remove(0).1.taken, done)
}

#[test]
fn every_frame_goes_at_its_time_or_a_step_later_and_in_order() {
    let stamps: Vec<i64> = (0..4_000).map(|n| 5_000_000 + n * 229 + if n > 2_000 { 700_000 } else { 0 }).collect();
    for speed in [1.0, 4.0, 0.5] {
        let (taken, done) = play_frames(speed, 0, &stamps);
        for ((at, id), stamp) in taken.iter().zip(&stamps) {
            let due = 1_000 + 2 * STEP.0 + ((stamp - 5_000_000) as f64 / speed) as i64;
            assert!((due - 1..due + STEP.0 + 200).contains(at), "frame {id} at {at}, due {due}");
        }
        assert!(taken.iter().enumerate().all(|(index, (_, id))| index as u32 == *id));
        let played = done.unwrap();
        assert!(played.sent == 4_000 && played.latest < STEP + Span(200));
    }
}

#[test]
fn a_full_queue_is_waited_for_and_then_named() {
    let (taken, done) = play_frames(1.0, 5, &[0, 100]);
    assert_eq!((taken.len(), done.unwrap().sent), (2, 2));
    let (taken, done) = play_frames(1.0, u32::MAX, &[0, 100]);
    let text = done.unwrap_err().to_string();
    assert!(taken.is_empty() && text.starts_with("vcan0: does not take a frame: No buffer space"), "{text}");
}

#[test]
fn buses_go_where_they_are_sent_and_error_frames_nowhere() {
    let (clock, stop) = (Turned(Mutex::new(0)), AtomicBool::new(false));
    let mut names = BusNames::default();
    let mut batch = Batch::default();
    for (id, name) in [(1, "a"), (2, "b"), (3, "c")] {
        batch.push(Steady(0), names.intern(name).unwrap(), id, FrameFlags::default(), &[]);
    }
    batch.push(Steady(0), Bus(0), 4, FrameFlags(FrameFlags::ERROR), &[0; 8]);
    let port = || Noted { clock: &clock, taken: Vec::new(), full: 0 };
    let play = |onto: &[Option<&str>]| {
        let ports = onto.iter().map(|bus| (bus.map(str::to_owned), port())).collect();
        let mut player =
            Player { ports, clock: &clock, stop: &stop, speed: 1.0, began: None, played: Played::default() };
        player.take(&batch, &names).unwrap();
        let ids = player.ports.iter().map(|(_, port)| port.taken.iter().map(|(_, id)| *id).collect()).collect();
        let ids: Vec<Vec<u32>> = ids;
        (ids, player.played.error_frames, player.played.other_buses)
    };
    assert_eq!(play(&[None]), (vec![vec![1, 2, 3]], 1, 0));
    assert_eq!(play(&[None, Some("b")]), (vec![vec![1, 3], vec![2]], 1, 0));
    assert_eq!(play(&[Some("c")]), (vec![vec![3]], 0, 3));
}

#[test]
fn where_to_is_read_as_written() {
    let onto =
        |bus: Option<&str>, interface: &str| Ok(Onto { bus: bus.map(str::to_owned), interface: interface.into() });
    assert_eq!("vcan0".parse(), onto(None, "vcan0"));
    assert_eq!("can1=vcan0".parse(), onto(Some("can1"), "vcan0"));
    for text in ["", "=vcan0", "can1="] {
        assert!(text.parse::<Onto>().is_err(), "{text:?}");
    }
}

#[test]
fn only_virtual_interfaces_are_written_to() {
    let link = |kind: Option<&str>| Link { is_can: true, up: true, kind: kind.map(str::to_owned), ..Link::default() };
    for kind in ["vcan", "vxcan"] {
        assert!(may_play_onto("x", &link(Some(kind))).is_ok());
    }
    // A driver of copper says `can`; slcan before Linux 6.0 said nothing.
    for kind in [Some("can"), Some("vcan2"), Some("VCAN"), Some("slcan"), Some(""), None] {
        let mut link = link(kind);
        (link.listen_only, link.bit_rate) = (Some(true), Some(500_000));
        assert!(may_play_onto("x", &link).unwrap_err().to_string().contains("is not virtual"), "{kind:?}");
    }
    assert!(may_play_onto("x", &Link { up: false, ..link(Some("vcan")) }).is_err());
    assert!(may_play_onto("x", &Link { is_can: false, ..link(Some("vcan")) }).is_err());
    let settings = Settings { recordings: Vec::new(), onto: vec!["lo".parse().unwrap()], speed: 1.0 };
    let (clock, stop) = (Turned(Mutex::new(0)), AtomicBool::new(false));
    assert!(play(&settings, &clock, &stop).unwrap_err().to_string().starts_with("lo: is not a CAN interface;"));
    assert!(play(&Settings { speed: 0.0, ..settings }, &clock, &stop).is_err());
}
