//! What stands beside a recording, on a clock moved by hand: who watches is told, and nothing of it changes the recording.

use std::time::{Duration, Instant};

use super::*;
use crate::daemon::test_support::{Hand, config, frames, keeper, map, names, runs, scratch};
use crate::live::Moment;
use crate::observation::MarkKind;
use crate::store::run_file::Ended;

/// Waits until the newest moment is as wanted.
fn wait_for(hub: &Hub, what: &str, holds: impl Fn(&Moment) -> bool) -> Arc<Moment> {
    let start = Instant::now();
    loop {
        if let Some(moment) = hub.newest().filter(|moment| holds(moment)) {
            return moment;
        }
        assert!(start.elapsed() < Duration::from_secs(20), "{what} did not happen: {:?}", hub.newest());
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Half a second of a drive, as the loop does it.
fn half_a_second(beside: &mut Beside, keeper: &mut Keeper, clock: &Hand, on: bool) {
    let now = clock.now();
    let mut batch = if on { frames(now, 50, Span::of_millis(10)) } else { Batch::default() };
    batch.rest.extend(beside.take_marks());
    clock.move_on(Span::of_millis(500));
    beside.will_keep(&batch);
    keeper.take(&mut batch, &names());
    beside.kept(clock.now(), keeper);
    keeper.turn(on.then(|| clock.now()));
    let world = Now { at: clock.now(), kept_until: clock.now(), awake: on, keeper };
    beside.turn(&world, || {
        vec![SourceNow { name: "can0".into(), reads: true, per_second: 100.0, ..SourceNow::default() }]
    });
}

#[test]
fn who_watches_is_told_and_what_they_note_is_recorded() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    let mut keeper = keeper(&config, &clock);
    let any_clock = Arc::clone(&clock) as Arc<dyn Clock>;
    let mut beside = Beside::start(&config, Prior::default(), &map(), &any_clock, &keeper).unwrap();
    let hub = Arc::clone(beside.hub());
    for _ in 0..10 {
        half_a_second(&mut beside, &mut keeper, &clock, true);
    }
    let moment = wait_for(&hub, "a moment", |moment| moment.recording.duration >= Span::of_seconds(3));
    assert_eq!((&*moment.vehicle, moment.recording.run.as_deref()), ("heron", Some("19700101T000000Z")));
    assert!(moment.recording.on_disk.is_some_and(|age| age <= Span::of_seconds(2)), "{:?}", moment.recording);
    assert_eq!(moment.recording.sources[0].per_second, 100.0);
    assert!(moment.ready.len() > 5 && moment.course.is_none() && !moment.rehearsal);
    let mark = Mark { kind: MarkKind::Soc, value: Some(42.0), text: "read".into() };
    assert!(hub.ask(clock.now(), Ask::Mark(mark.clone())));
    for _ in 0..4 {
        half_a_second(&mut beside, &mut keeper, &clock, true);
    }
    // Silence: what was fresh is blank, and that the car was driving is not known of these frames.
    for _ in 0..8 {
        half_a_second(&mut beside, &mut keeper, &clock, false);
    }
    wait_for(&hub, "blank values", |moment| moment.picture.soc.is_none() && moment.picture.speed.is_none());
    keeper.finish(Ended::Stopped, None);
    let run = runs(&config).remove(0);
    let path = config.data.join("vehicle=heron").join(format!("run={}", run.run));
    let marks = crate::store::reader::read_marks(&path).unwrap();
    assert_eq!(marks, [(RunTime(5_000_000), mark)]);
}

#[test]
fn room_is_that_of_the_busiest_seconds_and_a_thread_that_stands_still_holds_nothing_up() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let clock = Arc::new(Hand::default());
    let mut keeper = keeper(&config, &clock);
    let any_clock = Arc::clone(&clock) as Arc<dyn Clock>;
    let mut beside = Beside::start(&config, Prior::default(), &map(), &any_clock, &keeper).unwrap();
    // A full bus (500 kbit/s) at 11 bytes a frame and 4 MB: 177.2 MB an hour, by hand.
    assert!((beside.room(Some(1)).per_hour - 177.210_4e6).abs() < 1.0, "{:?}", beside.room(None));
    // Nobody takes anything from this channel any more.
    let (to, _from) = sync_channel(2);
    beside.to = to;
    let began = Instant::now();
    for second in 0..1_000 {
        beside.wait(Told::Asked(Ask::Acknowledge(second.to_string())));
        half_a_second(&mut beside, &mut keeper, &clock, true);
    }
    assert!(beside.waiting.len() <= WAITING_MAX);
    assert!(began.elapsed() < Duration::from_secs(60), "{:?}", began.elapsed());
    // 100 a second were told: 7.96 MB an hour.
    assert!((beside.room(None).per_hour - 7.96e6).abs() < 1.0, "{:?}", beside.room(None));
    keeper.finish(Ended::Stopped, None);
}
