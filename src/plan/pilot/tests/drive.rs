//! The rehearsed demo's drive as rows of the trace, some a second, with what really happened; for tests.
//!
//! Model and messages are coarser than the demo's, so that a drive takes a second. Knows no pilot.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::course::Course;
use crate::decode::Decoder;
use crate::document::Document;
use crate::ledger::{Ledger, TraceRow};
use crate::observation::{Batch, BusNames, Item};
use crate::rehearsal::{Rehearsal, Scenario, Truth};
use crate::time::{RunTime, Steady};

/// A drive that was rehearsed.
pub struct Drive {
    pub course: Arc<Course>,
    pub rows: Vec<TraceRow>,
    pub truth: Truth,
}

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// The demo with some of its text replaced; a row every so many seconds.
pub fn demo(replaced: &[(&str, &str)], every: f64) -> Drive {
    let coarse = [
        ("step_ms = 10", "step_ms = 100"),
        ("PACK_AMPS = 20", "PACK_AMPS = 200"),
        ("PACK_VOLTS = 20", "PACK_VOLTS = 200"),
        ("WHEEL_PACE = 50", "WHEEL_PACE = 200"),
    ];
    let text = std::fs::read_to_string(file("recordings/demo-scenario.toml")).expect("the scenario");
    let text = coarse.iter().chain(replaced).fold(text, |text, (from, to)| {
        assert!(text.contains(from), "the scenario has no '{from}'");
        text.replace(from, to)
    });
    let (scenario, faults) = Scenario::parse(Document::from_text("drive.toml", text));
    let scenario = scenario.unwrap_or_else(|| panic!("{faults:?}"));
    let course = Course::load(&file("recordings/demo-course.toml")).0.expect("the course");
    let map = crate::map::load(&file("signal-maps/demo.toml")).map.expect("the map");
    let rehearsal = Rehearsal::new(&scenario, &course, &map).unwrap_or_else(|faults| panic!("{faults:?}"));
    let mut decoder = Decoder::new(&map);
    let mut ledger = Ledger::for_map(&map);
    let origin = Steady(scenario.start.0);
    let since = |at: Steady| RunTime((at - origin).0);
    let (mut rows, mut next) = (Vec::new(), 0.0);
    let mut keep = |row: &TraceRow| {
        if row.at.seconds() >= next {
            next = row.at.seconds() + every;
            rows.push(row.clone());
        }
    };
    let truth = rehearsal.run(|batch: &Batch, names: &BusNames| {
        decoder.set_buses(names);
        for frame in &batch.frames {
            let Some(decoded) = decoder.frame(frame, batch.payload(frame)) else { continue };
            for tap in decoded.taps {
                if let Some(value) = tap.value(decoded.values) {
                    ledger.sample(tap.role, since(frame.at), value);
                }
            }
        }
        for stamped in &batch.rest {
            let Item::Fix(fix) = &stamped.item else { continue };
            if let (Some(latitude), Some(longitude)) = (fix.latitude_deg, fix.longitude_deg) {
                ledger.position(since(stamped.at), latitude, longitude);
            }
        }
        ledger.drain_trace(&mut keep);
    });
    Drive { course: Arc::new(course), rows, truth }
}
