//! A rehearsed car's drive as a run, in memory: model, bus, decoder, ledger and fold, without a file.
//!
//! For tests. Steps and messages are coarse, so that a drive of half an hour takes a second or so. It knows no card.

use super::fold::{Folder, Noted, TraceChunk, columns};
use super::input::{Fix, RoleUse, RunInput};
use super::sampling::Sampling;
use crate::course::Course;
use crate::decode::Decoder;
use crate::document::Document;
use crate::ledger::{Ledger, Phase, TraceRow};
use crate::map::{self, Basis, Sent};
use crate::observation::{Batch, BusNames, Item};
use crate::rehearsal::{Rehearsal, Scenario, Truth};
use crate::schema::Role;
use crate::schema::tables::TRACE_SUMS;
use crate::time::{RunTime, Steady};

/// A straight road on the equator, 20 km from west to east, over a hill. A degree of longitude is 111,319.4908 m there.
pub const COURSE: &str = "
[[place]]
name = 'West'
km = 0
elevation_m = 100
position = [0.0, 0.0]
turn = true
turn_km = 0.4
turn_s = 30
charger = true
[[place]]
name = 'Top'
km = 8
elevation_m = 160
position = [0.0, 0.071865222729161]
[[place]]
name = 'East'
km = 20
elevation_m = 120
position = [0.0, 0.179663056822903]
turn = true
turn_km = 0.4
turn_s = 30
charger = true
";

/// A car of 7 kWh or so, which ends a drive within half an hour. 20 degC, 98.21 kPa dry: 1.16753 kg/m³.
pub const SCENARIO: &str = "
car = 'Test car'
seed = 7
start = '2027-01-01T00:00:00Z'
course = 'unused.toml'
step_ms = 100
[vehicle]
mass_kg = 1800
rotating_mass_kg = 50
rolling_resistance = 0.009
drag_area_m2 = 0.6
drive_efficiency = 0.9
power_limit_kw = 120
regeneration = { limit_kw = 50, efficiency = 0.8 }
accessory_w = 300
climate = { start_w = 500, steady_w = 500, decay_s = 200 }
odometer_km = 1000
[pack]
capacity_ah = 24
cells_in_series = 96
full_percent = 97
cell_cutoff_v = 2.7
temperature_degc = 20
heat_capacity_j_per_degc = 2e5
cooling_w_per_degc = 10
open_circuit_v = [[0, 3.1], [10, 3.4], [50, 3.7], [100, 4.2]]
resistance = { ohm = 0.05 }
[computer]
cycle_s = 0.5
displayed_top_percent = 96
displayed_bottom_percent = 8
step_percent = 0.5
assumed_energy_kwh = 7
assumed_wh_per_km = 180
[drive]
from = 'West'
turns = ['East', 'West']
target_kmh = 110
wander_kmh = 0.3
stand_before_s = 40
stand_after_s = 5
[air]
temperature_degc = 20
density_kg_per_m3 = 1.16753
[bus]
name = 'can0'
[period_ms]
POWER = 200
PACE = 200
SLOW = 1000
[satellite]
period_ms = 1000
";

const MAP: &str = "
[[message]]
name = 'POWER'
id = 0x20
length = 8
[[message.signal]]
name = 'Amps'
start = 0
length = 32
type = 'float32'
unit = 'A'
[[message.signal]]
name = 'Volts'
start = 32
length = 32
type = 'float32'
unit = 'V'
[[message]]
name = 'PACE'
id = 0x21
length = 4
[[message.signal]]
name = 'Pace'
start = 0
length = 32
type = 'float32'
unit = 'm/s'
[[message]]
name = 'SLOW'
id = 0x22
length = 8
[[message.signal]]
name = 'Shown'
start = 0
length = 8
scale = 0.5
unit = '%'
[[message.signal]]
name = 'Heater'
start = 8
length = 16
unit = 'W'
[[message.signal]]
name = 'Others'
start = 24
length = 16
unit = 'W'
[[message.signal]]
name = 'Plug'
start = 40
length = 1
[roles.pack_current]
signal = 'POWER.Amps'
positive = 'discharge'
[roles.pack_voltage]
signal = 'POWER.Volts'
[roles.speed]
signal = 'PACE.Pace'
[roles.soc]
signal = 'SLOW.Shown'
[roles.heater_power]
signal = 'SLOW.Heater'
[roles.accessory_power]
signal = 'SLOW.Others'
[roles.plug]
signal = 'SLOW.Plug'
";

/// Drives a scenario on a course, and what really happened.
pub fn run(scenario: &str, course: &str) -> (RunInput, Truth) {
    run_noting(scenario, course, Noted::default())
}

/// The same, with what people noted in place of roles.
pub fn run_noting(scenario: &str, course: &str, noted: Noted) -> (RunInput, Truth) {
    let (scenario, faults) = Scenario::parse(Document::from_text("drive.toml", scenario));
    assert_eq!(faults, []);
    let (course, faults) = Course::parse(&Document::from_text("road.toml", course));
    assert_eq!(faults, []);
    let loaded = map::from_text("car.toml", MAP, None);
    let map = loaded.map.unwrap_or_else(|| panic!("{:?}", loaded.faults));
    let scenario = scenario.unwrap();
    let mut rehearsal = Rehearsal::new(&scenario, &course.unwrap(), &map).unwrap_or_else(|faults| panic!("{faults:?}"));
    let (mut batch, mut names) = (Batch::default(), BusNames::default());
    let mut decoder = Decoder::new(&map);
    let mut ledger = Ledger::for_map(&map);
    let (mut folder, mut fixes) = (Folder::default().noting(noted), Vec::new());
    let origin = Steady(scenario.start.0);
    let since = |at: Steady| RunTime((at - origin).0);
    let mut last = RunTime(0);
    while rehearsal.step(&mut batch, &mut names) {
        decoder.set_buses(&names);
        for frame in &batch.frames {
            last = since(frame.at);
            if let Some(decoded) = decoder.frame(frame, batch.payload(frame)) {
                for tap in decoded.taps {
                    if let Some(value) = tap.value(decoded.values) {
                        ledger.sample(tap.role, last, value);
                    }
                }
            }
        }
        for stamped in &batch.rest {
            if let Item::Fix(fix) = &stamped.item {
                let (latitude, longitude) = fix.latitude_deg.zip(fix.longitude_deg).unwrap();
                let t = since(stamped.at);
                ledger.position(t, latitude, longitude);
                fixes.push(Fix {
                    t: t.0 as f64 / 1e6,
                    latitude,
                    longitude,
                    altitude: fix.altitude_m.unwrap_or(f64::NAN) as f32,
                    speed: fix.speed_mps.unwrap_or(f64::NAN) as f32,
                    hdop: 0.8,
                });
            }
        }
        batch.clear();
        drain(&mut ledger, &mut folder);
    }
    ledger.finish(last);
    drain(&mut ledger, &mut folder);
    let role =
        |role| RoleUse { role, gain: Some(1e-3), offset: Some(0.05), basis: Basis::DataSheet, sent: Sent::Cyclic };
    let run = RunInput {
        name: "rehearsed".into(),
        vehicle: "invented".into(),
        start: Some(scenario.start),
        soc_counts: Role::Soc,
        roles: [Role::PackCurrent, Role::PackVoltage, Role::Speed].map(role).to_vec(),
        gaps: Vec::new(),
        summary: folder.finish().into(),
        fixes,
        unplaced: None,
        turned: Vec::new(),
        sampling: Some(Sampling { energy: [1e3, 1e3, 1e2], charge: 5.0, blocks: 5 }),
        cut: false,
        problems: Vec::new(),
    };
    (run, rehearsal.truth())
}

fn drain(ledger: &mut Ledger, folder: &mut Folder) {
    let names = columns();
    ledger.drain_trace(|row: &TraceRow| {
        let sums = row.sums.in_column_order();
        let roles = names[TRACE_SUMS.len()..].iter().map(|name| match *name {
            "latitude" => row.latitude_deg,
            "longitude" => row.longitude_deg,
            name => Role::from_key(name).map_or(f64::NAN, |role| row.roles[role as usize]),
        });
        let cells: Vec<f64> = sums.into_iter().chain(roles).collect();
        let views: Vec<&[f64]> = cells.iter().map(std::slice::from_ref).collect();
        let phase: [Phase; 1] = [row.phase];
        folder.push(&TraceChunk { t_us: &[row.at.0], phase: &phase, columns: &views });
    });
}
