//! NMEA sentences: a public ship-cruise file and textbook samples, what is no fix, what is stale, chunks of any size.

use proptest::prelude::*;

use super::*;

/// From a public-domain ship-cruise raw file (NOAA PSL); every checksum is as in the file.
const RMC: &str = "$GPRMC,060000.00,A,1353.25162451,N,05445.30213512,W,10.17,70.52,080220,16.8,W,D*05";
const RMC_NEXT: &str = "$GPRMC,060001.00,A,1353.25249041,N,05445.29943036,W,9.87,71.49,080220,16.8,W,D*34";
const VTG: &str = "$GPVTG,70.52,T,87.27,M,10.17,N,18.83,K,D*29";
const GGA: &str = "$GPGGA,060000.00,1353.25162451,N,05445.30213512,W,2,06,1.2,2.9,M,-40.8,M,5.0,0138*76";
const GSA: &str = "$GPGSA,M,3,05,06,09,13,17,19,,,,,,,2.5,1.2,2.3*3D";
const GST: &str = "$GPGST,195959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68*68";

fn ms(millis: i64) -> Steady {
    Steady(millis * 1_000)
}

fn push(reader: &mut Reader, at: Steady, text: &str) -> Vec<Event> {
    let mut events = Vec::new();
    reader.push(at, text.as_bytes(), |event| events.push(event));
    events
}

fn tick(reader: &mut Reader, at: Steady) -> Vec<Event> {
    let mut events = Vec::new();
    reader.tick(at, |event| events.push(event));
    events
}

/// A sentence with its checksum.
fn summed(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, byte| sum ^ byte))
}

fn close(value: Option<f64>, expected: f64, tolerance: f64) {
    let value = value.expect("a value");
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected}");
}

fn cruise() -> String {
    [GGA, GSA, GST, VTG, RMC].map(|line| format!("{line}\r\n")).concat()
}

fn only_fix(events: &[Event]) -> Fix {
    let fixes: Vec<&Fix> =
        events.iter().filter_map(|event| if let Event::Fix(fix) = event { Some(fix) } else { None }).collect();
    let [fix] = fixes[..] else { panic!("{events:?}") };
    *fix
}

#[test]
fn a_fix_of_the_public_file_at_every_split() {
    let text = cruise();
    for cut in 0..=text.len() {
        let mut reader = Reader::default();
        let mut events = push(&mut reader, ms(0), &text[..cut]);
        events.extend(push(&mut reader, ms(10), &text[cut..]));
        let fix = only_fix(&events);
        // 13 deg 53.25162451 min, 54 deg 45.30213512 min W, 10.17 kn = 5.2319 m/s: arithmetic.
        close(fix.latitude_deg, 13.887_527_075, 1e-9);
        close(fix.longitude_deg, -54.755_035_586, 1e-9);
        close(fix.speed_mps, 10.17 * 1852.0 / 3600.0, 1e-12);
        assert_eq!((fix.track_deg, fix.altitude_m, fix.mode), (Some(70.52), Some(2.9), 3));
        assert_eq!((fix.satellites, fix.hdop), (Some(6), Some(1.2)));
        let clock = WallClock::parse_iso("2020-02-08T06:00:00Z").unwrap();
        assert!(events.contains(&Event::Clock(clock)) && events.contains(&Event::Other), "{events:?}");
    }
}

/// Textbook samples (second-hand) and a maker's manual; years below 83 are of this century.
#[test]
fn textbook_samples() {
    let mut reader = Reader::default();
    let events = push(
        &mut reader,
        ms(0),
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
    );
    let fix = only_fix(&events);
    close(fix.latitude_deg, 48.117_3, 1e-9);
    close(fix.longitude_deg, 11.516_666_7, 1e-7);
    close(fix.speed_mps, 11.523_556, 1e-6);
    assert_eq!((fix.altitude_m, fix.satellites, fix.hdop, fix.mode), (Some(545.4), Some(8), Some(0.9), 3));
    assert_eq!(events[0], Event::Clock(WallClock::parse_iso("1994-03-23T12:35:19Z").unwrap()));
    for (line, date) in [
        ("$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68", "1994-11-19T22:54:46Z"),
        ("$GPRMC,222414.00,A,4915.3920,N,12259.8072,W,000.2,242.0,211210,,,A*49", "2010-12-21T22:24:14Z"),
    ] {
        let mut reader = Reader::default();
        let events = push(&mut reader, ms(0), &format!("{line}\r\n"));
        assert_eq!(events, [Event::Clock(WallClock::parse_iso(date).unwrap())]);
        // Alone, it is a fix once the line has rested.
        assert_eq!(tick(&mut reader, ms(149)), []);
        assert_eq!(only_fix(&tick(&mut reader, ms(150))).mode, 2);
        assert_eq!(tick(&mut reader, ms(300)), []);
    }
}

#[test]
fn other_talkers_and_speed_from_vtg() {
    for talker in ["GN", "GL", "GA", "GP"] {
        let mut reader = Reader::default();
        let vtg = summed(&format!("{talker}VTG,70.52,T,,M,10.17,N,18.83,K,A"));
        let gga = summed(&format!("{talker}GGA,060000.00,1353.25,N,05445.30,W,1,06,1.2,2.9,M,-40.8,M,,"));
        assert_eq!(push(&mut reader, ms(0), &(gga + &vtg)), []);
        let fix = only_fix(&tick(&mut reader, ms(150)));
        close(fix.speed_mps, 5.231_9, 1e-4);
        assert_eq!(fix.track_deg, Some(70.52));
    }
}

#[test]
fn what_is_no_fix() {
    let position = "1353.25162451,N,05445.30213512,W";
    let none = [
        format!("GPRMC,060000.00,V,{position},10.17,70.52,080220,,,N"),
        format!("GPRMC,060000.00,A,{position},10.17,70.52,080220,,,E"),
        format!("GPRMC,060000.00,A,{position},10.17,70.52,080220,,,S"),
        "GPRMC,,V,,,,,,,,,,N".to_owned(),
        format!("GPGGA,060000.00,{position},0,00,99.9,,M,,M,,"),
        format!("GPGGA,060000.00,{position},6,06,1.2,2.9,M,,M,,"),
        format!("GPGGA,060000.00,{position},8,06,1.2,2.9,M,,M,,"),
    ];
    for body in none {
        let mut reader = Reader::default();
        let mut events = push(&mut reader, ms(0), &summed(&body));
        events.extend(tick(&mut reader, ms(150)));
        let fix = only_fix(&events);
        assert_eq!((fix.mode, fix.latitude_deg, fix.longitude_deg, fix.speed_mps), (1, None, None, None), "{body}");
        assert!(!events.iter().any(|event| matches!(event, Event::Clock(_))), "{body}");
    }
    // A valid RMC beside an invalid GGA of the same moment is none, either.
    let mut reader = Reader::default();
    let gga = summed(&format!("GPGGA,060000.00,{position},0,00,99.9,,M,,M,,"));
    assert_eq!(only_fix(&push(&mut reader, ms(0), &format!("{RMC}\r\n{gga}"))).mode, 1);
}

#[test]
fn a_frozen_receiver_and_a_clock_set_back() {
    let mut reader = Reader::default();
    only_fix(&push(&mut reader, ms(0), &cruise()));
    let frozen = push(&mut reader, ms(1_000), &cruise());
    assert!(
        frozen.contains(&Event::Stale) && !frozen.iter().any(|event| matches!(event, Event::Fix(_) | Event::Clock(_)))
    );
    push(&mut reader, ms(2_000), &format!("{RMC_NEXT}\r\n"));
    let next = tick(&mut reader, ms(2_200));
    close(only_fix(&next).speed_mps, 9.87 * 1852.0 / 3600.0, 1e-12);
    let earlier = summed("GPRMC,050000.00,A,1353.25,N,05445.30,W,10.17,70.52,080220,,,A");
    assert_eq!(push(&mut reader, ms(3_000), &earlier)[0], Event::ClockBackwards);
}

#[test]
fn old_satellite_lists_do_not_count() {
    let mut reader = Reader::default();
    push(&mut reader, ms(0), &format!("{}\r\n", GSA.replace("M,3,", "M,2,").replace("*3D", "*3C")));
    assert_eq!(only_fix(&push(&mut reader, ms(5_000), &format!("{RMC}\r\n{GGA}\r\n"))).mode, 2);
    let later = |line: &str| summed(&line[1..].split('*').next().unwrap_or_default().replace("060000", "060010"));
    assert_eq!(only_fix(&push(&mut reader, ms(10_000), &(later(RMC) + &later(GGA)))).mode, 3);
}

#[test]
fn what_cannot_be_read_is_named() {
    let bad = |text: &str| push(&mut Reader::default(), ms(0), &format!("{text}\r\n"));
    assert_eq!(bad(&RMC.replace("10.17", "10.18")), [Event::Unreadable(Unreadable::Checksum)]);
    assert_eq!(bad(&RMC[..RMC.len() - 3]), [Event::Unreadable(Unreadable::Checksum)]);
    assert_eq!(bad("GPRMC,060000"), [Event::Unreadable(Unreadable::NoSentence)]);
    assert_eq!(bad("$GPRMC,é*00"), [Event::Unreadable(Unreadable::NoSentence)]);
    assert_eq!(bad(&"$".repeat(500)), [Event::Unreadable(Unreadable::Overlong)]);
    assert_eq!(bad(summed("GPRMC,060000.00,X,,,,,,,,,").trim_end()), [Event::Unreadable(Unreadable::Field)]);
    assert_eq!(bad(summed("GPZDA,060000.00,08,02,2020,00,00").trim_end()), [Event::Other]);
    // A torn line before a whole sentence costs nothing.
    assert!(matches!(bad(&format!("53.25,N,0544$GP{RMC}"))[..], [Event::Clock(_)]));
}

proptest! {
    #[test]
    fn garbage_does_not_panic_and_hides_no_sentence(garbage in prop::collection::vec(any::<u8>(), 0..200)) {
        let mut reader = Reader::default();
        reader.push(ms(0), &garbage, |_| {});
        let events = push(&mut reader, ms(1_000), &format!("\r\n{RMC}\r\n"));
        prop_assert!(matches!(events.last(), Some(Event::Clock(_))), "{:?}", events);
    }

    #[test]
    fn fields_that_are_nearly_right_do_not_panic(
        kind in "RMC|GGA|VTG|GSA",
        fields in prop::collection::vec("[0-9]{0,7}(\\.[0-9]{0,10})?|[ADVNSEWMTK]|-?[0-9]{1,3}|nan|inf|1e39", 0..20),
    ) {
        let mut reader = Reader::default();
        let mut events = push(&mut reader, ms(0), &summed(&format!("GP{kind},{}", fields.join(","))));
        events.extend(tick(&mut reader, ms(200)));
        for event in events {
            if let Event::Fix(fix) = event {
                prop_assert!(fix.latitude_deg.is_none_or(|degrees| degrees.abs() <= 90.0));
                prop_assert!(fix.speed_mps.is_none_or(|speed| speed.is_finite()));
            }
        }
    }

    #[test]
    fn positions_come_back(
        latitude in -90.0..90.0_f64, longitude in -180.0..180.0_f64, tenth_knots in 0..2_000_u32, second in 0..60_u8,
    ) {
        let part = |degrees: f64, width: usize| {
            let degrees = degrees.abs();
            let minutes = ((degrees - degrees.floor()) * 60.0 * 1e8).floor() / 1e8;
            (format!("{:0width$}{minutes:011.8}", degrees.floor()), degrees.floor() + minutes / 60.0)
        };
        let ((north, at), (east, to)) = (part(latitude, 2), part(longitude, 3));
        let (n, e) = (if latitude < 0.0 { 'S' } else { 'N' }, if longitude < 0.0 { 'W' } else { 'E' });
        let knots = f64::from(tenth_knots) / 10.0;
        let line = summed(&format!("GPRMC,0600{second:02},A,{north},{n},{east},{e},{knots},12.3,080220,,,A"));
        let mut reader = Reader::default();
        push(&mut reader, ms(0), &line);
        let fix = only_fix(&tick(&mut reader, ms(200)));
        prop_assert!((fix.latitude_deg.unwrap().abs() - at).abs() < 1e-9);
        prop_assert!((fix.longitude_deg.unwrap().abs() - to).abs() < 1e-9);
        prop_assert_eq!(fix.speed_mps, Some(knots * MPS_PER_KNOT));
    }
}
