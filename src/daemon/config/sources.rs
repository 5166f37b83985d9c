//! The `[[source]]` tables of the configuration: what is read, and how it is reached.
//!
//! Checks what can be checked without opening anything, and opens nothing.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use crate::document::{Document, Fault};
use crate::source::at_adapter::command::Protocol;
use crate::source::button::contact::{self, Settings as Contact};
use crate::source::slcan::BitRate;
use crate::time::Span;

/// Where observations come from.
#[derive(Clone, PartialEq, Debug)]
pub enum Source {
    /// Recordings, one after another.
    Replay {
        /// The files, in any order.
        recordings: Vec<PathBuf>,
        /// How fast.
        pace: Pace,
    },
    /// Something that is read while the car drives.
    Live(LiveSource),
}

/// How fast a recording is replayed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
pub enum Pace {
    /// As it was recorded.
    #[serde(rename = "real time")]
    RealTime,
    /// As fast as the machine goes.
    #[serde(rename = "fast")]
    Fast,
}

/// Something that is read while the car drives.
#[derive(Clone, PartialEq, Debug)]
pub enum LiveSource {
    /// A CAN interface of the kernel; the bus has its name.
    SocketCan {
        /// The interface.
        interface: String,
        /// Its bit rate, bit/s; needed where it is asked.
        bit_rate: Option<u32>,
    },
    /// An adapter in the slcan form on a serial port.
    Slcan {
        /// The bus's name.
        bus: String,
        /// The serial port.
        port: PathBuf,
        /// Its rate, baud.
        serial_rate: u32,
        /// The bus's bit rate.
        bit_rate: BitRate,
    },
    /// A diagnostic adapter with the common AT command set on a serial port.
    AtAdapter {
        /// The bus's name.
        bus: String,
        /// The serial port.
        port: PathBuf,
        /// Its rate, baud.
        serial_rate: u32,
        /// The protocol of the bus.
        protocol: Protocol,
        /// Whether it only listens.
        listen: bool,
        /// How often the supply voltage is read.
        supply_every: Span,
    },
    /// A satellite receiver on a serial port.
    Nmea {
        /// The serial port.
        port: PathBuf,
        /// Its rate, baud.
        serial_rate: u32,
    },
    /// The position service gpsd.
    Gpsd {
        /// Its host.
        host: String,
        /// Its TCP port.
        port: u16,
    },
    /// An invented car, driven while the clock runs: no measurement.
    Rehearsal {
        /// The scenario: car, pack, wind, sensors.
        scenario: PathBuf,
        /// The course, where it is another than the scenario's own.
        course: Option<PathBuf>,
        /// How many times as fast as the world.
        speed: f64,
        /// Where the model's truth is written at the end.
        truth: Option<PathBuf>,
    },
    /// A button for marks.
    Button(Contact),
}

impl LiveSource {
    /// The bus that it reads, if it reads one.
    pub fn bus(&self) -> Option<&str> {
        match self {
            Self::SocketCan { interface: bus, .. } | Self::Slcan { bus, .. } | Self::AtAdapter { bus, .. } => Some(bus),
            Self::Nmea { .. } | Self::Gpsd { .. } | Self::Rehearsal { .. } | Self::Button(_) => None,
        }
    }

    /// Its name, for people and `run.json`: the bus, the port's path, or the service's address.
    pub fn name(&self) -> String {
        match self {
            Self::SocketCan { interface: bus, .. } | Self::Slcan { bus, .. } | Self::AtAdapter { bus, .. } => {
                bus.clone()
            }
            Self::Nmea { port, .. } => port.display().to_string(),
            Self::Gpsd { host, port } => format!("gpsd at {host}:{port}"),
            Self::Rehearsal { scenario, course, speed, .. } => {
                let on = course.as_ref().unwrap_or(scenario);
                format!("{REHEARSAL}{}, {speed} times real time", on.display())
            }
            Self::Button(Contact::Key { device, key, .. }) => format!("button {key} of {}", device.display()),
            Self::Button(Contact::Line { chip, line, .. }) => format!("button on line {line} of {}", chip.display()),
        }
    }
}

/// How the name of an invented car begins, by which `run.json` tells it from a measurement.
const REHEARSAL: &str = crate::store::run_file::REHEARSAL;

#[derive(Deserialize)]
#[serde(deny_unknown_fields, tag = "kind")]
pub(super) enum Written {
    #[serde(rename = "replay")]
    Replay { recordings: Vec<PathBuf>, pace: Pace },
    #[serde(rename = "socketcan")]
    SocketCan { interface: String, bit_rate: Option<u32> },
    #[serde(rename = "slcan")]
    Slcan { bus: String, port: PathBuf, serial_rate: u32, bit_rate: u32 },
    #[serde(rename = "at adapter")]
    AtAdapter {
        bus: String,
        port: PathBuf,
        serial_rate: u32,
        protocol: String,
        #[serde(default)]
        listen: bool,
        #[serde(default = "supply_every_s")]
        supply_every_s: f64,
    },
    #[serde(rename = "nmea")]
    Nmea {
        port: PathBuf,
        #[serde(default = "nmea_rate")]
        serial_rate: u32,
    },
    #[serde(rename = "gpsd")]
    Gpsd {
        #[serde(default = "gpsd_host")]
        host: String,
        #[serde(default = "gpsd_port")]
        port: u16,
    },
    #[serde(rename = "rehearsal")]
    Rehearsal {
        scenario: PathBuf,
        course: Option<PathBuf>,
        #[serde(default = "real_time")]
        speed: f64,
        truth: Option<PathBuf>,
    },
    #[serde(rename = "button")]
    Button {
        device: Option<PathBuf>,
        key: Option<String>,
        grab: Option<bool>,
        chip: Option<PathBuf>,
        line: Option<u32>,
        active_low: Option<bool>,
        debounce_ms: Option<f64>,
    },
}

fn real_time() -> f64 {
    1.0
}

fn supply_every_s() -> f64 {
    5.0
}

/// NMEA 0183's own rate.
fn nmea_rate() -> u32 {
    4_800
}

fn gpsd_host() -> String {
    "127.0.0.1".into()
}

/// gpsd's registered port (IANA).
fn gpsd_port() -> u16 {
    2_947
}

/// What is wrong with a source: what, and the remedy.
type Wrong = (String, String);

/// The sources, and what is wrong with them.
pub(super) fn check(
    document: &Document,
    folder: &Path,
    written: Vec<Spanned<Written>>,
    faults: &mut Vec<Fault>,
) -> Vec<Source> {
    if written.is_empty() {
        faults.push(Fault::whole(&document.name, "no source is given").remedy("add a [[source]] with its kind"));
    }
    let mut sources: Vec<Source> = Vec::new();
    for written in written {
        let place = written.span().start;
        let source = written.into_inner().check(folder).and_then(|source| beside(&sources, &source).map(|()| source));
        match source {
            Ok(source) => sources.push(source),
            Err((what, remedy)) => faults.push(document.fault(place, what).remedy(remedy)),
        }
    }
    sources
}

/// Whether a source can stand beside those before it.
fn beside(others: &[Source], source: &Source) -> Result<(), Wrong> {
    let is_replay = |source: &Source| matches!(source, Source::Replay { .. });
    if others.first().is_some_and(|other| is_replay(other) != is_replay(source)) {
        let what = "recordings can't be replayed beside sources that are read live";
        return Err((what.into(), "use one kind or the other".into()));
    }
    let Source::Live(live) = source else { return Ok(()) };
    let is_invented = |source: &Source| matches!(source, Source::Live(LiveSource::Rehearsal { .. }));
    let is_button = |source: &Source| matches!(source, Source::Live(LiveSource::Button(_)));
    let beside = |other: &&Source| !is_button(other) && !is_button(source);
    if others.iter().filter(beside).any(|other| is_invented(other) || is_invented(source)) {
        let what = "an invented car can't be driven beside sources that are read live";
        return Err((what.into(), "use one kind or the other".into()));
    }
    let same = |other: &Source| matches!(other, Source::Live(other) if other.name().eq_ignore_ascii_case(&live.name()));
    if others.iter().any(same) {
        return Err((format!("'{}' is read twice", live.name()), "name each bus and port once".into()));
    }
    Ok(())
}

impl Written {
    fn check(self, folder: &Path) -> Result<Source, Wrong> {
        Ok(Source::Live(match self {
            Self::Replay { recordings, pace } => {
                let recordings = recordings.iter().map(|path| folder.join(path)).collect();
                return Ok(Source::Replay { recordings, pace });
            }
            Self::SocketCan { interface, bit_rate } => {
                LiveSource::SocketCan { interface: interface_name(interface)?, bit_rate }
            }
            Self::Slcan { bus, port, serial_rate, bit_rate } => {
                LiveSource::Slcan { bus: bus_name(bus)?, port, serial_rate, bit_rate: slcan_rate(bit_rate)? }
            }
            Self::AtAdapter { bus, port, serial_rate, protocol, listen, supply_every_s } => LiveSource::AtAdapter {
                bus: bus_name(bus)?,
                port,
                serial_rate,
                protocol: protocol_of(&protocol)?,
                listen,
                supply_every: supply_every(supply_every_s)?,
            },
            Self::Nmea { port, serial_rate } => LiveSource::Nmea { port, serial_rate },
            Self::Gpsd { host, port } => LiveSource::Gpsd { host, port },
            Self::Rehearsal { scenario, course, speed, truth } => LiveSource::Rehearsal {
                scenario: folder.join(scenario),
                course: course.map(|path| folder.join(path)),
                speed: rehearsal_speed(speed)?,
                truth: truth.map(|path| folder.join(path)),
            },
            Self::Button {
                device: Some(device),
                key: Some(key),
                grab,
                chip: None,
                line: None,
                active_low: None,
                debounce_ms: None,
            } => LiveSource::Button(Contact::Key { device, key: key_name(key)?, grab: grab.unwrap_or(false) }),
            Self::Button {
                device: None,
                key: None,
                grab: None,
                chip: Some(chip),
                line: Some(line),
                active_low,
                debounce_ms,
            } => {
                let (active_low, debounce) = (active_low.unwrap_or(false), debounce(debounce_ms)?);
                LiveSource::Button(Contact::Line { chip, line, active_low, debounce })
            }
            Self::Button { .. } => return Err(button_keys()),
        }))
    }
}

/// Names of interfaces have at most 15 bytes (IFNAMSIZ of linux/if.h) and neither a slash nor a blank.
fn interface_name(name: String) -> Result<String, Wrong> {
    let sound = (1..=15).contains(&name.len()) && !name.contains(|c: char| c == '/' || c.is_whitespace());
    let wrong = || (format!("'{name}' can't name an interface"), "use the name that `ip link` shows".into());
    if sound { Ok(name) } else { Err(wrong()) }
}

fn bus_name(name: String) -> Result<String, Wrong> {
    let wrong = || (format!("'{name}' can't name a bus"), "use 1 to 64 of A-Z a-z 0-9 _ -".into());
    if crate::store::names::valid_name(&name) { Ok(name) } else { Err(wrong()) }
}

fn slcan_rate(bit_s: u32) -> Result<BitRate, Wrong> {
    let known = BitRate::from_kbit_s(bit_s / 1_000).filter(|_| bit_s.is_multiple_of(1_000));
    known.ok_or_else(|| {
        let remedy = "use 10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000 or 1000000";
        (format!("an slcan adapter has no bit rate of {bit_s} bit/s"), remedy.into())
    })
}

fn protocol_of(text: &str) -> Result<Protocol, Wrong> {
    let known = [
        ("11 bit 500 kbit/s", Protocol::Can11At500),
        ("29 bit 500 kbit/s", Protocol::Can29At500),
        ("11 bit 250 kbit/s", Protocol::Can11At250),
        ("29 bit 250 kbit/s", Protocol::Can29At250),
    ];
    known.iter().find(|(name, _)| *name == text).map(|(_, protocol)| *protocol).ok_or_else(|| {
        let names = known.map(|(name, _)| format!("'{name}'")).join(", ");
        (format!("unknown protocol '{text}'"), format!("use {names}"))
    })
}

fn supply_every(seconds: f64) -> Result<Span, Wrong> {
    let wrong = || (format!("supply_every_s of {seconds} s is out of range"), "use 1 to 3600 s".into());
    if (1.0..=3_600.0).contains(&seconds) { Ok(Span::from_seconds(seconds)) } else { Err(wrong()) }
}

/// Beyond a few hundred times real time no computer keeps up.
fn rehearsal_speed(factor: f64) -> Result<f64, Wrong> {
    let wrong = || (format!("speed of {factor} is out of range"), "use 1 to 500 times real time".into());
    if (1.0..=500.0).contains(&factor) { Ok(factor) } else { Err(wrong()) }
}

fn button_keys() -> Wrong {
    let remedy = "give device and key (and grab), or chip and line (and active_low and debounce_ms)";
    ("a button is a key of an input device or a line of a GPIO chip".into(), remedy.into())
}

fn key_name(name: String) -> Result<String, Wrong> {
    let wrong = || (format!("there is no key '{name}'"), "use a name that `evtest` shows, like 'KEY_VOLUMEUP'".into());
    if contact::key_of(&name).is_some() { Ok(name) } else { Err(wrong()) }
}

fn debounce(ms: Option<f64>) -> Result<Span, Wrong> {
    let Some(ms) = ms else { return Ok(contact::LINE_SETTLES) };
    let wrong = || (format!("debounce_ms of {ms} ms is out of range"), "use 1 to 200 ms".into());
    if (1.0..=200.0).contains(&ms) { Ok(Span::from_seconds(ms / 1e3)) } else { Err(wrong()) }
}
