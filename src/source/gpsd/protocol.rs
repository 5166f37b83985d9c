//! The JSON lines of gpsd (`gpsd_json(5)`): TPV for position, speed and time, SKY for satellites and dilution.
//!
//! Bytes in chunks of any size in, events out. The error estimates are not read: the manual page says that their confidence
//! is not guaranteed. Opens no socket.

use serde::Deserialize;

use crate::observation::Fix;
use crate::source::fix::{Fresh, Freshness, sound};
use crate::source::lines::{Lines, Step};
use crate::time::WallClock;

/// What is sent to gpsd, once: tell all receivers' reports as JSON.
pub const WATCH: &[u8] = b"?WATCH={\"enable\":true,\"json\":true};\n";

/// The longest line taken; a SKY line of many satellites has some thousand characters.
const LINE_MAX: usize = 16_384;

/// What a line says.
#[derive(Clone, PartialEq, Debug)]
pub enum Event {
    /// A fix, or that there is none (mode 0 or 1).
    Fix(Fix),
    /// What the satellites' clock says now; comes before the fix of the same line.
    Clock(WallClock),
    /// A fix with the moment of the one before: frozen. It is not given.
    Stale,
    /// The receiver's clock went backwards.
    ClockBackwards,
    /// A value that can't be; the rest of the fix stands.
    Odd,
    /// gpsd reports an error.
    Error(String),
    /// gpsd lost or found a receiver; `active` where it found one.
    Device {
        /// Its path, as gpsd names it.
        path: String,
        /// Whether it is there.
        active: bool,
    },
    /// Another report of gpsd.
    Other,
    /// A line that is no report.
    Unreadable,
}

#[derive(Deserialize)]
#[serde(tag = "class")]
enum Report {
    #[serde(rename = "TPV")]
    Position(Position),
    #[serde(rename = "SKY")]
    Sky(Sky),
    #[serde(rename = "DEVICE")]
    Device(Device),
    #[serde(rename = "ERROR")]
    Error { message: Option<String> },
    #[serde(other)]
    Other,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Position {
    #[serde(default)]
    mode: u8,
    time: Option<String>,
    lat: Option<f64>,
    lon: Option<f64>,
    #[serde(rename = "altMSL")]
    alt_msl: Option<f64>,
    /// Deprecated; above sea level where a geoid model is known.
    alt: Option<f64>,
    speed: Option<f64>,
    track: Option<f64>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Sky {
    hdop: Option<f64>,
    /// Satellites used; newer versions say it themselves.
    u_sat: Option<u32>,
    satellites: Option<Vec<Satellite>>,
}

#[derive(Deserialize)]
struct Satellite {
    #[serde(default)]
    used: bool,
}

#[derive(Deserialize)]
struct Device {
    path: Option<String>,
    /// A time while the device is there; 0 or absent when it is not.
    activated: Option<serde_json::Value>,
}

/// Reads gpsd's bytes.
#[derive(Clone, Debug)]
pub struct Reader {
    lines: Lines,
    freshness: Freshness,
    satellites: Option<u8>,
    hdop: Option<f64>,
}

impl Default for Reader {
    fn default() -> Self {
        let lines = Lines::new(LINE_MAX, |byte| matches!(byte, b'\r' | b'\n'));
        Self { lines, freshness: Freshness::default(), satellites: None, hdop: None }
    }
}

impl Reader {
    /// Takes a chunk; what every line that ends in it says is given to `each`.
    pub fn push(&mut self, mut chunk: &[u8], mut each: impl FnMut(Event)) {
        loop {
            match self.lines.take(&mut chunk) {
                Step::Incomplete => return,
                Step::Overlong { .. } => each(Event::Unreadable),
                Step::Line { text: [], .. } => {}
                Step::Line { text, .. } => match serde_json::from_slice(text) {
                    Ok(report) => self.report(report, &mut each),
                    Err(_) => each(Event::Unreadable),
                },
            }
        }
    }

    /// Forgets the line so far and what was said of satellites: the socket was opened anew.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    fn report(&mut self, report: Report, each: &mut impl FnMut(Event)) {
        match report {
            Report::Position(position) => self.position(&position, each),
            Report::Sky(sky) => {
                let used = sky.u_sat.map(u64::from).or_else(|| {
                    let satellites = sky.satellites.as_ref()?;
                    Some(satellites.iter().filter(|satellite| satellite.used).count() as u64)
                });
                // A SKY without one of them leaves it as it was.
                self.satellites = used.map(|used| used.min(255) as u8).or(self.satellites);
                self.hdop = sky.hdop.or(self.hdop);
                each(Event::Other);
            }
            Report::Device(device) => {
                let gone = matches!(&device.activated, None | Some(serde_json::Value::Null))
                    || device.activated.as_ref().and_then(serde_json::Value::as_f64) == Some(0.0);
                each(Event::Device { path: device.path.unwrap_or_default(), active: !gone });
            }
            Report::Error { message } => each(Event::Error(message.unwrap_or_default())),
            Report::Other => each(Event::Other),
        }
    }

    fn position(&mut self, position: &Position, each: &mut impl FnMut(Event)) {
        let time = position.time.as_deref().and_then(WallClock::parse_iso);
        if let Some(time) = time.filter(|_| position.mode >= 2) {
            match self.freshness.judge(time) {
                Fresh::Repeated => return each(Event::Stale),
                Fresh::Backwards => each(Event::ClockBackwards),
                Fresh::New => {}
            }
            each(Event::Clock(time));
        }
        let (fix, odd) = sound(Fix {
            latitude_deg: position.lat,
            longitude_deg: position.lon,
            altitude_m: position.alt_msl.or(position.alt),
            speed_mps: position.speed,
            track_deg: position.track,
            mode: position.mode,
            satellites: self.satellites,
            hdop: self.hdop,
        });
        if odd {
            each(Event::Odd);
        }
        each(Event::Fix(fix));
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(reader: &mut Reader, text: &[u8]) -> Vec<Event> {
        let mut events = Vec::new();
        reader.push(text, |event| events.push(event));
        events
    }

    /// The example of `gpsd_json(5)` (Debian 3.22).
    const EXAMPLE: &str = concat!(
        r#"{"class":"TPV","device":"/dev/pts/1","time":"2005-06-08T10:34:48.283Z","ept":0.005,"lat":46.498293369,"#,
        r#""lon":7.567411672,"alt":1343.127,"eph":36.000,"epv":32.321,"track":10.3788,"speed":0.091,"climb":-0.085,"mode":3}"#,
        "\r\n"
    );

    fn example() -> Vec<Event> {
        let fix = Fix {
            latitude_deg: Some(46.498_293_369),
            longitude_deg: Some(7.567_411_672),
            altitude_m: Some(1_343.127),
            speed_mps: Some(0.091),
            track_deg: Some(10.378_8),
            mode: 3,
            satellites: None,
            hdop: None,
        };
        vec![Event::Clock(WallClock::parse_iso("2005-06-08T10:34:48.283Z").unwrap()), Event::Fix(fix)]
    }

    #[test]
    fn the_manuals_example_at_every_split() {
        for cut in 0..=EXAMPLE.len() {
            let mut reader = Reader::default();
            let mut events = read(&mut reader, &EXAMPLE.as_bytes()[..cut]);
            events.extend(read(&mut reader, &EXAMPLE.as_bytes()[cut..]));
            assert_eq!(events, example());
        }
    }

    #[test]
    fn satellites_and_dilution_come_from_sky() {
        let mut reader = Reader::default();
        let sky = br#"{"class":"SKY","hdop":1.2,"satellites":[{"PRN":5,"used":true},{"PRN":6,"used":false},{"PRN":9,"used":true}]}"#;
        assert_eq!(read(&mut reader, &[&sky[..], b"\n"].concat()), [Event::Other]);
        let Some(Event::Fix(fix)) = read(&mut reader, EXAMPLE.as_bytes()).pop() else { panic!("no fix") };
        assert_eq!((fix.satellites, fix.hdop), (Some(2), Some(1.2)));
        read(&mut reader, b"{\"class\":\"SKY\",\"uSat\":11}\n");
        let later =
            EXAMPLE.replace("48.283", "49.283").replace(r#""alt":1343.127"#, r#""alt":1,"altHAE":2,"altMSL":1300.5"#);
        let Some(Event::Fix(fix)) = read(&mut reader, later.as_bytes()).pop() else { panic!("no fix") };
        assert_eq!((fix.satellites, fix.altitude_m), (Some(11), Some(1_300.5)));
    }

    #[test]
    fn no_fix_stale_fix_and_other_lines() {
        let mut reader = Reader::default();
        let none = Event::Fix(Fix { mode: 1, ..Fix::default() });
        assert_eq!(read(&mut reader, b"{\"class\":\"TPV\",\"mode\":1,\"lat\":1.0,\"lon\":2.0}\n"), [none]);
        read(&mut reader, EXAMPLE.as_bytes());
        assert_eq!(read(&mut reader, EXAMPLE.as_bytes()), [Event::Stale]);
        let earlier = EXAMPLE.replace("10:34:48", "09:34:48");
        assert_eq!(read(&mut reader, earlier.as_bytes())[0], Event::ClockBackwards);
        assert_eq!(read(&mut reader, b"{\"class\":\"VERSION\",\"release\":\"3.22\"}\n\n"), [Event::Other]);
        assert_eq!(read(&mut reader, b"{\"class\":\"ERROR\",\"message\":\"no\"}\n"), [Event::Error("no".into())]);
        let gone = br#"{"class":"DEVICE","path":"/dev/ttyS0","activated":0}"#;
        let there = br#"{"class":"DEVICE","path":"/dev/ttyS0","activated":"2005-06-08T10:34:48.283Z"}"#;
        for (line, active) in [(&gone[..], false), (&there[..], true)] {
            let expected = Event::Device { path: "/dev/ttyS0".into(), active };
            assert_eq!(read(&mut reader, &[line, b"\n"].concat()), [expected]);
        }
        for line in [
            "{",
            "[]",
            "{\"class\":1}",
            "TPV",
            "{\"class\":\"TPV\",\"mode\":\"3\"}",
            "{\"class\":\"TPV\",\"mode\":999}",
            "\u{7f}",
        ] {
            assert_eq!(read(&mut reader, format!("{line}\n").as_bytes()), [Event::Unreadable], "{line}");
        }
        let odd = EXAMPLE.replace("46.498293369", "146.5").replace("10:34:48", "10:35:48");
        assert!(read(&mut reader, odd.as_bytes()).contains(&Event::Odd));
    }

    proptest! {
        #[test]
        fn garbage_does_not_panic_and_hides_no_line(garbage in prop::collection::vec(any::<u8>(), 0..200)) {
            let mut reader = Reader::default();
            read(&mut reader, &garbage);
            let events = read(&mut reader, format!("\n{EXAMPLE}").as_bytes());
            let expected = example();
            prop_assert!(events.ends_with(&expected));
        }

        #[test]
        fn reports_that_are_nearly_right_do_not_panic(
            class in "TPV|SKY|DEVICE|ERROR", key in "mode|time|lat|speed|hdop|uSat|activated", value in "[-0-9.e\"\\[\\]{}ntrue]{0,12}",
        ) {
            read(&mut Reader::default(), format!("{{\"class\":\"{class}\",\"{key}\":{value}}}\n").as_bytes());
        }
    }
}
