//! Energy and charge against PyBaMM: a cell discharged by PyBaMM, turned into frames, through the whole program.
//!
//! PyBaMM's own 'Discharge energy [W.h]' and 'Discharge capacity [A.h]' are the reference; ours come from frames whose
//! voltage and current are rounded as a car's are, so the tolerance covers that rounding and no more.

use std::fmt::Write as _;
use std::fs;

use serde_json::Value;

use crate::support::{companion, figure, oracle, run, scratch, stdout};

/// Cells in series and in parallel that turn the cell into a pack.
const SERIES: f64 = 96.0;
const PARALLEL: f64 = 30.0;

const MAP: &str = r#"
[[message]]
name = "PACK"
id = 0x2B0
length = 8
[[message.signal]]
name = "Voltage"
start = 0
length = 16
scale = 0.01
unit = "V"
[[message]]
name = "FLOW"
id = 0x2B1
length = 8
[[message.signal]]
name = "Current"
start = 0
length = 16
type = "signed"
scale = 0.02
unit = "A"
[roles.pack_voltage]
signal = "PACK.Voltage"
[roles.pack_current]
signal = "FLOW.Current"
"#;

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("an array").iter().map(|number| number.as_f64().expect("a number")).collect()
}

/// The discharge as candump text; voltage and current in frames of their own, 3 ms apart, as on a bus.
fn log(reference: &Value) -> String {
    let (t, v, i) = (numbers(&reference["t"]), numbers(&reference["v"]), numbers(&reference["i"]));
    let mut text = String::new();
    for ((t, v), i) in t.iter().zip(&v).zip(&i) {
        let stamp = 1_800_000_000.0 + t;
        let voltage = (v * SERIES / 0.01).round() as u16;
        let current = (i * PARALLEL / 0.02).round() as i16;
        let hex = |bytes: [u8; 2]| format!("{:02X}{:02X}000000000000", bytes[0], bytes[1]);
        writeln!(text, "({stamp:.6}) can0 2B0#{}", hex(voltage.to_le_bytes())).expect("text");
        writeln!(text, "({stamp:.6}) can0 2B1#{}", hex(current.to_le_bytes())).expect("text");
    }
    text
}

/// Relative differences of energy and charge from PyBaMM's own.
fn differences(kind: &str) -> (f64, f64) {
    let reference: Value = serde_json::from_str(&stdout(oracle("battery.py").arg(kind))).expect("JSON");
    let folder = scratch();
    let (recording, map, data) =
        (folder.path().join("cell.log"), folder.path().join("map.toml"), folder.path().join("DATA"));
    fs::write(&recording, log(&reference)).expect("a recording");
    fs::write(&map, MAP).expect("a map");
    let ingest = ["--vehicle", "cell", "--into"];
    run(companion().arg("ingest").arg(&recording).arg("--map").arg(&map).args(ingest).arg(&data));
    let reduced: Value = serde_json::from_str(&stdout(
        companion().arg("reduce").arg(data.join("vehicle=cell/run=20270115T080000Z")).arg("--json"),
    ))
    .expect("JSON");
    let cells = SERIES * PARALLEL;
    let energy = figure(&reduced["energy"]["net_kwh"]) * 1e3 / cells / reference["wh"].as_f64().expect("Wh") - 1.0;
    let charge = figure(&reduced["charge_net_ah"]) / PARALLEL / reference["ah"].as_f64().expect("Ah") - 1.0;
    println!("{kind}: energy off by {energy:+.2e}, charge by {charge:+.2e}");
    (energy, charge)
}

#[test]
fn constant_current_discharge() {
    let (energy, charge) = differences("constant");
    // 0.01 V in 384 V is 1.3e-5 at the most; the current is exact.
    assert!(energy.abs() < 5e-5 && charge.abs() < 1e-5, "{energy} {charge}");
}

#[test]
fn current_that_swings_through_zero() {
    let (energy, charge) = differences("sine");
    assert!(energy.abs() < 5e-4 && charge.abs() < 5e-4, "{energy} {charge}");
}
