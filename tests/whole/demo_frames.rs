//! The committed recording against its own truth: its frames, decoded here by hand, carry what the model says happened.
//!
//! Uses neither the map nor the decode room nor the ledger: bits and sensor errors are written out from
//! `signal-maps/demo.dbc` and `recordings/demo-scenario.toml`, integrals are plain.

use std::io::{BufRead, BufReader};

use serde_json::Value;

use crate::support::root;

/// The scenario's sensors: `read = truth * (1 + gain) + zero`.
const CURRENT_GAIN: f64 = 0.0031;
const CURRENT_ZERO_A: f64 = 0.11;
const VOLTAGE_GAIN: f64 = -0.0012;
/// Longer than this without a frame is the gap.
const GAP_S: f64 = 1.0;

/// The readings of one signal: time (s, since the first frame's second) and value.
type Readings = Vec<(f64, f64)>;

#[derive(Default)]
struct Recording {
    amps: Readings,
    volts: Readings,
    pace_mps: Readings,
    shown_percent: Readings,
    not_available: usize,
}

fn big_endian(payload: u64, digits: usize, bytes: usize) -> u64 {
    payload >> (4 * digits - 8 * bytes)
}

fn read() -> Recording {
    let file = std::fs::File::open(root().join("recordings/demo.log.zst")).expect("the recording");
    let mut recording = Recording::default();
    let start: f64 = 1_805_004_902.0; // 2027-03-14T06:15:02Z
    for line in BufReader::new(zstd::Decoder::new(file).expect("zstd")).lines() {
        let line = line.expect("text");
        let (stamp, frame) = line.split_once(" can0 ").expect("a stamp, the bus, a frame");
        let stamp = stamp.trim_matches(['(', ')']);
        let (seconds, micros) = stamp.split_once('.').expect("seconds and microseconds");
        let time = seconds.parse::<f64>().expect("seconds") - start + micros.parse::<f64>().expect("us") / 1e6;
        let (id, hex) = frame.split_once('#').expect("an identifier and a payload");
        let payload = u64::from_str_radix(hex, 16).expect("hexadecimal digits");
        match id {
            // 7|16@0-, 0.05 A, charge positive.
            "1D2" => {
                recording.amps.push((time, -0.05 * f64::from(big_endian(payload, hex.len(), 2) as u16 as i16)));
            }
            // 0|13@1+, 0.1 V: little-endian in the first two bytes.
            "1D6" => recording.volts.push((time, 0.1 * f64::from((payload as u16).swap_bytes() & 0x1FFF))),
            // 7|16@0+, 0.01 km/h.
            "0F3" => recording.pace_mps.push((time, f64::from(payload as u16) / 360.0)),
            // 0|8@1+, 0.5 %; what lies above 100 % is not available.
            "3A1" => match 0.5 * big_endian(payload, hex.len(), 1) as f64 {
                shown if shown > 100.0 => recording.not_available += 1,
                shown => recording.shown_percent.push((time, shown)),
            },
            _ => {}
        }
    }
    recording
}

/// The trapezoid rule, the gap left out.
fn integral(readings: &Readings) -> f64 {
    let steps = readings.windows(2).map(|pair| (pair[1].0 - pair[0].0, (pair[0].1 + pair[1].1) / 2.0));
    steps.filter(|(time, _)| *time < GAP_S).map(|(time, mean)| time * mean).sum()
}

/// The products of two signals at the second one's times, the first taken as straight between its own.
fn product(first: &Readings, second: &Readings) -> Readings {
    let mut next = 1;
    let mut at = |time: f64| {
        while next + 1 < first.len() && first[next].0 < time {
            next += 1;
        }
        let ((t0, v0), (t1, v1)) = (first[next - 1], first[next]);
        v0 + (v1 - v0) * ((time - t0) / (t1 - t0)).clamp(0.0, 1.0)
    };
    second.iter().map(|(time, value)| (*time, value * at(*time))).collect()
}

#[track_caller]
fn close(value: f64, expected: f64, relative: f64) {
    assert!((value - expected).abs() <= relative * expected.abs(), "{value} is not {expected} to {relative}");
}

#[test]
fn the_demos_frames_carry_its_truth() {
    let recording = read();
    let text = std::fs::read_to_string(root().join("recordings/demo.truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let observed = |key: &str| {
        let part = |part: &Value| part[key].as_f64().expect("a number");
        part(&truth["whole"]) - part(&truth["gaps"][0]["within"])
    };
    // Noise, steps of 0.05 A, 0.1 V and 0.01 km/h, and the gap's edges leave some millionths.
    let seconds = observed("duration_s");
    let charge = observed("charge_net_ah") * 3_600.0 * (1.0 + CURRENT_GAIN) + CURRENT_ZERO_A * seconds;
    close(integral(&recording.amps), charge, 2e-5);
    let energy = observed("net_kwh") * 3.6e6 * (1.0 + CURRENT_GAIN) * (1.0 + VOLTAGE_GAIN);
    let energy = energy + CURRENT_ZERO_A * integral(&recording.volts);
    close(integral(&product(&recording.volts, &recording.amps)), energy, 2e-5);
    close(integral(&recording.pace_mps), observed("wheel_distance_km") * 1e3, 2e-5);

    // The display: not available at first, then full; the first 0 that stays is the truth's, but for a period of 1 s.
    assert_eq!(recording.not_available, 3);
    assert_eq!(recording.shown_percent.first().map(|reading| reading.1), Some(100.0));
    let last_above = recording.shown_percent.iter().rposition(|reading| reading.1 > 0.0).expect("above 0 at first");
    let zero = recording.shown_percent[last_above + 1].0;
    let true_zero = truth["to_zero"]["duration_s"].as_f64().expect("it reached 0");
    assert!((0.0..1.1).contains(&(zero - true_zero)), "{zero} s, truth {true_zero} s");

    // It starts and ends at rest.
    for reading in [recording.pace_mps.first(), recording.pace_mps.last()] {
        assert_eq!(reading.map(|reading| reading.1), Some(0.0));
    }
}
