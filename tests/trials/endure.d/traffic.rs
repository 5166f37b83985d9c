//! Seeded traffic of full 500 kbit/s buses with a map for a part of it: as batches, and as candump text.
//!
//! Only makes it up: driving physics with noise, alive counters and check bytes, so that compression has an honest task.

use std::io::{self, Write};

use drawdown::observation::{Batch, Bus, BusNames, FrameFlags};
use drawdown::time::{Span, Steady};

/// Identifiers of one bus and the rounds between their frames: 2,400 + 1,600 + 370 + 4 = 4,374 frames/s, the full 500 kbit/s bus of
/// `src/source/queue.rs`.
const PERIODS: [(usize, i64); 4] = [(24, 1), (32, 2), (37, 10), (4, 100)];
/// The time between two rounds of a bus.
const ROUND: Span = Span::of_millis(10);

/// xorshift64*: seeded noise that is the same everywhere (Vigna 2016, "An experimental exploration of Marsaglia's xorshift generators").
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// The messages that the map knows: name, identifier, round in which it comes; all on the first bus.
const MAPPED: [(&str, usize); 10] = [
    ("PackFast", 0),
    ("Wheel", 24),
    ("Charge", 56),
    ("Axle", 1),
    ("PackMore", 2),
    ("Body", 25),
    ("Thermal", 57),
    ("Heater", 58),
    ("Cells", 26),
    ("Slow", 93),
];

fn id(bus: usize, index: usize) -> u32 {
    0x100 + (index * 7 + bus * 2) as u32
}

/// The map of this traffic.
pub fn map() -> String {
    let mut text = String::new();
    for (name, index) in MAPPED {
        text += &format!("[[message]]\nname = \"{name}\"\nid = {}\nextended = false\nlength = 8\n", id(0, index));
        let signals = [
            ("A", 0, 16, "unsigned", 0.1),
            ("B", 16, 16, "signed", 0.1),
            ("C", 32, 8, "unsigned", 0.5),
            ("D", 40, 8, "signed", 1.0),
        ];
        for (signal, start, length, kind, scale) in signals {
            let unit = match (name, signal) {
                ("PackFast", "A") => "V",
                ("PackFast", "B") => "A",
                ("Wheel", "A") => "km/h",
                ("Charge", "C") => "%",
                _ => "",
            };
            text += &format!(
                "[[message.signal]]\nname = \"{name}{signal}\"\nstart = {start}\nlength = {length}\nbyte_order = \"little\"\ntype = \"{kind}\"\nscale = {scale:?}\nunit = \"{unit}\"\n"
            );
        }
    }
    for (role, signal) in [
        ("pack_voltage", "PackFast.PackFastA"),
        ("pack_current", "PackFast.PackFastB"),
        ("speed", "Wheel.WheelA"),
        ("soc", "Charge.ChargeC"),
    ] {
        text += &format!(
            "[roles.{role}]\nsignal = \"{signal}\"\ntolerance = {{ gain = 0.005, offset = 0.1, basis = \"data sheet\" }}\n"
        );
    }
    text
}

/// The traffic, round by round of 10 ms.
pub struct Traffic {
    buses: usize,
    /// One identifier in this many is sent, for less than a full bus.
    every: usize,
    round: i64,
    noise: Noise,
}

impl Traffic {
    pub fn new(buses: usize, every: usize, seed: u64) -> Self {
        Self { buses, every, round: 0, noise: Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1) }
    }

    /// The buses' names.
    pub fn names(&self) -> BusNames {
        let mut names = BusNames::default();
        (0..self.buses).for_each(|bus| {
            names.intern(&format!("vcan{bus}"));
        });
        names
    }

    /// Appends the frames of the next 10 ms, which begin at `at`; how many.
    pub fn round(&mut self, at: Steady, batch: &mut Batch) -> u64 {
        let mut sent = 0;
        let seconds = self.round as f64 * ROUND.seconds();
        let mut place = 0;
        let mut index = 0;
        for (count, rounds) in PERIODS {
            for within in 0..count {
                if (self.round + within as i64) % rounds == 0 && index % self.every == 0 {
                    for bus in 0..self.buses {
                        let at = at + Span(place * 200 + bus as i64 * 60);
                        let payload = self.payload(bus, index, seconds);
                        batch.push(at, Bus(bus as u8), id(bus, index), FrameFlags::default(), &payload);
                        sent += 1;
                    }
                    place += 1;
                }
                index += 1;
            }
        }
        self.round += 1;
        sent
    }

    fn payload(&mut self, bus: usize, index: usize, seconds: f64) -> [u8; 8] {
        let wave = |period: f64, phase: f64| (seconds * std::f64::consts::TAU / period + phase).sin();
        let noise = &mut self.noise;
        let (a, b) = match (bus, index) {
            (0, 0) => (
                3_800.0 - 60.0 * wave(37.0, 0.0) + noise.unit(),
                900.0 + 500.0 * wave(37.0, 0.0) + 200.0 * wave(5.0, 1.0) + noise.unit() * 3.0,
            ),
            (0, 24) => (1_100.0 + 30.0 * wave(90.0, 0.0) + noise.unit() * 0.2, 40.0 * wave(20.0, 0.0)),
            // Of others a third is noisy, a third slow, a third nearly constant.
            _ => match index % 3 {
                0 => (2_000.0 + 900.0 * wave(60.0, index as f64) + noise.unit() * 4.0, noise.unit() * 100.0),
                1 => (2_000.0 + 900.0 * wave(60.0, index as f64), 300.0 * wave(9.0, index as f64)),
                _ => (500.0 + 3.0 * wave(120.0, index as f64), 0.0),
            },
        };
        let mut bytes = [0; 8];
        bytes[..2].copy_from_slice(&(a.round() as i32 as u16).to_le_bytes());
        bytes[2..4].copy_from_slice(&(b.round() as i32 as i16).to_le_bytes());
        bytes[4] = (200.0 - seconds * 0.01).max(0.0) as u8;
        bytes[5] = (20.0 + 5.0 * wave(600.0, 0.0)) as i8 as u8;
        bytes[6] = (self.round & 0x0F) as u8;
        bytes[7] = crc8(&bytes[..7]);
        bytes
    }
}

/// CRC-8 with polynomial 0x1D, the check byte of much automotive traffic (SAE J1850; values from memory, nothing rests on them).
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0xFF, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 != 0 { (crc << 1) ^ 0x1D } else { crc << 1 })
    }) ^ 0xFF
}

/// Writes candump text: `drive_s` of traffic, then `sleep_s` of silence, again and again for `seconds`.
pub fn write_log(
    out: &mut impl Write,
    traffic: &mut Traffic,
    seconds: f64,
    (drive_s, sleep_s): (f64, f64),
) -> io::Result<()> {
    let start = 1_800_000_000_000_000_i64;
    let mut at = 0.0;
    while at < seconds {
        if sleep_s == 0.0 || at % (drive_s + sleep_s) < drive_s {
            let mut batch = Batch::default();
            traffic.round(Steady(start + (at * 1e6) as i64), &mut batch);
            batch.frames.sort_by_key(|frame| frame.at);
            for frame in &batch.frames {
                let stamp = frame.at.0;
                write!(out, "({}.{:06}) vcan{} {:03X}#", stamp / 1_000_000, stamp % 1_000_000, frame.bus.0, frame.id)?;
                frame.data.iter().try_for_each(|byte| write!(out, "{byte:02X}"))?;
                out.write_all(b"\n")?;
            }
        } else {
            traffic.round += 1;
        }
        at += ROUND.seconds();
    }
    Ok(())
}
