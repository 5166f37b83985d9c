//! The seeded log of the trial `speed`: three buses, 25 identifiers, 40 mapped signals, as candump text; and its map.
//!
//! Only writes it. Driving physics with noise, alive counters and check bytes, so that compression has an honest task;
//! sizes depend on this data, so the trial quotes ratios alone.

use std::io::{self, Write};

/// xorshift64*: seeded noise that is the same everywhere (Vigna 2016, "An experimental exploration of Marsaglia's xorshift generators").
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }
    /// Uniform over -1..1.
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Identifier, bus, period in microseconds; the first eight are mapped.
const MESSAGES: [(u32, usize, i64); 25] = [
    (0x2A0, 0, 10_000),
    (0x2A1, 0, 10_000),
    (0x2A2, 0, 10_000),
    (0x1C4, 1, 10_000),
    (0x1C5, 1, 20_000),
    (0x3E8, 0, 20_000),
    (0x3E9, 2, 50_000),
    (0x18F_0123, 2, 100_000),
    (0x0A1, 0, 10_000),
    (0x0A2, 0, 10_000),
    (0x0A3, 0, 10_000),
    (0x0B1, 1, 10_000),
    (0x0B2, 1, 10_000),
    (0x0B3, 1, 10_000),
    (0x0B4, 1, 10_000),
    (0x0C1, 2, 10_000),
    (0x0C2, 2, 10_000),
    (0x0C3, 2, 10_000),
    (0x0C4, 2, 10_000),
    (0x0C5, 2, 10_000),
    (0x4D0, 0, 20_000),
    (0x4D1, 1, 20_000),
    (0x4D2, 2, 20_000),
    (0x5E0, 0, 100_000),
    (0x5E1, 1, 100_000),
];

const NAMES: [&str; 8] = ["PackFast", "PackMore", "Axle", "Wheel", "Body", "Charge", "Thermal", "Slow"];

/// The map: five signals in each of the first eight messages, both byte orders, signed and unsigned.
pub fn write_map(out: &mut impl Write) -> io::Result<()> {
    for (index, name) in NAMES.iter().enumerate() {
        let (id, _, _) = MESSAGES[index];
        let order = if index.is_multiple_of(2) { "big" } else { "little" };
        let start = |byte: usize| if index.is_multiple_of(2) { byte * 8 + 7 } else { byte * 8 };
        writeln!(out, "[[message]]\nname = \"{name}\"\nid = {id}\nextended = {}\nlength = 8", id > 0x7FF)?;
        let signals: [(&str, usize, usize, &str, f64); 5] = [
            ("A", 0, 16, "unsigned", 0.1),
            ("B", 2, 16, "signed", 0.1),
            ("C", 4, 8, "unsigned", 0.5),
            ("D", 5, 8, "signed", 1.0),
            ("E", 6, 8, "unsigned", 1.0),
        ];
        for (signal, byte, length, kind, scale) in signals {
            let unit = match (index, signal) {
                (0, "A") => "V",
                (0, "B") => "A",
                (3, "A") => "km/h",
                (5, "C") => "%",
                _ => "",
            };
            let scale = if (index, signal) == (3, "A") { 0.01 } else { scale };
            writeln!(
                out,
                "[[message.signal]]\nname = \"{name}{signal}\"\nstart = {}\nlength = {length}\nbyte_order = \"{order}\"\ntype = \"{kind}\"\nscale = {scale:?}\nunit = \"{unit}\"",
                start(byte)
            )?;
        }
    }
    for (role, signal) in [
        ("pack_voltage", "PackFast.PackFastA"),
        ("pack_current", "PackFast.PackFastB"),
        ("speed", "Wheel.WheelA"),
        ("soc", "Charge.ChargeC"),
    ] {
        writeln!(
            out,
            "[roles.{role}]\nsignal = \"{signal}\"\ntolerance = {{ gain = 0.005, offset = 0.1, basis = \"data sheet\" }}"
        )?;
    }
    Ok(())
}

/// Writes `frames` frames of driving as candump text.
pub fn write_log(out: &mut impl Write, frames: u64, seed: u64) -> io::Result<()> {
    let mut noise = Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut next: Vec<i64> = MESSAGES.iter().enumerate().map(|(index, _)| 137 * index as i64).collect();
    let mut counters = [0u8; MESSAGES.len()];
    let mut soc = 200.0;
    let start = 1_800_000_000_000_000_i64;
    for _ in 0..frames {
        let index = (0..MESSAGES.len()).min_by_key(|index| next[*index]).unwrap_or_default();
        let (id, bus, period) = MESSAGES[index];
        let at = next[index];
        next[index] = at + period + (noise.unit() * 60.0) as i64;
        counters[index] = counters[index].wrapping_add(1);
        soc -= 1e-6;
        let payload = payload(index, at as f64 * 1e-6, soc, counters[index], &mut noise);
        let stamp = start + at;
        write!(out, "({}.{:06}) can{bus} ", stamp / 1_000_000, stamp % 1_000_000)?;
        if id > 0x7FF {
            write!(out, "{id:08X}#")?
        } else {
            write!(out, "{id:03X}#")?
        }
        for byte in payload {
            write!(out, "{byte:02X}")?;
        }
        out.write_all(b"\n")?;
    }
    Ok(())
}

fn payload(index: usize, seconds: f64, soc: f64, counter: u8, noise: &mut Noise) -> [u8; 8] {
    let wave = |period: f64, phase: f64| (seconds * std::f64::consts::TAU / period + phase).sin();
    let mut bytes = [0; 8];
    let (a, b) = match index {
        0 => (
            3_800.0 - 60.0 * wave(37.0, 0.0) + noise.unit(),
            900.0 + 500.0 * wave(37.0, 0.0) + 200.0 * wave(5.0, 1.0) + noise.unit() * 3.0,
        ),
        3 => (11_000.0 + 300.0 * wave(90.0, 0.0) + noise.unit() * 2.0, 40.0 * wave(20.0, 0.0)),
        1..8 => {
            (2_000.0 + 900.0 * wave(60.0, index as f64) + noise.unit(), 300.0 * wave(9.0, index as f64) + noise.unit())
        }
        // Traffic that no map knows: slow values, and one byte of noise in every third message.
        _ => (
            500.0 + 100.0 * wave(120.0, index as f64),
            if index.is_multiple_of(3) { (noise.next() & 0xFF) as f64 } else { 0.0 },
        ),
    };
    let (a, b) = ((a.round() as i32 as u16), (b.round() as i32 as i16 as u16));
    let (a, b) =
        if index.is_multiple_of(2) { (a.to_be_bytes(), b.to_be_bytes()) } else { (a.to_le_bytes(), b.to_le_bytes()) };
    bytes[..2].copy_from_slice(&a);
    bytes[2..4].copy_from_slice(&b);
    bytes[4] = soc.max(0.0) as u8;
    bytes[5] = (20.0 + 5.0 * wave(600.0, 0.0)) as i8 as u8;
    bytes[6] = counter & 0x0F;
    bytes[7] = crc8(&bytes[..7]);
    bytes
}

/// CRC-8 with polynomial 0x1D, the check byte of much automotive traffic (SAE J1850; values from memory, nothing rests on them).
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0xFF, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 != 0 { (crc << 1) ^ 0x1D } else { crc << 1 })
    }) ^ 0xFF
}
