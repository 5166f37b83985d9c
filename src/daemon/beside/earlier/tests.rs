//! Runs of the demo's recording read back as the drive goes on after a cut.

use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::daemon::test_support::{Hand, config, keeper, map, scratch};
use crate::daemon::{Config, Keeper};
use crate::observation::{Batch, Item, MarkKind, Stamped};
use crate::source::replay::Replay;
use crate::store::run_file::Ended;

/// Records the beginning of the demo, with a mark at each batch's end.
fn record(config: &Config, batches: usize) -> usize {
    let clock = Arc::new(Hand::default());
    let mut keeper: Keeper = keeper(config, &clock);
    let recording = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/demo.log.zst");
    let mut replay = Replay::open(&[recording], Some(&map()), 4_096).unwrap();
    let mut batch = Batch::default();
    for _ in 0..batches {
        assert!(replay.next(&mut batch).unwrap());
        let mark = Mark { kind: MarkKind::Turned, value: None, text: String::new() };
        batch.rest.push(Stamped { at: batch.last().unwrap(), item: Item::Mark(mark) });
        keeper.take(&mut batch, replay.names());
        keeper.turn(None);
    }
    keeper.finish(Ended::Stopped, None);
    batches
}

fn earlier(config: &Config, utc: &str) -> Earlier {
    let utc = WallClock::parse_iso(utc).unwrap();
    Earlier { data: config.data.clone(), vehicle: config.vehicle.clone(), utc, is_idle: Box::new(|| true) }
}

#[test]
fn a_drive_of_this_morning_goes_on_and_one_of_yesterday_does_not() {
    let folder = scratch();
    let config = config(folder.path(), "");
    let marks = record(&config, 20);
    let (mut rows, mut noted) = (Vec::new(), 0);
    earlier(&config, "2027-03-14T09:00:00Z").read(|step| match step {
        Step::Row(1, row) => rows.push(row),
        Step::Mark(1, at, _) => {
            assert!(rows.last().is_none_or(|row| row.at < at), "in the order in which it was driven");
            noted += 1;
        }
        _ => panic!("another run"),
    });
    assert_eq!(noted, marks);
    // A row a second, the first at the run's start, the last at its end.
    let file = DataSet::open(&config.data).unwrap().runs().unwrap()[0].read_run_file().unwrap();
    assert_eq!(rows[0].at, RunTime(0));
    assert_eq!(rows.last().map(|row| row.at), Some(RunTime(Span::from_seconds(file.duration_s).0)));
    assert!((rows.len() as f64 - file.duration_s).abs() <= 2.0, "{} rows in {} s", rows.len(), file.duration_s);
    assert!(rows.windows(2).all(|two| two[0].at <= two[1].at));
    // The sums at the end are those of run.json, and roles stand in their places.
    let sums = rows.last().unwrap().sums;
    for (ours, key) in [(sums.energy_out, "energy_out"), (sums.distance, "distance")] {
        let told = file.sums[key].as_f64().unwrap();
        // JSON's numbers are read to the last digit but one.
        assert!((ours - told).abs() <= 1e-12 * told.abs(), "{key}: {ours} {told}");
    }
    let volts = rows.last().unwrap().roles[Role::PackVoltage as usize];
    assert!((200.0..500.0).contains(&volts), "{volts} V");
    for other in ["2027-03-15T09:00:00Z", "2027-03-14T06:10:00Z", "1970-01-01T00:00:10Z"] {
        earlier(&config, other).read(|_| panic!("{other} is another drive"));
    }
    let of_another_car = Earlier { vehicle: "egret".into(), ..earlier(&config, "2027-03-14T09:00:00Z") };
    of_another_car.read(|_| panic!("another car"));
}

#[test]
fn damage_is_said_and_what_was_read_before_it_stands() {
    let folder = scratch();
    let config = config(folder.path(), "");
    record(&config, 3);
    let run = DataSet::open(&config.data).unwrap().runs().unwrap().remove(0);
    let part = run.path.join("trace/part-00000.parquet");
    let bytes = std::fs::read(&part).unwrap();
    std::fs::write(&part, &bytes[..bytes.len() / 2]).unwrap();
    let mut rows = 0;
    earlier(&config, "2027-03-14T09:00:00Z").read(|step| rows += usize::from(matches!(step, Step::Row(..))));
    assert_eq!(rows, 0);
}
