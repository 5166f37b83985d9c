//! The live source against a gpsd played by a TCP listener. The real one is for the bench.

use std::net::{TcpListener, TcpStream};

use super::*;
use crate::observation::{Fix, Item};
use crate::source::serial::test_support::{Running, STOPPED_IN};
use crate::time::WallClock;

/// The example of `gpsd_json(5)` (Debian 3.22), at a second of its minute.
fn report(second: u32) -> String {
    format!(
        "{{\"class\":\"TPV\",\"device\":\"/dev/pts/1\",\"time\":\"2005-06-08T10:34:{second:02}.283Z\",\"ept\":0.005,\
         \"lat\":46.498293369,\"lon\":7.567411672,\"alt\":1343.127,\"eph\":36.000,\"epv\":32.321,\"track\":10.3788,\
         \"speed\":0.091,\"climb\":-0.085,\"mode\":3}}\r\n"
    )
}

/// A listener, and a source that is told to connect to it.
fn start() -> (TcpListener, Running) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    (listener, Running::start(Gpsd::new(Settings { host: "127.0.0.1".into(), port })))
}

/// A connection that has asked to be told, greeted as gpsd does.
fn accept(listener: &TcpListener) -> TcpStream {
    let (mut stream, _) = listener.accept().unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    let mut asked = [0; WATCH.len()];
    stream.read_exact(&mut asked).unwrap();
    assert_eq!(asked, WATCH);
    stream.write_all(b"{\"class\":\"VERSION\",\"release\":\"3.22\",\"proto_major\":3,\"proto_minor\":14}\r\n").unwrap();
    stream
}

fn fixes(running: &Running) -> Vec<Fix> {
    let fix = |item: &Item| if let Item::Fix(fix) = item { Some(*fix) } else { None };
    running.taken.rest.iter().filter_map(|stamped| fix(&stamped.item)).collect()
}

#[test]
fn fixes_and_time_from_half_lines_and_a_dropped_connection() {
    let (listener, mut running) = start();
    let mut stream = accept(&listener);
    let first = report(48);
    stream.write_all(&first.as_bytes()[..50]).unwrap();
    std::thread::sleep(Duration::from_millis(70));
    stream.write_all(&first.as_bytes()[50..]).unwrap();
    stream.write_all(b"{\"class\":\"TPV\",\n[1,2]\n").unwrap();
    stream.write_all(report(49).as_bytes()).unwrap();
    stream.write_all(report(49).as_bytes()).unwrap();
    // Half a line, and gone.
    stream.write_all(&report(50).as_bytes()[..60]).unwrap();
    running.until(|| {}, |running| fixes(running).len() == 2);
    drop(stream);
    let mut stream = accept(&listener);
    stream.write_all(report(51).as_bytes()).unwrap();
    running.until(|| {}, |running| fixes(running).len() == 3);
    assert!(running.failures()[0].contains("gpsd closed the connection"), "{:?}", running.failures());
    let fix = fixes(&running)[0];
    assert_eq!(
        (fix.latitude_deg, fix.longitude_deg, fix.speed_mps),
        (Some(46.498293369), Some(7.567411672), Some(0.091))
    );
    assert_eq!((running.counted("unreadable lines"), running.counted("fixes that did not move on (left out)")), (2, 1));
    let clock = WallClock::parse_iso("2005-06-08T10:34:48.283Z").unwrap();
    assert!(running.taken.rest.iter().any(|stamped| stamped.item == Item::Anchor(clock)));
    let took = running.stop();
    assert!(took < STOPPED_IN, "{took:?}");
    // Nothing more was sent to it.
    let mut rest = Vec::new();
    stream.read_to_end(&mut rest).unwrap();
    assert_eq!(rest, b"");
}

#[test]
fn receivers_and_errors_are_named_once() {
    let (listener, mut running) = start();
    let mut stream = accept(&listener);
    let device =
        |activated: &str| format!("{{\"class\":\"DEVICE\",\"path\":\"/dev/ttyS0\",\"activated\":{activated}}}\n");
    let there = device("\"2005-06-08T10:34:48.283Z\"");
    let error = "{\"class\":\"ERROR\",\"message\":\"Unrecognized request \\u001b[0m\"}\n";
    for line in [&there, &there, &device("0"), &device("0"), &there, error, error] {
        stream.write_all(line.as_bytes()).unwrap();
    }
    running.until(|| {}, |running| running.counted("errors that gpsd reported") == 2);
    running.until(|| {}, |running| running.troubles().len() >= 3);
    let named = [
        "it: gpsd lost its receiver \"/dev/ttyS0\"",
        "it: gpsd found its receiver \"/dev/ttyS0\"",
        "it: gpsd reports \"Unrecognized request \\u{1b}[0m\"",
    ];
    assert_eq!(running.troubles(), named);
}

#[test]
fn where_nobody_listens_is_said_and_tried_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    drop(listener);
    let mut running = Running::start(Gpsd::new(Settings { host: "127.0.0.1".into(), port: address.port() }));
    running.until(|| {}, |running| running.failures().len() >= 2);
    let said = format!("127.0.0.1:{}: ", address.port());
    let failures = running.failures();
    assert!(failures[0].starts_with(&said) && failures[0].contains("is gpsd running"), "{failures:?}");
    let listener = TcpListener::bind(address).unwrap();
    let mut stream = accept(&listener);
    stream.write_all(report(1).as_bytes()).unwrap();
    running.until(|| {}, |running| fixes(running).len() == 1);
}
