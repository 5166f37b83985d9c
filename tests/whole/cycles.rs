//! Distance against the regulated drive schedules: UDDS, HWFET and US06, as the package fastsim carries them, through the
//! whole program.
//!
//! The reference is the trapezoid sum of the schedule itself; its length in metres is as published (40 CFR 86, Appendix I,
//! for UDDS; the schedules' own files for the others).

use std::fs;

use serde_json::Value;

use crate::support::{companion, figure, oracle, run, scratch, stdout};

const MAP: &str = r#"
[[table]]
name = "cycle"
time = { column = "cycSecs", format = "seconds", start = "2027-03-14T06:15:02Z" }
[[table.signal]]
name = "Pace"
column = "cycMps"
unit = "m/s"
[roles.speed]
signal = "cycle.Pace"
"#;

/// Times, s, and speeds, m/s.
fn schedule(text: &str) -> Vec<(f64, f64)> {
    let number = |cell: Option<&str>| cell.and_then(|cell| cell.parse().ok()).expect("a number");
    let rows = text.lines().skip(1).filter(|line| !line.is_empty());
    rows.map(|line| {
        let mut cells = line.split(',');
        (number(cells.next()), number(cells.next()))
    })
    .collect()
}

#[test]
fn drive_schedules_have_their_length() {
    for (name, metres, seconds) in [("udds", 11_990.4, 1_369.0), ("hwfet", 16_506.8, 765.0), ("us06", 12_887.6, 596.0)]
    {
        let text = stdout(oracle("cycles.py").arg(name));
        let rows = schedule(&text);
        let trapezoids = rows.windows(2).map(|pair| (pair[1].0 - pair[0].0) * (pair[0].1 + pair[1].1) / 2.0);
        let sum: f64 = trapezoids.sum();
        assert!((sum - metres).abs() < 0.05 && rows.last().is_some_and(|last| last.0 >= seconds), "{name}: {sum} m");
        let folder = scratch();
        let (recording, map, data) =
            (folder.path().join("cycle.csv"), folder.path().join("map.toml"), folder.path().join("DATA"));
        fs::write(&recording, &text).expect("a recording");
        fs::write(&map, MAP).expect("a map");
        let ingest = ["--vehicle", "cycle", "--into"];
        run(companion().arg("ingest").arg(&recording).arg("--map").arg(&map).args(ingest).arg(&data));
        let folder = data.join("vehicle=cycle/run=20270314T061502Z");
        let reduced: Value =
            serde_json::from_str(&stdout(companion().arg("reduce").arg(&folder).arg("--json"))).expect("JSON");
        let ours = figure(&reduced["distances"]["speed_km"]) * 1e3;
        assert!((ours / sum - 1.0).abs() < 1e-9, "{name}: {ours} m, the schedule {sum} m");
        // The target of a schedule is no one's: without a card there is no hold, and it is said.
        assert_eq!(reduced["hold"]["why"], "there is no test card: driving.target is needed");
        assert!(reduced["distances"]["fixes_km"].is_null() && reduced["speed_check"]["wheels"].is_null());
    }
}
