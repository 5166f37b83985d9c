//! The live source against a receiver played at the far end of a pseudo-terminal. No hardware, no rate.

use std::time::Duration;

use super::*;
use crate::observation::{Fix, Item};
use crate::source::serial::test_support::{Cable, Running, STOPPED_IN};
use crate::time::WallClock;

/// From a public-domain ship-cruise raw file (NOAA PSL); every checksum is as in the file.
const RMC: &[u8] = b"$GPRMC,060000.00,A,1353.25162451,N,05445.30213512,W,10.17,70.52,080220,16.8,W,D*05\r\n";
const RMC_NEXT: &[u8] = b"$GPRMC,060001.00,A,1353.25249041,N,05445.29943036,W,9.87,71.49,080220,16.8,W,D*34\r\n";
const GGA: &[u8] = b"$GPGGA,060000.00,1353.25162451,N,05445.30213512,W,2,06,1.2,2.9,M,-40.8,M,5.0,0138*76\r\n";

fn source(cable: &Cable) -> Running {
    let mut running = Running::start(NmeaReceiver::new(Settings { port: cable.path(), serial_rate: 4_800 }));
    running.until(|| {}, Running::is_reading);
    running
}

fn fixes(running: &Running) -> Vec<(Steady, Fix)> {
    let fix = |item: &Item| if let Item::Fix(fix) = item { Some(*fix) } else { None };
    running.taken.rest.iter().filter_map(|stamped| Some((stamped.at, fix(&stamped.item)?))).collect()
}

#[test]
fn fixes_and_time_from_split_and_garbled_lines() {
    let mut cable = Cable::new();
    let mut running = source(&cable);
    cable.send(&GGA[..30]);
    std::thread::sleep(Duration::from_millis(20));
    cable.send(&GGA[30..]);
    cable.send(b"\xFF\xFE\r\n$GPGGA,06");
    cable.send(RMC);
    running.until(|| {}, |running| fixes(running).len() == 1);
    // The torn sentence is dropped and the whole one behind it read.
    let (at, fix) = fixes(&running)[0];
    assert_eq!((fix.satellites, fix.altitude_m, fix.mode), (Some(6), Some(2.9), 3));
    // 13 deg 53.25162451 min.
    assert!((fix.latitude_deg.unwrap() - 13.887_527_075).abs() < 1e-9);
    // The next moment has one sentence alone: given when the line has rested. The one after is frozen.
    cable.send(RMC_NEXT);
    running.until(|| {}, |running| fixes(running).len() == 2);
    assert!(fixes(&running)[1].0 - at >= crate::source::nmea::protocol::REST);
    cable.send(RMC_NEXT);
    running.until(|| {}, |running| running.counted("fixes that did not move on (left out)") == 1);
    let anchors: Vec<&Item> =
        running.taken.rest.iter().map(|stamped| &stamped.item).filter(|item| matches!(item, Item::Anchor(_))).collect();
    assert_eq!(anchors[0], &Item::Anchor(WallClock::parse_iso("2020-02-08T06:00:00Z").unwrap()));
    assert_eq!(running.counted("unreadable lines: not a sentence"), 1);
    assert_eq!((fixes(&running).len(), running.troubles().len(), running.failures().len()), (2, 0, 0));
    let took = running.stop();
    assert!(took < STOPPED_IN, "{took:?}");
    assert_eq!(cable.received(Duration::from_millis(20)), b"", "a receiver is sent nothing");
}

#[test]
fn unplugged_and_back() {
    let mut cable = Cable::new();
    let mut running = source(&cable);
    cable.send(&RMC[..20]);
    cable.pull();
    running.until(|| {}, |running| running.failures().iter().any(|why| why.contains("there is no such port")));
    cable.plug_in();
    running.until(|| {}, Running::is_reading);
    cable.send(RMC);
    running.until(|| {}, |running| fixes(running).len() == 1);
    assert!(running.failures()[0].contains("the port is gone"), "{:?}", running.failures());
}
